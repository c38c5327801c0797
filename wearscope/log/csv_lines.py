"""Records as lines of CSV, each written once: the same line stands in several tables."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import fields
from operator import attrgetter

from wearscope.log.cells import Cell, quoted
from wearscope.log.records import Record

COLUMNS = tuple(field.name for field in fields(Record))
"""Columns of ``measurements.csv``, in order."""

_cells = attrgetter(*COLUMNS)


class _Lines(list[str]):
    """Where a CSV writer leaves its lines, one by one."""

    write = list.append


def csv_lines(rows: Sequence[Sequence[Cell]]) -> list[str]:
    """Rows of a CSV file, each with its line feed: numbers in full, an empty cell for what there is not.

    Parameters
    ----------
    rows : sequence of sequence
        A cell for each column.

    Returns
    -------
    list of str
        What a spreadsheet would take for a formula is `quoted`.
    """
    lines = _Lines()
    # most texts of a column are the same, and there may be millions of cells: each is looked at once
    texts = (cell for column in zip(*rows, strict=True) for cell in set(column) if type(cell) is str)
    changed: dict[Cell, Cell] = {cell: told for cell in texts if (told := quoted(cell)) is not cell}
    csv.writer(lines, lineterminator="\n").writerows(
        rows if not changed else ([changed.get(cell, cell) for cell in row] for row in rows)
    )
    return lines


def head_line(columns: Sequence[str]) -> str:
    """First line of a CSV file.

    Parameters
    ----------
    columns : sequence of str

    Returns
    -------
    str
    """
    lines = _Lines()
    csv.writer(lines, lineterminator="\n").writerow(columns)
    return lines[0]


def record_lines(records: Iterable[Record]) -> list[str]:
    """Records as lines of ``measurements.csv``.

    Parameters
    ----------
    records : iterable of Record

    Returns
    -------
    list of str
    """
    return csv_lines(list(map(_cells, records)))


class KnownLines:
    """Lines of records that were written before; those of all others are written when they are asked for.

    Parameters
    ----------
    records : sequence of Record
    lines : sequence of str
        Of these very records.
    """

    def __init__(self, records: Sequence[Record] = (), lines: Sequence[str] = ()) -> None:
        self._records = records  # while they live, no other record has the identity of one
        self._of = dict(zip(map(id, records), lines, strict=True))

    def __reduce__(self) -> tuple[type[KnownLines], tuple[()]]:
        return KnownLines, ()  # of a copy, here or in another process, records have other identities

    def of(self, records: Sequence[Record]) -> list[str]:
        """Lines of records, in their order.

        Parameters
        ----------
        records : sequence of Record

        Returns
        -------
        list of str
        """
        known = self._of
        found = [known.get(id(record)) for record in records]
        missing = [at for at, line in enumerate(found) if line is None]
        fresh = dict(zip(missing, record_lines(records[at] for at in missing), strict=True))
        return [fresh[at] if line is None else line for at, line in enumerate(found)]


class Listed(tuple[Record, ...]):
    """Records in natural order, as `in_order` lists them, of most of which the lines of CSV are known.

    Attributes
    ----------
    lines : KnownLines
    """

    lines: KnownLines

    @classmethod
    def with_lines(cls, records: Iterable[Record], lines: KnownLines) -> Listed:
        """Records, and what is known of their lines.

        Parameters
        ----------
        records : iterable of Record
        lines : KnownLines

        Returns
        -------
        Listed
        """
        listed = cls(records)
        listed.lines = lines
        return listed


def lines_of(records: Iterable[Record], listed: Sequence[Record]) -> list[str]:
    """Lines of records, as far as they are known of the records they come from.

    Parameters
    ----------
    records : iterable of Record
        In the order that is wanted.
    listed : sequence of Record
        The same records, `Listed` if lines of them are known.

    Returns
    -------
    list of str
    """
    known = listed.lines if isinstance(listed, Listed) else KnownLines()
    return known.of(list(records))
