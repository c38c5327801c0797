"""Files that are known for what they are, and cannot carry a measurement as they stand."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from wearscope.errors import PhotoRefused
from wearscope.imaging.formats.refusals import SAVE_AS
from wearscope.imaging.formats.registry import Decoded, register

_KINDS = (
    (rb"....ftypavi[fs]", "an AVIF picture"),
    (rb"....ftypcrx", "a camera's raw file"),
    (rb"....ftyp", "a video"),
    (rb"FUJIFILMCCD-RAW|IIU\0|IIR[OS]|MMOR|FOVb|II[*]\0....CR", "a camera's raw file"),
    (rb"%PDF", "a PDF document"),
    (rb"GIF8", "a GIF picture, which keeps only 256 colours"),
    (rb"8BPS", "a layered picture of an image editor"),
    (rb"PK\x03\x04", "an archive or office document"),
)


def _refuse(kind: str, path: Path, content: bytes) -> Decoded:
    raise PhotoRefused(f"{path}: is {kind}", SAVE_AS, "format-unread")


for _signature, _kind in _KINDS:
    register(_signature, partial(_refuse, _kind))
