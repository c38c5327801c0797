"""The two kinds of file: which tables each has, and what stands in them."""

from __future__ import annotations

from dataclasses import dataclass

from wearscope.trial.cost import Cost
from wearscope.trial.entries import Bit, PhotoEntry, PhotoPattern, ScaleEntry
from wearscope.trial.entry import Entry
from wearscope.trial.life import Life
from wearscope.trial.model import Trial
from wearscope.trial.study import RepeatPattern, RepeatPhoto, Study

LISTS = frozenset({"scale", "bit", "photo"})


@dataclass(frozen=True)
class Form:
    """A kind of file.

    Attributes
    ----------
    kind : str
        What it is called.
    tables : dict of str to type
        Its tables, and what stands in each.
    needed : tuple of str
        Tables that it must have.
    placeholders : tuple of str
        What a pattern tells of each photo.
    photos_to_come : bool
        Whether photos may be missing.
    """

    kind: str
    tables: dict[str, type[Entry]]
    needed: tuple[str, ...]
    placeholders: tuple[str, ...]
    photos_to_come: bool = False

    @property
    def each_once(self) -> tuple[str, ...]:
        """Keys that no two photos have alike."""
        return ("bit", "flute", "parts", "view", *self.placeholders[4:])


TRIAL = Form(
    "trial",
    {
        "trial": Trial,
        "life": Life,
        "cost": Cost,
        "scale": ScaleEntry,
        "bit": Bit,
        "photo": PhotoEntry,
        "photos": PhotoPattern,
    },
    ("trial", "scale", "bit"),
    ("bit", "parts", "flute", "view"),
)
STUDY = Form(
    "study",
    {"study": Study, "photo": RepeatPhoto, "photos": RepeatPattern},
    ("study",),
    (*TRIAL.placeholders, "taken_by", "repeat"),
)


def heading_of(kind: str) -> str:
    """How the heading of a table is written.

    Parameters
    ----------
    kind : str
        Name of the table.

    Returns
    -------
    str
    """
    return f"[[{kind}]]" if kind in LISTS else f"[{kind}]"
