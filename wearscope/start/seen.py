"""What a picture shows: a graticule, a pin, a cutting edge, or nothing that wearscope knows."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Literal

from wearscope.errors import PhotoRefused, WearscopeError
from wearscope.imaging.calibration.picture import NotRuledError, as_picture
from wearscope.imaging.calibration.pin import ring_angle_from_pin
from wearscope.imaging.calibration.ruling import find_rulings
from wearscope.imaging.edge_verdict import NO_TOOL_EDGE
from wearscope.imaging.photo import Photo, read_photo
from wearscope.imaging.prepared_photo import prepare
from wearscope.start.taken import Taken, taken
from wearscope.trial.pattern import pictures_below

Kind = Literal["graticule", "pin", "edge", "unclear", "unreadable"]

LOOKED_AT_PX = 1600  # the longest side that is looked at: what a picture shows at all needs no more; chosen
OF_WEARSCOPE = {".toml", ".sqlite", ".csv", ".json"}  # what lies beside pictures and is nobody's photo
ANY_PIN_MM = 1.0  # a pin is known by its two sides and two bright lines, whatever it measures


@dataclass(frozen=True)
class Seen:
    """One picture of a folder, and what it shows.

    Attributes
    ----------
    file : str
        Its name from the folder on, with ``/``.
    path : Path
    when : Taken
    kind : {"graticule", "pin", "edge", "unclear", "unreadable"}
    n_lines : int
        Ruled lines, of a graticule.
    pitch_px : float
        How far they are apart.
    edge_seen : float
        How plainly a tool's edge is seen, 0 to 1, of all other pictures.
    problem : str
        Why it cannot be read, and the cure.
    size_px : tuple of int
        Its width and height.
    sha256 : str
        Of its file; "" where it cannot be read.
    copy_of : str
        Name of the same file elsewhere in the folder, which counts; else "".
    """

    file: str
    path: Path
    when: Taken
    kind: Kind
    n_lines: int = 0
    pitch_px: float = 0.0
    edge_seen: float = 0.0
    problem: str = ""
    size_px: tuple[int, int] = (0, 0)
    sha256: str = ""
    copy_of: str = ""


def pictures_in(folder: Path) -> list[Path]:
    """Pictures in a folder and below it, in natural order.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    list of Path

    Raises
    ------
    WearscopeError
        There is no such folder, or no picture in it.
    """
    if not folder.is_dir():
        what = "is no folder" if folder.exists() else "there is no such folder"
        raise WearscopeError(f"{folder}: {what}", "name the folder that holds the pictures")
    found = pictures_below(folder)
    if not found:
        raise WearscopeError(
            f"{folder}: there is no picture in it", "copy the photos from the camera into it"
        )
    return found


def others_in(folder: Path, pictures: Sequence[Path]) -> list[str]:
    """Names of the files in a folder and below it that are no pictures, those of wearscope left out.

    Parameters
    ----------
    folder : Path
    pictures : sequence of Path

    Returns
    -------
    list of str
    """
    known = set(pictures)
    names = [
        path.relative_to(folder)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path not in known and path.suffix not in OF_WEARSCOPE
    ]
    return [
        name.as_posix()
        for name in names
        if name.parts[0] != "results" and not any(part.startswith(".") for part in name.parts)
    ]


def look(
    folder: Path, paths: Sequence[Path], progress: Callable[[int, int, str], None] | None = None
) -> tuple[Seen, ...]:
    """Look at pictures, each once.

    Parameters
    ----------
    folder : Path
        That their names count from.
    paths : sequence of Path
    progress : callable, optional
        Called with the number looked at, the number of all, and the name.

    Returns
    -------
    tuple of Seen
        In the order of `paths`.
    """
    found = []
    with ThreadPoolExecutor(min(len(paths), os.cpu_count() or 1) or 1) as threads:
        for seen in threads.map(lambda path: look_at(path, path.relative_to(folder).as_posix()), paths):
            found.append(seen)
            if progress:
                progress(len(found), len(paths), seen.file)
    return marked_copies(found)


def marked_copies(pictures: Sequence[Seen]) -> tuple[Seen, ...]:
    """Say of files that are the same, byte for byte, which one counts: the one with the shortest name.

    Parameters
    ----------
    pictures : sequence of Seen

    Returns
    -------
    tuple of Seen
        In the same order.
    """
    counts: dict[str, str] = {}
    for one in sorted(pictures, key=lambda one: len(one.file)):
        if one.sha256:
            counts.setdefault(one.sha256, one.file)
    return tuple(
        replace(one, copy_of=counts[one.sha256]) if counts.get(one.sha256, one.file) != one.file else one
        for one in pictures
    )


def look_at(path: Path, file: str) -> Seen:
    """Look at one picture.

    Parameters
    ----------
    path : Path
    file : str
        What it is called.

    Returns
    -------
    Seen
    """
    when = taken(path)
    try:
        photo = read_photo(path)
    except PhotoRefused as problem:
        return Seen(file, path, when, "unreadable", problem=str(problem).replace(str(path), file))
    height, width = photo.pixels.shape[:2]
    picture = partial(Seen, file, path, when, size_px=(width, height), sha256=photo.sha256)
    lines = ruled_lines(photo)
    if lines is not None:
        return picture(kind="graticule", n_lines=lines[0], pitch_px=lines[1])
    edge_seen = tool_edge_seen(photo)
    if edge_seen < NO_TOOL_EDGE and shows_pin(photo):
        return picture(kind="pin")
    return picture(kind="edge" if edge_seen >= NO_TOOL_EDGE else "unclear", edge_seen=edge_seen)


def ruled_lines(photo: Photo) -> tuple[int, float] | None:
    """Number of ruled lines in a picture and how far they are apart, in pixels.

    Parameters
    ----------
    photo : Photo

    Returns
    -------
    tuple of (int, float) or None
        None where no ruled scale is seen.
    """
    try:
        ruling = find_rulings(as_picture(photo.linear().mean(axis=2)))[0]
    except NotRuledError:
        return None
    return ruling.n_lines, 1.0 / ruling.density_px


def shows_pin(photo: Photo) -> bool:
    """Whether a picture shows a round pin with the lamp ring's two bright lines.

    Parameters
    ----------
    photo : Photo

    Returns
    -------
    bool
    """
    try:
        ring_angle_from_pin(photo.linear(), ANY_PIN_MM)
    except PhotoRefused:
        return False
    return True


def tool_edge_seen(photo: Photo) -> float:
    """How plainly a tool's edge is seen in a picture.

    Parameters
    ----------
    photo : Photo

    Returns
    -------
    float
        0 to 1.
    """
    reduction = max(1, max(photo.pixels.shape[:2]) // LOOKED_AT_PX)
    return max((line.tool_edge_seen for line in prepare(photo, reduction).proposals), default=0.0)
