"""Looking through a whole wear log for damage, and copying one from one database to another."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from itertools import islice, zip_longest
from typing import Any

from sqlalchemy import Connection, ForeignKey, Table, bindparam, func, select, text, update
from sqlalchemy.orm import aliased

from wearscope.errors import LogError
from wearscope.log import database, schema
from wearscope.log.checksums import AT_A_TIME, damage_of, every_row
from wearscope.log.place import LogPlace

TABLES = tuple(table for table in schema.metadata.sorted_tables if table is not schema.wear_log)


@dataclass(frozen=True)
class Examined:
    """What was found in a log.

    Attributes
    ----------
    n_rows : dict
        Number of rows in each table.
    faults : tuple of str
        Rows that are not as they were written, or rest on rows that are not there.
    """

    n_rows: dict[str, int]
    faults: tuple[str, ...]


def examine(place: LogPlace) -> Examined:
    """Go through every row of a log.

    Parameters
    ----------
    place : LogPlace

    Returns
    -------
    Examined

    Raises
    ------
    LogError
        There is no log, it cannot be read, or the database itself finds damage.
    """
    engine = place.engine()
    place.look_anew()
    with database.reading(engine, place, long=True) as connection:
        if connection is None:
            raise _no_log(place)
        n_rows, faults = {}, []
        for table in TABLES:
            n_rows[table.name] = 0
            for row, whole in every_row(connection, table):
                n_rows[table.name] += 1
                faults += [] if whole else [damage_of(table, row)]
            faults += [fault for key in _references(table) for fault in _without(connection, table, key)]
    engine.dispose()
    return Examined(n_rows, tuple(faults))


def copy_log(source: LogPlace, target: LogPlace) -> dict[str, int]:
    """Copy a log, its history included, to where there is none; whole or not at all.

    Parameters
    ----------
    source, target : LogPlace

    Returns
    -------
    dict
        Number of rows in each table; each was read back and is as in the source.

    Raises
    ------
    LogError
        There is no log at `source`, or one at `target`, or either cannot be used, or a row is damaged.
    """
    from_engine, to_engine = source.engine(), target.engine()
    with database.reading(from_engine, source, long=True) as old:
        if old is None:
            raise _no_log(source)
        with database.writing_empty(to_engine, target) as new:
            n_rows = {table.name: _copy_rows(old, new, table, source, target) for table in TABLES}
            for table in TABLES:
                _count_on(new, table)
                _require_the_same(old, new, table, target)
    for engine in (from_engine, to_engine):
        engine.dispose()
    return n_rows


def _no_log(place: LogPlace) -> LogError:
    return LogError(f"{place} holds no wear log", "name a trial file, a wear log or an address that has one")


def _references(table: Table) -> list[ForeignKey]:
    return sorted(table.foreign_keys, key=lambda key: key.parent.name)


def _without(connection: Connection, table: Table, key: ForeignKey) -> Iterator[str]:
    """Rows that rest on a row which is not there."""
    other = aliased(key.column.table)
    found = select(table.c.id, key.parent).outerjoin(other, key.parent == other.c.id)
    for row_id, missing in connection.execute(found.where(key.parent.is_not(None), other.c.id.is_(None))):
        yield f"row {row_id} of {table.name} rests on row {missing} of {key.column.table.name}, which is gone"


def _copy_rows(old: Connection, new: Connection, table: Table, source: LogPlace, target: LogPlace) -> int:
    own = [key.parent.name for key in _references(table) if key.column.table is table]
    copied = 0
    for some in _some(_sound(old, table, source)):
        # a row may refer to a later one of its table: to itself, until that is there, for an index lets only one row
        # of a place refer to none
        aside = [{name: row["id"] for name in own if row[name] is not None} for row in some]
        target.add_many(new, table, [row | other for row, other in zip(some, aside, strict=True)])
        copied += len(some)
    for name in own:
        fill = update(table).where(table.c.id == bindparam("row")).values({name: bindparam("other")})
        refers = (
            {"row": r["id"], "other": r[name]} for r in _sound(old, table, source) if r[name] is not None
        )
        for links in _some(refers):
            new.execute(fill, links)
    return copied


def _some(rows: Iterator[dict[str, Any]]) -> Iterator[list[dict[str, Any]]]:
    while some := list(islice(rows, AT_A_TIME)):
        yield some


def _sound(connection: Connection, table: Table, place: LogPlace) -> Iterator[dict[str, Any]]:
    for row, whole in every_row(connection, table):
        if not whole:
            raise LogError(f"{place} is damaged ({damage_of(table, row)})", place.restore)
        yield row


def _count_on(connection: Connection, table: Table) -> None:
    """Have the next row numbered after the last one: SQLite does so by itself."""
    last = connection.scalar(select(func.max(table.c.id)))
    if connection.dialect.name == "postgresql" and last is not None:
        sequence = f"pg_get_serial_sequence('{table.name}', 'id')"
        connection.execute(text(f"SELECT setval({sequence}, :last)"), {"last": last})


def _require_the_same(old: Connection, new: Connection, table: Table, target: LogPlace) -> None:
    with closing(every_row(old, table)) as before, closing(every_row(new, table)) as after:
        for (one, _), (other, _) in zip_longest(before, after, fillvalue=({}, False)):
            if one != other:
                row = f"row {(one or other)['id']} of {table.name}"
                raise LogError(f"{target} does not give back {row} as it was", "nothing was kept; try again")
