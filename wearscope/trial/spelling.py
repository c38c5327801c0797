"""Names that look alike and are stored otherwise: accents on their letters, or after them.

macOS hands out names of files with their accents taken apart (NFD), keyboards type them in one piece (NFC): Unicode
Standard Annex 15. To a person both are one name.
"""

from __future__ import annotations

from pathlib import Path
from unicodedata import normalize


def composed(text: str) -> str:
    """Text with every accent on its letter, in one sign where there is one.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> apart = "u" + chr(0x308)
    >>> len(apart), len(composed(apart))
    (2, 1)
    """
    return normalize("NFC", text)


def on_disk(path: Path) -> Path:
    """A path as the disk spells it, where it spells accents otherwise.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Path
        The same where it is there as it stands, or nothing like it is.
    """
    try:
        if path == path.parent or path.exists():
            return path
        parent = on_disk(path.parent)
        if (parent / path.name).exists() or not parent.is_dir():
            return parent / path.name
        alike = [other for other in parent.iterdir() if composed(other.name) == composed(path.name)]
    except (OSError, ValueError):
        return path
    return alike[0] if len(alike) == 1 else parent / path.name
