"""Which trial is which, and rows that follow when a trial, a bit or a flute is given another name."""

from __future__ import annotations

import os
import shlex
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import ColumnElement, Connection, Table, select

from wearscope.errors import LogError
from wearscope.log import database
from wearscope.log.checksums import Row, add_rows, change_rows, rows_of
from wearscope.log.corrections import now_text
from wearscope.log.logged import PhotoPlace
from wearscope.log.schema import correction, inspection, known_trial, measurement, move, note

Held = Literal["numbers", "notes", "corrections"]

_HOLDING: dict[Table, Held] = {inspection: "numbers", note: "notes", correction: "corrections"}


@dataclass(frozen=True)
class Whose:
    """What rows belong to: a trial, a bit of it, or a flute of that.

    Attributes
    ----------
    trial : str
    bit : str or None
        None for the trial as a whole.
    flute : int or None
        None for the bit as a whole; never without a bit.
    """

    trial: str
    bit: str | None = None
    flute: int | None = None

    def __post_init__(self) -> None:
        if self.flute is not None and self.bit is None:
            raise ValueError("a flute without its bit")

    def __str__(self) -> str:
        flute = "" if self.flute is None else f"flute {self.flute} of "
        return f'{flute}{"" if self.bit is None else f"bit {self.bit} of "}the trial "{self.trial}"'

    @property
    def columns(self) -> dict[str, Any]:
        """What stands in the columns of its rows."""
        named = {"trial": self.trial, "bit": self.bit, "flute": self.flute}
        return {name: value for name, value in named.items() if value is not None}


@dataclass(frozen=True)
class Orphan:
    """A place in the log that a trial file no longer names.

    Attributes
    ----------
    whose : Whose
        Trial, bit and flute; flute 0 for a note on the bit as a whole.
    parts : int
    view : str
        Empty for a note.
    holds : {"numbers", "notes", "corrections"}
    """

    whose: Whose
    parts: int
    view: str
    holds: Held


@dataclass(frozen=True)
class Move:
    """That rows were given another trial, bit or flute.

    Attributes
    ----------
    move_id : int
    old, new : Whose
    by, at : str
        Who, and when (UTC).
    takes_back : int or None
        `move_id` of the move that it undoes.
    """

    move_id: int
    old: Whose
    new: Whose
    by: str
    at: str
    takes_back: int | None


class OtherTrialError(LogError):
    """The log holds numbers of another trial of the same name."""


class IdentityLog(database.OpenLog):
    """Who is who in a wear log; see `OpenLog`."""

    def claim(self, name: str, file: Path, *, adopt: bool = False) -> None:
        """Say that what is logged under a name is the trial of a file. Makes the log if there is none.

        Trials are told apart by where their files lie, seen from the log: so a folder that is moved or copied with
        its log stays what it is, and so does a file that is moved alone.

        Parameters
        ----------
        name : str
        file : Path
            The trial file.
        adopt : bool
            The person says that it is the same trial, whatever the log says.

        Raises
        ------
        OtherTrialError
            The log has rows of that name from another trial file, which is still there.
        LogError
            As of `WearLog`.
        """
        here = self.place.seen_from_here(file)
        with self._reading() as connection:
            if connection is not None and self._known(connection, name, file, here, adopt) is True:
                return
        with self._writing() as connection:
            known = self._known(connection, name, file, here, adopt)
            new = {"name": name, "file": here, "seen_at": now_text()}
            if known is None:
                add_rows(connection, known_trial, [new])
            elif known is not True:
                change_rows(connection, known_trial, [known], new)

    def require(self, name: str, file: Path) -> None:
        """Make sure that what is logged under a name is not another trial's; nothing is written.

        Parameters
        ----------
        name : str
        file : Path
            The trial file.

        Raises
        ------
        OtherTrialError
            As of `claim`.
        LogError
            As of `WearLog`.
        """
        with self._reading() as connection:
            if connection is not None:
                self._known(connection, name, file, self.place.seen_from_here(file), adopt=False)

    def files(self) -> list[Path]:
        """Trial files that were measured into the log and are still where they were.

        Returns
        -------
        list of Path
        """
        with self._reading() as connection:
            rows = [] if connection is None else list(rows_of(connection, known_trial))
        found = (self.place.still_there(row["file"]) for row in rows)
        return [Path(os.path.normpath(file)) for file in found if file is not None and file.is_file()]

    def holds(self, whose: Whose) -> bool:
        """Whether any number, note or correction stands under a name.

        Parameters
        ----------
        whose : Whose

        Returns
        -------
        bool
        """
        with self._reading() as connection:
            return connection is not None and _holds_any(connection, whose)

    def _known(
        self, connection: Connection, name: str, file: Path, here: str, adopt: bool
    ) -> Row | Literal[True] | None:
        """True where the trial is known as it is; else the row that has to be changed, None for no row."""
        row = next((row for row in rows_of(connection, known_trial) if row["name"] == name), None)
        if row is None or row["file"] == here:
            return row and True
        before = self.place.still_there(row["file"])
        if not adopt and before is not None and _holds_any(connection, Whose(name)):
            folder = self.place.folder
            elsewhere = "" if folder == file.parent else f" --out {shlex.quote(str(folder))}"
            raise OtherTrialError(
                f'{self.place} holds numbers of another trial named "{name}" ({before}), '
                f"which {file} would write over",
                "give one of the two another name, or choose another folder with --out; if it is the same trial, "
                f"run wearscope carry {shlex.quote(str(file))} --adopt{elsewhere}",
            )
        return row

    def former_names(self, name: str, file: Path) -> tuple[str, ...]:
        """Other names under which the trial of a file was measured into the log, and under which rows still stand.

        Parameters
        ----------
        name : str
            Its present name.
        file : Path

        Returns
        -------
        tuple of str
        """
        here = self.place.seen_from_here(file)
        with self._reading() as connection:
            if connection is None:
                return ()
            names = [row["name"] for row in rows_of(connection, known_trial) if row["file"] == here]
            return tuple(each for each in names if each != name and _holds_any(connection, Whose(each)))

    def orphans(self, trial: str, listed: Collection[PhotoPlace]) -> list[Orphan]:
        """Places in the log that a trial no longer names.

        Parameters
        ----------
        trial : str
            Its name, or a former one.
        listed : collection of (bit, flute, parts, view)
            Of the trial's photos. Of a former name nothing is listed.

        Returns
        -------
        list of Orphan
            By what they hold; in the order in which they came into the log.
        """
        flutes = {(bit, flute) for bit, flute, _, _ in listed} | {(bit, 0) for bit, _, _, _ in listed}
        found: dict[Orphan, None] = {}
        with self._reading() as connection:
            if connection is None:
                return []
            for table, holds in _HOLDING.items():
                for row in rows_of(connection, table, table.c.trial == trial):
                    bit, flute, parts, view = row["bit"], row["flute"], row["parts"], row.get("view", "")
                    named = (bit, flute) in flutes if table is note else (bit, flute, parts, view) in listed
                    if not named:
                        found[Orphan(Whose(trial, bit, flute), parts, view, holds)] = None
        return list(found)

    def move(self, old: Whose, new: Whose, by: str) -> Move:
        """Give all rows of a trial, bit or flute another name, history, notes and corrections included.

        Parameters
        ----------
        old, new : Whose
            Both trials, both bits or both flutes. Nothing may stand under `new` yet.
        by : str
            Who says so.

        Returns
        -------
        Move
            What `take_back` undoes.

        Raises
        ------
        LogError
            There is nothing under `old`, or something under `new`; or as of `WearLog`.
        ValueError
            They are not of one kind.
        """
        with self._writing() as connection:
            return self._move(connection, old, new, by, None)

    def take_back(self, move_id: int, by: str) -> Move:
        """Undo a move: what stands under the new name has the old one again, what was measured since included.

        Parameters
        ----------
        move_id : int
        by : str
            Who says so.

        Returns
        -------
        Move

        Raises
        ------
        LogError
            There is no such move to be taken back, or its old name is in use again; or as of `WearLog`.
        """
        with self._writing() as connection:
            made = {each.move_id: each for each in _standing_moves(connection)}.get(move_id)
            if made is None:
                raise LogError(f"{self.place} has no move {move_id} to take back", "choose one that stands")
            return self._move(connection, made.new, made.old, by, move_id)

    def moves(self) -> list[Move]:
        """Moves that stand, oldest first.

        Returns
        -------
        list of Move
        """
        with self._reading() as connection:
            return [] if connection is None else _standing_moves(connection)

    def _move(self, connection: Connection, old: Whose, new: Whose, by: str, takes_back: int | None) -> Move:
        if old.columns.keys() != new.columns.keys():
            raise ValueError(f"{old} cannot become {new}")
        if not _holds_any(connection, old):
            raise LogError(f"{self.place} holds nothing of {old}", "check how it is written there")
        if _holds_any(connection, new):
            raise LogError(
                f"{self.place} has rows of {new} already, which those of {old} would be mixed with",
                "leave them under the old name as history, or choose another name",
            )
        for table in (inspection, measurement, note, correction):
            change_rows(connection, table, rows_of(connection, table, *_of(table, old)), new.columns)
        at = now_text()
        row = {f"from_{name}": value for name, value in old.columns.items()}
        row |= {f"to_{name}": value for name, value in new.columns.items()}
        (move_id,) = add_rows(connection, move, [row | {"by": by, "at": at, "takes_back": takes_back}])
        return Move(move_id, old, new, by, at, takes_back)


def _of(table: Table, whose: Whose) -> list[ColumnElement[bool]]:
    return [table.c[name] == value for name, value in whose.columns.items()]


def _holds_any(connection: Connection, whose: Whose) -> bool:
    return any(
        connection.execute(select(table.c.id).where(*_of(table, whose)).limit(1)).first()
        for table in _HOLDING
    )


def _standing_moves(connection: Connection) -> list[Move]:
    rows = rows_of(connection, move)
    undone = {row["takes_back"] for row in rows}
    return [_made(row) for row in rows if row["takes_back"] is None and row["id"] not in undone]


def _made(row: Row) -> Move:
    old, new = (Whose(row[f"{end}_trial"], row[f"{end}_bit"], row[f"{end}_flute"]) for end in ("from", "to"))
    return Move(row["id"], old, new, row["by"], row["at"], row["takes_back"])
