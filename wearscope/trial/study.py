"""What a repeat study consists of: flutes of a trial, photographed several times by one or more people.

As in `wearscope.trial.entries`, field names are the keys of the file and descriptions are shown to people.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field

from wearscope.trial.entries import PhotoEntry, PhotoPattern
from wearscope.trial.entry import Entry, Text
from wearscope.trial.model import Trial

Person = Annotated[Text, Field(description="the name of who set it up and took it, in quotes")]


class RepeatPhoto(PhotoEntry):
    """One of several photos of a flute at one checkpoint.

    Attributes
    ----------
    taken_by : str
        Who set the bit up and took the photo; may be left out if that is the same person throughout.
    repeat : int
        Which of this person's photos of the flute it is.

    All else is as in the trial file.
    """

    taken_by: Person = "one person"
    repeat: int = Field(ge=1, le=1_000_000, description="a whole number, 1 or more")


class RepeatPattern(PhotoPattern):
    """The ``[photos]`` table of a study: a pattern that has ``{repeat}`` and may have ``{taken_by}`` as well.

    Attributes
    ----------
    taken_by : str
        Who took all of them, where the pattern does not tell.
    """

    taken_by: Person = "one person"


class Study(Entry):
    """Everything that a study file says, checked.

    Attributes
    ----------
    trial : str
        Path of the trial file, as written.
    tolerance_um : float or None
        Width of the range between what is acceptable and what is not, in µm.
    path : Path
        Absolute path of the study file.
    of : Trial
        The trial whose flutes are studied.
    photos : tuple of RepeatPhoto
        Bit by bit in the order of the trial, then by flute, parts, view, person and repeat.
    """

    trial: Text = Field(description="the path of the trial file in quotes")
    tolerance_um: float | None = Field(
        default=None, ge=0.1, le=5000, description="a number of microns, 0.1 to 5000"
    )

    path: Path = Field(exclude=True)
    of: Trial = Field(exclude=True)
    photos: tuple[RepeatPhoto, ...] = Field(exclude=True)

    @property
    def folder(self) -> Path:
        """Absolute path of the folder that holds the study file."""
        return self.path.parent
