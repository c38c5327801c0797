"""Photos inspected of late, or read ahead: shown without waiting while all that they rest on is as it was."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

from wearscope.imaging.photo import Photo
from wearscope.log.inputs import Inputs
from wearscope.log.logged import PhotoPlace
from wearscope.pipeline.inspection import Inspection
from wearscope.trial import PhotoEntry, Trial

KEPT = 4
"""Photos at once, each with its light: the one shown, the ones before and after, one to spare; chosen."""


@dataclass(frozen=True, eq=False)
class _LookedAt:
    trial: Trial
    inputs: Inputs
    found: Inspection


class LookedAt:
    """What was found on the last photos, each as long as nothing that it rests on has changed."""

    def __init__(self) -> None:
        self._kept: OrderedDict[PhotoPlace, _LookedAt] = OrderedDict()

    def keep(self, place: PhotoPlace, trial: Trial, inputs: Inputs, found: Inspection) -> None:
        """Keep what was found on a photo; the one kept longest goes."""
        self._kept[place] = _LookedAt(trial, inputs, found)
        self._kept.move_to_end(place)
        while len(self._kept) > KEPT:
            self._kept.popitem(last=False)

    def found(self, place: PhotoPlace, trial: Trial, inputs: Inputs) -> Inspection | None:
        """What was found on a photo, if the same would be found now."""
        kept = self._kept.get(place)
        if kept is None or kept.trial is not trial or kept.inputs != inputs:
            return None
        return kept.found

    def photo(self, entry: PhotoEntry, place: PhotoPlace, sha256: str) -> Photo | None:
        """The picture of a photo, if it was read and its file still holds it."""
        kept = self._kept.get(place)
        if kept is None or kept.found.on_photo is None or kept.found.photo_sha256 != sha256:
            return None
        photo = kept.found.on_photo.located.photo
        return photo if photo.path == entry.path else None
