"""What a comparison sheet is made from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from wearscope.light.strip import EdgeView
from wearscope.log.records import Record
from wearscope.wear.section import SectionView


class Content(Protocol):
    """What every sheet shows, whatever it draws: which photo it is, its rows, and what is to be said of it."""

    @property
    def trial_name(self) -> str:
        """Of the trial."""
        ...

    @property
    def bit(self) -> str:
        """Name of the bit."""
        ...

    @property
    def flute(self) -> int:
        """Its flute."""
        ...

    @property
    def parts(self) -> int:
        """Parts cut when the photo was taken."""
        ...

    @property
    def view(self) -> str:
        """Key of its view."""
        ...

    @property
    def records(self) -> Sequence[Record]:
        """Rows of the photo."""
        ...

    @property
    def new_records(self) -> Sequence[Record]:
        """Rows of the new-state photo."""
        ...

    @property
    def remarks(self) -> Sequence[str]:
        """Warnings about the photo, one line each."""
        ...


@dataclass(frozen=True)
class SheetContent:
    """What one comparison sheet shows.

    Attributes
    ----------
    trial_name, bit : str
    flute, parts : int
    view : str
        Key of the view.
    records : tuple of Record
        Rows of this photo.
    now : EdgeView
        This photo.
    new : EdgeView or None
        The new-state photo of the same flute on the same s axis.
    new_records : tuple of Record
        Rows of the new-state photo.
    remarks : tuple of str
        Warnings about the photo, one line each.
    """

    trial_name: str
    bit: str
    flute: int
    parts: int
    view: str
    records: tuple[Record, ...]
    now: EdgeView
    new: EdgeView | None
    new_records: tuple[Record, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class SectionContent:
    """What the sheet of a profile view shows; as `SheetContent`, with sections in place of strips.

    Attributes
    ----------
    trial_name, bit : str
    flute, parts : int
    view : str
    records : tuple of Record
        Rows of this photo.
    now : SectionView
        This photo.
    new : SectionView or None
        The new-state photo of the same flute.
    new_records : tuple of Record
        Rows of the new-state photo.
    remarks : tuple of str
        Warnings about the photo, one line each.
    """

    trial_name: str
    bit: str
    flute: int
    parts: int
    view: str
    records: tuple[Record, ...]
    now: SectionView
    new: SectionView | None
    new_records: tuple[Record, ...] = ()
    remarks: tuple[str, ...] = ()


def reference_name(c: SheetContent) -> str:
    """Name of the line that recession is counted from.

    Parameters
    ----------
    c : SheetContent

    Returns
    -------
    str
    """
    return "edge when new" if c.new is not None else "unworn edge line"
