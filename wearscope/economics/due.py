"""When to look at each bit again and when to change it, and which are due: numbers only, one place for every page."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

from wearscope.economics.outcome import Outcome
from wearscope.trial import Bit, Trial

_STEP = 20  # a life is told to a twentieth of the power of ten that it begins with, 238 as 235 or 240; chosen
TINY = 1e-9
"""What the arithmetic of floats adds to a whole number."""


def step_of(parts: float) -> float:
    """Steps in which a life is told, so that it is easily kept in mind.

    Parameters
    ----------
    parts : float
        0 or more, in any unit.

    Returns
    -------
    float
    """
    return float(max(1, 10 ** (len(str(int(parts))) - 1) // _STEP))


def rounded_down(parts: float) -> float:
    """Round a life down to a number that is easily kept in mind, so that nothing is promised that was not found.

    Parameters
    ----------
    parts : float
        0 or more, in any unit.

    Returns
    -------
    float
        A whole number.

    Examples
    --------
    >>> rounded_down(238.7), rounded_down(1049.0), rounded_down(7.9)
    (235.0, 1000.0, 7.0)
    """
    step = step_of(parts)
    return floor(parts / step + TINY) * step


@dataclass(frozen=True)
class Due:
    """When a bit is to be looked at and changed.

    Attributes
    ----------
    bit : str
    parts_so_far : int
        At its last checkpoint.
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
    parts_so_far: int
    next_check: int | None
    change_at: int | None
    worn_then: bool = True
    next_at: int | None = None
    next_worn_then: bool = True

    @property
    def past(self) -> bool:
        """Whether it has cut as much as it is sure to last."""
        return self.change_at is not None and self.parts_so_far >= self.change_at

    @property
    def now(self) -> bool:
        """Whether it is to be changed now: it has cut as much as it is sure to last, and may be worn out."""
        return self.past and self.worn_then


def when_due(trial: Trial, outcome: Outcome) -> tuple[Due, ...]:
    """Say for each bit of a trial when to look at it next, and when it is to be changed.

    The next check is as far beyond the last checkpoint as that is beyond the one before, but no later than the
    change. All flutes of a bit are changed together, by the worst of them.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome

    Returns
    -------
    tuple of Due
        In the order of the trial.
    """
    return tuple(_due(trial, bit, outcome) for bit in trial.bits)


def due_bits(trial: Trial, outcome: Outcome) -> tuple[str, ...]:
    """Bits that are to be changed now.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome

    Returns
    -------
    tuple of str
        In the order of the trial.
    """
    return tuple(due.bit for due in when_due(trial, outcome) if due.now)


def _due(trial: Trial, bit: Bit, outcome: Outcome) -> Due:
    of = outcome.bit(bit.name)
    furthest = max(other.horizon for other in outcome.bits if other.kind == of.kind)
    change_at = int(rounded_down(of.at_least)) if of.life else None
    done = sorted({0} | {photo.parts for photo in trial.photos_of(bit.name)})
    next_check = 2 * done[-1] - done[-2] if len(done) > 1 else None
    if change_at is not None:
        next_check = None if done[-1] >= change_at else min(next_check or change_at, change_at)
    return Due(
        bit.name,
        done[-1],
        next_check,
        change_at,
        of.life is None or of.at_least < of.horizon,
        int(rounded_down(of.change_at)) if of.next_life else None,
        of.next_life is None or of.change_at < furthest,
    )
