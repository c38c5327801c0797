"""Which photos of a trial are one and the same picture, so that no number is made of any of them."""

from __future__ import annotations

import io
import os
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property
from hashlib import sha256
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused, WearscopeError
from wearscope.files import PHOTO_BYTES, checksum_of, read_file
from wearscope.imaging.likeness import BLOCKS, Likeness, Turn, first_of_same, likeness_of, same_exposure
from wearscope.imaging.photo import content_of, photo_of, read_photo
from wearscope.log.export import write_bytes
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial
from wearscope.version import __version__

LIKENESSES_NAME = "likenesses.npz"
"""File in ``results/``; whoever deletes it waits a little longer the next time."""

FILES_AT_ONCE = 8
"""Files that a thread looks at before it asks for more; asking for each takes as long as reading a small one."""

SAME_PICTURE = "same-picture"
"""Code of the refusal."""


@dataclass
class Likenesses:
    """What pictures look like in small, by the SHA-256 of their files, and which were compared closely.

    Attributes
    ----------
    by_sha256 : mapping
        What an earlier run left is unpacked when it is first asked for.
    same : dict
        Whether two pictures that look alike are of one exposure, by both checksums in order.
    first : dict
        For each of just these pictures the first one that it is the same as.
    by_version : dict or None
        Time of change and size, and SHA-256, of files that need not be read again while these stay as they are; None
        to read every file, whatever its date says.
    """

    by_sha256: Mapping[str, Likeness] = field(default_factory=dict)
    same: dict[tuple[str, str], bool] = field(default_factory=dict)
    first: dict[str, str] = field(default_factory=dict)
    by_version: dict[Path, tuple[tuple[int, int], str]] | None = None


@dataclass(frozen=True)
class Pictures:
    """The pictures of a trial as they are now.

    Attributes
    ----------
    checksums : mapping
        SHA-256 by path; empty for a file that cannot be read.
    also_at : mapping
        For each photo that is the same picture as others: what those are. Other photos of the trial, as
        `PhotoEntry`, or the graticule of a scale, as its name.
    """

    checksums: Mapping[Path, str]
    also_at: Mapping[PhotoEntry, tuple[PhotoEntry | str, ...]]

    def checksum(self, path: Path) -> str:
        """SHA-256 of a file of the trial.

        Parameters
        ----------
        path : Path

        Returns
        -------
        str
            Empty if it cannot be read.
        """
        return self.checksums[path]

    def files_also(self, entry: PhotoEntry) -> tuple[str, ...]:
        """What holds the picture of a photo too, in words that stay the same as long as the trial does.

        Parameters
        ----------
        entry : PhotoEntry

        Returns
        -------
        tuple of str
            Empty for a picture that stands at one place alone.
        """
        others = self.also_at.get(entry, ())
        return tuple(other if isinstance(other, str) else other.file for other in others)


def look_at(trial: Trial, known: Likenesses | None = None) -> Pictures:
    """Look at every picture of a trial, each file read once, and find those that are one and the same.

    Parameters
    ----------
    trial : Trial
    known : Likenesses, optional
        What earlier looks found; what this one finds is added, and what the trial no longer holds is dropped.

    Returns
    -------
    Pictures
    """
    known = Likenesses() if known is None else known
    places: list[tuple[PhotoEntry | str, Path]] = [(entry, entry.path) for entry in trial.photos]
    places += [(scale.name, scale.graticule_path) for scale in trial.scales if scale.graticule_path]
    paths = list(dict.fromkeys(path for _, path in places))
    some = [paths[at : at + FILES_AT_ONCE] for at in range(0, len(paths), FILES_AT_ONCE)]
    with ThreadPoolExecutor(min(len(some), os.cpu_count() or 1) or 1) as threads:  # decoding lets others run
        told = chain.from_iterable(threads.map(lambda few: [_look(path, known) for path in few], some))
        looked = dict(zip(paths, told, strict=True))
    checksums = {path: checksum for path, (checksum, _) in looked.items()}
    seen = {checksum: fresh for checksum, fresh in looked.values() if fresh is not None}
    first = known.first
    if not first or first.keys() != seen.keys():  # thousands of pictures are compared in seconds
        try:
            pictures = {
                checksum: known.by_sha256[checksum] if fresh is KNOWN else fresh
                for checksum, fresh in seen.items()
            }
        except DamagedLikenessesError:  # as if nothing had been left
            known.by_sha256, known.same, known.first = {}, {}, {}
            return look_at(trial, known)
        first = _first_of_same(pictures, {checksums[path]: path for path in reversed(paths)}, known)
        known.by_sha256 = pictures
    together: dict[str, list[PhotoEntry | str]] = {}
    for place, path in places:
        if checksums[path] in first:
            together.setdefault(first[checksums[path]], []).append(place)
    also_at = {
        place: tuple(other for other in group if other != place)
        for group in together.values()
        for place in group
        if len(group) > 1 and isinstance(place, PhotoEntry)
    }
    return Pictures(checksums, also_at)


class _Known(Enum):
    """Stands for a likeness that an earlier look left."""

    KNOWN = 1


KNOWN = _Known.KNOWN


def _look(path: Path, known: Likenesses) -> tuple[str, Likeness | _Known | None]:
    """Checksum of a file, and what its picture looks like; None where there is none to be seen."""
    try:
        seen = path.stat()
        version = seen.st_mtime_ns, seen.st_size
        before, checksum = (known.by_version or {}).get(path, ((0, 0), ""))
        if before == version and checksum in known.by_sha256:
            return checksum, KNOWN
        content = content_of(path)
    except (OSError, PhotoRefused):
        return checksum_of(path), None
    checksum = sha256(content).hexdigest()
    if known.by_version is not None:
        known.by_version[path] = version, checksum
    if checksum in known.by_sha256:
        return checksum, KNOWN
    try:
        return checksum, likeness_of(photo_of(path, content))
    except Exception:  # whoever measures it says what is wrong with it
        return checksum, None


def _first_of_same(
    pictures: Mapping[str, Likeness], files: Mapping[str, Path], known: Likenesses
) -> dict[str, str]:
    """For each picture, by checksum, the first one that it is the same as; itself where there is none."""
    checksums = sorted(pictures)
    compared: dict[tuple[str, str], bool] = {}

    def same(at: int, other_at: int, turn: Turn) -> bool:
        pair = checksums[at], checksums[other_at]
        if pair not in known.same:
            one, other = (read_photo(files[each]) for each in pair)
            known.same[pair] = same_exposure(one, other, turn)
        compared[pair] = known.same[pair]
        return compared[pair]

    firsts = first_of_same([pictures[checksum] for checksum in checksums], same, _before(checksums, known))
    kept = {pair: told for pair, told in known.same.items() if pictures.keys() >= set(pair)}
    known.same.clear()
    known.same.update(kept | compared)
    known.first = {checksum: checksums[at] for checksum, at in zip(checksums, firsts, strict=True)}
    return known.first


def _before(checksums: Sequence[str], known: Likenesses) -> list[int | None] | None:
    """What was found of pictures that are still there, by their places now.

    None where one is gone that was the same as others: these may have been the same as each other by it alone.
    """
    groups: dict[str, list[str]] = {}
    for checksum, first in known.first.items():
        groups.setdefault(first, []).append(checksum)
    at = {checksum: number for number, checksum in enumerate(checksums)}
    if any(len(group) > 1 and not at.keys() >= set(group) for group in groups.values()):
        return None
    return [at[known.first[each]] if each in known.first else None for each in checksums]


def likenesses_in(folder: Path) -> Likenesses:
    """Likenesses that an earlier run left.

    Parameters
    ----------
    folder : Path
        The results folder.

    Returns
    -------
    Likenesses
        Empty where there are none, or the file is damaged or of another version.
    """
    try:
        content = read_file(folder / LIKENESSES_NAME, PHOTO_BYTES)
        with np.load(
            io.BytesIO(content), allow_pickle=False
        ) as kept:  # an array is unpacked when it is asked for
            checksums, pairs, same = kept["sha256"].tolist(), kept["pairs"], kept["same"]
            first = kept[f"first-{__version__}"] if f"first-{__version__}" in kept else np.empty(0, int)
            whole = {"blocks", "grain", "shapes"} <= set(kept.files) and len(pairs) == len(same)
    except _DAMAGED:
        return Likenesses()
    if not whole or len(set(checksums)) != len(checksums):
        return Likenesses()
    n_all = len(checksums)
    if first.shape != (n_all,) or first.dtype.kind != "i" or not np.isin(first, np.arange(n_all)).all():
        first = np.empty(0, int)
    return Likenesses(
        _Packed(checksums, content),
        {(str(one), str(other)): bool(is_same) for (one, other), is_same in zip(pairs, same, strict=True)},
        {one: checksums[at] for one, at in zip(checksums, first.tolist(), strict=False)},
    )


_DAMAGED = (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error)


class DamagedLikenessesError(Exception):
    """What an earlier run left cannot be unpacked."""


class _Packed(Mapping[str, Likeness]):
    """Likenesses as an earlier run left them, unpacked when the first is asked for: 130 MB for 10,000 pictures."""

    def __init__(self, checksums: Sequence[str], content: bytes) -> None:
        self._at = {checksum: at for at, checksum in enumerate(checksums)}
        self._content = content

    def __contains__(self, checksum: object) -> bool:
        return checksum in self._at

    def __iter__(self) -> Iterator[str]:
        return iter(self._at)

    def __len__(self) -> int:
        return len(self._at)

    def __getitem__(self, checksum: str) -> Likeness:
        at = self._at[checksum]
        blocks, grain, shapes = self._unpacked
        rows, columns = shapes[at]
        return Likeness(blocks[at], grain[at], (int(rows), int(columns)))

    @cached_property
    def _unpacked(self) -> tuple[NDArray[np.uint8], NDArray[np.int8], NDArray[Any]]:
        try:
            with np.load(io.BytesIO(self._content), allow_pickle=False) as kept:
                blocks, grain, shapes = kept["blocks"], kept["grain"], kept["shapes"]
        except _DAMAGED as error:
            raise DamagedLikenessesError from error
        side = len(self), BLOCKS, BLOCKS
        if (blocks.shape, grain.shape, shapes.shape) != (side, side, (len(self), 2)):
            raise DamagedLikenessesError
        if (blocks.dtype, grain.dtype) != (np.uint8, np.int8):
            raise DamagedLikenessesError
        return blocks, grain, shapes


def keep_likenesses(folder: Path, known: Likenesses) -> None:
    """Leave likenesses for the next run; where that fails, the next run does without them.

    Parameters
    ----------
    folder : Path
        The results folder.
    known : Likenesses
    """
    content = io.BytesIO()
    likenesses = known.by_sha256.values()
    places = {checksum: at for at, checksum in enumerate(known.by_sha256)}
    arrays: dict[str, Callable[[], NDArray[Any]]] = {
        "blocks": lambda: np.array([each.blocks for each in likenesses], np.uint8).reshape(
            -1, BLOCKS, BLOCKS
        ),
        "grain": lambda: np.array([each.grain for each in likenesses], np.int8).reshape(-1, BLOCKS, BLOCKS),
        "shapes": lambda: np.array([each.shape for each in likenesses], np.int64).reshape(-1, 2),
        "sha256": lambda: np.array(list(known.by_sha256), "U64"),
        "pairs": lambda: np.array(list(known.same), "U64").reshape(-1, 2),
        "same": lambda: np.array(list(known.same.values()), bool),
        # another version may find others
        f"first-{__version__}": lambda: np.array(
            [places[known.first[each]] for each in known.by_sha256], np.int64
        ),
    }
    # as np.savez_compressed writes it, but one array in memory at a time
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, made in arrays.items():
            with archive.open(f"{name}.npy", "w", force_zip64=True) as part:
                np.lib.format.write_array(part, made(), allow_pickle=False)
    with suppress(WearscopeError):
        write_bytes(folder / LIKENESSES_NAME, content.getvalue())


def look_again(trial: Trial, folder: Path, *, keep: bool) -> Pictures:
    """Look at the pictures of a trial with the help of what an earlier run left.

    Parameters
    ----------
    trial : Trial
    folder : Path
        The results folder.
    keep : bool
        Whether to leave what was found for the next run.

    Returns
    -------
    Pictures
    """
    known = likenesses_in(folder)
    before = set(known.by_sha256), dict(known.same), dict(known.first)
    pictures = look_at(trial, known)
    if keep and before != (set(known.by_sha256), known.same, known.first):
        keep_likenesses(folder, known)
    return pictures


def same_as_others(trial: Trial, pictures: Pictures) -> dict[PhotoEntry, PhotoRefused]:
    """Refusals of the photos that are the same picture as others.

    Parameters
    ----------
    trial : Trial
    pictures : Pictures

    Returns
    -------
    dict
    """
    return {
        entry: PhotoRefused(*_same_picture(trial, entry, others), SAME_PICTURE)
        for entry, others in pictures.also_at.items()
    }


def _same_picture(trial: Trial, entry: PhotoEntry, others: Sequence[PhotoEntry | str]) -> tuple[str, str]:
    """What is wrong, and the cure."""
    lines = dict(trial.lines)

    def told(place: PhotoEntry | str) -> str:
        if isinstance(place, str):
            return f'{trial.scale(place).graticule} (the graticule of scale "{place}")'
        where = f", line {lines[place.file]} of {trial.path.name}" if place.file in lines else ""
        return f"{place.file} ({place.bit}, flute {place.flute}, {place.parts} parts{where})"

    of_a_flute = [other for other in others if isinstance(other, PhotoEntry)]
    cure = "look which of these places it shows, and give each other one a photo of its own"
    if len(of_a_flute) < len(others):
        cure = "name the photo of the flute"
    return f"{told(entry)} is the same picture as {_listed(map(told, others))}, so none is measured", cure


def _listed(said: Iterable[str]) -> str:
    *most, last = said
    return f"{', '.join(most)} and {last}" if most else last
