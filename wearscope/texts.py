"""Texts that others wrote: whether they are any, and how they are shown without being obeyed."""

from __future__ import annotations

import re

# Control characters but for the line feed (ISO/IEC 6429), what turns the direction of writing (Unicode Standard
# Annex 9), line and paragraph separators, and bytes of a name that is no UTF-8 (PEP 383).
_UNSAFE = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def visible(text: str) -> str:
    r"""Text whose control characters are written out, so that a terminal shows them and does nothing else.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> print(visible("Wren\x1b]52;c;cm0=\x07"))
    Wren\x1b]52;c;cm0=\x07
    """
    return _UNSAFE.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)


def is_utf8(name: str) -> bool:
    """Whether a name as the system gives it is text.

    Parameters
    ----------
    name : str

    Returns
    -------
    bool
    """
    return not any("\ud800" <= sign <= "\udfff" for sign in name)
