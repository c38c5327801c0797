"""A photo from its file: read once, told by its content rather than its name, turned upright.

Pixel coordinates everywhere are column and row of the upright image, the centre of the top left pixel
being (0, 0).
"""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import dataclass
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import Any, Literal
from xml.etree import ElementTree

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused

MAX_PIXELS = 200_000_000
"""Larger pictures are refused before they fill the memory."""

MIN_SIDE_PX = 64
"""Shorter sides cannot show a flute."""

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

_SAVE_AS = "save it as JPEG or PNG"


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
    """Linear light from sRGB-encoded values, both 0 to 1.

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
    content = _content(path)
    decoded = _decode(path, content)
    pixels: NDArray[Any] = _upright(decoded.pixels, decoded.orientation)
    height, width = pixels.shape[:2]
    if min(height, width) < MIN_SIDE_PX:
        raise PhotoRefused(
            f"{path}: the picture is {width} × {height} pixels",
            f"take it with at least {MIN_SIDE_PX} pixels on each side",
        )
    full_scale, note = _full_scale(pixels, decoded.significant_bits)
    grey = pixels.ndim == 2 or _channels_equal(pixels)
    if pixels.ndim == 2:
        pixels = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB), dtype=pixels.dtype)
    pixels.flags.writeable = False
    scale = decoded.um_per_px
    if scale and decoded.orientation > 4:
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


@dataclass(frozen=True, eq=False)
class _Decoded:
    """Code values as stored, (H, W) or RGB (H, W, 3), and what the file says about them."""

    pixels: Pixels
    orientation: int = 1
    encoding: Literal["srgb", "linear"] = "srgb"
    significant_bits: int | None = None
    um_per_px: tuple[float, float] | None = None
    scale_source: str = ""
    notes: tuple[str, ...] = ()


def _content(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise PhotoRefused(f"{path}: is a folder", "name the photo in it")
        content = path.read_bytes()
    except FileNotFoundError:
        raise PhotoRefused(f"{path}: there is no such file", "check the path") from None
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise PhotoRefused(
            f"{path}: cannot be read ({reason})", "check its permissions and the drive"
        ) from error
    if not content.strip(b"\0"):
        raise PhotoRefused(f"{path}: the file is empty", "copy it from the camera again")
    return content


def _truncated(path: Path) -> PhotoRefused:
    return PhotoRefused(f"{path}: the file ends before its picture does", "copy it from the camera again")


def _damaged(path: Path, kind: str) -> PhotoRefused:
    return PhotoRefused(f"{path}: the {kind} is damaged or of a rare kind", f"copy it again, or {_SAVE_AS}")


_UNREAD = (
    (re.compile(rb"....ftyp(?:hei[cfmsx]|hev[cmsx]|mif1|msf1)", re.DOTALL), "a HEIC picture"),
    (re.compile(rb"....ftypavi[fs]", re.DOTALL), "an AVIF picture"),
    (re.compile(rb"....ftypcrx", re.DOTALL), "a camera's raw file"),
    (re.compile(rb"....ftyp", re.DOTALL), "a video"),
    (re.compile(rb"FUJIFILMCCD-RAW|IIU\0|IIR[OS]|MMOR|FOVb|II[*]\0....CR", re.DOTALL), "a camera's raw file"),
    (re.compile(rb"%PDF"), "a PDF document"),
    (re.compile(rb"GIF8"), "a GIF picture, which keeps only 256 colours"),
    (re.compile(rb"8BPS"), "a layered picture of an image editor"),
    (re.compile(rb"PK\x03\x04"), "an archive or office document"),
)


def _decode(path: Path, content: bytes) -> _Decoded:
    for magic, kind in _UNREAD:
        if magic.match(content):
            raise PhotoRefused(f"{path}: is {kind}", _SAVE_AS)
    if content.startswith(b"\xff\xd8"):
        return _jpeg(path, content)
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return _png(path, content)
    if content.startswith(b"BM"):
        return _bmp(path, content)
    if content.startswith(b"RIFF") and content[8:12] == b"WEBP":
        return _webp(path, content)
    if content[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return _tiff(path, content)
    like = " (it looks like text)" if _is_text(content[:1024]) else ""
    raise PhotoRefused(f"{path}: is no picture in a known format{like}", _SAVE_AS)


def _is_text(start: bytes) -> bool:
    return not re.search(rb"[\x00-\x08\x0e-\x1a\x7f]", start)


def _check_size(path: Path, width: int, height: int) -> None:
    if width * height > MAX_PIXELS:
        raise PhotoRefused(
            f"{path}: the picture is {width} × {height} pixels, over {MAX_PIXELS // 1_000_000} megapixels",
            "cut out the part with the flute, without resizing it",
        )


# --- Formats that OpenCV decodes


def _by_opencv(
    path: Path, content: bytes, kind: str, orientation: int = 1, *, colour: bool = False
) -> _Decoded:
    # Unchanged: the depth as stored, and no turning by OpenCV, which knows only some of the places in
    # which files keep their orientation. Plain colour is decoded to RGB at once, which saves a pass.
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION if colour else cv2.IMREAD_UNCHANGED
    try:
        pixels: Any = cv2.imdecode(np.frombuffer(content, np.uint8), flags)
    except cv2.error as error:
        raise _damaged(path, kind) from error
    if pixels is None or pixels.dtype not in (np.uint8, np.uint16):
        raise _damaged(path, kind)
    _check_size(path, pixels.shape[1], pixels.shape[0])
    return _Decoded(pixels if colour else _rgb(pixels), orientation)


def _rgb(pixels: NDArray[Any]) -> Pixels:
    """RGB, or one channel, from the channels in OpenCV's order; alpha is left out."""
    if pixels.ndim == 2 or pixels.shape[2] == 1:
        return pixels.reshape(pixels.shape[:2])
    code = cv2.COLOR_BGRA2RGB if pixels.shape[2] == 4 else cv2.COLOR_BGR2RGB
    return np.asarray(cv2.cvtColor(pixels, code), dtype=pixels.dtype)


_AFTER_ENTROPY_CODED = re.compile(rb"\xff+[^\x00\xff\xd0-\xd7]")


def _jpeg(path: Path, content: bytes) -> _Decoded:
    """Walk the markers of a JPEG; decoders fill what a cut file lacks with grey and say nothing."""
    orientation, width, height, channels = 1, 0, 0, 0
    position = 2
    try:
        while (marker := content[position + 1]) != 0xD9:
            if content[position] != 0xFF:
                raise _damaged(path, "JPEG")
            if marker == 0xFF:  # a fill byte
                position += 1
                continue
            (length,) = struct.unpack_from(">H", content, position + 2)
            segment = content[position + 4 : position + 2 + length]
            if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
                height, width, channels = struct.unpack_from(">HHB", segment, 1)
                _check_size(path, width, height)
            elif marker == 0xE1 and segment.startswith(b"Exif\0\0"):
                orientation = _exif_orientation(segment[6:])
            position += 2 + length
            if marker == 0xDA:
                following = _AFTER_ENTROPY_CODED.search(content, position)
                if following is None:
                    raise _truncated(path)
                position = following.end() - 2
    except (IndexError, struct.error):
        raise _truncated(path) from None
    return _by_opencv(path, content, "JPEG", orientation, colour=channels == 3)


def _png(path: Path, content: bytes) -> _Decoded:
    orientation = 1
    position = 8
    while True:
        if position + 12 > len(content):
            raise _truncated(path)
        length, kind = struct.unpack_from(">I4s", content, position)
        end = position + 12 + length
        if end > len(content):
            raise _truncated(path)
        body = memoryview(content)[position + 8 : end - 4]
        (checksum,) = struct.unpack_from(">I", content, end - 4)
        if zlib.crc32(body, zlib.crc32(kind)) != checksum:
            raise _damaged(path, "PNG")
        if kind == b"IHDR" and length >= 8:
            _check_size(path, *struct.unpack_from(">II", body))
        elif kind == b"eXIf":
            orientation = _exif_orientation(bytes(body))
        elif kind == b"IEND":
            return _by_opencv(path, content, "PNG", orientation)
        position = end


def _bmp(path: Path, content: bytes) -> _Decoded:
    try:
        start, header = struct.unpack_from("<II", content, 10)
        if header < 40:
            width, height, _, bits = struct.unpack_from("<HHHH", content, 18)
            compression = 0
        else:
            width, height, _, bits, compression = struct.unpack_from("<iiHHI", content, 18)
    except struct.error:
        raise _truncated(path) from None
    _check_size(path, abs(width), abs(height))
    uncompressed = compression in (0, 3, 6)
    if uncompressed and start + (abs(width) * bits + 31) // 32 * 4 * abs(height) > len(content):
        raise _truncated(path)
    return _by_opencv(path, content, "BMP")


def _webp(path: Path, content: bytes) -> _Decoded:
    orientation = 1
    position = 12
    if len(content) < 20 or struct.unpack_from("<I", content, 4)[0] + 8 > len(content):
        raise _truncated(path)
    while position + 8 <= len(content):
        kind, length = struct.unpack_from("<4sI", content, position)
        if kind == b"EXIF":
            exif = content[position + 8 : position + 8 + length]
            orientation = _exif_orientation(exif.removeprefix(b"Exif\0\0"))
        position += 8 + length + length % 2
    return _by_opencv(path, content, "WebP", orientation)


def _exif_orientation(exif: bytes) -> int:
    """Orientation, 1 to 8, from an EXIF block that begins with its TIFF header; 1 if it names none."""
    order = {b"II": "<", b"MM": ">"}.get(exif[:2])
    if order is None:
        return 1
    try:
        (directory,) = struct.unpack_from(order + "I", exif, 4)
        (count,) = struct.unpack_from(order + "H", exif, directory)
        for entry in range(count):
            tag, kind, _, value = struct.unpack_from(order + "HHIH", exif, directory + 2 + 12 * entry)
            if tag == 0x0112 and kind == 3 and 1 <= value <= 8:
                return int(value)
    except struct.error:
        pass
    return 1


def _upright(pixels: Pixels, orientation: int) -> NDArray[Any]:
    """Turn stored pixels upright; `orientation` as in EXIF and TIFF, 1 to 8."""
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


# --- TIFF

_ORIENTATION, _DNG_VERSION = 274, 50706  # tags
_X_RESOLUTION, _Y_RESOLUTION = 282, 283
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _PALETTE, _YCBCR = 0, 1, 2, 3, 6  # photometric interpretations
_RAW = frozenset({32803, 34892})  # colour filter array, linear raw
_LZW, _JPEG_COMPRESSION = 5, 7


def _tiff(path: Path, content: bytes) -> _Decoded:
    try:
        with tifffile.TiffFile(BytesIO(content)) as tif:
            return _largest_picture(path, content, tif)
    except PhotoRefused:
        raise
    except Exception as error:  # a damaged TIFF fails anywhere and anyhow inside the reader
        raise _damaged(path, "TIFF") from error


def _largest_picture(path: Path, content: bytes, tif: tifffile.TiffFile) -> _Decoded:
    series = max(tif.series, key=_area)
    page = series.keyframe
    _check_readable(path, content, tif, series)
    stored, axes = _stored(path, content, tif, series)
    pixels, notes = _one_picture(path, stored, axes)
    if len(tif.series) > 1:
        notes.append(f"the file holds {len(tif.series)} pictures; the first of the largest is taken")

    um_per_px, source, bits = _tiff_statements(tif, series)
    encoding: Literal["srgb", "linear"] = "srgb"
    if page.photometric == _PALETTE:
        pixels = np.take((np.asarray(page.colormap).T >> 8).astype(np.uint8), pixels, axis=0)
    elif pixels.dtype.kind == "f":
        pixels, encoding, bits = _from_float(path, pixels), "linear", 16
    elif pixels.dtype not in (np.uint8, np.uint16):
        raise PhotoRefused(f"{path}: holds {pixels.dtype} values", "save it with 8 or 16 bits per channel")
    if page.photometric == _WHITE_IS_ZERO:
        pixels = np.invert(pixels) if bits is None else (1 << bits) - 1 - pixels
    return _Decoded(pixels, _tiff_orientation(page), encoding, bits, um_per_px, source, tuple(notes))


def _area(series: tifffile.TiffPageSeries) -> int:
    sizes = dict(zip(series.axes, series.shape, strict=True))
    return sizes.get("X", 0) * sizes.get("Y", 0)


def _check_readable(
    path: Path, content: bytes, tif: tifffile.TiffFile, series: tifffile.TiffPageSeries
) -> None:
    first, page = tif.pages.first, series.keyframe
    if _DNG_VERSION in first.tags or any(one.photometric in _RAW for one in (first, *(first.pages or ()))):
        raise PhotoRefused(f"{path}: is a camera's raw file", _SAVE_AS)
    sizes = dict(zip(series.axes, series.shape, strict=True))
    _check_size(path, sizes["X"], sizes["Y"])
    if series.size > 4 * MAX_PIXELS:
        raise PhotoRefused(f"{path}: holds a stack too large to read", "save one of its pictures by itself")
    plain = page.photometric in (_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _PALETTE)
    if not plain and (page.photometric, page.compression) != (_YCBCR, _JPEG_COMPRESSION):
        raise PhotoRefused(f"{path}: keeps its colours in a rare way", "save it as RGB, or as PNG")
    for one in series.pages:
        if one is not None and any(
            offset <= 0 or offset + count > len(content)
            for offset, count in zip(one.dataoffsets, one.databytecounts, strict=True)
        ):
            raise _truncated(path)


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
        if _ORIENTATION in page.tags:  # OpenCV would turn the picture, and it is turned here
            struct.pack_into(tif.byteorder + "H", plain, page.tags[_ORIENTATION].valueoffset, 1)
        pixels = _by_opencv(path, bytes(plain), "TIFF").pixels
        if pixels.shape[:2] == (page.imagelength, page.imagewidth):
            return pixels, "YXS"[: pixels.ndim]
    packing = "" if page.compression == 1 else f" compressed by {tifffile.COMPRESSION(page.compression).name}"
    raise PhotoRefused(
        f"{path}: {page.bitspersample}-bit values{packing} cannot be read here",
        "save it uncompressed with 8 or 16 bits per channel, or as PNG",
    )


def _one_picture(path: Path, stored: NDArray[Any], axes: str) -> tuple[NDArray[Any], list[str]]:
    """First picture of a stack, (H, W) or RGB (H, W, 3), and notes on what was left out."""
    sizes = dict(zip(axes, stored.shape, strict=True))
    colour = next((axis for axis in "SC" if sizes.get(axis, 1) > 1), "")
    if sizes.get(colour, 1) > 4 or (colour == "C" and sizes["C"] != 3):
        raise PhotoRefused(f"{path}: has {sizes[colour]} channels", "save it as an RGB or a grey picture")
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
    if not (low >= -1e-6 and high <= 1 + 1e-6):  # not-a-number fails too
        raise PhotoRefused(
            f"{path}: holds floating-point values from {low:g} to {high:g}",
            "scale them to 0 to 1, or save it with 16 bits per channel",
        )
    codes: NDArray[np.uint16] = np.rint(np.clip(values, 0, 1) * np.float32(65535)).astype(np.uint16)
    return codes


def _tiff_orientation(page: tifffile.TiffPage) -> int:
    value = page.tags[_ORIENTATION].value if _ORIENTATION in page.tags else 1
    return int(value) if value in range(1, 9) else 1


# --- What a TIFF states about itself

_OME_UNITS_UM = {"m": 1e6, "dm": 1e5, "cm": 1e4, "mm": 1e3, "µm": 1.0, "nm": 1e-3, "pm": 1e-6, "Å": 1e-4}
_IMAGEJ_UNITS_UM = {
    **dict.fromkeys(("µm", "um", "micron", "microns", "micrometer", "micrometers", r"\u00b5m"), 1.0),
    **dict.fromkeys(("mm", "millimeter", "millimeters"), 1e3),
    **dict.fromkeys(("nm", "nanometer", "nanometers"), 1e-3),
}


def _tiff_statements(
    tif: tifffile.TiffFile, series: tifffile.TiffPageSeries
) -> tuple[tuple[float, float] | None, str, int | None]:
    """Scale in µm per stored pixel (x, y), where it stands, and how many bits are significant."""
    page = series.keyframe
    bits = page.bitspersample if page.bitspersample in range(9, 16) else None
    if tif.is_ome and tif.ome_metadata:
        stated = _ome_pixels(tif.ome_metadata, tif.series.index(series))
        significant = stated.get("SignificantBits", "")
        if significant.isdecimal() and 8 <= int(significant) <= page.bitspersample:
            bits = int(significant)
        sizes = [
            float(stated.get(f"PhysicalSize{axis}", "nan"))
            * _OME_UNITS_UM.get(_micro(stated.get(f"PhysicalSize{axis}Unit", "µm")), float("nan"))
            for axis in "XY"
        ]
        return _scale(sizes), "OME-XML PhysicalSizeX", bits
    if tif.imagej_metadata:
        unit = _micro(str(tif.imagej_metadata.get("unit", ""))).casefold()
        um = _IMAGEJ_UNITS_UM.get(unit, float("nan"))
        resolutions = [page.tags[tag].value for tag in (_X_RESOLUTION, _Y_RESOLUTION) if tag in page.tags]
        sizes = [um * denominator / numerator for numerator, denominator in resolutions if numerator > 0]
        return _scale(sizes), "ImageJ unit and XResolution", bits
    return None, "", bits


def _micro(unit: str) -> str:
    return unit.strip().replace("\u03bc", "\u00b5")  # the Greek letter for the micro sign


def _scale(sizes_um: list[float]) -> tuple[float, float] | None:
    if len(sizes_um) != 2 or not all(0 < size < float("inf") for size in sizes_um):
        return None
    return sizes_um[0], sizes_um[1]


def _ome_pixels(xml: str, position: int) -> dict[str, str]:
    """Attributes of the Pixels element of the image at `position`."""
    try:
        found = [one for one in ElementTree.fromstring(xml).iter() if one.tag.rpartition("}")[2] == "Pixels"]
    except ElementTree.ParseError:
        return {}
    return found[position].attrib if position < len(found) else {}


# --- Code values


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
    return (
        1 << bits
    ) - 1, f"16 bits per channel, none above {peak}: taken as {bits} bits, {(1 << bits) - 1} being white"


def _channels_equal(rgb: Pixels) -> bool:
    thinned = rgb[::16, ::16]
    return all(
        bool(np.array_equal(some[..., 0], some[..., channel]))
        for some in (thinned, rgb)
        for channel in (1, 2)
    )
