"""When to look at each bit again and when to change it, and what is due now: the same for every page that says so."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from wearscope.economics.outcome import Outcome
from wearscope.report.amounts import rounded_down
from wearscope.report.report_words import CAUTIONS
from wearscope.trial import Bit, Trial
from wearscope.trial.asking import stated


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
    lasts = {bit.bit: int(rounded_down(bit.change_at)) if bit.next_life else None for bit in outcome.bits}
    furthest = {bit.bit: max(o.horizon for o in outcome.bits if o.kind == bit.kind) for bit in outcome.bits}
    worn = {bit.bit: bit.next_life is None or bit.change_at < furthest[bit.bit] for bit in outcome.bits}
    return tuple(row for bit in trial.bits for row in _rows(trial, bit, lasts[bit.name], worn[bit.name]))


def _rows(trial: Trial, bit: Bit, change_at: int | None, worn_then: bool) -> Iterable[WallRow]:
    done = sorted({0} | {photo.parts for photo in trial.photos if photo.bit == bit.name})
    next_check = 2 * done[-1] - done[-2] if len(done) > 1 else None
    if change_at is not None:
        next_check = None if done[-1] >= change_at else min(next_check or change_at, change_at)
    for flute in range(1, stated(bit.flutes) + 1):
        yield WallRow(bit.name, flute, done[-1], next_check, change_at, worn_then)


def due_bits(trial: Trial, outcome: Outcome) -> tuple[str, ...]:
    """Bits that have cut as much as they can be trusted with, and may be worn out.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome

    Returns
    -------
    tuple of str
        In the order of the trial.
    """
    return tuple(dict.fromkeys(row.bit for row in wall_rows(trial, outcome) if row.due and row.worn_then))


def due_lines(trial: Trial, outcome: Outcome) -> tuple[str, ...]:
    """What must be done before anything else, with how to do it safely.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome

    Returns
    -------
    tuple of str
        A line for each bit that is due, then the cautions; empty if none is.
    """
    rows = {row.bit: row for row in wall_rows(trial, outcome)}
    lines = tuple(
        f"CHANGE NOW: {bit} has cut {rows[bit].parts_so_far} parts, and no more than {rows[bit].change_at} can be "
        "trusted."
        for bit in due_bits(trial, outcome)
    )
    return (*lines, *CAUTIONS) if lines else ()
