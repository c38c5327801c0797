"""Windows bitmap."""

from __future__ import annotations

import struct
from pathlib import Path

from wearscope.imaging.formats.opencv import decoded_by_opencv
from wearscope.imaging.formats.refusals import check_size, truncated
from wearscope.imaging.formats.registry import Decoded, register


def _bmp(path: Path, content: bytes) -> Decoded:
    try:
        start, header = struct.unpack_from("<II", content, 10)
        if header < 40:
            width, height, _, bits = struct.unpack_from("<HHHH", content, 18)
            compression = 0
        else:
            width, height, _, bits, compression = struct.unpack_from("<iiHHI", content, 18)
    except struct.error:
        raise truncated(path) from None
    check_size(path, abs(width), abs(height), 4 if bits == 32 else 3)
    uncompressed = compression in (0, 3, 6)
    if uncompressed and start + (abs(width) * bits + 31) // 32 * 4 * abs(height) > len(content):
        raise truncated(path)
    return decoded_by_opencv(path, content, "BMP")


register(rb"BM", _bmp)
