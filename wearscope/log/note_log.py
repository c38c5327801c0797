"""Notes in the wear log: signs of wear other than photos of the flutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from math import isfinite
from typing import TypedDict, Unpack, get_args

from sqlalchemy import Connection

from wearscope.log import database
from wearscope.log.checksums import Row, add_rows, change_rows, rows_of
from wearscope.log.notes import LoggedNote, Note, NoteKind
from wearscope.log.order import natural_key
from wearscope.log.schema import NOTE_PLACE, NOTE_TYPES, note


class NotePlace(TypedDict, total=False):
    """Which notes are asked for; what is left out may be anything."""

    trial: str
    bit: str
    flute: int
    parts: int
    kind: NoteKind


class NoteLog(database.OpenLog):
    """The notes in a wear log; see `OpenLog`."""

    def add_note(self, notes: Sequence[Note]) -> int:
        """Add what was noted on one occasion, whole or not at all.

        Rows of the same trial, bit, flute, parts and kind that hold until now become history, but for remarks,
        which add up. Noting again what holds already, by the same person, adds nothing.

        Parameters
        ----------
        notes : sequence of Note
            At most one for each place, kind and quantity.

        Returns
        -------
        int
            Number of rows added.

        Raises
        ------
        ValueError
            Two notes for one quantity, or a number that is not finite.
        """
        by_place: dict[tuple[object, ...], dict[str, Note]] = {}
        for made in notes:
            for number in (made.value, made.std_uncertainty):
                if number is not None and not isfinite(number):
                    raise ValueError(f"the note of {made.quantity} of bit {made.bit} holds {number}")
            rows = by_place.setdefault(tuple(getattr(made, name) for name in NOTE_PLACE), {})
            if made.quantity in rows:
                raise ValueError(f"two notes of {made.kind} {made.quantity} of bit {made.bit}")
            rows[made.quantity] = made
        added = 0
        with self._writing() as connection:
            for place, rows in by_place.items():
                added += _add_notes(connection, dict(zip(NOTE_PLACE, place, strict=True)), rows)
        return added

    def notes(self, **place: Unpack[NotePlace]) -> list[Note]:
        """Notes that hold now, by bit, parts, flute and kind.

        Parameters
        ----------
        **place : str or int
            As in `NotePlace`.

        Returns
        -------
        list of Note
        """
        held = [logged.note for logged in self.note_history(**place) if logged.superseded_at is None]
        kinds = get_args(NoteKind)
        return sorted(
            held,
            key=lambda made: (
                made.trial,
                natural_key(made.bit),
                made.parts,
                made.flute,
                kinds.index(made.kind),
            ),
        )

    def note_history(self, **place: Unpack[NotePlace]) -> list[LoggedNote]:
        """All notes ever made, those that hold now included, in the order they were added.

        Parameters
        ----------
        **place : str or int
            As in `NotePlace`.

        Returns
        -------
        list of LoggedNote
            Empty where there is no log.
        """
        with self._reading() as connection:
            if connection is None:
                return []
            rows = rows_of(connection, note, *(note.c[name] == wanted for name, wanted in place.items()))
        later = {row["id"]: row for row in rows}  # what supersedes a note stands at the same place
        nothing: Row = {"noted_at": None, "noted_by": ""}
        superseding = [later.get(row["superseded_by"], nothing) for row in rows]
        return [
            LoggedNote(_note(row), by["noted_at"], by["noted_by"])
            for row, by in zip(rows, superseding, strict=True)
        ]


def _add_notes(connection: Connection, place: dict[str, object], fresh: dict[str, Note]) -> int:
    """Add notes of one place and kind, unless all of them hold already."""
    here = [note.c[name] == wanted for name, wanted in place.items()]
    stored = {
        row["quantity"]: row for row in rows_of(connection, note, *here, note.c.superseded_by.is_(None))
    }
    if stored.keys() == fresh.keys() and all(_same_note(fresh[q], _note(stored[q])) for q in fresh):
        return 0
    if place["kind"] == "remark":  # the index lets only one hold for each quantity, so that each has its own
        (made,) = fresh.values()
        if any(_same_note(replace(made, quantity=q), _note(row)) for q, row in stored.items()):
            return 0
        quantity = f"remark_{len(stored) + 1}" if stored else ""
        return len(add_rows(connection, note, [asdict(replace(made, quantity=quantity))]))
    # The rows that are there step aside first, for an index lets only one hold for each quantity.
    aside = []
    for row in stored.values():
        aside += change_rows(connection, note, [row], {"superseded_by": row["id"]})
    new_ids = add_rows(connection, note, [asdict(made) for made in fresh.values()])
    change_rows(connection, note, aside, {"superseded_by": new_ids[0]})
    return len(new_ids)


def _note(row: Row) -> Note:
    return Note(**{name: row[name] for name in NOTE_TYPES})


def _same_note(one: Note, other: Note) -> bool:
    return one == replace(other, wearscope_version=one.wearscope_version, noted_at=one.noted_at)
