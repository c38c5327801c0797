"""The formats that photos are read from.

Each module of this package registers its format with the first bytes by which it knows a file of its own, and how it
decodes one; nothing else knows the list.
"""

from __future__ import annotations

import pkgutil
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.formats.refusals import SAVE_AS

Pixels = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, eq=False)
class Decoded:
    """Code values as stored, and what the file says about them.

    Attributes
    ----------
    pixels : ndarray of uint8 or uint16, shape (H, W) or (H, W, 3)
        One channel or RGB.
    orientation : int
        As in EXIF and TIFF, 1 to 8.
    encoding : {"srgb", "linear"}
    significant_bits : int or None
        How many bits the file says are filled.
    um_per_px : (float, float) or None
        Scale that the file states, along stored columns and rows.
    scale_source : str
        Where in the file it stands.
    notes : tuple of str
        What was assumed.
    """

    pixels: Pixels
    orientation: int = 1
    encoding: Literal["srgb", "linear"] = "srgb"
    significant_bits: int | None = None
    um_per_px: tuple[float, float] | None = None
    scale_source: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Format:
    """One kind of file.

    Attributes
    ----------
    signature : re.Pattern
        Its first bytes.
    decode : callable
        From the path, for messages, and the file's bytes to a `Decoded`; raises `PhotoRefused`.
    """

    signature: re.Pattern[bytes]
    decode: Callable[[Path, bytes], Decoded]

    def understands(self, content: bytes) -> int:
        """Say how well this format knows a file for its own.

        Parameters
        ----------
        content : bytes

        Returns
        -------
        int
            So many of its first bytes are this format's; 0 if it is another's.
        """
        own = self.signature.match(content)
        return own.end() if own else 0


_FORMATS: list[Format] = []


def register(signature: bytes, decode: Callable[[Path, bytes], Decoded]) -> None:
    """Add a format.

    Parameters
    ----------
    signature : bytes
        Regular expression for the first bytes of its files.
    decode : callable
        As of `Format`.
    """
    _FORMATS.append(Format(re.compile(signature, re.DOTALL), decode))


@cache
def formats() -> tuple[Format, ...]:
    """All formats, those of every module of this package.

    Returns
    -------
    tuple of Format
    """
    package = __name__.rpartition(".")[0]
    for module in pkgutil.iter_modules(import_module(package).__path__, f"{package}."):
        import_module(module.name)
    return tuple(_FORMATS)


def decode(path: Path, content: bytes) -> Decoded:
    """Decode a file by the format that knows most of its first bytes.

    Parameters
    ----------
    path : Path
        For messages; neither read nor asked for its ending.
    content : bytes

    Returns
    -------
    Decoded

    Raises
    ------
    PhotoRefused
        If it is in no known format, or cannot be read whole.
    """
    best = max(formats(), key=lambda one: one.understands(content))
    if best.understands(content):
        return best.decode(path, content)
    text = not re.search(rb"[\x00-\x08\x0e-\x1a\x7f]", content[:1024])
    like = " (it looks like text)" if text else ""
    raise PhotoRefused(f"{path}: is no picture in a known format{like}", SAVE_AS, "format-unknown")
