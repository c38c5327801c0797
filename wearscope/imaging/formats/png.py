"""PNG."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

from wearscope.imaging.formats.opencv import decoded_by_opencv
from wearscope.imaging.formats.orientation import exif_orientation
from wearscope.imaging.formats.refusals import MAX_STEPS, check_size, damaged, truncated
from wearscope.imaging.formats.registry import Decoded, register

_COLOUR = 2  # type of picture; PNG (Third Edition), W3C 2025, section 11.2.1, from memory
_CHANNELS = {0: 1, 2: 3, 3: 4, 4: 4, 6: 4}  # as decoded, by type: a palette may have alpha


def _png(path: Path, content: bytes) -> Decoded:
    orientation, kind_of_picture = 1, 0
    position = 8
    for _ in range(MAX_STEPS):
        if position + 12 > len(content):
            raise truncated(path)
        length, kind = struct.unpack_from(">I4s", content, position)
        end = position + 12 + length
        if end > len(content):
            raise truncated(path)
        body = memoryview(content)[position + 8 : end - 4]
        (checksum,) = struct.unpack_from(">I", content, end - 4)
        if zlib.crc32(body, zlib.crc32(kind)) != checksum:
            raise damaged(path, "PNG")
        if kind == b"IHDR" and length == 13:
            width, height, depth, kind_of_picture = struct.unpack_from(">IIBB", body)
            check_size(path, width, height, _CHANNELS.get(kind_of_picture, 4) * max(depth // 8, 1))
        elif kind == b"eXIf":
            orientation = exif_orientation(bytes(body))
        elif kind == b"IEND":
            return decoded_by_opencv(path, content, "PNG", orientation, colour=kind_of_picture == _COLOUR)
        position = end
    raise damaged(path, "PNG")


register(rb"\x89PNG\r\n\x1a\n", _png)
