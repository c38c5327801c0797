"""Names in any script: the fonts on this machine that have their signs, and words where none has.

All our own text is set in one family, which comes with matplotlib and has Latin, Greek, Cyrillic and more. For signs
that it lacks, fonts found on the machine are asked. Where none has a sign, a substitute that can be read stands for
it: a blank beside "change it now" must not be.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from pathlib import Path

import matplotlib
from matplotlib import font_manager
from matplotlib.ft2font import FT2Font

FAMILY = "DejaVu Sans"
"""The family of all our own text."""

_OWN = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
REGULAR, BOLD = _OWN / "DejaVuSans.ttf", _OWN / "DejaVuSans-Bold.ttf"
_NO_HELP = re.compile(
    r"last resort|^stix|^cm[a-z]+\d+$|^dejavu", re.IGNORECASE
)  # boxes, mathematics, our own
_BY_NAME = re.compile(
    r"(?:LETTER|SYLLABLE|VOWEL SIGN)(?: SMALL)? (.+)$"
)  # as the Unicode names of letters end
_KEPT = "\n"
_VARIATIONS = frozenset(map(chr, range(0xFE00, 0xFE10)))  # they choose between drawings of one sign
_BOLD_FROM = 600  # of 700, as the weights of fonts are counted


def families_for(text: str) -> tuple[str, ...]:
    """Families that have the signs of a text, as `readable` gives it; ours first.

    Parameters
    ----------
    text : str

    Returns
    -------
    tuple of str
    """
    return (FAMILY, *(family for family, _ in fonts_beside(text)))


def fonts_beside(text: str) -> tuple[tuple[str, Path], ...]:
    """Fonts of this machine that a text needs beside ours.

    Parameters
    ----------
    text : str

    Returns
    -------
    tuple of (str, Path)
        Family and file of each, once.
    """
    if text.isascii():
        return ()
    found = (_font_with(sign) for sign in text if ord(sign) not in _own_signs())
    return tuple(dict.fromkeys(font for font in found if font is not None))


def readable(text: str) -> str:
    """Text of which every sign can be drawn on this machine.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        Signs that no font has are spelt out: letters and syllables by their Unicode names, other signs by their
        names in brackets, ideographs by their numbers.

    Examples
    --------
    >>> readable("Wren 3 µm")
    'Wren 3 µm'
    """
    if text.isascii() and text.isprintable():
        return text
    said = "".join(_readable(sign) for sign in unicodedata.normalize("NFC", text))
    return said.replace("][", "-")


def _readable(sign: str) -> str:
    if sign in _VARIATIONS:
        return ""
    if ord(sign) in _own_signs() or sign in _KEPT:
        return sign
    kind = unicodedata.category(sign)
    if kind in ("Cc", "Zl", "Zp"):
        return " "
    if _font_with(sign) is not None:
        return sign
    if kind in ("Cf", "Mn", "Me"):  # joiners, accents by themselves
        return ""
    name = unicodedata.name(sign, "")
    if name.endswith(("PROLONGED SOUND MARK", "SOUND MARK")):
        return "-"
    if spelt := _BY_NAME.search(name):
        return spelt[1].casefold()
    if not name or "IDEOGRAPH" in name:
        return f"[{ord(sign):X}]"
    return f"[{name.casefold()}]"


@cache
def have_bold(families: tuple[str, ...]) -> bool:
    """Whether all of some families have bold letters.

    Parameters
    ----------
    families : tuple of str

    Returns
    -------
    bool
    """
    bold = {font.name for font in font_manager.fontManager.ttflist if _weight(font.weight) >= _BOLD_FROM}
    return bold.issuperset(families)


@cache
def _own_signs() -> frozenset[int]:
    return frozenset(FT2Font(str(REGULAR)).get_charmap())


@cache
def _others() -> tuple[tuple[str, Path], ...]:
    """Family and file of all fonts that may help: upright, the most ordinary weights first."""
    fonts = [
        font
        for font in font_manager.fontManager.ttflist
        if font.style == "normal" and not _NO_HELP.search(font.name)
    ]
    fonts.sort(
        key=lambda font: ("sans" not in font.name.casefold(), abs(_weight(font.weight) - 400), font.name)
    )
    first: dict[str, Path] = {}
    for font in fonts:
        first.setdefault(font.name, Path(font.fname))
    return tuple(first.items())


def _weight(weight: int | str) -> int:
    return weight if isinstance(weight, int) else int(font_manager.weight_dict.get(weight, 400))


@cache
def _signs_of(path: Path) -> frozenset[int]:
    try:
        return frozenset(FT2Font(str(path)).get_charmap())
    except (OSError, RuntimeError, ValueError):
        return frozenset()


@cache
def _font_with(sign: str) -> tuple[str, Path] | None:
    """A font that can draw a sign; pictures of signs (colour emoji) cannot be drawn as text."""
    for family, path in _others():
        if ord(sign) in _signs_of(path) and _drawn(path, sign):
            return family, path
    return None


def _drawn(path: Path, sign: str) -> bool:
    try:
        font = FT2Font(str(path))
        font.set_size(12.0, 72.0)
        font.load_char(ord(sign))
        return bool(len(font.get_path()[0])) or sign.isspace()
    except (OSError, RuntimeError, ValueError):
        return False
