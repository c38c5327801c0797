"""Which way up a photo was taken, and turning it upright."""

from __future__ import annotations

import struct
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.formats.registry import Pixels

ORIENTATION_TAG = 0x0112
"""EXIF 2.32 and TIFF 6.0, section 4."""


def exif_orientation(exif: bytes) -> int:
    """Read the orientation from an EXIF block.

    Parameters
    ----------
    exif : bytes
        From its TIFF header on.

    Returns
    -------
    int
        1 to 8; 1 if it names none.
    """
    order = {b"II": "<", b"MM": ">"}.get(exif[:2])
    if order is None:
        return 1
    try:
        (directory,) = struct.unpack_from(order + "I", exif, 4)
        (count,) = struct.unpack_from(order + "H", exif, directory)
        for entry in range(count):
            tag, kind, _, value = struct.unpack_from(order + "HHIH", exif, directory + 2 + 12 * entry)
            if tag == ORIENTATION_TAG and kind == 3 and 1 <= value <= 8:
                return int(value)
    except struct.error:
        pass
    return 1


def upright(pixels: Pixels, orientation: int) -> NDArray[Any]:
    """Turn stored pixels upright.

    Parameters
    ----------
    pixels : ndarray, shape (H, W[, 3])
    orientation : int
        As in EXIF and TIFF, 1 to 8.

    Returns
    -------
    ndarray
        Contiguous.
    """
    turned: NDArray[Any] = pixels
    if orientation in (5, 7):
        turned = cv2.transpose(turned)
    if orientation == 2:
        turned = cv2.flip(turned, 1)
    elif orientation == 4:
        turned = cv2.flip(turned, 0)
    elif orientation in (3, 7):
        turned = cv2.rotate(turned, cv2.ROTATE_180)
    elif orientation == 6:
        turned = cv2.rotate(turned, cv2.ROTATE_90_CLOCKWISE)
    elif orientation == 8:
        turned = cv2.rotate(turned, cv2.ROTATE_90_COUNTERCLOCKWISE)
    return np.ascontiguousarray(turned)
