"""Opening the wear log's database, and saying plainly why when that fails."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, Engine, create_engine, event, inspect, select, text
from sqlalchemy.engine import URL
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import ConnectionPoolEntry, NullPool, StaticPool

from wearscope.errors import LogError
from wearscope.log import schema
from wearscope.log.checksums import DamagedRowError
from wearscope.log.migrations import bring_up

_ALEMBIC_TABLE = "alembic_version"
_LAST_WITHOUT_ALEMBIC = 2

BUSY_TIMEOUT_S = 30.0
"""How long one program waits for another that is writing the same log."""

_ELSEWHERE = "move that file away, or choose another folder with --out"
_RESTORE = "restore it from a copy; if there is none, move it away and measure again"


def open_engine(path: Path) -> Engine:
    """Engine for the log at `path`; nothing is opened or created yet.

    The journal stays SQLite's default: write-ahead logging does not work on network shares, where shops
    keep such files, and rows come photo by photo, seconds apart.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Engine
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
def reading(engine: Engine, path: Path, *, check: bool = True) -> Iterator[Connection | None]:
    """Transaction that sees one state of the log; None when there is no log yet, and none is made.

    A log of an earlier version stays as it is: what is read is a copy in memory, brought up to the present version.

    Parameters
    ----------
    engine : Engine
    path : Path
    check : bool
        Whether to look at the whole file for damage first.

    Yields
    ------
    Connection or None

    Raises
    ------
    LogError
        The log cannot be read, or is damaged.
    """
    if not path.exists():
        yield None
        return
    with _explained(path), engine.connect() as connection, connection.begin():
        version = log_version(connection, path, check=check)
        if version == 0:
            yield None
        elif version == schema.SCHEMA_VERSION:
            yield connection
        else:
            with _brought_up_copy(connection, version) as copy:
                yield copy


@contextmanager
def _brought_up_copy(connection: Connection, version: int) -> Iterator[Connection]:
    memory = create_engine("sqlite://", poolclass=StaticPool)
    try:
        with memory.connect() as copy:
            original, target = connection.connection.driver_connection, copy.connection.driver_connection
            assert isinstance(original, sqlite3.Connection)
            assert isinstance(target, sqlite3.Connection)
            original.backup(target)
            bring_up(copy, version, schema.SCHEMA_VERSION)
            yield copy
    finally:
        memory.dispose()


@contextmanager
def writing(engine: Engine, path: Path, *, check: bool = True) -> Iterator[Connection]:
    """Transaction that is kept whole or not at all; the log is made, or brought up to date, first.

    Parameters
    ----------
    engine : Engine
    path : Path
    check : bool
        Whether to look at the whole file for damage first.

    Yields
    ------
    Connection

    Raises
    ------
    LogError
        The log cannot be written, or is damaged.
    """
    with _explained(path), engine.connect() as unlocked:
        connection = unlocked.execution_options(writes=True)
        with connection.begin():
            version = log_version(connection, path, check=check)
            if version < schema.SCHEMA_VERSION:
                # In the same transaction: a log is of one version or the other, never between.
                bring_up(connection, version, schema.SCHEMA_VERSION)
            yield connection


def log_version(connection: Connection, path: Path, *, check: bool = True) -> int:
    """Version of the wear log that the database holds; 0 if it is empty.

    Parameters
    ----------
    connection : Connection
    path : Path
    check : bool
        Whether to look at the whole file for damage first.

    Returns
    -------
    int

    Raises
    ------
    LogError
        It holds something else, or the log of a newer version, or is damaged.

    Notes
    -----
    The check has SQLite compare every table with its indexes, which hold all that rows are looked up by: so no row
    drops out of an answer unnoticed. What else stands in a row is covered by its checksum.
    """
    if check and connection.exec_driver_sql("PRAGMA integrity_check(1)").scalars().all() != ["ok"]:
        raise _damaged(path)
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return 0
    if not tables >= schema.FIRST_TABLES:
        raise LogError(f"{path} is a database but not a wear log", _ELSEWHERE)
    versions = connection.execute(select(schema.wear_log.c.schema_version)).scalars().all()
    if len(versions) != 1 or not isinstance(versions[0], int):
        raise _damaged(path)
    version = versions[0]
    if version > schema.SCHEMA_VERSION:
        raise LogError(
            f"{path} was written by a newer wearscope (log version {version}; this one knows "
            f"{schema.SCHEMA_VERSION})",
            "update wearscope, or choose another folder with --out",
        )
    if not _agrees(connection, version, tables):
        raise _damaged(path)
    return version


def _agrees(connection: Connection, version: int, tables: set[str]) -> bool:
    """Whether the tables are those of the version, and Alembic's own note of it says the same."""
    if _ALEMBIC_TABLE not in tables:
        return 0 < version <= _LAST_WITHOUT_ALEMBIC
    noted = connection.execute(text(f"SELECT version_num FROM {_ALEMBIC_TABLE}")).scalars().all()
    return noted == [str(version)] and (
        version < schema.SCHEMA_VERSION or tables >= schema.metadata.tables.keys()
    )


def _damaged(path: Path, how: str = "") -> LogError:
    return LogError(f"{path} is damaged{how}", _RESTORE)


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    """Turn the database's own words into a line that says what to do."""
    try:
        yield
    except DBAPIError as error:
        raise _plainly(path, error) from error
    except UnicodeDecodeError as error:  # of a name in the schema; in rows, SQLite's driver says so itself
        raise _damaged(path) from error
    except DamagedRowError as error:
        raise _damaged(path, f" ({error})") from error


def _plainly(path: Path, error: DBAPIError) -> LogError:
    code = getattr(error.orig, "sqlite_errorcode", 0) & 0xFF  # the low byte is the primary result code
    match code:
        case sqlite3.SQLITE_NOTADB:
            return LogError(f"{path} is not a wear log, or is damaged", _ELSEWHERE)
        case sqlite3.SQLITE_CORRUPT:
            return _damaged(path)
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return LogError(f"{path} is being written by another program", "close that one and run again")
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
            return LogError(
                f"{path} cannot be written", "make it and its folder writable, or choose another with --out"
            )
        case sqlite3.SQLITE_FULL | sqlite3.SQLITE_IOERR:
            return LogError(f"{path} cannot be saved ({error.orig})", "make room on the disk and run again")
    if str(error.orig).startswith("Could not decode"):
        return _damaged(path)
    return LogError(f"{path} cannot be used ({error.orig})", _RESTORE)


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
        self._checked = False

    def __enter__(self) -> Self:
        if self.path.exists():
            with _explained(self.path), self._engine.connect() as connection, connection.begin():
                log_version(connection, self.path)
            self._checked = True
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._engine.dispose()

    @contextmanager
    def _reading(self) -> Iterator[Connection | None]:
        """As `reading`; the file is looked at for damage once, when it is first used."""
        with reading(self._engine, self.path, check=not self._checked) as connection:
            self._checked = self._checked or connection is not None
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        """As `writing`; the file is looked at for damage once, when it is first used."""
        with writing(self._engine, self.path, check=not self._checked) as connection:
            self._checked = True
            yield connection
