"""When pictures were taken, and in which order: by the camera's clock, by its numbering, by the files' dates."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from PIL import Image

from wearscope.trial.pattern import natural

EXIF_IFD, DATE_TIME_ORIGINAL, SUB_SECONDS = 0x8769, 0x9003, 0x9291
"""EXIF 2.32 (CIPA DC-008), section 4.6: the pointer to the Exif IFD, and two of its tags."""

OrderedBy = Literal["clock", "counter", "file date"]


@dataclass(frozen=True)
class Taken:
    """When a picture was taken.

    Attributes
    ----------
    at : datetime
        Local time, without a zone.
    by_camera : bool
        The camera wrote it into the picture; else it is the date of the file, which copying may have changed.
    """

    at: datetime
    by_camera: bool


def taken(path: Path) -> Taken:
    """When a picture was taken, as far as its file tells.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Taken

    Raises
    ------
    OSError
        There is no such file.
    """
    by_camera = _camera_time(path)
    if by_camera is not None:
        return Taken(by_camera, True)
    return Taken(datetime.fromtimestamp(path.stat().st_mtime), False)


def _camera_time(path: Path) -> datetime | None:
    try:
        tags = _exif(path).get_ifd(EXIF_IFD)
        fraction = re.match(r"\d{1,6}", str(tags.get(SUB_SECONDS, ""))) or re.match("0", "0")
        said = str(tags[DATE_TIME_ORIGINAL]).strip("\0 ")
        return datetime.strptime(f"{said}.{fraction[0] if fraction else 0}", "%Y:%m:%d %H:%M:%S.%f")
    except Exception:  # no such tag, no picture, or one that says nonsense: then nothing is known
        return None


def _exif(path: Path) -> Image.Exif:
    if path.suffix.casefold() in (".heic", ".heif"):
        from pillow_heif import open_heif

        exif = Image.Exif()
        exif.load(open_heif(path).info["exif"])
        return exif
    with Image.open(path) as picture:
        return picture.getexif()


def in_order(files: Sequence[str], when: Sequence[Taken]) -> tuple[list[int], OrderedBy]:
    """Order in which pictures were taken, and what tells it.

    Parameters
    ----------
    files : sequence of str
        Their names.
    when : sequence of Taken

    Returns
    -------
    order : list of int
        Positions in `files`, the first taken first.
    by : {"clock", "counter", "file date"}
        The camera's clock where it is in all of them; else its numbering; else the dates of the files.
    """
    by_name = sorted(range(len(files)), key=lambda at: (natural(files[at]), files[at]))
    places = {at: place for place, at in enumerate(by_name)}
    clock = all(each.by_camera for each in when)
    if not clock and len({_skeleton(file) for file in files}) == 1:
        return by_name, "counter"
    order = sorted(range(len(files)), key=lambda at: (when[at].at, places[at]))
    return order, "clock" if clock else "file date"


def _skeleton(file: str) -> str:
    """Name without the number that a camera counts up."""
    stem = file.rpartition(".")[0].casefold()
    return re.sub(r"\d+$", "#", stem) if re.search(r"\d$", stem) else file
