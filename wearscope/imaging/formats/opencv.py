"""Decoding by OpenCV, for the formats that it reads."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.formats.refusals import damaged
from wearscope.imaging.formats.registry import Decoded, Pixels


def decoded_by_opencv(
    path: Path, content: bytes, kind: str, orientation: int = 1, *, colour: bool = False
) -> Decoded:
    """Decode a picture as it is stored.

    Parameters
    ----------
    path : Path
        For messages.
    content : bytes
    kind : str
        Name of the format.
    orientation : int
        That the file states.
    colour : bool
        It has three channels.

    Returns
    -------
    Decoded

    Raises
    ------
    PhotoRefused
    """
    # Unchanged: the depth as stored, and no turning by OpenCV, which knows only some of the places in
    # which files keep their orientation. Plain colour is decoded to RGB at once, which saves a pass.
    plain = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
    flags = plain if colour else cv2.IMREAD_UNCHANGED
    try:
        pixels: Any = cv2.imdecode(np.frombuffer(content, np.uint8), flags)
    except cv2.error as error:
        raise damaged(path, kind) from error
    if pixels is None or pixels.dtype not in (np.uint8, np.uint16):
        raise damaged(path, kind)
    return Decoded(pixels if colour else _rgb(pixels), orientation)


def _rgb(pixels: NDArray[Any]) -> Pixels:
    """RGB, or one channel, from the channels in OpenCV's order; alpha is left out."""
    if pixels.ndim == 2 or pixels.shape[2] == 1:
        return pixels.reshape(pixels.shape[:2])
    code = cv2.COLOR_BGRA2RGB if pixels.shape[2] == 4 else cv2.COLOR_BGR2RGB
    return np.asarray(cv2.cvtColor(pixels, code), dtype=pixels.dtype)
