"""Signs of wear other than photos of the flutes, noted beside the measurements."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

NoteKind = Literal["sound", "grade", "part_photo", "marks", "remark"]

GRADES = {
    5: "clean: no fuzz, no chip that a finger feels",
    4: "a few loose fibres, gone with one stroke of sandpaper",
    3: "fuzz or small chips along much of the edge; needs sanding",
    2: "torn or chipped edge, or scorched; needs mending",
    1: "scrap",
}
"""Grades of cut quality. They are an order, not a measure: 4 is better than 3, but not by as much as 5 than 4."""


@dataclass(frozen=True)
class Note:
    """One thing that was noted at a checkpoint; the fields are the columns of the log's table.

    Attributes
    ----------
    trial, bit : str
    flute : int
        0 for the bit as a whole.
    parts : int
        Parts cut when it was noted; 0 is the new state.
    kind : {"sound", "grade", "part_photo", "marks", "remark"}
        A later note of the same kind at the same place makes the earlier one history; remarks add up.
    quantity : str
        What the number is, such as ``sound_level``; empty where there is no number, and ``remark_2`` and so on for
        further remarks at a place.
    value : float or None
    unit : str
    std_uncertainty : float or None
        None where there is no number, and for a grade, which has none.
    text : str
        What it says in words.
    file, file_sha256 : str
        File that it comes from, and the checksum of that file; empty if there is none.
    noted_by : str
        Who noted or graded it.
    wearscope_version, noted_at : str
        Version of the program, and the time in UTC, ISO 8601.
    """

    trial: str
    bit: str
    flute: int
    parts: int
    kind: NoteKind
    quantity: str
    value: float | None
    unit: str
    std_uncertainty: float | None
    text: str
    file: str
    file_sha256: str
    noted_by: str
    wearscope_version: str
    noted_at: str


@dataclass(frozen=True)
class LoggedNote:
    """A note of the log and until when it held.

    Attributes
    ----------
    note : Note
    superseded_at : str or None
        When a later note of the same kind and place came; None while it holds.
    superseded_by : str
        Who noted that; empty while it holds.
    """

    note: Note
    superseded_at: str | None
    superseded_by: str
