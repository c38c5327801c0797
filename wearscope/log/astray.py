"""Rows of a wear log under a name that the trial file does not have any more."""

from __future__ import annotations

from dataclasses import dataclass

from wearscope.log.identity import Held, Orphan, Whose


@dataclass(frozen=True)
class Astray:
    """Rows of a wear log under a trial, bit or flute that the trial file does not name.

    Attributes
    ----------
    whose : Whose
        The name they stand under.
    places : tuple of Orphan
        Where, and what is held there; in the order in which they came into the log.
    now : Whose or None
        What it seems to be called now; None where nothing tells.
    same_photos : bool
        Whether pictures that were measured under the old name are listed under the one that it has now, so that it
        is certain.
    free : bool
        Whether nothing stands under that name yet, so that the rows can follow.
    known : bool
        Whether the trial file still has this bit and flute, and only does not list these photos any more.
    """

    whose: Whose
    places: tuple[Orphan, ...]
    now: Whose | None = None
    same_photos: bool = False
    free: bool = True
    known: bool = False

    @property
    def renamed(self) -> bool:
        """Whether it is certain that it has another name now, and the rows can follow."""
        return self.same_photos and self.free

    @property
    def worth_saying(self) -> bool:
        """Whether something is out of sight that is nowhere else.

        Numbers of which the photos were measured again under another name are not.
        """
        if self.known:
            return False
        return self.free or any(place.holds != "numbers" for place in self.places)

    @property
    def only_notes(self) -> bool:
        """Whether nothing was measured or corrected there; notes of what has no photos yet are in their place."""
        return all(place.holds == "notes" for place in self.places)

    def count(self, holds: Held) -> int:
        """Number of places that hold something.

        Parameters
        ----------
        holds : {"numbers", "notes", "corrections"}

        Returns
        -------
        int
        """
        return sum(place.holds == holds for place in self.places)
