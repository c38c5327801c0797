"""WebP."""

from __future__ import annotations

import struct
from pathlib import Path

from wearscope.imaging.formats.opencv import decoded_by_opencv
from wearscope.imaging.formats.orientation import exif_orientation
from wearscope.imaging.formats.refusals import MAX_STEPS, check_size, damaged, truncated
from wearscope.imaging.formats.registry import Decoded, register


def _size(kind: bytes, body: bytes) -> tuple[int, int]:
    """Width and height that a chunk states, as in RFC 9649; 0 by 0 if it states none."""
    if kind == b"VP8X" and len(body) >= 10:
        return 1 + int.from_bytes(body[4:7], "little"), 1 + int.from_bytes(body[7:10], "little")
    if kind == b"VP8L" and len(body) >= 5:
        bits = int.from_bytes(body[1:5], "little")
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    if kind == b"VP8 " and len(body) >= 10:
        width, height = struct.unpack_from("<HH", body, 6)
        return width & 0x3FFF, height & 0x3FFF
    return 0, 0


def _webp(path: Path, content: bytes) -> Decoded:
    orientation = 1
    position = 12
    if len(content) < 20 or struct.unpack_from("<I", content, 4)[0] + 8 > len(content):
        raise truncated(path)
    n_steps = 0
    while position + 8 <= len(content):
        kind, length = struct.unpack_from("<4sI", content, position)
        check_size(path, *_size(kind, content[position + 8 : position + 18]), 4)
        n_steps += 1
        if n_steps > MAX_STEPS:
            raise damaged(path, "WebP")
        if kind == b"EXIF":
            exif = content[position + 8 : position + 8 + length]
            orientation = exif_orientation(exif.removeprefix(b"Exif\0\0"))
        position += 8 + length + length % 2
    return decoded_by_opencv(path, content, "WebP", orientation)


register(rb"RIFF....WEBP", _webp)
