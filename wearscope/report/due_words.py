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
        Parts that this very bit is sure to last, by its own photos, rounded down; None if no life is known.
    worn_then : bool
        Whether wear may have reached a limit soon after; if not, `change_at` is only as far as can be promised.
    next_at : int or None
        Parts that 95 % of the next bits of its kind last, rounded down.
    next_worn_then : bool
        As `worn_then`, for those.
    """

    bit: str
    flute: int
    parts_so_far: int
    next_check: int | None
    change_at: int | None
    worn_then: bool = True
    next_at: int | None = None
    next_worn_then: bool = True

    @property
    def due(self) -> bool:
        """Whether it has cut as much as it is sure to last."""
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
    return tuple(row for bit in trial.bits for row in _rows(trial, bit, outcome))


def _rows(trial: Trial, bit: Bit, outcome: Outcome) -> Iterable[WallRow]:
    of = outcome.bit(bit.name)
    furthest = max(other.horizon for other in outcome.bits if other.kind == of.kind)
    change_at = int(rounded_down(of.at_least)) if of.life else None
    next_at = int(rounded_down(of.change_at)) if of.next_life else None
    done = sorted({0} | {photo.parts for photo in trial.photos if photo.bit == bit.name})
    next_check = 2 * done[-1] - done[-2] if len(done) > 1 else None
    if change_at is not None:
        next_check = None if done[-1] >= change_at else min(next_check or change_at, change_at)
    for flute in range(1, stated(bit.flutes) + 1):
        yield WallRow(
            bit.name,
            flute,
            done[-1],
            next_check,
            change_at,
            of.life is None or of.at_least < of.horizon,
            next_at,
            of.next_life is None or of.change_at < furthest,
        )


def due_bits(trial: Trial, outcome: Outcome) -> tuple[str, ...]:
    """Bits that have cut as much as they are sure to last, and may be worn out.

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
    """What must be done before anything else; how to do it safely (`CAUTIONS`) belongs beside it.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome

    Returns
    -------
    tuple of str
        A line for each bit that is due.
    """
    rows = {row.bit: row for row in wall_rows(trial, outcome)}
    return tuple(
        f"CHANGE NOW: {bit} has cut {rows[bit].parts_so_far} parts; by its photos it may be worn out from "
        f"{rows[bit].change_at} parts on."
        for bit in due_bits(trial, outcome)
    )


def due_notice(trial: Trial, outcome: Outcome) -> tuple[str, ...]:
    """Give the same with the cautions after it, for where they stand nowhere else.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome

    Returns
    -------
    tuple of str
        Empty if no bit is due.
    """
    lines = due_lines(trial, outcome)
    return (*lines, *CAUTIONS) if lines else ()
