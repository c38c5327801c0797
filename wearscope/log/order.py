"""The order in which records are listed, whatever the order they were measured in."""

from __future__ import annotations

import re
from collections.abc import Iterable

from wearscope.log.csv_lines import Listed
from wearscope.log.records import Record
from wearscope.quantities.quantity import listed_at


def natural_key(text: str) -> tuple[object, ...]:
    """Sort key by which "bit 2" comes before "bit 10".

    Parameters
    ----------
    text : str

    Returns
    -------
    tuple
        To compare with other keys only.

    Examples
    --------
    >>> sorted(["Bit 10", "bit 2", "Bit 1"], key=natural_key)
    ['Bit 1', 'bit 2', 'Bit 10']
    """
    pieces = re.findall(r"[0-9]+|[^0-9]+", text)
    return (*((0, int(p)) if p[0] in "0123456789" else (1, p.casefold()) for p in pieces), (-1, text))


def in_order(records: Iterable[Record]) -> list[Record]:
    """Sort records by bit, flute, parts and view, then by quantity and zone as documented.

    Parameters
    ----------
    records : iterable of Record
        `Listed` ones are in that order already.

    Returns
    -------
    list of Record
    """
    if isinstance(records, Listed):
        return list(records)
    listed = list(records)
    bits = {bit: natural_key(bit) for bit in {record.bit for record in listed}}
    numbers = {number: listed_at(*number) for number in {(row.quantity, row.zone) for row in listed}}
    return sorted(
        listed,
        key=lambda record: (
            bits[record.bit],
            record.flute,
            record.parts,
            record.view,
            numbers[record.quantity, record.zone],
        ),
    )
