"""Copying a database of SQLite while others go on writing to it."""

from __future__ import annotations

import sqlite3

PAGES = 1000
"""Copied before others have their turn: some milliseconds of waiting for them. Chosen."""

_MOST_BEGUN_ANEW = 5  # before all is copied at once; each costs a copy at most


class _BegunAnewError(Exception):
    """Others write so often that the copy is never done."""


class _Copying:
    """What is looked at after some pages were copied."""

    def __init__(self) -> None:
        self._left: int | None = None
        self._anew = 0

    def __call__(self, status: int, left: int, _all: int) -> None:
        """Give up on a log that stays locked, as every statement does, and where the copy never comes to its end."""
        if status in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            locked = sqlite3.OperationalError("database is locked")
            locked.sqlite_errorcode = status
            raise locked
        if self._left is not None and left >= self._left > 0:
            self._anew += 1
        self._left = left
        if self._anew > _MOST_BEGUN_ANEW:
            raise _BegunAnewError


def copy_pages(original: sqlite3.Connection, made: sqlite3.Connection) -> None:
    """Copy one state of a database, page by page; who writes to it waits for `PAGES` of them at most.

    Where others write meanwhile, SQLite begins anew by itself; where they do so again and again, all is copied at
    once.

    Parameters
    ----------
    original : sqlite3.Connection
        Without a transaction.
    made : sqlite3.Connection
        To an empty database.

    Raises
    ------
    sqlite3.Error
        One of them cannot be used, or the original stayed locked for longer than its connection waits.
    """
    try:
        original.backup(made, pages=PAGES, progress=_Copying())
    except _BegunAnewError:
        original.backup(made, progress=_Copying())
