"""The directories of a TIFF looked through before anything is decoded: that there is an end to them.

What reads TIFF believes what a directory says. A few changed bytes may promise billions of strips, or a strip that
unpacks to gigabytes, and keep it busy for ever.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from math import prod
from pathlib import Path

from wearscope.imaging.formats.refusals import MAX_STEPS, check_size, damaged

MAX_PAGES = 1000
"""Pictures in one file, thumbnails included; chosen, no source."""

MAX_STRIPS = 100_000
"""Strips or tiles of one picture, five times the rows of the largest photos; chosen, no source."""

# Tags: TIFF 6.0, those of volumes and of directories below one another from its supplements
_WIDTH, _LENGTH, _BITS, _COMPRESSION, _DESCRIPTION, _OFFSETS, _SAMPLES = 256, 257, 258, 259, 270, 273, 277
_ROWS_PER_STRIP, _COUNTS, _PLANAR, _TILE_WIDTH, _TILE_LENGTH = 278, 279, 284, 322, 323
_TILE_OFFSETS, _TILE_COUNTS, _SUBDIRECTORIES, _DEPTH, _TILE_DEPTH = 324, 325, 330, 32997, 32998
_SIZES = {
    1: 1,
    2: 1,
    3: 2,
    4: 4,
    5: 8,
    6: 1,
    7: 1,
    8: 2,
    9: 4,
    10: 8,
    11: 4,
    12: 8,
    13: 4,
    16: 8,
    17: 8,
    18: 8,
}
_WHOLE = {1: "B", 3: "H", 4: "I", 13: "I", 16: "Q", 18: "Q"}
_DEFLATE = (8, 32946)
_LZW = 5
_GROWS = {1: 1.0, _LZW: 1.6, 32773: 1.1}
"""By how much a picture grows at most as it is packed: plain, with 12 bits for each byte, a byte more for each 128.
What takes more room than that holds another picture than it says."""
_MANY = re.compile(rb"""(?:PlaneCount|IFD|First[ZCT])\s*=\s*["']\s*\d{6}""")
_SIZE = re.compile(rb"""\bSize[ZCT]\s*=\s*["']\s*(\d+)""")


@dataclass(frozen=True)
class _Layout:
    """How numbers are written: byte order, and the widths of offsets and counts."""

    order: str
    big: bool

    def numbers(self, content: bytes, form: str, at: int) -> tuple[int, ...]:
        return struct.unpack_from(self.order + form, content, at)


_Tags = dict[int, tuple[int, int, int]]  # type, number of values, and where these are


def check_directories(path: Path, content: bytes) -> None:
    """Refuse a TIFF whose directories do not end, or promise more than a photo holds.

    Parameters
    ----------
    path : Path
        For messages.
    content : bytes

    Raises
    ------
    PhotoRefused
    """
    try:
        layout = _Layout({b"II": "<", b"MM": ">"}[content[:2]], content[2:4] in (b"+\0", b"\0+"))
        (first,) = layout.numbers(content, "Q", 8) if layout.big else layout.numbers(content, "I", 4)
        for at, tags in enumerate(_directories(content, layout, first)):
            if at >= MAX_PAGES or not _bounded(path, content, layout, tags):
                raise damaged(path, "TIFF")
    except (struct.error, KeyError, OverflowError, ZeroDivisionError) as error:
        raise damaged(path, "TIFF") from error


def _directories(content: bytes, layout: _Layout, first: int) -> Iterator[_Tags]:
    """Each directory once, those below others included."""
    waiting, seen = [first], set[int]()
    while waiting:
        at = waiting.pop()
        if not 0 < at < len(content):
            continue  # what reads the file stops there, too
        if at in seen:
            raise OverflowError  # and there it goes round for ever
        seen.add(at)
        (n_tags,) = layout.numbers(content, "Q" if layout.big else "H", at)
        if n_tags > MAX_STEPS:
            raise OverflowError
        head, step, inline = (8, 20, 8) if layout.big else (2, 12, 4)
        tags: _Tags = {}
        for place in range(at + head, at + head + step * n_tags, step):
            tag, kind = layout.numbers(content, "HH", place)
            (n_values,) = layout.numbers(content, "Q" if layout.big else "I", place + 4)
            value = place + step - inline
            if n_values * _SIZES.get(kind, 1) > inline:
                (value,) = layout.numbers(content, "Q" if layout.big else "I", value)
            tags.setdefault(tag, (kind, n_values, value))
        waiting += layout.numbers(content, "Q" if layout.big else "I", at + head + step * n_tags)
        waiting += _values(content, layout, tags, _SUBDIRECTORIES)
        yield tags


def _values(
    content: bytes, layout: _Layout, tags: _Tags, tag: int, most: int = MAX_STRIPS
) -> tuple[int, ...]:
    """Whole numbers of a tag; none if it is missing, and as many as the file can hold."""
    kind, n_values, value = tags.get(tag, (0, 0, 0))
    if kind not in _WHOLE or n_values > most:
        return ()
    return layout.numbers(content, f"{n_values}{_WHOLE[kind]}", value)


def _bounded(path: Path, content: bytes, layout: _Layout, tags: _Tags) -> bool:
    """Whether a picture is as large as it says, and that is no more than a photo."""

    def one(tag: int, otherwise: int) -> int:
        return next(iter(_values(content, layout, tags, tag, 16)), otherwise)

    width, length, samples = one(_WIDTH, 0), one(_LENGTH, 0), one(_SAMPLES, 1)
    bits = max(_values(content, layout, tags, _BITS, 16), default=1)
    if samples > 16 or bits > 64 or one(_DEPTH, 1) != 1 or one(_TILE_DEPTH, 1) != 1:
        return False
    px_bytes = samples * max(bits / 8, 1)
    check_size(path, width, length, px_bytes)
    tiled = _TILE_WIDTH in tags
    across = one(_TILE_WIDTH, 1) if tiled else max(width, 1)
    down = one(_TILE_LENGTH, 1) if tiled else min(one(_ROWS_PER_STRIP, length), length) or 1
    check_size(path, across, down, px_bytes)
    planes = samples if one(_PLANAR, 1) == 2 else 1
    n_strips = -(-width // across) * -(-length // down) * planes
    if n_strips > MAX_STRIPS or any(
        tags.get(tag, (0, 0, 0))[1] > MAX_STRIPS for tag in (_OFFSETS, _COUNTS, _TILE_OFFSETS, _TILE_COUNTS)
    ):
        return False
    packing = one(_COMPRESSION, 1)
    offsets = _values(content, layout, tags, _TILE_OFFSETS if tiled else _OFFSETS)
    counts = _values(content, layout, tags, _TILE_COUNTS if tiled else _COUNTS)
    most = int(across * down * px_bytes / planes) + 8
    if packing == _LZW and len(offsets) != n_strips:
        return False  # what unpacks it would leave the others black
    if packing in _GROWS and sum(counts) > _GROWS[packing] * most * n_strips:
        return False
    if packing in _DEFLATE:
        for offset, count in zip(offsets, counts, strict=False):
            if not _unpacks_to(content[offset : offset + count], most):
                return False
    return _says_little(content, tags)


def _unpacks_to(packed: bytes, most: int) -> bool:
    """Whether packed bytes hold no more than so many; a damaged stream is left to whoever unpacks it."""
    unpacking = zlib.decompressobj()
    try:
        while most >= 0 and packed:
            most -= len(unpacking.decompress(packed, 1 << 20))
            packed = unpacking.unconsumed_tail
    except zlib.error:
        pass
    return most >= 0


def _says_little(content: bytes, tags: _Tags) -> bool:
    """Whether what a file describes of itself in XML is no larger than what it can hold."""
    _, n_values, value = tags.get(_DESCRIPTION, (0, 0, 0))
    text = content[value : value + n_values]
    if b"<OME" not in text[:2000]:
        return True
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text or b"Along" in text or _MANY.search(text):
        return False
    sizes = [int(found[:12]) for found in _SIZE.findall(text)]
    return all(prod(sizes[at : at + 3]) <= MAX_STEPS for at in range(0, len(sizes), 3))
