"""Opening the wear log's database, and saying plainly why when that fails."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, Engine, create_engine, event, insert, inspect, select, update
from sqlalchemy.engine import URL
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import ConnectionPoolEntry, NullPool

from wearscope.errors import LogError
from wearscope.log import schema

BUSY_TIMEOUT_S = 30.0
"""How long one program waits for another that is writing the same log."""

_ELSEWHERE = "move that file away, or choose another folder with --out"


def open_engine(path: Path) -> Engine:
    """Engine for the log at `path`; nothing is opened or created yet.

    The journal stays SQLite's default: write-ahead logging does not work on network shares, where shops
    keep such files, and rows come photo by photo, seconds apart.
    """
    url = URL.create("sqlite", database=str(path))
    engine = create_engine(url, poolclass=NullPool, connect_args={"timeout": BUSY_TIMEOUT_S})
    event.listen(engine, "connect", _leave_transactions_to_us)
    event.listen(engine, "begin", _begin)
    return engine


def _leave_transactions_to_us(connection: DBAPIConnection, _entry: ConnectionPoolEntry) -> None:
    # Left alone, the sqlite3 module begins a transaction only at the first INSERT: too late, for what
    # was read before it could have changed.
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys = ON")


def _begin(connection: Connection) -> None:
    # A writer takes its lock at once: two that had both begun by reading could neither go on.
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def reading(engine: Engine, path: Path) -> Iterator[Connection | None]:
    """Transaction that sees one state of the log; None when there is no log yet, and none is made.

    Raises
    ------
    LogError
        The log cannot be read.
    """
    if not path.exists():
        yield None
        return
    with _explained(path), engine.connect() as connection, connection.begin():
        yield connection if log_version(connection, path) else None


@contextmanager
def writing(engine: Engine, path: Path) -> Iterator[Connection]:
    """Transaction that is kept whole or not at all; the log is made, or brought up to date, first.

    Raises
    ------
    LogError
        The log cannot be written.
    """
    with _explained(path), engine.connect() as unlocked:
        connection = unlocked.execution_options(writes=True)
        with connection.begin():
            version = log_version(connection, path)
            if version < schema.SCHEMA_VERSION:
                # New tables only, in the same transaction: a log is of one version or the other, never between.
                schema.metadata.create_all(connection)
                row = {"schema_version": schema.SCHEMA_VERSION}
                connection.execute(
                    update(schema.wear_log).values(row) if version else insert(schema.wear_log), row
                )
            yield connection


def log_version(connection: Connection, path: Path) -> int:
    """Version of the wear log that the database holds; 0 if it is empty.

    Raises
    ------
    LogError
        It holds something else, or the log of a newer version.
    """
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return 0
    if not tables >= schema.FIRST_TABLES:
        raise LogError(f"{path} is a database but not a wear log", _ELSEWHERE)
    version = int(connection.execute(select(schema.wear_log.c.schema_version)).scalar_one())
    if version > schema.SCHEMA_VERSION:
        raise LogError(
            f"{path} was written by a newer wearscope (log version {version}; this one knows "
            f"{schema.SCHEMA_VERSION})",
            "update wearscope, or choose another folder with --out",
        )
    return version


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    """Turn the database's own words into a line that says what to do."""
    try:
        yield
    except DBAPIError as error:
        raise _plainly(path, error) from error


def _plainly(path: Path, error: DBAPIError) -> LogError:
    code = getattr(error.orig, "sqlite_errorcode", 0) & 0xFF  # the low byte is the primary result code
    match code:
        case sqlite3.SQLITE_NOTADB | sqlite3.SQLITE_CORRUPT:
            return LogError(f"{path} is not a wear log, or is damaged", _ELSEWHERE)
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return LogError(f"{path} is being written by another program", "close that one and run again")
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
            return LogError(
                f"{path} cannot be written", "make it and its folder writable, or choose another with --out"
            )
        case sqlite3.SQLITE_FULL | sqlite3.SQLITE_IOERR:
            return LogError(f"{path} cannot be saved ({error.orig})", "make room on the disk and run again")
    return LogError(f"{path} cannot be used ({error.orig})", _ELSEWHERE)


class OpenLog:
    """A wear log's database, opened by ``with``; what it does is said by the classes made from it.

    Parameters
    ----------
    path : Path

    Raises
    ------
    LogError
        On entering: the file is not a wear log, is that of a newer wearscope, or cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._engine = open_engine(path)

    def __enter__(self) -> Self:
        with reading(self._engine, self.path):
            return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._engine.dispose()
