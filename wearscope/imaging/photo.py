"""A photo from its file: read once, told by its content rather than its name, turned upright.

Pixel coordinates everywhere are column and row of the upright image, the centre of the top left pixel
being (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.files import PHOTO_BYTES, NotRegularError, TooLargeError, read_file
from wearscope.imaging.formats.orientation import upright
from wearscope.imaging.formats.registry import Pixels, decode

MIN_SIDE_PX = 64
"""Shorter sides cannot show a flute."""

SIDES_SWAPPED = 5
"""EXIF orientation from which columns and rows change places."""


@dataclass(frozen=True, eq=False)
class Photo:
    """A photo as it stands in its file, upright.

    Attributes
    ----------
    path : Path
    sha256 : str
        Of the file's bytes, in hexadecimal.
    pixels : ndarray of uint8 or uint16, shape (H, W, 3)
        RGB code values, upright, in the file's own depth; read-only. Floating-point files are the one
        exception: their values, 0 to 1, are kept as 0 to 65535.
    encoding : {"srgb", "linear"}
        How code values stand for light: integers are taken as sRGB, floating-point files as linear light.
    grey : bool
        The file had one channel, or three equal ones.
    full_scale : int
        Code value that stands for 1.
    embedded_um_per_px : tuple of float or None
        The scale that the file states, µm per pixel along the upright image's columns (x) and rows (y).
    embedded_source : str
        Where in the file that scale stands, "" if nowhere.
    notes : tuple of str
        What was assumed in reading it, one line each.
    """

    path: Path
    sha256: str
    pixels: Pixels
    encoding: Literal["srgb", "linear"]
    grey: bool
    full_scale: int
    embedded_um_per_px: tuple[float, float] | None
    embedded_source: str
    notes: tuple[str, ...]

    def linear(self, rows: slice = slice(None), columns: slice = slice(None)) -> NDArray[np.float32]:
        """Light in the photo, or in a part of it.

        Parameters
        ----------
        rows, columns : slice
            The part wanted.

        Returns
        -------
        ndarray of float32, shape (h, w, 3)
            RGB in linear light, 0 to 1.
        """
        part: NDArray[Any] = np.ascontiguousarray(self.pixels[rows, columns])
        codes = np.minimum(np.arange(np.iinfo(part.dtype).max + 1) / self.full_scale, 1.0)
        light = srgb_to_linear(codes) if self.encoding == "srgb" else codes
        table = light.astype(np.float32)
        if part.dtype == np.uint8 and part.size:
            return np.asarray(cv2.LUT(part, table), dtype=np.float32)
        # Every code is in the table; "clip" only spares numpy the checking.
        light_in_part: NDArray[np.float32] = np.take(table, part, mode="clip")
        return light_in_part


def srgb_to_linear(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light from sRGB-encoded values.

    Parameters
    ----------
    encoded : ndarray
        0 to 1.

    Returns
    -------
    ndarray
        0 to 1, of the same shape.

    Notes
    -----
    IEC 61966-2-1: v/12.92 up to 0.04045, ((v + 0.055)/1.055)^2.4 above.
    """
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def read_photo(path: Path) -> Photo:
    """Read a photo once, turn it upright, and find what scale its file states.

    JPEG, PNG, BMP, WebP, TIFF and OME-TIFF are read, with 8 or 16 bits per channel, grey or colour; TIFF also
    as floating-point numbers from 0 to 1. Alpha is left out. Of a file with several pictures the first of
    the largest ones is taken. Integers of 16 bits whose largest fits 8, 10 or 12 bits are taken as filling
    just these, unless the file says how many are significant; a note says so.

    A scale is taken from OME-XML (``PhysicalSizeX``) or from an ImageJ TIFF whose unit is µm, mm or nm. A
    resolution in dots per inch or cm, and PNG's ``pHYs``, is the size of a print, not a scale: left alone.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Photo

    Raises
    ------
    PhotoRefused
        If the file cannot be read whole, is none of these formats, or cannot hold a measurement.
    """
    path = Path(path)
    return photo_of(path, content_of(path))


def photo_of(path: Path, content: bytes) -> Photo:
    """A photo of which the file's bytes have been read already; see `read_photo`.

    Parameters
    ----------
    path : Path
        Where they come from, for messages.
    content : bytes

    Returns
    -------
    Photo

    Raises
    ------
    PhotoRefused
        As from `read_photo`.
    """
    decoded = decode(path, content)
    pixels: NDArray[Any] = upright(decoded.pixels, decoded.orientation)
    height, width = pixels.shape[:2]
    if min(height, width) < MIN_SIDE_PX:
        raise PhotoRefused(
            f"{path}: the picture is {width} × {height} pixels",
            f"take it with at least {MIN_SIDE_PX} pixels on each side",
            "picture-too-small",
        )
    full_scale, note = _full_scale(pixels, decoded.significant_bits)
    grey = pixels.ndim == 2 or _channels_equal(pixels)
    if pixels.ndim == 2:
        pixels = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB), dtype=pixels.dtype)
    pixels.flags.writeable = False
    scale = decoded.um_per_px
    if scale and decoded.orientation >= SIDES_SWAPPED:
        scale = scale[::-1]
    return Photo(
        path=path,
        sha256=sha256(content).hexdigest(),
        pixels=pixels,
        encoding=decoded.encoding,
        grey=grey,
        full_scale=full_scale,
        embedded_um_per_px=scale,
        embedded_source=decoded.scale_source if scale else "",
        notes=(*decoded.notes, *([note] if note else [])),
    )


def content_of(path: Path) -> bytes:
    """The bytes of a photo's file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bytes

    Raises
    ------
    PhotoRefused
        The file cannot be read, or is empty.
    """
    try:
        if path.is_dir():
            raise PhotoRefused(f"{path}: is a folder", "name the photo in it", "is-a-folder")
        content = read_file(path, PHOTO_BYTES)
    except FileNotFoundError:
        raise PhotoRefused(f"{path}: there is no such file", "check the path", "no-such-file") from None
    except (NotRegularError, TooLargeError) as error:
        raise PhotoRefused(
            f"{path}: {error.strerror}", "name a photo as it comes from the camera", "file-unreadable"
        ) from error
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise PhotoRefused(
            f"{path}: cannot be read ({reason})", "check its permissions and the drive", "file-unreadable"
        ) from error
    if content.count(0) == len(content):
        raise PhotoRefused(f"{path}: the file is empty", "copy it from the camera again", "file-empty")
    return content


def _full_scale(pixels: Pixels, significant_bits: int | None) -> tuple[int, str]:
    """Code value that stands for 1, and a note where it is a conclusion."""
    if pixels.dtype == np.uint8:
        return 255, ""
    peak = int(pixels.max())
    if significant_bits is not None and peak < 1 << significant_bits:
        return (1 << significant_bits) - 1, ""
    bits = next(bits for bits in (8, 10, 12, 16) if peak < 1 << bits)
    if bits == 16:
        return 65535, ""
    white = (1 << bits) - 1
    return white, f"16 bits per channel, none above {peak}: taken as {bits} bits, {white} being white"


def _channels_equal(rgb: Pixels) -> bool:
    thinned = rgb[::16, ::16]  # most colour pictures show it here already
    return all(
        bool(np.array_equal(some[..., 0], some[..., channel]))
        for some in (thinned, rgb)
        for channel in (1, 2)
    )
