"""Cells of CSV files, which no spreadsheet may take for formulas."""

from __future__ import annotations

import re

Cell = str | float | None

_FORMULA = re.compile(r"'*[=+\-@\t\n\uff1d\uff0b\uff0d\uff20]")


def quoted(cell: Cell) -> Cell:
    """Cell of a CSV file that no spreadsheet takes for a formula: a text that begins like one has ' before it.

    Parameters
    ----------
    cell : str, float or None

    Returns
    -------
    str, float or None
        Whatever is no text stays as it is, negative numbers too. Lines end with a line feed.
    """
    if not isinstance(cell, str):
        return cell
    text = cell.replace("\r\n", "\n").replace("\r", "\n") if "\r" in cell else cell  # which would end the row
    return f"'{text}" if _FORMULA.match(text) else text


def unquoted(cell: str) -> str:
    """What `quoted` was given.

    Parameters
    ----------
    cell : str
        As read from a CSV file.

    Returns
    -------
    str
    """
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell
