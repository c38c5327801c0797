"""Whether the bits of a trial worked under the same conditions, in plain words."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from wearscope.process.fairness import BitConditions, FairTrial, material_key
from wearscope.quantities.quantity import quantity_of
from wearscope.quantities.reasons import Reason, Value
from wearscope.report.words import joined, said
from wearscope.trial.asking import Unstated

_DANGERS = {
    "above-maximum-speed": (
        "DANGER: {bit} runs at {rpm:g} rpm, above its maker's maximum of {max_rpm:g} rpm: it can burst; do not run "
        "it, and lower spindle_rpm and the program's S"
    ),
}
_DOUBTS = {
    "not-stated": "the trial file does not say {key} (line {line}), so that it was not compared; give it there",
    "limit-not-faced": (
        "the life of {faced} can end by {label}, that of {spared} cannot: compare them by the other limits too"
    ),
    "program-for-one-diameter": (
        "{program} is cut with bits of other diameters ({diameters}): parts and widths of cut differ, unless it "
        "was made anew for each; name each bit's own program"
    ),
    "several-scales": "{bit} was photographed at several scales ({values}); keep the zoom the same",
    "several-lights": "{bit} was photographed with the lamp ring at {values}°; keep the light the same",
    "several-cameras": (
        "{bit} was photographed with several cameras or at several picture sizes ({values}); keep to one microscope, "
        "as each shows an edge a little differently"
    ),
    "cut-one-after-another": (
        "by the dates in the photos {first} was tried until {until}, {second} only from {since} on: wood, weather "
        "and machine may have changed meanwhile; let the bits cut in turns"
    ),
    "dates-backwards": (
        "flute {flute} of {bit}: the photo after {more} parts is dated {later}, the one after {parts} parts {when}, "
        "which is later; check which file is which, and the camera's clock"
    ),
    "no-photo": "flute {flute} of {bit} has no photo at {missing}; take it while you can",
    "no-program": "no program is named for every bit, so that all cut the same is taken on trust; name it by program",
    "program-refused": "{refusal} (the cutting length is not taken from this program)",
    "program-speed": "{program} asks for S{asked:g}, but {bit} is set to {rpm:g} rpm; mend spindle_rpm",
    "program-feed": (
        "{program} cuts mostly at {asked_mm_per_min:g} mm/min, but {bit} is set to {feed_mm_per_min:g}; mend "
        "feed_mm_per_min"
    ),
    "program-without-feed": (
        "{program} gives no feed for its cuts; the cutting time is that at {feed_mm_per_min:g} mm/min"
    ),
    "program-length": (
        "{program} cuts {length_m:.3g} m per part, but cut_length_m_per_part is {stated_m:g}; the program's counts"
    ),
    "program-time": (
        "{program} needs {minutes:.3g} minutes at its feeds alone, more than minutes_per_part = {stated_minutes:g}; "
        "mend minutes_per_part"
    ),
}
_PROGRAM_REMARKS = {
    "m-word-moves-nothing": "line {line}: M{m:g} is taken to move nothing",
    "taken-as-absolute": "line {line}: neither G90 nor G91 is said; coordinates are taken as absolute",
    "move-left-out": "line {line}: starts where the program does not say; this move is left out",
    "unit-by-trial": "line {line}: the program says no unit; lengths are taken in {unit}, as program_unit says",
    "unit-against-trial": "line {line}: G{g:g} is another unit than program_unit says; the program's counts",
    "unit-by-iso": "line {line}: G{g:g} is taken as the unit (G70 inch, G71 mm, as in ISO 6983-1), not as a cycle",
    "arc-ends-off": "line {line}: an arc ends {off_mm:.3f} mm off its circle, more than by rounding; taken so",
    "axis-at-zero": "line {line}: {axis}0 is taken as an axis that does not turn",
    "pecked-once": "line {line}: G{g:g} bores in pecks; each hole counts once, not the ways back into it",
    "rapid-after-cycle": "line {line}: moves after G80 are taken as rapid, as before the drilling cycle",
    "dwell-by-x": "line {line}: X is taken as the time of the dwell G4",
    "no-decimal-point": "no length has a decimal point; lengths are taken as whole mm or inches",
}

MOST_NAMED = 8  # bits that lack one key, named in a line

_Told = tuple[str, Callable[[BitConditions], str]]

CONDITIONS: dict[str, _Told] = {
    "program": ("program", lambda bit: _program(bit)),
    "feed": ("feed", lambda bit: _if_known(bit.feed_mm_per_min, "{:g} mm/min")),
    "spindle-speed": ("spindle speed", lambda bit: _if_known(bit.spindle_rpm, "{:g} rpm")),
    "depth-of-cut": ("depth of cut", lambda bit: _if_known(bit.depth_of_cut_mm, "{:g} mm")),
    "material": ("material", lambda bit: _if_known(bit.workpiece, '"{}"')),
    "checkpoints": ("checkpoints", lambda bit: ", ".join(map(_parts, bit.checkpoints)) or "none"),
    "flutes": ("flutes", lambda bit: _if_known(bit.flutes, "{}")),
    "diameter": ("diameter", lambda bit: _if_known(bit.diameter_mm, "{:g} mm")),
    "chip-load": ("chip load", lambda bit: _if_known(bit.chip_load_mm, "{:.3g} mm")),
    "surface-speed": ("surface speed", lambda bit: _if_known(bit.surface_speed_m_per_min, "{:.0f} m/min")),
    "view": ("view of the photos", lambda bit: ", ".join(bit.views) or "none"),
    "scale": ("microscope setting of the photos", lambda bit: _settings(bit)),
    "camera": ("camera and picture size of the photos", lambda bit: "; ".join(bit.cameras) or "not said"),
    "light": (
        "angle of the lamp ring",
        lambda bit: ", ".join(
            dict.fromkeys("not stated" if ring is None else f"{ring:g}°" for _, _, ring in bit.settings)
        ),
    ),
    "view-tilt": ("tilt of the view", lambda bit: ", ".join(f"{tilt:g}°" for tilt in bit.view_tilts_deg)),
    "regrind": ("reground before the trial", lambda bit: f"{bit.regrind} times"),
    "limits": (
        "what can end their life",
        lambda bit: ", ".join(quantity_of(quantity).label for quantity in bit.faces) or "no limit",
    ),
    "cutting-length-per-flute": (
        "cutting length per flute and part",
        lambda bit: _if_known(bit.cut_length_m_per_flute, "{:.3g} m"),
    ),
    "cutting-time-per-flute": (
        "cutting time per flute and part",
        lambda bit: _if_known(bit.cut_seconds_per_flute, "{:.3g} s"),
    ),
}
"""What each condition is called, and how its value is told of a bit."""


def _program(bit: BitConditions) -> str:
    return f"{bit.program} ({bit.program_sha256[:8] or 'not read'})" if bit.program else "none named"


def _settings(bit: BitConditions) -> str:
    return ", ".join(
        f'"{name}"' if um is None else f'"{name}" ({um:.3g} µm per px)' for name, um, _ in bit.settings
    )


def _parts(parts: Value) -> str:
    return f"{parts}" if parts else "new"


def _if_known(value: Value | None, text: str) -> str:
    return "unknown" if value is None else text.format(value)


def difference_text(condition: str, bits: Sequence[BitConditions]) -> str:
    """One condition of all bits in a line, with the bits of one value together.

    Parameters
    ----------
    condition : str
        A key of `CONDITIONS`.
    bits : sequence of BitConditions

    Returns
    -------
    str
        Such as "feed: Wren 3600 mm/min; Plover, Heron 3000 mm/min".
    """
    what, told = CONDITIONS[condition]
    same = (
        material_key if condition == "material" else str
    )  # "15mm oak" beside "15 mm oak" would look like a difference
    names: dict[str, tuple[str, list[str]]] = {}
    for bit in bits:
        value = told(bit)
        names.setdefault(same(value), (value, []))[1].append(bit.bit)
    return f"{what}: " + "; ".join(f"{', '.join(named)} {value}" for value, named in names.values())


def danger_lines(fair: FairTrial) -> tuple[str, ...]:
    """What may hurt someone, one line each.

    Parameters
    ----------
    fair : FairTrial

    Returns
    -------
    tuple of str
    """
    return tuple(said(_DANGERS, danger) for danger in fair.dangers)


def doubt_lines(fair: FairTrial) -> tuple[str, ...]:
    """What is contradictory or could not be told, one line each; missing photos of a flute share theirs.

    Parameters
    ----------
    fair : FairTrial

    Returns
    -------
    tuple of str
    """
    missing: dict[tuple[Value, Value], list[str]] = {}
    for doubt in fair.doubts:
        if doubt.code == "no-photo":
            of = dict(doubt.values)
            missing.setdefault((of["bit"], of["flute"]), []).append(_parts(of["parts"]))

    def line(doubt: Reason) -> str:
        of = dict(doubt.values)
        if doubt.code in _PROGRAM_REMARKS:
            return f"{of['program']}, {program_remark(doubt)}"
        label = quantity_of(str(of.get("quantity", ""))).label
        return said(
            _DOUBTS,
            doubt,
            label=label,
            missing=", ".join(missing.get((of.get("bit", ""), of.get("flute", 0)), [])),
        )

    return tuple(dict.fromkeys(map(line, fair.doubts)))


def program_remark(remark: Reason) -> str:
    """What was assumed when a part program was read.

    Parameters
    ----------
    remark : Reason

    Returns
    -------
    str
        Such as "line 3: M64 is taken to move nothing".
    """
    return said(_PROGRAM_REMARKS, remark)


def fair_head(fair: FairTrial) -> str:
    """Whether the trial is fair.

    Parameters
    ----------
    fair : FairTrial

    Returns
    -------
    str
    """
    if not fair.fair:
        return "NOT FAIR: the bits did not work under the same conditions."
    if fair.unsaid:
        return f"Not told whether the trial is fair: its file does not say {joined(_by_key(fair.unsaid))}."
    return "Fair, as far as the trial file says."


def _by_key(unsaid: Sequence[Unstated]) -> list[str]:
    """Keys that are not given, each once, with the bits that lack it: a few by name, more counted."""
    bits: dict[str, list[str]] = {}
    for each in unsaid:
        bits.setdefault(each.key, []).extend([each.bit] if each.bit else [])
    return [f"{key} ({joined(of, MOST_NAMED)})" if of else key for key, of in bits.items()]


def fair_warnings(fair: FairTrial) -> tuple[str, ...]:
    """What must be known beside a verdict: dangers, and that the trial is not fair, and why.

    Parameters
    ----------
    fair : FairTrial

    Returns
    -------
    tuple of str
        Empty for a fair trial without dangers, of which all is said.
    """
    differing = "; ".join(difference_text(condition, fair.bits) for condition in fair.unfair)
    unfair = (f"{fair_head(fair)} Not the same: {differing}.",) if fair.unfair else ()
    untold = (fair_head(fair),) if fair.unsaid and fair.fair else ()
    return (*danger_lines(fair), *unfair, *untold)


def fair_lines(fair: FairTrial) -> tuple[str, ...]:
    """What differs between the bits, what is in doubt, and what each bit's settings come to, one line each.

    Parameters
    ----------
    fair : FairTrial

    Returns
    -------
    tuple of str
    """
    names: dict[str, list[str]] = {}
    for bit in fair.bits:
        names.setdefault(_cut_line(bit), []).append(bit.bit)
    return (
        *(f"not the same: {difference_text(condition, fair.bits)}" for condition in fair.unfair),
        *(
            f"differs, as part of what is compared: {difference_text(condition, fair.bits)}"
            for condition in fair.differs
        ),
        *(f"doubt: {doubt}" for doubt in doubt_lines(fair)),
        *(f"{', '.join(named)}: {line}" for line, named in names.items()),
    )


def _cut_line(bit: BitConditions) -> str:
    line = ", ".join(
        f"{what} {told(bit)}" for what, told in (CONDITIONS["chip-load"], CONDITIONS["surface-speed"])
    )
    if bit.cut_length_m_per_part is None:
        return f"{line}; cutting length not known (name the program, or give cut_length_m_per_part)"
    source = "by its program" if bit.cut_length_source == "program" else "as stated"
    line = f"{line}; {bit.cut_length_m_per_part:.3f} m per part {source}"
    if bit.cut_minutes_per_part is not None:
        line += f", {60 * bit.cut_minutes_per_part:.1f} s at its feeds (not counting speeding up and slowing down)"
    if bit.cut_length_m_per_flute is not None and bit.cuts_per_flute is not None:
        line += f"; each flute {bit.cut_length_m_per_flute:.3f} m and {bit.cuts_per_flute:.0f} cuts"
    return line
