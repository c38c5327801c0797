"""A sheet to hang at the machine: when to look at each bit again, when to change it, and room to write."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from wearscope.economics.outcome import BitOutcome, Outcome
from wearscope.quantities.quantity import quantity_of
from wearscope.report.pdf import Pages
from wearscope.report.report_words import CAUTIONS
from wearscope.report.words import finding
from wearscope.trial import Bit, Trial


@dataclass(frozen=True)
class WallRow:
    """One flute on the sheet.

    Attributes
    ----------
    bit : str
    flute : int
    parts_so_far : int
        At the bit's last checkpoint.
    next_check : int or None
        Parts after which to photograph it next; None if it is due to be changed, or was never photographed.
    change_at : int or None
        Parts that 95 % of the next bits of its kind last, rounded down; None if no life is known.
    worn_then : bool
        Whether wear may have reached a limit soon after; if not, `change_at` is only as far as can be promised.
    """

    bit: str
    flute: int
    parts_so_far: int
    next_check: int | None
    change_at: int | None
    worn_then: bool = True

    @property
    def due(self) -> bool:
        """Whether it has cut as much as it can be trusted with."""
        return self.change_at is not None and self.parts_so_far >= self.change_at


def wall_rows(trial: Trial, outcome: Outcome) -> tuple[WallRow, ...]:
    """Say for each flute of a trial when to look at it next, and when its bit is to be changed.

    The next check is as far beyond the last checkpoint as that is beyond the one before, but no later than the
    change. All flutes of a bit are changed together, by the worst of them.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome

    Returns
    -------
    tuple of WallRow
    """
    lasts = {bit.bit: _down(bit.change_at) if bit.next_life else None for bit in outcome.bits}
    furthest = {bit.bit: max(o.horizon for o in outcome.bits if o.kind == bit.kind) for bit in outcome.bits}
    worn = {bit.bit: bit.next_life is None or bit.change_at < furthest[bit.bit] for bit in outcome.bits}
    return tuple(row for bit in trial.bits for row in _rows(trial, bit, lasts[bit.name], worn[bit.name]))


def _rows(trial: Trial, bit: Bit, change_at: int | None, worn_then: bool) -> Iterable[WallRow]:
    done = sorted({0} | {photo.parts for photo in trial.photos if photo.bit == bit.name})
    next_check = 2 * done[-1] - done[-2] if len(done) > 1 else None
    if change_at is not None:
        next_check = None if done[-1] >= change_at else min(next_check or change_at, change_at)
    for flute in range(1, bit.flutes + 1):
        yield WallRow(bit.name, flute, done[-1], next_check, change_at, worn_then)


def _last_reading(bit: BitOutcome, flute: int) -> str:
    """What ends the bit's life most likely, as last measured on a flute, and its limit."""
    curves = sorted(bit.curves, key=lambda curve: -bit.ended_by.get(curve.quantity, 0.0))
    for curve in curves:
        rows = [row for row in curve.readings if row.flute == flute]
        if rows:
            last, how = max(rows, key=lambda row: row.parts), quantity_of(curve.quantity)
            limit = f", of {how.shown_factor * curve.limit.value:g} {how.shown_unit}" if curve.limit else ""
            return f"{how.label} {finding(last)}{limit}"
    return "not measured"


def _down(parts: float) -> int:
    """Round down to a number that is easily kept in mind, so that nothing is promised that was not found."""
    step = max(1, int(10.0 ** (len(str(int(parts))) - 1)) // 20)
    return int(parts) // step * step


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
    pages.set_margin(12)
    pages.add_page()
    bits = {bit.bit: bit for bit in outcome.bits}
    pages.heading(f"Wear log: {trial.name}")
    pages.rows(
        ("Bit", "Flute", "Parts so far", "Last measured", "Next check due at", "Change at"),
        [
            (
                row.bit,
                str(row.flute),
                str(row.parts_so_far),
                _last_reading(bits[row.bit], row.flute),
                _check(row),
                _change(row),
            )
            for row in wall_rows(trial, outcome)
        ],
        (2.6, 1.2, 2.2, 7, 3, 4),
        size=10,
    )
    pages.say(_EXPLAINED, size=8.5)
    pages.say(" ".join(CAUTIONS), size=8.5)
    pages.heading("To write down at each check and change", 1, room_mm=2 * _HEAD_MM + _LEAST_LINES * _LINE_MM)
    room = pages.h - pages.b_margin - pages.get_y() - _HEAD_MM
    pages.rows(
        ("Date", "Bit", "Flute", "Parts since new", "Photo taken", "Seen, heard, changed", "Who"),
        [(" ",) * 7] * max(_LEAST_LINES, int(room / _LINE_MM)),
        (2, 3, 1.3, 3, 2.4, 6, 1.8),
        line_mm=_LINE_MM - 2,
    )
    return bytes(pages.output())


_LINE_MM, _HEAD_MM, _LEAST_LINES = 8.0, 12.0, 5
_EXPLAINED = (
    "Change at: so many parts 95 % of the bits of its kind last, by their worst flute, in this material at these "
    "settings. One in twenty wears faster: photograph each at its first checks too. Not "
    "before: no wear near the limit was seen; photograph it then, and cut on if it is not worn. Change a bit sooner "
    "if a flute is chipped or cracked, or if the cut or the sound is bad."
)


def _check(row: WallRow) -> str:
    if row.next_check is not None:
        return f"{row.next_check} parts"
    return "now" if row.due and not row.worn_then else "–"


def _change(row: WallRow) -> str:
    if row.change_at is None:
        return "not known yet"
    if not row.worn_then:
        return f"not before {row.change_at} parts"
    return f"{row.change_at} parts: change it now" if row.due else f"{row.change_at} parts"
