"""PNG."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

from wearscope.imaging.formats.opencv import decoded_by_opencv
from wearscope.imaging.formats.orientation import exif_orientation
from wearscope.imaging.formats.refusals import check_size, damaged, truncated
from wearscope.imaging.formats.registry import Decoded, register


def _png(path: Path, content: bytes) -> Decoded:
    orientation = 1
    position = 8
    while True:
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
        if kind == b"IHDR" and length >= 8:
            check_size(path, *struct.unpack_from(">II", body))
        elif kind == b"eXIf":
            orientation = exif_orientation(bytes(body))
        elif kind == b"IEND":
            return decoded_by_opencv(path, content, "PNG", orientation)
        position = end


register(rb"\x89PNG\r\n\x1a\n", _png)
