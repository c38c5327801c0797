"""What can be wrong with a photo's file, in any format."""

from __future__ import annotations

from pathlib import Path

from wearscope.errors import PhotoRefused

MAX_PIXELS = 200_000_000
"""Larger pictures are refused before they fill the memory: as linear light this many take 2.4 GB."""

SAVE_AS = "save it as JPEG or PNG"


def truncated(path: Path) -> PhotoRefused:
    """The file was cut off.

    Parameters
    ----------
    path : Path

    Returns
    -------
    PhotoRefused
    """
    return PhotoRefused(
        f"{path}: the file ends before its picture does", "copy it from the camera again", "file-cut-off"
    )


def damaged(path: Path, kind: str) -> PhotoRefused:
    """The file is not as its format says.

    Parameters
    ----------
    path : Path
    kind : str
        Name of the format.

    Returns
    -------
    PhotoRefused
    """
    return PhotoRefused(
        f"{path}: the {kind} is damaged or of a rare kind", f"copy it again, or {SAVE_AS}", "file-damaged"
    )


def check_size(path: Path, width: int, height: int) -> None:
    """Refuse a picture too large to read.

    Parameters
    ----------
    path : Path
    width, height : int
        Pixels.

    Raises
    ------
    PhotoRefused
    """
    if width * height > MAX_PIXELS:
        raise PhotoRefused(
            f"{path}: the picture is {width} × {height} pixels, over {MAX_PIXELS // 1_000_000} megapixels",
            "cut out the part with the flute, without resizing it",
            "picture-too-large",
        )
