"""Opening the wear log's database, and saying plainly why when that fails."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, Engine, inspect, select, text
from sqlalchemy.exc import DBAPIError

from wearscope.errors import LogError
from wearscope.log import schema
from wearscope.log.checksums import DamagedRowError
from wearscope.log.migrations import bring_up
from wearscope.log.place import LogFile, LogPlace

_ALEMBIC_TABLE = "alembic_version"
_LAST_WITHOUT_ALEMBIC = 2


@contextmanager
def reading(
    engine: Engine, place: LogPlace, *, check: bool = True, long: bool = False
) -> Iterator[Connection | None]:
    """Transaction that sees one state of the log; None when there is no log yet, and none is made.

    A log of an earlier version stays as it is: what is read is a copy in memory, brought up to the present version.

    Parameters
    ----------
    engine : Engine
    place : LogPlace
    check : bool
        Whether to look at the whole file for damage first.
    long : bool
        Whether so much is to be read that others who write should not have to wait for it.

    Yields
    ------
    Connection or None

    Raises
    ------
    LogError
        The log cannot be read, or is damaged.
    """
    if not place.exists():
        yield None
        return
    with _explained(place), ExitStack() as opened:
        if check:
            _require_whole(engine, place)
        connection = opened.enter_context(place.kept_apart(engine)) if long else None
        if connection is None:
            connection = place.for_reading(opened.enter_context(engine.connect()))
        opened.enter_context(connection.begin())
        version = log_version(connection, place)
        if version not in (0, schema.SCHEMA_VERSION):
            yield opened.enter_context(place.brought_up(connection, version, schema.SCHEMA_VERSION))
        else:
            yield connection if version else None


@contextmanager
def writing(engine: Engine, place: LogPlace, *, check: bool = True) -> Iterator[Connection]:
    """Transaction that is kept whole or not at all; the log is made, or brought up to date, first.

    Parameters
    ----------
    engine : Engine
    place : LogPlace
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
    with _explained(place), ExitStack() as opened:
        if check and place.exists():
            _require_whole(engine, place)
        connection = place.for_writing(opened.enter_context(engine.connect()))
        with connection.begin():
            place.take_turn(connection)
            version = log_version(connection, place)
            # In the same transaction: a log is of one version or the other, never between.
            if not version:
                schema.make(connection)
            elif version < schema.SCHEMA_VERSION:
                bring_up(connection, version, schema.SCHEMA_VERSION)
            yield connection


@contextmanager
def writing_empty(engine: Engine, place: LogPlace) -> Iterator[Connection]:
    """As `writing`, where there is no log yet.

    Parameters
    ----------
    engine : Engine
    place : LogPlace

    Yields
    ------
    Connection

    Raises
    ------
    LogError
        There is a log already, or it cannot be written.
    """
    with _explained(place), ExitStack() as opened:
        if place.exists():
            _require_whole(engine, place)
        connection = place.for_writing(opened.enter_context(engine.connect()))
        with connection.begin():
            place.take_turn(connection)
            if log_version(connection, place):
                raise LogError(f"{place} holds a wear log already", "name a place that has none")
            schema.make(connection)
            yield connection


def log_version(connection: Connection, place: LogPlace) -> int:
    """Version of the wear log that the database holds; 0 if it is empty.

    Parameters
    ----------
    connection : Connection
    place : LogPlace

    Returns
    -------
    int

    Raises
    ------
    LogError
        It holds something else, or the log of a newer version, or is damaged.
    """
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return 0
    if not tables >= schema.FIRST_TABLES:
        raise LogError(f"{place} is a database but not a wear log", place.elsewhere)
    versions = connection.execute(select(schema.wear_log.c.schema_version)).scalars().all()
    if len(versions) != 1 or not isinstance(versions[0], int):
        raise _damaged(place)
    version = versions[0]
    if version > schema.SCHEMA_VERSION:
        raise LogError(
            f"{place} was written by a newer wearscope (log version {version}; this one knows "
            f"{schema.SCHEMA_VERSION})",
            "update wearscope, or choose another folder with --out",
        )
    if not _agrees(connection, version, tables):
        raise _damaged(place)
    return version


def _agrees(connection: Connection, version: int, tables: set[str]) -> bool:
    """Whether the tables are those of the version, and Alembic's own note of it says the same."""
    if _ALEMBIC_TABLE not in tables:
        return 0 < version <= _LAST_WITHOUT_ALEMBIC
    noted = connection.execute(text(f"SELECT version_num FROM {_ALEMBIC_TABLE}")).scalars().all()
    return noted == [str(version)] and (
        version < schema.SCHEMA_VERSION or tables >= schema.metadata.tables.keys()
    )


def _require_whole(engine: Engine, place: LogPlace) -> None:
    """Look through the whole log before a transaction begins, so that nobody waits for it who writes."""
    if not place.is_whole(engine):
        raise _damaged(place)


def _damaged(place: LogPlace, how: str = "") -> LogError:
    return LogError(f"{place} is damaged{how}", place.restore)


@contextmanager
def _explained(place: LogPlace) -> Iterator[None]:
    """Turn the database's own words into a line that says what to do."""
    try:
        yield
    except DBAPIError as error:
        raise place.explained(error) from error
    except UnicodeDecodeError as error:  # of a name in the schema; in rows, SQLite's driver says so itself
        raise _damaged(place) from error
    except DamagedRowError as error:
        raise _damaged(place, f" ({error})") from error


class OpenLog:
    """A wear log's database, opened by ``with``; what it does is said by the classes made from it.

    Parameters
    ----------
    place : LogPlace or Path
        Where it is kept; a path is that of an SQLite file.

    Raises
    ------
    LogError
        On entering: the file is not a wear log, is that of a newer wearscope, or cannot be read.
    """

    def __init__(self, place: LogPlace | Path) -> None:
        self.place: LogPlace = LogFile(place) if isinstance(place, Path) else place
        self._engine = self.place.engine()
        self._checked = False

    def __enter__(self) -> Self:
        if self.place.exists():
            with _explained(self.place):
                _require_whole(self._engine, self.place)
                with self._engine.connect() as connection, connection.begin():
                    log_version(connection, self.place)
            self._checked = True
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._engine.dispose()

    @contextmanager
    def _reading(self, *, long: bool = False) -> Iterator[Connection | None]:
        """As `reading`; the file is looked at for damage once, when it is first used."""
        with reading(self._engine, self.place, check=not self._checked, long=long) as connection:
            self._checked = self._checked or connection is not None
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        """As `writing`; the file is looked at for damage once, when it is first used."""
        with writing(self._engine, self.place, check=not self._checked) as connection:
            self._checked = True
            yield connection
