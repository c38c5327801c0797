"""A wear log in PostgreSQL, which several rooms write to at once."""

from __future__ import annotations

import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from sqlalchemy import Connection, Engine, Table, create_engine, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, OperationalError
from sqlalchemy.pool import NullPool

from wearscope.errors import LogError
from wearscope.log.migrations import bring_up
from wearscope.log.place import BUSY_TIMEOUT_S

DRIVER = "postgresql+psycopg"
_WRITERS = 0x77656172  # "wear" in ASCII: the number of the lock that whoever writes a log takes; chosen
_CONNECT_TIMEOUT_S = 10
_HOW = f"write it as {DRIVER}://USER@HOST/DATABASE"
# PostgreSQL, appendix A: lock_not_available; disk_full, out_of_memory; read_only_sql_transaction,
# insufficient_privilege; untranslatable_character
_LOCKED, _NO_ROOM, _READ_ONLY, _DENIED, _LETTERS = "55P03", ("53100", "53200"), "25006", "42501", "22P05"


@dataclass(frozen=True)
class PostgresLog:
    """A log in a PostgreSQL database.

    Attributes
    ----------
    url : URL
    folder : Path
        As in `LogPlace`.
    """

    url: URL
    folder: Path

    @classmethod
    def at(cls, address: str, folder: Path) -> PostgresLog:
        """The log at an address.

        Parameters
        ----------
        address : str
            ``postgresql+psycopg://USER@HOST/DATABASE``.
        folder : Path

        Returns
        -------
        PostgresLog

        Raises
        ------
        LogError
            The address cannot be read, or what is needed to reach it is not installed.
        """
        try:
            url = make_url(address)
        except (ArgumentError, ValueError) as error:  # such as a port that is no number
            raise LogError("that is not the address of a database", _HOW) from error  # it may hold a password
        if url.drivername != DRIVER or not url.database:
            raise LogError(f"{url.render_as_string()} names no PostgreSQL database", _HOW)
        try:
            import psycopg  # noqa: F401 - an extra
        except ImportError as error:
            raise LogError(
                "psycopg, by which PostgreSQL is reached, is not installed",
                'pip install "wearscope[postgres]"',
            ) from error
        return cls(url, folder)

    def __str__(self) -> str:
        return f"the wear log at {self.url.render_as_string()}"  # without its password

    def engine(self) -> Engine:
        """As in `LogPlace`."""
        timeout = f"-c lock_timeout={int(1000 * BUSY_TIMEOUT_S)}"
        given = {"connect_timeout": _CONNECT_TIMEOUT_S, "options": timeout, "client_encoding": "UTF8"}
        return create_engine(self.url, poolclass=NullPool, connect_args=given)

    def exists(self) -> bool:
        """As in `LogPlace`: known only once it is connected."""
        return True

    def is_whole(self, engine: Engine) -> bool:
        """As in `LogPlace`: the server keeps checksums of its own; those of the rows are looked at in any case."""
        return True

    def look_anew(self) -> None:
        """As in `LogPlace`: there is nothing to forget."""

    @contextmanager
    def brought_up(self, connection: Connection, version: int, target: int) -> Iterator[Connection]:
        """As in `LogPlace`: in a transaction that is undone."""
        with connection.begin_nested() as undone:
            bring_up(connection, version, target)
            yield connection
            undone.rollback()

    def kept_apart(self, engine: Engine) -> AbstractContextManager[None]:
        """As in `LogPlace`: a reader holds up nobody."""
        return nullcontext()

    def for_reading(self, connection: Connection) -> Connection:
        """As in `LogPlace`."""
        return connection.execution_options(isolation_level="REPEATABLE READ")

    def for_writing(self, connection: Connection) -> Connection:
        """As in `LogPlace`: sees what was committed before its turn came, not only before it began to wait."""
        return connection.execution_options(isolation_level="READ COMMITTED")

    def take_turn(self, connection: Connection) -> None:
        """As in `LogPlace`."""
        connection.execute(text("SELECT pg_advisory_xact_lock(:writers)"), {"writers": _WRITERS})

    def add_many(self, connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
        """As in `LogPlace`: by COPY, with which a log is copied in two thirds of the time."""
        import psycopg

        names = table.columns.keys()
        listed = psycopg.sql.SQL(", ").join(map(psycopg.sql.Identifier, names))
        whole = psycopg.sql.SQL("COPY {} ({}) FROM STDIN").format(psycopg.sql.Identifier(table.name), listed)
        raw = connection.connection.driver_connection
        assert isinstance(raw, psycopg.Connection)
        try:
            with raw.cursor() as cursor, cursor.copy(whole) as copying:
                for row in rows:
                    copying.write_row([row[name] for name in names])
        except psycopg.Error as error:  # as SQLAlchemy wraps what goes through it
            raise cast(DBAPIError, DBAPIError.instance(None, None, error, psycopg.Error)) from error

    def explained(self, error: DBAPIError) -> LogError:
        """As in `LogPlace`."""
        code = getattr(error.orig, "sqlstate", None)
        words = " ".join(str(error.orig).split())
        if code == _LOCKED:
            return LogError(f"{self} is being written by another program", "let that one end and run again")
        if code in _NO_ROOM:
            return LogError(f"{self} cannot be saved ({words})", "make room on the server and run again")
        if code in (_READ_ONLY, _DENIED):
            return LogError(
                f"{self} cannot be written ({words})", "ask whoever keeps the server for the right to"
            )
        if code == _LETTERS:
            return LogError(
                f"{self} cannot keep all letters ({words})",
                "have an empty database with encoding UTF8 made for it",
            )
        if code is None and isinstance(error, OperationalError):
            return LogError(
                f"{self} cannot be reached ({words})", "check address, network and password; run again"
            )
        return LogError(f"{self} cannot be used ({words})", self.restore)

    def seen_from_here(self, file: Path) -> str:
        """As in `LogPlace`: by the computer and the path on it."""
        return f"{socket.gethostname()}:{file.resolve().as_posix()}"

    def still_there(self, seen: str) -> Path | None:
        """As in `LogPlace`: of another computer's file nothing can be known."""
        host, _, path = seen.partition(":")
        here = host != socket.gethostname() or Path(path).exists()
        return Path(seen) if here else None

    @property
    def restore(self) -> str:
        """As in `LogPlace`."""
        return "have it restored from a copy (wearscope log check says what is damaged)"

    @property
    def elsewhere(self) -> str:
        """As in `LogPlace`."""
        return "have an empty database made for it"
