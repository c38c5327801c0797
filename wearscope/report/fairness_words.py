"""Whether the bits of a trial worked under the same conditions, in plain words."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from wearscope.process.fairness import BitConditions, FairTrial
from wearscope.quantities.reasons import Reason, Value
from wearscope.report.words import said

_DANGERS = {
    "above-maximum-speed": (
        "DANGER: {bit} runs at {rpm:g} rpm, above its maker's maximum of {max_rpm:g} rpm: it can burst; do not run "
        "it, and lower spindle_rpm and the program's S"
    ),
}
_DOUBTS = {
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
    "no-decimal-point": "no length has a decimal point; lengths are taken as whole mm or inches",
}

_Told = tuple[str, Callable[[BitConditions], str]]

CONDITIONS: dict[str, _Told] = {
    "program": ("program", lambda bit: _program(bit)),
    "feed": ("feed", lambda bit: f"{bit.feed_mm_per_min:g} mm/min"),
    "spindle-speed": ("spindle speed", lambda bit: f"{bit.spindle_rpm:g} rpm"),
    "depth-of-cut": ("depth of cut", lambda bit: f"{bit.depth_of_cut_mm:g} mm"),
    "material": ("material", lambda bit: f'"{bit.workpiece}"'),
    "checkpoints": ("checkpoints", lambda bit: ", ".join(map(_parts, bit.checkpoints)) or "none"),
    "flutes": ("flutes", lambda bit: str(bit.flutes)),
    "diameter": ("diameter", lambda bit: f"{bit.diameter_mm:g} mm"),
    "chip-load": ("chip load", lambda bit: f"{bit.chip_load_mm:.3g} mm"),
    "surface-speed": ("surface speed", lambda bit: f"{bit.surface_speed_m_per_min:.0f} m/min"),
    "cutting-length-per-flute": (
        "cutting length per flute and part",
        lambda bit: _if_known(bit.cut_length_m_per_flute, 1.0, "m"),
    ),
    "cutting-time-per-flute": (
        "cutting time per flute and part",
        lambda bit: _if_known(bit.cut_minutes_per_flute, 60.0, "s"),
    ),
}
"""What each condition is called, and how its value is told of a bit."""


def _program(bit: BitConditions) -> str:
    return f"{bit.program} ({bit.program_sha256[:8] or 'not read'})" if bit.program else "none named"


def _parts(parts: Value) -> str:
    return f"{parts}" if parts else "new"


def _if_known(value: float | None, factor: float, unit: str) -> str:
    return "unknown" if value is None else f"{factor * value:.3g} {unit}"


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
    names: dict[str, list[str]] = {}
    for bit in bits:
        names.setdefault(told(bit), []).append(bit.bit)
    return f"{what}: " + "; ".join(f"{', '.join(named)} {value}" for value, named in names.items())


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
        return said(
            _DOUBTS, doubt, missing=", ".join(missing.get((of.get("bit", ""), of.get("flute", 0)), []))
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
    if fair.fair:
        return "Fair, as far as the trial file says."
    return "NOT FAIR: the bits did not work under the same conditions."


def fair_warnings(fair: FairTrial) -> tuple[str, ...]:
    """What must be known beside a verdict: dangers, and that the trial is not fair, and why.

    Parameters
    ----------
    fair : FairTrial

    Returns
    -------
    tuple of str
        Empty for a fair trial without dangers.
    """
    differing = "; ".join(difference_text(condition, fair.bits) for condition in fair.unfair)
    unfair = (f"{fair_head(fair)} Not the same: {differing}.",) if fair.unfair else ()
    return (*danger_lines(fair), *unfair)


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
    line = f"chip load {bit.chip_load_mm:.3g} mm, surface speed {bit.surface_speed_m_per_min:.0f} m/min"
    if bit.cut_length_m_per_part is None or bit.cut_minutes_per_part is None or bit.cuts_per_flute is None:
        return f"{line}; cutting length not known (name the program, or give cut_length_m_per_part)"
    source = "by its program" if bit.cut_length_source == "program" else "as stated"
    return (
        f"{line}; {bit.cut_length_m_per_part:.3f} m per part {source}, {60 * bit.cut_minutes_per_part:.1f} s at its "
        f"feeds (not counting speeding up and slowing down); each flute {bit.cut_length_m_per_flute:.3f} m and "
        f"{bit.cuts_per_flute:.0f} cuts"
    )
