"""TIFF and OME-TIFF."""

from __future__ import annotations

import logging
import struct
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

import numpy as np
import tifffile
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.formats.opencv import decoded_by_opencv
from wearscope.imaging.formats.orientation import ORIENTATION_TAG
from wearscope.imaging.formats.refusals import MAX_BYTES, SAVE_AS, damaged, truncated
from wearscope.imaging.formats.registry import Decoded, register
from wearscope.imaging.formats.tiff_directories import check_directories
from wearscope.imaging.formats.tiff_scale import tiff_statements

_DNG_VERSION = 50706  # tag
# Photometric interpretations, TIFF 6.0
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _PALETTE, _YCBCR = 0, 1, 2, 3, 6
_RAW = frozenset({32803, 34892})  # colour filter array, linear raw: TIFF/EP and DNG, from memory
_LZW, _JPEG_COMPRESSION = 5, 7  # TIFF 6.0 and its Technical Note 2
_ROUNDING = 1e-6  # by which floating-point values may leave 0 to 1
# Ways to group pictures that say anything of use here. Makers have their own, and not all end on a damaged file.
_GROUPED = {"shaped", "ome", "imagej", "uniform", "multipage"}
_NOT_ASKED: dict[str, Any] = {f"is_{kind}": False for kind in tifffile.TIFF.FILE_FLAGS - _GROUPED}

# What it says of a damaged file is said by the refusal, and may hold anything.
logging.getLogger("tifffile").addHandler(logging.NullHandler())
logging.getLogger("tifffile").propagate = False


def _tiff(path: Path, content: bytes) -> Decoded:
    try:
        check_directories(path, content)
        with tifffile.TiffFile(BytesIO(content), _multifile=False, **_NOT_ASKED) as tif:
            return _largest_picture(path, content, tif)
    except PhotoRefused:
        raise
    except Exception as error:  # a damaged TIFF fails anywhere and anyhow inside the reader
        raise damaged(path, "TIFF") from error


def _largest_picture(path: Path, content: bytes, tif: tifffile.TiffFile) -> Decoded:
    series = max(tif.series, key=_area)
    page = series.keyframe
    _check_readable(path, content, tif, series)
    stored, axes = _stored(path, content, tif, series)
    pixels, notes = _one_picture(path, stored, axes)
    if len(tif.series) > 1:
        notes.append(f"the file holds {len(tif.series)} pictures; the first of the largest is taken")

    um_per_px, source, bits = tiff_statements(tif, series)
    encoding: Literal["srgb", "linear"] = "srgb"
    if page.photometric == _PALETTE:
        pixels = np.take((np.asarray(page.colormap).T >> 8).astype(np.uint8), pixels, axis=0)
    elif pixels.dtype.kind == "f":
        pixels, encoding, bits = _from_float(path, pixels), "linear", 16
    elif pixels.dtype not in (np.uint8, np.uint16):
        raise PhotoRefused(
            f"{path}: holds {pixels.dtype} values", "save it with 8 or 16 bits per channel", "values-unread"
        )
    if page.photometric == _WHITE_IS_ZERO:
        pixels = np.invert(pixels) if bits is None else (1 << bits) - 1 - pixels
    return Decoded(pixels, _tiff_orientation(page), encoding, bits, um_per_px, source, tuple(notes))


def _area(series: tifffile.TiffPageSeries) -> int:
    sizes = dict(zip(series.axes, series.shape, strict=True))
    return sizes.get("X", 0) * sizes.get("Y", 0)


def _check_readable(
    path: Path, content: bytes, tif: tifffile.TiffFile, series: tifffile.TiffPageSeries
) -> None:
    first, page = tif.pages.first, series.keyframe
    if _DNG_VERSION in first.tags or any(one.photometric in _RAW for one in (first, *(first.pages or ()))):
        raise PhotoRefused(f"{path}: is a camera's raw file", SAVE_AS, "format-unread")
    if series.nbytes > MAX_BYTES:
        raise PhotoRefused(
            f"{path}: holds a stack too large to read",
            "save one of its pictures by itself",
            "picture-too-large",
        )
    plain = page.photometric in (_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _PALETTE)
    if not plain and (page.photometric, page.compression) != (_YCBCR, _JPEG_COMPRESSION):
        raise PhotoRefused(
            f"{path}: keeps its colours in a rare way", "save it as RGB, or as PNG", "colours-unread"
        )
    for one in series.pages:
        if one is not None and any(
            offset <= 0 or offset + count > len(content)
            for offset, count in zip(one.dataoffsets, one.databytecounts, strict=True)
        ):
            raise truncated(path)


def _stored(
    path: Path, content: bytes, tif: tifffile.TiffFile, series: tifffile.TiffPageSeries
) -> tuple[NDArray[Any], str]:
    """Values of all the pictures of a series, and what its axes mean."""
    page = series.keyframe
    try:
        return series.asarray(), series.axes
    except (ValueError, ImportError) as error:
        # tifffile leaves the rarer compressions to a package of codecs that need not be there.
        if isinstance(error, ValueError) and "imagecodecs" not in str(error):
            raise
    if (
        page.compression in (_LZW, _JPEG_COMPRESSION)
        and len(series.pages) == 1
        and page.photometric != _PALETTE
    ):
        plain = bytearray(content)
        if ORIENTATION_TAG in page.tags:  # OpenCV would turn the picture, and it is turned here
            struct.pack_into(tif.byteorder + "H", plain, page.tags[ORIENTATION_TAG].valueoffset, 1)
        pixels = decoded_by_opencv(path, bytes(plain), "TIFF").pixels
        if pixels.shape[:2] == (page.imagelength, page.imagewidth):
            return pixels, "YXS"[: pixels.ndim]
    packing = "" if page.compression == 1 else f" compressed by {tifffile.COMPRESSION(page.compression).name}"
    raise PhotoRefused(
        f"{path}: {page.bitspersample}-bit values{packing} cannot be read here",
        "save it uncompressed with 8 or 16 bits per channel, or as PNG",
        "compression-unread",
    )


def _one_picture(path: Path, stored: NDArray[Any], axes: str) -> tuple[NDArray[Any], list[str]]:
    """First picture of a stack, (H, W) or RGB (H, W, 3), and notes on what was left out."""
    sizes = dict(zip(axes, stored.shape, strict=True))
    colour = next((axis for axis in "SC" if sizes.get(axis, 1) > 1), "")
    if sizes.get(colour, 1) > 4 or (colour == "C" and sizes["C"] != 3):
        raise PhotoRefused(
            f"{path}: has {sizes[colour]} channels", "save it as an RGB or a grey picture", "colours-unread"
        )
    kept = "YX" + colour
    notes = [
        f"the file holds {size} pictures along its {axis} axis; the first is taken"
        for axis, size in sizes.items()
        if axis not in kept and size > 1
    ]
    picture = stored[tuple(slice(None) if axis in kept else 0 for axis in axes)]
    left = [axis for axis in axes if axis in kept]
    picture = np.transpose(picture, [left.index(axis) for axis in kept])
    if colour == "C":
        notes.append("three separate channels are taken as red, green and blue")
    if picture.ndim == 3:  # what follows one or three channels is alpha
        picture = picture[:, :, 0] if picture.shape[2] == 2 else picture[:, :, :3]
    return np.ascontiguousarray(picture), notes


def _from_float(path: Path, values: NDArray[Any]) -> NDArray[np.uint16]:
    low, high = float(values.min()), float(values.max())
    if not (low >= -_ROUNDING and high <= 1 + _ROUNDING):  # not-a-number fails too
        raise PhotoRefused(
            f"{path}: holds floating-point values from {low:g} to {high:g}",
            "scale them to 0 to 1, or save it with 16 bits per channel",
            "values-unread",
        )
    codes: NDArray[np.uint16] = np.rint(np.clip(values, 0, 1) * np.float32(65535)).astype(np.uint16)
    return codes


def _tiff_orientation(page: tifffile.TiffPage) -> int:
    value = page.tags[ORIENTATION_TAG].value if ORIENTATION_TAG in page.tags else 1
    return int(value) if value in range(1, 9) else 1


register(rb"II[*+]\0|MM\0[*+]", _tiff)
