"""What the files of a trial's photos say of how they were taken: camera, picture size, date. No picture is read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

from PIL import Image, UnidentifiedImageError

from wearscope.quantities.reasons import Reason, reason
from wearscope.trial.model import Trial

_MAKE, _MODEL, _CHANGED = 0x010F, 0x0110, 0x0132
_OF_THE_CAMERA = 0x8769
_TAKEN, _DIGITISED = 0x9003, 0x9004
"""Tags of EXIF 2.32; TIFF 6.0 has the first three."""


@dataclass(frozen=True)
class PhotoHeader:
    """What a photo's file says beside its picture.

    Attributes
    ----------
    camera : str
        Maker and model; empty if it does not say.
    size_px : tuple of int
        The longer side and the shorter.
    taken_at : datetime or None
        By the camera's own clock.
    """

    camera: str
    size_px: tuple[int, int]
    taken_at: datetime | None

    @property
    def told(self) -> str:
        """Camera and picture size, such as "Acme 5 MP, 2592 x 1944 px"."""
        size = f"{self.size_px[0]} x {self.size_px[1]} px"
        return f"{self.camera}, {size}" if self.camera else size


def photo_header(path: Path) -> PhotoHeader | None:
    """Read what a photo's file says of how it was taken.

    Parameters
    ----------
    path : Path

    Returns
    -------
    PhotoHeader or None
        None if there is no such file, or its header cannot be read: whoever measures it says why.
    """
    try:
        stat = path.stat()
    except OSError:
        return None
    return _header(path, stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=100_000)  # of all photos of a trial: they are asked for several times
def _header(path: Path, changed_ns: int, size: int) -> PhotoHeader | None:
    try:
        with Image.open(path) as picture:
            # of a PNG the reader would decode the whole picture, to look for more behind it
            exif = Image.Image.getexif(picture) if picture.format == "PNG" else picture.getexif()
            of_camera = exif.get_ifd(_OF_THE_CAMERA)
            columns, rows = picture.size
    except (OSError, UnidentifiedImageError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    named = [str(exif.get(tag, "")).strip("\x00 ") for tag in (_MAKE, _MODEL)]
    camera = named[1] if named[0] and named[1].startswith(named[0]) else " ".join(filter(None, named))
    stamps = (of_camera.get(_TAKEN), of_camera.get(_DIGITISED), exif.get(_CHANGED))
    taken = next((when for stamp in stamps if stamp and (when := _when(str(stamp)))), None)
    return PhotoHeader(camera, (max(columns, rows), min(columns, rows)), taken)


def _when(stamp: str) -> datetime | None:
    try:
        return datetime.strptime(stamp.strip("\x00 ")[:19], "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None


def cameras_of(trial: Trial, bit: str) -> tuple[str, ...]:
    """With which cameras and at which picture sizes the photos of a bit were taken.

    Parameters
    ----------
    trial : Trial
    bit : str

    Returns
    -------
    tuple of str
        Empty if no file says.
    """
    headers = (photo_header(photo.path) for photo in trial.photos_of(bit))
    return tuple(sorted({header.told for header in headers if header}))


def date_doubts(trial: Trial) -> Iterable[Reason]:
    """What the dates in the photos say against a fair trial: bits cut one after the other, photos out of order.

    Parameters
    ----------
    trial : Trial

    Yields
    ------
    Reason
    """
    taken: dict[str, list[tuple[int, int, datetime]]] = {}
    for photo in trial.photos:
        header = photo_header(photo.path)
        if header and header.taken_at:
            taken.setdefault(photo.bit, []).append((photo.parts, photo.flute, header.taken_at))
    spans = []
    for bit, photos in taken.items():
        for flute in sorted({flute for _, flute, _ in photos}):
            yield from _backwards(bit, flute, sorted((p, when) for p, f, when in photos if f == flute))
        if worn := [when.date() for parts, _, when in photos if parts]:
            spans.append((min(worn), max(worn), bit))
    spans.sort()
    for (_, until, first), (since, _, second) in pairwise(spans):
        if since > until:
            yield reason(
                "cut-one-after-another", first=first, until=str(until), second=second, since=str(since)
            )


def _backwards(bit: str, flute: int, photos: list[tuple[int, datetime]]) -> Iterable[Reason]:
    for (parts, when), (more, later) in pairwise(photos):
        if more > parts and later < when:
            yield reason(
                "dates-backwards", bit=bit, flute=flute, parts=parts, when=f"{when:%Y-%m-%d %H:%M}",
                more=more, later=f"{later:%Y-%m-%d %H:%M}",
            )  # fmt: skip
            return
