"""Checksums of the wear log's rows, and reading and writing rows with them."""

from __future__ import annotations

import json
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from hashlib import sha256
from operator import itemgetter
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Double,
    Result,
    Select,
    Table,
    bindparam,
    insert,
    select,
    update,
)

Row = Mapping[str, Any]

NOT_SUMMED = frozenset({"id", "checksum"})
"""Columns that no checksum covers: a row has its id from the database, which keeps it in its indexes too."""


AT_A_TIME = 2000
"""Rows in memory at a time where all are gone through; a few megabytes."""


class DamagedRowError(Exception):
    """A row of the wear log is not as it was written; `database` says so of the file."""


def checksum_of(table: str, row: Row) -> str:
    """SHA-256 over what a row holds, as hexadecimal digits.

    Parameters
    ----------
    table : str
        Name of its table.
    row : mapping
        Values by column, with or without `NOT_SUMMED`.

    Returns
    -------
    str

    Notes
    -----
    The sum is over two lines of JSON in plain ASCII: the name of the table with those of the columns, sorted, and the
    values in that order. Floats are written in full, so that each of their bits counts.
    """
    names = sorted(row.keys() - NOT_SUMMED)
    return _sum(_first_line(table, names), [row[name] for name in names])


# In a damaged row may stand what JSON does not know; it too must have a sum, which is then a wrong one.
_encode = json.JSONEncoder(default=repr).encode


def _first_line(table: str, names: Sequence[str]) -> bytes:
    return f"{_encode([table, *names])}\n".encode("ascii")


def _sum(first_line: bytes, values: Sequence[Any]) -> str:
    return sha256(first_line + _encode(values).encode("ascii")).hexdigest()


def rows_of(
    connection: Connection, table: Table, *where: ColumnElement[bool], newest: bool = False
) -> list[dict[str, Any]]:
    """Rows of a table, each as it was written; oldest first.

    Parameters
    ----------
    connection : Connection
    table : Table
    *where : ColumnElement
        Conditions that all must hold.
    newest : bool
        Whether only the last one is wanted.

    Returns
    -------
    list of dict
        Values by column.

    Raises
    ------
    DamagedRowError
        A row does not agree with its checksum.
    """
    query = select(table).where(*where)
    query = query.order_by(table.c.id.desc()).limit(1) if newest else query.order_by(table.c.id)
    return list(_as_written(connection, table, query))


def each_row(
    connection: Connection, table: Table, *where: ColumnElement[bool]
) -> Generator[dict[str, Any], None, None]:
    """As `rows_of`, few rows in memory at a time.

    Parameters
    ----------
    connection : Connection
    table : Table
    *where : ColumnElement

    Yields
    ------
    dict

    Raises
    ------
    DamagedRowError
        A row does not agree with its checksum.
    """
    query = select(table).where(*where).order_by(table.c.id).execution_options(yield_per=AT_A_TIME)
    yield from _as_written(connection, table, query)


def _as_written(connection: Connection, table: Table, query: Select[Any]) -> Iterator[dict[str, Any]]:
    with connection.execute(query) as result:
        for row, whole in _looked_at(result, table):
            if not whole:
                raise DamagedRowError(damage_of(table, row))
            yield row


def every_row(connection: Connection, table: Table) -> Generator[tuple[dict[str, Any], bool], None, None]:
    """All rows of a table, oldest first, and whether each is as it was written; few are in memory at a time.

    Parameters
    ----------
    connection : Connection
    table : Table

    Yields
    ------
    row : dict
    whole : bool
    """
    query = select(table).order_by(table.c.id).execution_options(yield_per=AT_A_TIME)
    with connection.execute(query) as result:
        yield from _looked_at(result, table)


def checksums_in(connection: Connection, table: Table, *where: ColumnElement[bool]) -> list[str]:
    """Checksums that rows of a table were written with, oldest first; whether they hold is not looked at.

    Parameters
    ----------
    connection : Connection
    table : Table
    *where : ColumnElement
        Conditions that all must hold.

    Returns
    -------
    list of str
    """
    return list(connection.execute(select(table.c.checksum).where(*where).order_by(table.c.id)).scalars())


def damage_of(table: Table, row: Row) -> str:
    """What is wrong with a row that does not agree with its checksum.

    Parameters
    ----------
    table : Table
    row : mapping

    Returns
    -------
    str
    """
    return f"row {row['id']} of {table.name} is not as it was written"


def _looked_at(result: Result[Any], table: Table) -> Iterator[tuple[dict[str, Any], bool]]:
    columns = list(result.keys())
    names = sorted(set(columns) - NOT_SUMMED)
    first_line, summed = _first_line(table.name, names), itemgetter(*map(columns.index, names))
    for some in result.partitions(AT_A_TIME):
        for values in some:
            row = dict(zip(columns, values, strict=True))
            yield row, _sum(first_line, summed(values)) == row["checksum"]


def add_rows(connection: Connection, table: Table, rows: Iterable[Row]) -> list[int]:
    """Add rows with their checksums.

    Parameters
    ----------
    connection : Connection
    table : Table
    rows : iterable of mapping
        Values by column, in Python's own types; what is left out is NULL.

    Returns
    -------
    list of int
        Their ids, in their order.
    """
    sealed = _sealed(table, rows)
    if not sealed:
        return []
    made = insert(table).returning(table.c.id, sort_by_parameter_order=True)
    return list(connection.execute(made, sealed).scalars())


def put_rows(connection: Connection, table: Table, rows: Iterable[Row]) -> None:
    """As `add_rows`, where nobody asks for the ids: SQLite gives them row by row, in several times the time.

    Parameters
    ----------
    connection : Connection
    table : Table
    rows : iterable of mapping
        As of `add_rows`.
    """
    if sealed := _sealed(table, rows):
        connection.execute(insert(table), sealed)


def _sealed(table: Table, rows: Iterable[Row]) -> list[dict[str, Any]]:
    """Rows as the database gives them back (of a whole number a float where the column is one, of −0 a 0), summed."""
    empty = {column.name: None for column in table.columns if column.name != "id"}
    floats = [column.name for column in table.columns if isinstance(column.type, Double)]
    sealed = []
    for row in rows:
        full: dict[str, Any] = {**empty, **row}
        for name in floats:
            if full[name] is not None:
                full[name] = float(full[name]) + 0.0
        full["checksum"] = checksum_of(table.name, full)
        sealed.append(full)
    return sealed


def change_rows(
    connection: Connection, table: Table, rows: Sequence[Row], changes: Row
) -> list[dict[str, Any]]:
    """Change columns of rows, and their checksums with them.

    Parameters
    ----------
    connection : Connection
    table : Table
    rows : sequence of mapping
        As `rows_of` gave them.
    changes : mapping
        New values by column, the same for all.

    Returns
    -------
    list of dict
        The rows as they are now.
    """
    changed = [dict(row) | dict(changes) for row in rows]
    for row in changed:
        row["checksum"] = checksum_of(table.name, row)
    if changed:
        columns = (*changes, "checksum")
        statement = update(table).where(table.c.id == bindparam("row_id"))
        statement = statement.values({name: bindparam(f"new_{name}") for name in columns})
        values = [{"row_id": row["id"]} | {f"new_{name}": row[name] for name in columns} for row in changed]
        connection.execute(statement, values)
    return changed
