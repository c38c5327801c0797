"""Where a wear log is kept: in a file beside the trial, or in a database that several rooms write to."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol, cast

from sqlalchemy import Connection, Engine, Table, create_engine, event, insert
from sqlalchemy.engine import URL
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import ConnectionPoolEntry, NullPool, StaticPool

from wearscope.errors import LogError
from wearscope.files import instead_of_a_file
from wearscope.log import known_again
from wearscope.log.apart import copy_pages
from wearscope.log.migrations import bring_up

BUSY_TIMEOUT_S = 120.0
"""How long one program waits for another that uses the same log; chosen. Where there is no room for a copy, a million
rows are looked through in their place while nobody can write, which takes a tenth of that."""

LOG_NAME = "wear-log.sqlite"

LARGE_BYTES = 20_000_000
"""Of a log file, from which on it takes longer to look through it than to make its checksum; some 40,000 rows."""

_ELSEWHERE = "move that file away, or choose another folder with --out"
_IN_USE = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_NO_FILE = "put back what was there, or move it away, or choose another folder with --out"
_RESTORE = "restore it from a copy; if there is none, move it away and measure again"


class LogPlace(Protocol):
    """What a wear log needs to know of the database that keeps it."""

    def engine(self) -> Engine:
        """Engine for the log; nothing is opened or created yet.

        Returns
        -------
        Engine
        """

    def exists(self) -> bool:
        """Whether there can be a log.

        Returns
        -------
        bool
            False only where opening it for reading would make one.
        """

    def is_whole(self, engine: Engine) -> bool:
        """Whether the database itself finds no damage in what it keeps; asked before a transaction.

        Parameters
        ----------
        engine : Engine
            As from `engine`.

        Returns
        -------
        bool
        """

    def look_anew(self) -> None:
        """Have `is_whole` look, whatever was found before."""

    def brought_up(
        self, connection: Connection, version: int, target: int
    ) -> AbstractContextManager[Connection]:
        """The log of an earlier version, brought up to a later one for reading only.

        Parameters
        ----------
        connection : Connection
        version, target : int

        Returns
        -------
        context manager of Connection
        """

    def kept_apart(self, engine: Engine) -> AbstractContextManager[Connection | None]:
        """The log as it is now, to be gone through at leisure where reading long would hold up those who write.

        Parameters
        ----------
        engine : Engine
            As from `engine`.

        Returns
        -------
        context manager of Connection or None
            None where reading holds up nobody, or there is no room: read it where it is.
        """

    def for_reading(self, connection: Connection) -> Connection:
        """Make the next transaction see one state of the log.

        Parameters
        ----------
        connection : Connection

        Returns
        -------
        Connection
        """

    def for_writing(self, connection: Connection) -> Connection:
        """Make the next transaction one that can wait for its turn.

        Parameters
        ----------
        connection : Connection

        Returns
        -------
        Connection
        """

    def take_turn(self, connection: Connection) -> None:
        """Wait until nobody else writes: what is read in the transaction from now on is not changed by others.

        Parameters
        ----------
        connection : Connection
        """

    def add_many(self, connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
        """Add rows that are whole and have their checksums, such as those of another log.

        Parameters
        ----------
        connection : Connection
            As from `for_writing`.
        table : Table
        rows : sequence of mapping
            Values by column, of all columns.
        """

    def explained(self, error: DBAPIError) -> LogError:
        """The database's own words as a line that says what to do.

        Parameters
        ----------
        error : DBAPIError

        Returns
        -------
        LogError
        """

    def seen_from_here(self, file: Path) -> str:
        """What tells a trial file from others of the same name, as the log keeps it.

        Parameters
        ----------
        file : Path

        Returns
        -------
        str
        """

    def still_there(self, seen: str) -> Path | None:
        """The file that was kept so, if it may still be another trial than the one at hand.

        Parameters
        ----------
        seen : str
            As from `seen_from_here`.

        Returns
        -------
        Path or None
        """

    @property
    def folder(self) -> Path:
        """Folder whose results the log belongs to, as ``--out`` names it."""

    @property
    def restore(self) -> str:
        """What to do where the log is damaged."""

    @property
    def elsewhere(self) -> str:
        """What to do where something else than a log is kept there."""


@dataclass(frozen=True)
class LogFile:
    """A log in one SQLite file.

    The journal stays SQLite's default: write-ahead logging does not work on network shares, where shops
    keep such files, and rows come photo by photo, seconds apart.

    Attributes
    ----------
    path : Path
    """

    path: Path
    _found_whole: list[tuple[int, int]] = field(default_factory=list, compare=False, repr=False)
    """Time of change and size, in nanoseconds and bytes, of the file as it was last found whole."""

    def __str__(self) -> str:
        return str(self.path)

    def engine(self) -> Engine:
        """As in `LogPlace`."""
        url = URL.create("sqlite", database=str(self.path))
        engine = create_engine(url, poolclass=NullPool, connect_args={"timeout": BUSY_TIMEOUT_S})
        event.listen(engine, "connect", _leave_transactions_to_us)
        event.listen(engine, "begin", _begin)
        return engine

    def exists(self) -> bool:
        """As in `LogPlace`; what is no file is refused, for SQLite's own words for it would mislead."""
        if found := instead_of_a_file(self.path):
            # nor is a new log made where a link leads: on a share that is not there today, say
            raise LogError(f"{self} is {found}", _NO_FILE)
        try:
            return self.path.exists()
        except PermissionError as error:
            cure = "make its folder readable, or choose another with --out"
            raise LogError(f"{self} cannot be read ({error.strerror})", cure) from error

    def is_whole(self, engine: Engine) -> bool:
        """As in `LogPlace`.

        SQLite compares every table with its indexes, which hold all that rows are looked up by: so no row drops
        out of an answer unnoticed. What else stands in a row is covered by its checksum. That takes a second for
        200,000 rows, and is done on a copy, so that nobody who writes waits for it. Whoever opens it several times
        by this one place has it done once, until the file changes. A large file is known again by its SHA-256 once it
        was found whole, which takes a tenth of the time.
        """
        before = self._version()  # what another program writes meanwhile is looked at the next time
        if before in self._found_whole:
            return True
        digest = known_again.digest_of(self.path) if before[1] >= LARGE_BYTES else None
        kept = known_again.path_for(self.path)
        whole = digest is not None and known_again.was_found_whole(kept, digest)
        if not whole:
            whole = self._looked_through(engine)
            # just the content that was copied: no program has changed it since the first of the two was made
            if whole and digest is not None and known_again.digest_of(self.path) == digest:
                known_again.note(kept, digest)
        self._found_whole[:] = [before] if whole else []
        return whole

    def _looked_through(self, engine: Engine) -> bool:
        """Whether SQLite finds no damage in a copy; where it makes none, or cannot read it, in the log itself."""
        with self.kept_apart(engine) as copy:
            if copy is not None:
                try:
                    return _finds_nothing(copy)
                except (DBAPIError, UnicodeDecodeError):  # of the room that the copy has, or of the log
                    pass
        with engine.connect() as connection, connection.begin():
            return _finds_nothing(connection)

    def look_anew(self) -> None:
        """As in `LogPlace`."""
        self._found_whole.clear()
        known_again.path_for(self.path).unlink(missing_ok=True)

    def _version(self) -> tuple[int, int]:
        seen = self.path.stat()
        return seen.st_mtime_ns, seen.st_size

    @contextmanager
    def brought_up(self, connection: Connection, version: int, target: int) -> Iterator[Connection]:
        """As in `LogPlace`: a copy in memory."""
        memory = create_engine("sqlite://", poolclass=StaticPool)
        try:
            with memory.connect() as copy:
                original, made = connection.connection.driver_connection, copy.connection.driver_connection
                assert isinstance(original, sqlite3.Connection)
                assert isinstance(made, sqlite3.Connection)
                original.backup(made)
                bring_up(copy, version, target)
                yield copy
        finally:
            memory.dispose()

    @contextmanager
    def kept_apart(self, engine: Engine) -> Iterator[Connection | None]:
        """As in `LogPlace`: a copy in a file of SQLite's own, which is gone when it is closed.

        What is added to the log goes into the file once nobody reads there. To look at the rows of 10,000 photos
        takes seconds; to copy them, as pages, a tenth of one, and nobody waits for all of it.
        """
        private = create_engine("sqlite://", creator=lambda: sqlite3.connect(""), poolclass=NullPool)
        with private.connect() as copy:
            with engine.connect() as connection:
                original, made = connection.connection.driver_connection, copy.connection.driver_connection
                assert isinstance(original, sqlite3.Connection)
                assert isinstance(made, sqlite3.Connection)
                try:
                    copy_pages(original, made)
                except sqlite3.Error as error:
                    if _code_of(error) in _IN_USE:
                        wrapped = DBAPIError.instance(None, None, error, sqlite3.Error)
                        raise cast(DBAPIError, wrapped) from error
                    # no room for a copy: whatever is wrong with the log shows where it is read
                    copy = None  # type: ignore[assignment]
            yield copy

    def for_reading(self, connection: Connection) -> Connection:
        """As in `LogPlace`."""
        return connection

    def for_writing(self, connection: Connection) -> Connection:
        """As in `LogPlace`."""
        return connection.execution_options(writes=True)

    def take_turn(self, connection: Connection) -> None:
        """As in `LogPlace`: ``BEGIN IMMEDIATE`` has done it."""

    def add_many(self, connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
        """As in `LogPlace`."""
        connection.execute(insert(table), list(map(dict, rows)))

    def explained(self, error: DBAPIError) -> LogError:
        """As in `LogPlace`."""
        match _code_of(error.orig):
            case sqlite3.SQLITE_NOTADB:
                return LogError(f"{self} is not a wear log, or is damaged", _ELSEWHERE)
            case sqlite3.SQLITE_CORRUPT:
                return LogError(f"{self} is damaged", _RESTORE)
            case in_use if in_use in _IN_USE:
                return LogError(f"{self} is being written by another program", "close that one and run again")
            case sqlite3.SQLITE_CANTOPEN if self.path.exists() and not os.access(self.path, os.R_OK):
                return LogError(f"{self} cannot be read", "make it readable for whoever runs wearscope")
            case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
                return LogError(
                    f"{self} cannot be written",
                    "make it and its folder writable, or choose another with --out",
                )
            case sqlite3.SQLITE_FULL | sqlite3.SQLITE_IOERR:
                return LogError(
                    f"{self} cannot be saved ({error.orig})", "make room on the disk and run again"
                )
        if str(error.orig).startswith("Could not decode"):
            return LogError(f"{self} is damaged", _RESTORE)
        return LogError(f"{self} cannot be used ({error.orig})", _RESTORE)

    def seen_from_here(self, file: Path) -> str:
        """As in `LogPlace`: by the way from the log, so that a folder moved as a whole stays what it is."""
        folder, file = self.path.parent.resolve(), file.resolve()
        try:
            return Path(os.path.relpath(file, folder)).as_posix()
        except ValueError:  # on another drive
            return file.as_posix()

    def still_there(self, seen: str) -> Path | None:
        """As in `LogPlace`."""
        before = self.path.parent / seen
        return before if before.exists() else None

    @property
    def folder(self) -> Path:
        """As in `LogPlace`."""
        return self.path.parent

    @property
    def restore(self) -> str:
        """As in `LogPlace`."""
        return _RESTORE

    @property
    def elsewhere(self) -> str:
        """As in `LogPlace`."""
        return _ELSEWHERE


def _code_of(error: BaseException | None) -> int:
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF  # the low byte is the primary result code


def _finds_nothing(connection: Connection) -> bool:
    return list(connection.exec_driver_sql("PRAGMA integrity_check(1)").scalars()) == ["ok"]


def _leave_transactions_to_us(connection: DBAPIConnection, _entry: ConnectionPoolEntry) -> None:
    # Left alone, the sqlite3 module begins a transaction only at the first INSERT: too late, for what
    # was read before it could have changed.
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys = ON")


def _begin(connection: Connection) -> None:
    # A writer takes its lock at once: two that had both begun by reading could neither go on.
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
