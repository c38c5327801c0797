"""What can be wrong with a photo's file, in any format."""

from __future__ import annotations

from pathlib import Path

from wearscope.errors import PhotoRefused

MAX_BYTES = 600_000_000
"""Larger pictures are refused before they fill the memory: 200 megapixels in colours of 8 bits."""

MAX_STEPS = 20_000
"""Most chunks, segments or directories of a file; photos have a few hundred at most. Chosen, no source."""

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


def check_size(path: Path, width: int, height: int, bytes_per_px: float = 3.0) -> None:
    """Refuse a picture too large to read.

    Parameters
    ----------
    path : Path
    width, height : int
        Pixels.
    bytes_per_px : float
        What a pixel takes when decoded.

    Raises
    ------
    PhotoRefused
    """
    most = int(MAX_BYTES / max(bytes_per_px, 1.0))
    if width * height > most:
        raise PhotoRefused(
            f"{path}: the picture is {width} × {height} pixels, over {most // 1_000_000} megapixels",
            "cut out the part with the flute, without resizing it",
            "picture-too-large",
        )
