"""What became of a number: each value that it had, and its fate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from wearscope.log.corrections import LoggedCorrection
from wearscope.log.identity import Move
from wearscope.log.inputs import NamedInputs
from wearscope.log.logged import LoggedInspection, LoggedRecord

Fate = Literal["holds", "out of date", "replaced", "astray"]
"""What became of a row: the last is one whose photo the trial file does not list under that name."""

NumberKey = tuple[str, int, int, str, str, str]
"""Bit, flute, parts, view, quantity and zone."""


@dataclass(frozen=True)
class PastRow:
    """One value that a number had.

    Attributes
    ----------
    logged : LoggedRecord
    fate : {"holds", "out of date", "replaced", "astray"}
    changed : tuple of str or None
        Names of the inputs that were others when it was replaced, or are others now; None where that is not known.
    rests_on, later : mapping or None
        What it rests on, and what its successor does or it would rest on now; None where that is not known.
    by_hand : tuple of LoggedCorrection
        What had been said of the photo by then, as far as it held.
    """

    logged: LoggedRecord
    fate: Fate
    changed: tuple[str, ...] | None
    rests_on: NamedInputs | None
    later: NamedInputs | None
    by_hand: tuple[LoggedCorrection, ...]


@dataclass(frozen=True)
class Past:
    """What became of the numbers that were asked for.

    Attributes
    ----------
    numbers : mapping
        All values of each number, oldest first.
    refusals : tuple of LoggedInspection
        When photos of these flutes and checkpoints were refused as a whole.
    moves : tuple of Move
        Names that these rows were given later.
    """

    numbers: Mapping[NumberKey, tuple[PastRow, ...]]
    refusals: tuple[LoggedInspection, ...]
    moves: tuple[Move, ...]
