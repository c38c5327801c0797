"""WebP."""

from __future__ import annotations

import struct
from pathlib import Path

from wearscope.imaging.formats.opencv import decoded_by_opencv
from wearscope.imaging.formats.orientation import exif_orientation
from wearscope.imaging.formats.refusals import truncated
from wearscope.imaging.formats.registry import Decoded, register


def _webp(path: Path, content: bytes) -> Decoded:
    orientation = 1
    position = 12
    if len(content) < 20 or struct.unpack_from("<I", content, 4)[0] + 8 > len(content):
        raise truncated(path)
    while position + 8 <= len(content):
        kind, length = struct.unpack_from("<4sI", content, position)
        if kind == b"EXIF":
            exif = content[position + 8 : position + 8 + length]
            orientation = exif_orientation(exif.removeprefix(b"Exif\0\0"))
        position += 8 + length + length % 2
    return decoded_by_opencv(path, content, "WebP", orientation)


register(rb"RIFF....WEBP", _webp)
