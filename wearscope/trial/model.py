"""A trial: the bits, the photos of their flutes, the scales and the life limits, and what is asked of them."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field

from wearscope.trial.cost import Cost
from wearscope.trial.entries import Bit, PhotoEntry, ScaleEntry
from wearscope.trial.entry import (
    DEPTH,
    FEED,
    RPM,
    UNIT,
    DepthOfCut,
    Entry,
    FeedRate,
    ProgramUnit,
    Rpm,
    Text,
)
from wearscope.trial.life import Life
from wearscope.trial.lookup import Lookup, gathered


class Trial(Entry):
    """Everything that a trial file says, checked.

    Attributes
    ----------
    name : str
    workpiece : str or None
        What is cut. What the file does not say is None.
    depth_of_cut_mm : float or None
        Programmed depth of cut, in mm: a check on the transition found, never its substitute.
    spindle_rpm : float or None
        Spindle speed, in revolutions per minute.
    feed_mm_per_min : float or None
        Programmed feed, in mm per minute.
    minutes_per_part : float or None
        Machine time for one part, in minutes.
    cut_length_m_per_part : float or None
        Length cut for one part, in m.
    currency : str or None
        What prices are in.
    program : str or None
        Part program in G-code, as written in the trial file; `program_path` is where it lies.
    program_unit : {"mm", "inch"} or None
        Unit of length of the program, where that says none.
    path : Path
        Absolute path of the trial file.
    program_path : Path or None
        Absolute path of the part program.
    life : Life
    cost : Cost
    scales : tuple of ScaleEntry
        In the order of the file.
    bits : tuple of Bit
        In the order of the file.
    photos : tuple of PhotoEntry
        Bit by bit in the order of `bits`, then by flute, parts and view.
    lines : tuple of (str, int)
        For each photo that the file names itself: its `file`, and the line where it stands.
    headings : tuple of (str, int)
        Line of the table of each bit by its name, and of ``[trial]`` by the empty name.
    strays : tuple of str
        Pictures beside those of the pattern that the file does not name.
    """

    name: Text = Field(description="a name in quotes")
    workpiece: Text | None = Field(default=None, description="what is cut, in quotes")
    depth_of_cut_mm: DepthOfCut | None = Field(default=None, description=DEPTH)
    spindle_rpm: Rpm | None = Field(default=None, description=RPM)
    feed_mm_per_min: FeedRate | None = Field(default=None, description=FEED)
    minutes_per_part: float | None = Field(
        default=None, gt=0, le=1e6, description="minutes, above 0 and up to 1000000"
    )
    cut_length_m_per_part: float | None = Field(
        default=None, gt=0, le=1e6, description="metres, above 0 and up to 1000000"
    )
    currency: Text | None = Field(default=None, description='a currency in quotes, such as "EUR"')
    program: Text | None = Field(default=None, description="the path of the part program, in quotes")
    program_unit: ProgramUnit | None = Field(default=None, description=UNIT)

    path: Path = Field(exclude=True)
    program_path: Path | None = Field(default=None, exclude=True)
    life: Life = Field(exclude=True)
    cost: Cost = Field(exclude=True)
    scales: tuple[ScaleEntry, ...] = Field(exclude=True)
    bits: tuple[Bit, ...] = Field(exclude=True)
    photos: tuple[PhotoEntry, ...] = Field(exclude=True)
    lines: tuple[tuple[str, int], ...] = Field(default=(), exclude=True)
    headings: tuple[tuple[str, int], ...] = Field(default=(), exclude=True)
    strays: tuple[str, ...] = Field(default=(), exclude=True)

    @property
    def folder(self) -> Path:
        """Absolute path of the folder that holds the trial file."""
        return self.path.parent

    def depth_of(self, bit: Bit) -> float | None:
        """Programmed depth of cut of a bit, in mm: its own, else the trial's.

        Parameters
        ----------
        bit : Bit

        Returns
        -------
        float or None
            None if the file does not say.
        """
        return self.depth_of_cut_mm if bit.depth_of_cut_mm is None else bit.depth_of_cut_mm

    def rpm_of(self, bit: Bit) -> float | None:
        """Spindle speed of a bit, in revolutions per minute: its own, else the trial's.

        Parameters
        ----------
        bit : Bit

        Returns
        -------
        float or None
            None if the file does not say.
        """
        return self.spindle_rpm if bit.spindle_rpm is None else bit.spindle_rpm

    def feed_of(self, bit: Bit) -> float | None:
        """Programmed feed of a bit, in mm per minute: its own, else the trial's.

        Parameters
        ----------
        bit : Bit

        Returns
        -------
        float or None
            None if the file does not say.
        """
        return self.feed_mm_per_min if bit.feed_mm_per_min is None else bit.feed_mm_per_min

    def workpiece_of(self, bit: Bit) -> str | None:
        """What a bit cuts: its own workpiece, else the trial's.

        Parameters
        ----------
        bit : Bit

        Returns
        -------
        str or None
            None if the file does not say.
        """
        return self.workpiece if bit.workpiece is None else bit.workpiece

    def bit(self, name: str) -> Bit:
        """Bit of that name.

        Parameters
        ----------
        name : str

        Returns
        -------
        Bit

        Raises
        ------
        KeyError
            There is none.
        """
        return self._lookup.bits[name]

    def scale(self, name: str) -> ScaleEntry:
        """Scale entry of that name.

        Parameters
        ----------
        name : str

        Returns
        -------
        ScaleEntry

        Raises
        ------
        KeyError
            There is none.
        """
        return self._lookup.scales[name]

    def new_state(self, photo: PhotoEntry) -> PhotoEntry | None:
        """Photo of the same flute and view at parts = 0.

        Parameters
        ----------
        photo : PhotoEntry

        Returns
        -------
        PhotoEntry or None
            None if there is none or `photo` is it.
        """
        new = self._lookup.new.get((photo.bit, photo.flute, photo.view))
        return None if photo.parts == 0 else new

    def photos_of(self, bit: str) -> tuple[PhotoEntry, ...]:
        """Photos of a bit.

        Parameters
        ----------
        bit : str

        Returns
        -------
        tuple of PhotoEntry
            In the order of `photos`.
        """
        return self._lookup.photos.get(bit, ())

    def all_flutes(self) -> list[tuple[str, int]]:
        """All flutes, bit by bit: as many as the file says, or as the photos show, and at least one.

        Returns
        -------
        list of (str, int)
            Name of the bit, and which flute.
        """
        return [
            (bit.name, flute)
            for bit in self.bits
            for flute in range(
                1, 1 + max([bit.flutes or 1, *(photo.flute for photo in self.photos_of(bit.name))])
            )
        ]

    @property
    def _lookup(self) -> Lookup:
        """Entries by name; a copy of the trial with other ones gathers its own."""
        entries = self.bits, self.scales, self.photos
        found: Lookup | None = self.__dict__.get("_gathered")
        if found is None or not found.holds(*entries):
            found = self.__dict__["_gathered"] = gathered(
                *entries
            )  # the model is frozen, this says nothing new
        return found
