"""What a command needs of a trial file beyond what every trial needs: asked for by name when it runs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from wearscope.errors import TrialError
from wearscope.trial.entries import Bit
from wearscope.trial.model import Trial

T = TypeVar("T")

LIFE_KEYS = ("flutes",)
"""What a life needs of each bit; a bit without a price has no cost, and that is said where the cost would stand."""

TOOTH_KEYS = ("spindle_rpm", "flutes")
"""What tells how often a flute enters the cut."""

MARK_KEYS = ("feed_mm_per_min", *TOOTH_KEYS)
"""What marks on the work are compared with."""

CUT_KEYS = ("workpiece", "depth_of_cut_mm", "spindle_rpm", "feed_mm_per_min", "diameter_mm", "flutes")
"""What tells whether the bits worked under the same conditions."""


def require(trial: Trial, keys: Iterable[str], why: str, bits: Iterable[Bit] | None = None) -> None:
    """Refuse a trial whose file does not say what is needed.

    Parameters
    ----------
    trial : Trial
    keys : iterable of str
        Of a bit, or of the trial where no bit has its own.
    why : str
        What needs them, as "the outcome".
    bits : iterable of Bit, optional
        By default all.

    Raises
    ------
    TrialError
        One line for each key that is missing, with the line of its table and the cure.
    """
    missing = list(unstated(trial, keys, bits))
    if missing:
        raise TrialError([f"{_place(trial, each.line)}: {_asked(each, why)}" for each in missing])


@dataclass(frozen=True)
class Unstated:
    """A key that a trial file does not give.

    Attributes
    ----------
    key : str
        Such as ``trial.spindle_rpm`` or ``bit.price``.
    bit : str
        Which bit lacks it; empty if it is one of the trial.
    line : int
        Of the table that lacks it; 0 if that is not known.
    """

    key: str
    bit: str
    line: int

    @property
    def named(self) -> str:
        """The key with the bit, such as ``bit.price (Wren)``."""
        return f"{self.key} ({self.bit})" if self.bit else self.key


def unstated(trial: Trial, keys: Iterable[str], bits: Iterable[Bit] | None = None) -> Iterator[Unstated]:
    """Name the keys that a trial file does not give.

    Parameters
    ----------
    trial : Trial
    keys : iterable of str
        Of a bit, or of the trial where no bit has its own.
    bits : iterable of Bit, optional
        By default all.

    Yields
    ------
    Unstated
    """
    asked = trial.bits if bits is None else tuple(bits)
    lines = dict(trial.headings)
    for key in keys:
        without = [bit for bit in asked if getattr(bit, key) is None]
        if key in Trial.model_fields:
            if getattr(trial, key) is None and without:
                yield Unstated(f"trial.{key}", "", lines.get("", 0))
            continue
        for bit in without:
            yield Unstated(f"bit.{key}", bit.name, lines.get(bit.name, 0))


def _place(trial: Trial, line: int) -> str:
    return f"{trial.path}, line {line}" if line else str(trial.path)


def _asked(each: Unstated, why: str) -> str:
    table, _, name = each.key.partition(".")
    field = (Trial if table == "trial" else Bit).model_fields[name]
    return f"{each.named} is missing, and {why} needs it; give {field.description}"


def stated(value: T | None) -> T:
    """A value that `require` has asked for.

    Parameters
    ----------
    value : object or None

    Returns
    -------
    object

    Raises
    ------
    LookupError
        Nobody asked for it.

    Examples
    --------
    >>> stated(2)
    2
    """
    if value is None:
        raise LookupError("needed a value that the trial file does not give, without asking for it")
    return value
