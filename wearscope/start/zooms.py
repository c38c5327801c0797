"""Which graticule holds for which picture, where a folder shows graticules at several zooms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Literal

from wearscope.start.errors import StartError
from wearscope.start.seen import Seen
from wearscope.start.taken import in_order

SAME_PITCH = (
    0.02  # of the distance of lines, within which two graticules were photographed at one zoom; chosen
)

Side = Literal["before", "after"]
ToldBy = Literal["one", "folders", "sizes", "before", "after"]


class ZoomOpenError(StartError):
    """Nothing tells which graticule holds for which picture."""


@dataclass(frozen=True)
class Zooms:
    """The zooms of a folder.

    Attributes
    ----------
    graticules : tuple of Seen
        One of each zoom, the first taken first; empty where none was photographed.
    of_file : mapping
        Number of the zoom, from 0, of each picture that stands at another than the first.
    told_by : {"one", "folders", "sizes", "before", "after"}
        What tells it: there is one zoom; each folder has its own; each size of picture; or each graticule was taken
        before, or after, the pictures that it holds for.
    """

    graticules: tuple[Seen, ...] = ()
    of_file: Mapping[str, int] = field(default_factory=dict)
    told_by: ToldBy = "one"

    def of(self, file: str) -> int:
        """Number of a picture's zoom, from 0.

        Parameters
        ----------
        file : str

        Returns
        -------
        int
        """
        return self.of_file.get(file, 0)


def zooms_of(graticules: Sequence[Seen], pictures: Sequence[Seen], said: Side | None) -> Zooms:
    """Find out which graticule holds for which picture.

    Parameters
    ----------
    graticules : sequence of Seen
    pictures : sequence of Seen
        Of flutes and pins.
    said : {"before", "after"} or None
        What a person says of graticules: taken before or after the pictures that they hold for.

    Returns
    -------
    Zooms

    Raises
    ------
    ZoomOpenError
        Neither folders, sizes nor times tell, and nothing is said.
    """
    taken, _ = in_order([one.file for one in graticules], [one.when for one in graticules])
    zooms: list[list[Seen]] = []
    for one in (graticules[at] for at in taken):
        alike = next((zoom for zoom in zooms if _at_one_zoom(zoom[0], one)), None)
        if alike is None:
            zooms.append([one])
        else:
            alike.append(one)
    first = tuple(zoom[0] for zoom in zooms)
    if len(zooms) < 2:
        return Zooms(first)
    for told_by, key in (("folders", _folder), ("sizes", _size)):
        by_key = [{key(one) for one in zoom} for zoom in zooms]
        fitting = {one.file: [at for at, keys in enumerate(by_key) if key(one) in keys] for one in pictures}
        if said is None and all(len(each) == 1 for each in fitting.values()):
            return Zooms(first, {file: at for file, (at,) in fitting.items()}, told_by)  # type: ignore[arg-type]
    return _by_time(zooms, pictures, said, first)


def _at_one_zoom(one: Seen, other: Seen) -> bool:
    return one.size_px == other.size_px and abs(other.pitch_px / one.pitch_px - 1.0) <= SAME_PITCH


def _folder(one: Seen) -> object:
    return PurePosixPath(one.file).parent


def _size(one: Seen) -> object:
    return one.size_px


def _by_time(
    zooms: Sequence[Sequence[Seen]], pictures: Sequence[Seen], said: Side | None, first: tuple[Seen, ...]
) -> Zooms:
    """Each picture with the graticule taken last before it, or with the next one after it."""
    number = {one.file: at for at, zoom in enumerate(zooms) for one in zoom}
    everything = [*(one for zoom in zooms for one in zoom), *pictures]
    order, _ = in_order([one.file for one in everything], [one.when for one in everything])
    files = [everything[at].file for at in order]
    leads, ends = files[0] in number, files[-1] in number
    side = said or ("before" if leads and not ends else "after" if ends and not leads else None)
    held: dict[str, int] = {}
    if (side == "before" and leads) or (side == "after" and ends):
        last = 0
        for file in files if side == "before" else reversed(files):
            last = number.get(file, last)
            if file not in number:
                held[file] = last
    # graticules one after the other at the start, or a zoom without pictures, are no order that tells
    if not held or (said is None and len(set(held.values())) < len(zooms)):
        names = " and ".join(one.file for one in first)
        raise ZoomOpenError(
            f"{names} show graticules at different zooms, and it is not plain which holds for which picture",
            "put the pictures of each zoom into a folder of their own, leave one out with leave_out, or say "
            'graticule_taken = "before" (or "after": the pictures at its zoom) in a file of answers',
        )
    assert side is not None
    return Zooms(first, held, side)
