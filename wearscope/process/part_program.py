"""Cutting length and cutting time of a part program in G-code, read strictly or not at all."""

from __future__ import annotations

import re
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from wearscope.files import PROGRAM_BYTES, read_file
from wearscope.process.program_moves import MM_PER_INCH, Control
from wearscope.process.program_paths import Move
from wearscope.process.program_words import ProgramRefused, numbered_words
from wearscope.quantities.reasons import Reason, reason

_POINTED = re.compile(rb"[XYZIJKR][ \t]*[+-]?[0-9]*\.", re.IGNORECASE)


@dataclass(frozen=True)
class PartProgram:
    """What a part program makes the tool do.

    Attributes
    ----------
    path : Path
    sha256 : str
        Of the file's bytes, in hexadecimal.
    moves : tuple of Move
        Moves at feed rate, in order.
    rapid_mm : float
        Length of the rapid moves whose start is known, taken as straight, in mm.
    remarks : tuple of Reason
        What was assumed or left out.
    """

    path: Path
    sha256: str
    moves: tuple[Move, ...]
    rapid_mm: float
    remarks: tuple[Reason, ...]

    @property
    def cut_length_mm(self) -> float:
        """Length of all moves at feed rate, those through air included, in mm."""
        return sum(move.length_mm for move in self.moves)

    @property
    def upright_mm(self) -> float:
        """Length of the moves at feed rate that go along Z alone, in mm."""
        return sum(move.length_mm for move in self.moves if move.upright)

    @property
    def cut_minutes(self) -> float | None:
        """Time at the programmed feeds, in minutes, as if the machine needed none to speed up or slow down.

        None if a move has no feed.
        """
        minutes = 0.0
        for move in self.moves:
            if move.feed_mm_per_min is None:
                return None
            minutes += move.length_mm / move.feed_mm_per_min
        return minutes

    @property
    def main_feed_mm_per_min(self) -> float | None:
        """Feed of the greatest part of the cutting length, in mm per minute."""
        lengths: dict[float, float] = {}
        for move in self.moves:
            if move.feed_mm_per_min is not None:
                lengths[move.feed_mm_per_min] = lengths.get(move.feed_mm_per_min, 0.0) + move.length_mm
        return max(lengths, key=lengths.__getitem__) if lengths else None

    @property
    def spindle_rpms(self) -> tuple[float, ...]:
        """Spindle speeds that it cuts at, in order of size; empty if it asks for none."""
        return tuple(sorted({move.spindle_rpm for move in self.moves if move.spindle_rpm is not None}))


UNITS_MM: dict[str, float] = {"mm": 1.0, "inch": MM_PER_INCH}
"""Millimetres per unit of length, by what the trial file calls it."""


def read_program(path: Path, unit: str | None = None) -> PartProgram:
    """Read a part program.

    Followed are straight moves and arcs (centre or radius form, helices included) in all three planes, mm and
    inch, absolute and incremental distances and arc centres, and the three feed modes. Tool-length and work
    offsets are followed too: they shift the path but do not stretch it.

    Parameters
    ----------
    path : Path
    unit : {"mm", "inch"}, optional
        Unit of length where the program says none.

    Returns
    -------
    PartProgram

    Raises
    ------
    ProgramRefused
        It cannot be read, is not G-code, or holds a word whose effect on the path is not followed here.
    """
    try:
        content = read_file(path, PROGRAM_BYTES)
    except OSError as error:
        raise ProgramRefused(
            f"{path} cannot be read ({error.strerror})", "check the path and its permissions"
        ) from error
    control = Control(path, unit_mm=None if unit is None else UNITS_MM[unit])
    for number, words in numbered_words(path, content):
        if not control.follow(number, words):
            break
    if not control.moves:
        raise ProgramRefused(f"{path} holds no move at feed rate", "name the program that cuts the part")
    if not _POINTED.search(content):
        control.remarks.append(reason("no-decimal-point"))
    return PartProgram(
        path, sha256(content).hexdigest(), tuple(control.moves), control.rapid_mm, tuple(control.remarks)
    )
