"""JPEG."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

from wearscope.imaging.formats.opencv import decoded_by_opencv
from wearscope.imaging.formats.orientation import exif_orientation
from wearscope.imaging.formats.refusals import MAX_STEPS, check_size, damaged, truncated
from wearscope.imaging.formats.registry import Decoded, register

MAX_SCANS = 100
"""Each scan passes over the whole picture; progressive photos have some ten. Chosen, no source."""

PIECE_BYTES = 1 << 20
"""Looked through at a time: of a file of nothing but markers, each takes eight times its bytes. Chosen, no source."""

# After a byte of ones: one that belongs to the picture, one that comes before a marker, the first of eight restarts
_STUFFED, _FILL, _RESTART = 0x00, 0xFF, 0xD0


def _jpeg(path: Path, content: bytes) -> Decoded:
    """Walk the markers of a JPEG; decoders fill what a cut file lacks with grey and say nothing.

    A flipped bit between two markers mostly leaves a file that is whole by its format, with another picture in it.
    """
    orientation, width, height, channels = 1, 0, 0, 0
    position, n_steps, n_scans = 2, 0, 0
    try:
        while (marker := content[position + 1]) != 0xD9:
            n_steps, n_scans = n_steps + 1, n_scans + (marker == 0xDA)
            if content[position] != 0xFF or n_steps > MAX_STEPS or n_scans > MAX_SCANS:
                raise damaged(path, "JPEG")
            if marker == 0xFF:  # a fill byte
                position += 1
                continue
            (length,) = struct.unpack_from(">H", content, position + 2)
            segment = content[position + 4 : position + 2 + length]
            if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
                height, width, channels = struct.unpack_from(">HHB", segment, 1)
                check_size(path, width, height, channels)
            elif marker == 0xE1 and segment.startswith(b"Exif\0\0"):
                orientation = exif_orientation(segment[6:])
            position += 2 + length
            if marker == 0xDA:
                following, in_order = _after_scan(content, position)
                if following is None:
                    raise truncated(path)
                if not in_order:
                    raise damaged(path, "JPEG")
                position = following
    except (IndexError, struct.error):
        raise truncated(path) from None
    return decoded_by_opencv(path, content, "JPEG", orientation, colour=channels == 3)


def _after_scan(content: bytes, position: int) -> tuple[int | None, bool]:
    """Where the first marker after a scan stands, None where there is none, and whether its restarts are in order.

    They count from 0 to 7 and begin again, unless one is lost or turned into another.
    """
    n_restarts, in_order = 0, True
    for start in range(position, len(content) - 1, PIECE_BYTES):
        stored = np.frombuffer(content, np.uint8, min(PIECE_BYTES + 1, len(content) - start), start)
        at = np.flatnonzero(stored[:-1] == _FILL)
        codes = stored[at + 1]
        at = at[(codes != _STUFFED) & (codes != _FILL)]
        codes = stored[at + 1]
        others = np.flatnonzero((codes & 0xF8) != _RESTART)
        n = int(others[0]) if len(others) else len(codes)
        in_order &= bool((codes[:n] == _RESTART + (n_restarts + np.arange(n)) % 8).all())
        if len(others):
            return start + int(at[n]), in_order
        n_restarts += n
    return None, in_order


register(rb"\xff\xd8", _jpeg)
