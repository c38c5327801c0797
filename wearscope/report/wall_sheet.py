"""A sheet to hang at the machine: when to look at each bit again, when to change it, and room to write."""

from __future__ import annotations

from wearscope.economics.due import Due, when_due
from wearscope.economics.outcome import BitOutcome, Outcome
from wearscope.quantities.quantity import quantity_of
from wearscope.report.due_words import due_lines
from wearscope.report.pages import RED, Pages, name_share
from wearscope.report.report_words import CAUTIONS
from wearscope.report.short_names import short_names, with_short_names
from wearscope.report.words import finding, parts_text
from wearscope.trial import Trial
from wearscope.trial.asking import stated


def _last_reading(bit: BitOutcome, flute: int, so_far: int) -> str:
    """What ends the bit's life most likely, as last measured on a flute, and its limit; and when, if long ago."""
    curves = sorted(bit.curves, key=lambda curve: -bit.ended_by.get(curve.quantity, 0.0))
    for curve in curves:
        rows = [row for row in curve.readings if row.flute == flute]
        if rows:
            last, how = max(rows, key=lambda row: row.parts), quantity_of(curve.quantity)
            limit = f", of {how.shown_factor * curve.limit.value:g} {how.shown_unit}" if curve.limit else ""
            when = f", {parts_text(last.parts)}" if last.parts < so_far else ""
            return f"{how.label} {finding(last)}{limit}{when}"
    return "not measured"


def wall_sheet_pdf(trial: Trial, outcome: Outcome, day: str) -> bytes:
    """Print the sheet as PDF, A4 across, with as many lines to write on as there is room for.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome
    day : str
        When it was made.

    Returns
    -------
    bytes
    """
    pages = Pages(f"Wear log: {trial.name}", f"{trial.name} · made {day} with wearscope", "landscape")
    pages.set_margin(_MARGIN_MM)
    pages.set_auto_page_break(True, 17)  # up to the foot: the lines to write on want the room
    pages.add_page()
    bits = {bit.bit: bit for bit in outcome.bits}
    _cautions(pages)
    pages.heading(f"Wear log: {trial.name}")
    short = short_names(bits)
    for line in with_short_names(due_lines(trial, outcome), short):
        pages.say(line, size=12, bold=True, colour=RED)
    pages.rows(
        (
            "Bit",
            "Flute",
            "Parts so far",
            "Last measured",
            "Next check",
            "Change this one",
            "Change the next ones",
        ),
        [
            (
                short.get(due.bit, due.bit),
                str(flute),
                str(due.parts_so_far),
                _last_reading(bits[due.bit], flute, due.parts_so_far),
                _check(due),
                _change(due),
                _at(due.next_at, due.next_worn_then),
            )
            for of_trial, due in zip(trial.bits, when_due(trial, outcome), strict=True)
            for flute in range(1, stated(of_trial.flutes) + 1)
        ],
        (name_share(outcome.bits, 2.3), 1.1, 1.9, 5.6, 2.3, 3.4, 3.4),
        size=10,
    )
    pages.say(_EXPLAINED, size=8.5)
    pages.heading("To write down at each check and change", 1, room_mm=2 * _HEAD_MM + _LEAST_LINES * _LINE_MM)
    room = pages.h - pages.b_margin - pages.get_y() - _HEAD_MM
    pages.rows(
        ("Date", "Bit", "Flute", "Parts since new", "Photo taken", "Seen, heard, changed", "Who"),
        [(" ",) * 7] * max(_LEAST_LINES, int(room / _LINE_MM)),
        (2, 3, 1.3, 3, 2.4, 6, 1.8),
        line_mm=_LINE_MM - 2,
    )
    return bytes(pages.output())


def _cautions(pages: Pages) -> None:
    """Before all else and as large as anything on the sheet, in a frame that is seen from across the machine."""
    frame_mm, top = 2.0, pages.get_y()
    pages.set_y(top + frame_mm)
    pages.set_margin(_MARGIN_MM + frame_mm)
    pages.say("Before you reach in", size=14, bold=True, colour=RED)
    pages.items(CAUTIONS, size=11)
    pages.set_margin(_MARGIN_MM)
    pages.set_xy(_MARGIN_MM, pages.get_y() + 1)
    with pages.local_context(draw_color=RED, line_width=0.9):
        pages.rect(_MARGIN_MM, top, pages.epw, pages.get_y() - top)


_MARGIN_MM = 12.0
_LINE_MM, _HEAD_MM, _LEAST_LINES = 8.0, 12.0, 4
_EXPLAINED = (
    "Change this one: how far its own photos say that this very bit is sure to last, by its worst flute, in this "
    "material at these settings. Change the next ones: after so many parts 95 in 100 bits of its kind still cut. "
    "One in twenty wears faster: photograph each at its first checks too. Not before: no wear near the limit was "
    "seen; photograph it then, and cut on if it is not worn. Change a bit sooner if a flute is chipped or "
    "cracked, or if the cut or the sound is bad."
)


def _check(due: Due) -> str:
    if due.next_check is not None:
        return f"{due.next_check} parts"
    return "now" if due.past and not due.worn_then else "–"


def _change(due: Due) -> str:
    return "now" if due.now else _at(due.change_at, due.worn_then)


def _at(parts: int | None, worn_then: bool) -> str:
    if parts is None:
        return "not known yet"
    return f"at {parts} parts" if worn_then else f"not before {parts} parts"
