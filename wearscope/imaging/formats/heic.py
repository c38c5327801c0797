"""HEIC, as telephones save pictures; read by pillow-heif, which the extra ``heic`` brings."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from wearscope.errors import PhotoRefused
from wearscope.imaging.formats.refusals import SAVE_AS, check_size, damaged
from wearscope.imaging.formats.registry import Decoded, register


def _heic(path: Path, content: bytes) -> Decoded:
    """Decode the main picture. Its own turning (``irot``, ``imir``) is done; that of its EXIF block is not.

    ISO/IEC 23008-12, annex A.3: where both are there, the EXIF orientation only tells what was turned (from memory).
    """
    try:
        from pillow_heif import open_heif
    except ImportError:
        raise PhotoRefused(
            f"{path}: is a HEIC picture, and what reads it is not installed",
            f"pip install 'wearscope[heic]', or {SAVE_AS}",
            "format-unread",
        ) from None
    try:
        picture = open_heif(content, convert_hdr_to_8bit=False)
        check_size(path, *picture.size)
        pixels = np.asarray(picture)
    except (ValueError, EOFError, OSError, RuntimeError, SyntaxError) as error:
        raise damaged(path, "HEIC picture") from error
    if pixels.ndim == 3:
        pixels = pixels[..., :3] if pixels.shape[2] >= 3 else pixels[..., 0]
    return Decoded(np.ascontiguousarray(pixels))


register(rb"....ftyp(?:hei[cfmsx]|hev[cmsx]|mif1|msf1)", _heic)
