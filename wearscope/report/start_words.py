"""What is said and asked in the first hour: questions, the plan of a folder's pictures, and the trial file itself."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

from wearscope.imaging.calibration.pin import RingAngle
from wearscope.report.words import joined
from wearscope.start.answers import Answers
from wearscope.start.plan import Plan, Planned, Shown
from wearscope.start.taken import OrderedBy
from wearscope.start.zooms import ToldBy

ONE_SCALE = "microscope"  # name of the scale where there is one zoom

QUESTIONS = {
    "name": "What shall the trial be called?",
    "division_um": (
        "How far apart are neighbouring lines of the graticule, in microns?\n"
        "  It is engraved on the slide: 0.1 mm is 100, 0.01 mm is 10. Usual: 100."
    ),
    "um_per_px": (
        "No picture shows a graticule (a ruled glass slide). How many microns is one pixel?\n"
        "  The microscope's program may say; better: stop here, photograph a graticule at this zoom, start again."
    ),
    "u_um_per_px": (
        "By how many microns per pixel may that well be off?\n"
        "  Of a program's own scale take half a per cent: 0.017 for 3.4."
    ),
    "pin_diameter_mm": (
        "How thick is the pin, in millimetres? It tells the angle of the lamp ring.\n"
        "  Measure it with a caliper, or read it off the gauge pin or drill. Usual: 0.8 to 1.5. Empty: leave it out."
    ),
    "bits": "What are the bits called, in the order in which you photographed them? Put commas between them.",
    "parts": (
        "How many parts had they cut at each checkpoint? Put spaces between the numbers, 0 for new.\n"
        "  Such as: 0 150 300"
    ),
    "parts_of": "How many parts had {bit} cut at each of its checkpoints?",
    "missing": (
        "Which photos were not taken? Bit, flute and parts of each, with ; between them.\n"
        "  Such as: Plover 2 150. Empty: none, stop here."
    ),
    "leave_out": "Which pictures do not belong? Their names, with commas between them. Empty: none, stop here.",
    "graticule_taken": (
        "There are graticules at several zooms. Was each photographed before the pictures at its zoom, or after?\n"
        "  before or after. If neither, stop here and put the pictures of each zoom into a folder of their own."
    ),
    "flutes": "How many flutes has {bit}?",
    "coatings": (
        "What coating has {bit}? none for bare carbide.\n"
        "  The maker's sheet or the box says. By its looks: gold TiN, violet-black TiAlN, pale gold ZrN, grey bare."
    ),
    "prices": "What does one {bit} cost? Decimal comma or point. Empty: no cost per part yet.",
    "currency": "In which currency? Such as EUR. Empty: leave it out.",
    "wedge_angles_deg": (
        "What is the wedge angle of {bit}, in degrees? It is 90 less rake less clearance, of the maker's sheet.\n"
        "  Usual: 50 to 65. Empty: 60 give or take 8 is assumed, which makes the numbers less sure."
    ),
    "edge_radius_um": (
        "At which edge radius is a bit worn out for you, in microns?\n"
        "  Common practice, no source: 30 to 50 for clean edges in plywood. Empty: say it later, in the trial file."
    ),
    "order": (
        "In which order did you take them? The grinding marks do not tell it.\n"
        "  1: bit after bit, at each checkpoint all of its flutes\n"
        "  2: checkpoint after checkpoint, at each all bits\n"
        "  3: bit after bit, flute after flute, through all checkpoints"
    ),
}
"""What is asked, by key; what each bit has is asked of each."""

_FILMS = (".mp4", ".mov", ".avi", ".mts", ".m4v", ".mkv")
_MOST_OTHERS = 5  # of the files that are no pictures, named in a line; chosen
_ZOOMS_BY: dict[ToldBy, str] = {
    "folders": "each picture goes by the graticule in its folder",
    "sizes": "each picture goes by the graticule that is as many pixels wide and high",
    "before": "each picture goes by the graticule that was photographed last before it",
    "after": "each picture goes by the graticule that was photographed next after it",
}
_ORDERED_BY: dict[OrderedBy, str] = {
    "clock": "the camera's clock says which was taken first",
    "counter": "the camera's numbering says which was taken first",
    "file date": "only the files' dates say which was taken first, and copying may have changed them: look twice",
}
_ORDER_WORDS = {
    "bit, flute, checkpoint": "bit after bit, flute after flute, through all checkpoints",
    "bit, checkpoint, flute": "bit after bit, at each checkpoint all of its flutes",
    "checkpoint, bit, flute": "checkpoint after checkpoint, at each all bits",
}


def shown_line(shown: Shown) -> str:
    """Say what a folder's pictures show, before anything is asked.

    Parameters
    ----------
    shown : Shown

    Returns
    -------
    str
    """
    perhaps = f", {len(shown.doubtful)} that may show one" if shown.doubtful else ""
    zooms = shown.zooms.graticules
    graticules = f"graticule ({', '.join(one.file for one in zooms)})" if zooms else "no graticule"
    pin = f"pin ({shown.pin.file})" if shown.pin else "no pin"
    return f"{len(shown.flutes)} pictures of flutes{perhaps}, {graticules} and {pin}."


def others_line(others: Sequence[str]) -> str:
    """Say which files are no pictures, and what else can be done with a recording.

    Parameters
    ----------
    others : sequence of str
        Their names.

    Returns
    -------
    str
        Empty where there are none.
    """
    if not others:
        return ""
    films = any(name.casefold().endswith(_FILMS) for name in others)
    cure = " Of a recording wearscope frames takes the sharpest stills." if films else ""
    return f"No pictures, left alone: {joined(others, _MOST_OTHERS)}.{cure}"


def plan_lines(plan: Plan) -> list[str]:
    """Say which picture is what, and what tells it.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    list of str
    """
    wide = max(len(one.seen.file) for one in plan.pictures)
    zooms = len(plan.role("graticule")) > 1
    lines = [f"  {one.seen.file:<{wide}}  {_what(one, zooms=zooms)}" for one in plan.pictures]
    return [*lines, "", *(f"  {line}" for line in evidence_lines(plan))]


def _what(one: Planned, *, zooms: bool = False) -> str:
    """What a picture shows, with the number of its zoom where there are several."""
    seen = one.seen
    zoom = f" of zoom {one.zoom + 1}" if zooms else ""
    if one.role == "graticule":
        lines = f": {seen.n_lines} lines, {seen.pitch_px:.1f} pixels apart" if seen.n_lines else ""
        return f"graticule{zoom}{lines}"
    if one.role == "pin":
        return "pin, for the angle of the lamp ring"
    if one.place is not None:
        doubt = "" if seen.kind == "edge" else " (no tool edge is seen plainly; it makes up the number)"
        at = f" (zoom {one.zoom + 1})" if zooms else ""
        return f"{place_words(one)}{at}{doubt}"
    if seen.copy_of:
        return f"left out: the same file as {seen.copy_of}"
    if seen.problem:
        return f"left out: {seen.problem.removeprefix(f'{seen.file}: ')}"
    why = {
        "graticule": "a second graticule at the same zoom",
        "pin": "a second pin",
        "unclear": "no tool edge is seen in it",
    }
    return f"left out: {why.get(seen.kind, 'as you say')}"


def place_words(one: Planned) -> str:
    """Say where a picture belongs.

    Parameters
    ----------
    one : Planned
        Of a flute.

    Returns
    -------
    str
    """
    assert one.place is not None
    when = f"after {one.place.parts} parts" if one.place.parts else "new"
    return f"{one.place.bit}, flute {one.place.flute}, {when}"


def evidence_lines(plan: Plan) -> Iterator[str]:
    """Say what tells where the pictures belong.

    Parameters
    ----------
    plan : Plan

    Yields
    ------
    str
    """
    if plan.zooms_told_by != "one":
        n = len(plan.role("graticule"))
        yield f"{n} zooms: {_ZOOMS_BY[plan.zooms_told_by]}. Look twice: a wrong one makes every number wrong."
    if plan.told_by == "names":
        yield f"The names tell bit, parts and flute: {plan.pattern}".removesuffix(": ")
        return
    assert plan.ordered_by is not None
    yield f"Order: {_ORDERED_BY[plan.ordered_by]}."
    if plan.order is not None and plan.told_by != "one way":
        why = "as you say"
        if plan.told is not None:
            n_same = plan.told.n_same[plan.order]
            pairs = "pair of photos shows" if n_same == 1 else "pairs of photos show"
            why = f"{n_same} {pairs} the same grinding marks on one flute, and no other order fits them"
        yield f"Taken {_ORDER_WORDS[plan.order]}: {why}."


def scale_line(um_per_px: float, width_px: int, zoom: int | None = None) -> str:
    """Say the scale, and how wide a picture is by it, which a person can check against the bit.

    Parameters
    ----------
    um_per_px : float
    width_px : int
        Of a picture.
    zoom : int, optional
        Number of the zoom, from 0, where there are several.

    Returns
    -------
    str
    """
    wide = um_per_px * width_px / 1000
    at = "" if zoom is None else f"Zoom {zoom + 1}: "
    return f"{at}One pixel is {um_per_px:.4g} microns, so a picture is {wide:.1f} mm wide. Can that be?"


# --- The trial file


def trial_text(plan: Plan, answers: Answers, name: str, ring: RingAngle | str | None, today: str) -> str:
    """The trial file of a folder, with comments on what to give and where to find it.

    Parameters
    ----------
    plan : Plan
    answers : Answers
    name : str
        Of the trial.
    ring : RingAngle or str or None
        The lamp ring's angle, or why there is none.
    today : str

    Returns
    -------
    str
    """
    lines = [
        f"# Trial file, made by wearscope start on {today}. What stands after # is a remark; take the # away from a",
        "# line that you want to hold. Numbers have a point: 9.5, not 9,5.",
        "",
        "[trial]",
        f"name = {_toml(name)}",
        '# workpiece = "15 mm birch plywood"   # these four are for the fairness check: wearscope check',
        "# depth_of_cut_mm = 4.0",
        "# spindle_rpm = 18000",
        "# feed_mm_per_min = 3600",
        "# minutes_per_part = 2.0               # of cutting, for lives in minutes",
        _given("currency", answers.currency, '"EUR"', "what prices are in"),
        "",
        "[life]                                 # worn out when the worst flute reaches the first of these",
        _given("edge_radius_um", answers.edge_radius_um, "40", "common practice, no source: 30 to 50"),
        "# coating_loss = 0.8                   # share of the first 100 microns",
        "# chip_depth_max_um = 50               # deeper is scrap; this is what holds if you leave it out",
        "",
        *_scale_lines(plan, answers, ring),
        *(line for at, bit in enumerate(plan.bits) for line in _bit_lines(plan, answers, bit, at)),
        "",
        *(_pattern_lines(plan, answers) if plan.pattern else _photo_lines(plan, answers)),
        *(f"# {one.seen.file} {_what(one)}" for one in plan.role("left out")),
        *(f"# {one.seen.file} shows a pin" for one in plan.role("pin")),
    ]
    return "\n".join(lines) + "\n"


def _scale_lines(plan: Plan, answers: Answers, ring: RingAngle | str | None) -> Iterator[str]:
    graticules = plan.role("graticule")
    pin = next(iter(plan.role("pin")), None)
    if not graticules:
        yield from ("[[scale]]", f"name = {_toml(ONE_SCALE)}", f"um_per_px = {_number(answers.um_per_px)}")
        yield f"u_um_per_px = {_number(answers.u_um_per_px)}"
        yield from _ring_lines(pin, ring)
    for one in graticules:
        yield from ("[[scale]]", f"name = {_toml(_scale_name(plan, one))}")
        yield f"graticule = {_toml(one.seen.file)}"
        yield f"division_um = {_number(answers.division_of(one.zoom))}"
        # a lamp ring's angle holds at the zoom at which its pin was photographed
        yield from _ring_lines(pin, ring if pin is not None and pin.zoom == one.zoom else None)
        if one is not graticules[-1]:
            yield ""


def _scale_name(plan: Plan, one: Planned) -> str:
    return ONE_SCALE if len(plan.role("graticule")) < 2 else f"zoom {one.zoom + 1}"


def _ring_lines(pin: Planned | None, ring: RingAngle | str | None) -> Iterator[str]:
    if isinstance(ring, RingAngle) and pin is not None:
        yield f"ring_angle_deg = {ring.ring_angle_deg:.1f}              # by the pin in {pin.seen.file}"
        yield f"u_ring_angle_deg = {ring.u_ring_angle_deg:.1f}"
        return
    if isinstance(ring, str):
        yield f"# No lamp angle: {ring}"
    yield "# ring_angle_deg = 40                  # between line of sight and lamp ring's light; a pin tells it"


def _bit_lines(plan: Plan, answers: Answers, bit: str, at: int) -> Iterator[str]:
    yield from ("", "[[bit]]", f"name = {_toml(bit)}")
    yield _given("price", answers.of_bit("prices", at), "9.5", "of one bit, for the cost per part")
    yield f"flutes = {plan.flutes[at]}"
    yield f"coating = {_toml(answers.of_bit('coatings', at))}"
    wedge = answers.of_bit("wedge_angles_deg", at)
    yield _given("wedge_angle_deg", wedge, "60", "90 less rake less clearance; left out: 60 give or take 8")
    yield "# diameter_mm = 6.35"
    yield "# helix_angle_deg = 0                  # of helical flutes, with diameter_mm"
    yield "# max_rpm = 24000                      # its maker's maximum speed"


def _pattern_lines(plan: Plan, answers: Answers) -> Iterator[str]:
    yield "[photos]                               # later photos named like this are found by themselves"
    yield f"pattern = {_toml(plan.pattern)}"
    yield f"view = {_toml(answers.view)}                        # or rake, profile: what the camera looks at"


def _photo_lines(plan: Plan, answers: Answers) -> Iterator[str]:
    for line in evidence_lines(plan):
        yield f"# {line}"
    for one in plan.role("flute"):
        assert one.place is not None
        yield from ("", "[[photo]]", f"bit = {_toml(one.place.bit)}", f"flute = {one.place.flute}")
        yield from (f"parts = {one.place.parts}", f"view = {_toml(answers.view)}")
        yield f"file = {_toml(one.seen.file)}"
        if plan.zooms_told_by != "one":
            yield f"scale = {_toml(_scale_name(plan, one))}"


def _given(key: str, value: float | str | None, example: str, remark: str) -> str:
    said = _toml(value) if isinstance(value, str) else _number(value)
    line = f"# {key} = {example}" if value is None else f"{key} = {said}"
    return f"{line:<38} # {remark}"


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.10g}"


def _toml(text: str) -> str:
    """Text as a basic string of TOML 1.0, whose escapes are those of JSON but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


# --- Renaming


def renaming_lines(pairs: Sequence[tuple[str, str]]) -> list[str]:
    """Say which picture gets which name.

    Parameters
    ----------
    pairs : sequence of (str, str)
        The name now, and then.

    Returns
    -------
    list of str
    """
    wide = max(len(was) for was, _ in pairs)
    return [f"  {was:<{wide}}  ->  {now}" for was, now in pairs]
