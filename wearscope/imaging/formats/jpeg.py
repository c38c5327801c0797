"""JPEG."""

from __future__ import annotations

import re
import struct
from pathlib import Path

from wearscope.imaging.formats.opencv import decoded_by_opencv
from wearscope.imaging.formats.orientation import exif_orientation
from wearscope.imaging.formats.refusals import MAX_STEPS, check_size, damaged, truncated
from wearscope.imaging.formats.registry import Decoded, register

MAX_SCANS = 100
"""Each scan passes over the whole picture; progressive photos have some ten. Chosen, no source."""

_AFTER_ENTROPY_CODED = re.compile(rb"\xff+[^\x00\xff\xd0-\xd7]")
_RESTART = re.compile(rb"\xff+([\xd0-\xd7])")


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
                following = _AFTER_ENTROPY_CODED.search(content, position)
                if following is None:
                    raise truncated(path)
                if not _restarts_in_order(content[position : following.start()]):
                    raise damaged(path, "JPEG")
                position = following.end() - 2
    except (IndexError, struct.error):
        raise truncated(path) from None
    return decoded_by_opencv(path, content, "JPEG", orientation, colour=channels == 3)


def _restarts_in_order(scan: bytes) -> bool:
    """Whether none is lost or turned into another: they count from 0 to 7 and begin again."""
    return all(found[0] == 0xD0 + at % 8 for at, found in enumerate(_RESTART.findall(scan)))


register(rb"\xff\xd8", _jpeg)
