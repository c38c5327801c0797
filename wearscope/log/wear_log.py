"""The wear log: every number ever measured and every note, with what was known at the time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields, replace
from math import isfinite
from typing import Any, TypedDict, Unpack, get_args

from sqlalchemy import ColumnElement, Connection, RowMapping, Select, Table, and_, insert, select, update

from wearscope.log import database
from wearscope.log.notes import LoggedNote, Note, NoteKind
from wearscope.log.order import in_order, natural_key
from wearscope.log.records import Record
from wearscope.log.schema import (
    NOTE_PLACE,
    NOTE_TYPES,
    PLACE,
    RECORD_TYPES,
    inspection,
    measurement,
    note,
    wear_log,
)

LOG_NAME = "wear-log.sqlite"

Number = tuple[str, str]
"""Quantity and zone: what tells apart the rows of one photo."""


class Place(TypedDict, total=False):
    """Which rows are asked for; what is left out may be anything."""

    trial: str
    bit: str
    flute: int
    parts: int
    view: str


class NotePlace(TypedDict, total=False):
    """Which notes are asked for; what is left out may be anything."""

    trial: str
    bit: str
    flute: int
    parts: int
    kind: NoteKind


@dataclass(frozen=True)
class LoggedInspection:
    """That a photo was inspected, and what became of it as a whole.

    Attributes
    ----------
    trial, bit : str
    flute, parts : int
    view : str
    photo, photo_sha256 : str
    refusal : str
        Why the photo was refused as a whole; empty when it was measured.
    wearscope_version, inspected_at : str
    """

    trial: str
    bit: str
    flute: int
    parts: int
    view: str
    photo: str
    photo_sha256: str
    refusal: str
    wearscope_version: str
    inspected_at: str


@dataclass(frozen=True)
class LoggedRecord:
    """A row of the log and until when it held.

    Attributes
    ----------
    trial : str
    record : Record
    superseded_at : str or None
        When a later inspection came to something else; None while the row holds.
    superseding_refusal : str
        Why that later inspection refused the photo; empty if it measured it.
    """

    trial: str
    record: Record
    superseded_at: str | None
    superseding_refusal: str


class WearLog(database.OpenLog):
    """Measurements in one SQLite file, to which rows are added and from which none is ever taken away.

    A row is *current* until a later inspection of the same flute, checkpoint and view comes to something
    else; then it is history. Measuring again with the same result adds nothing.

    Entering the context checks the file that is there, so that a wrong one is known before any work; the
    first `append` makes it if there is none.

    Parameters
    ----------
    path : Path

    Raises
    ------
    LogError
        On entering, and from every method: the file is not a wear log, is that of a newer wearscope, or
        cannot be read or written.
    """

    def append(self, made: LoggedInspection, records: Iterable[Record]) -> int:
        """Add what came of one photo, whole or not at all.

        `records` are all that the inspection found: current rows of the same trial, bit, flute, parts and
        view that are not among them become history. So a photo refused without any record leaves no
        current row; what it came to earlier is still read with `history`. Two rows are the same if they
        agree in all but ``wearscope_version`` and ``measured_at``.

        Parameters
        ----------
        made : LoggedInspection
        records : iterable of Record
            Of the bit, flute, parts and view of `made`, at most one for each quantity and zone.

        Returns
        -------
        int
            Number of rows added.

        Raises
        ------
        ValueError
            A record of another photo, two for one number, or a value that is not finite.
        """
        fresh = _by_number(made, records)
        with database.writing(self._engine, self.path) as connection:
            stored = _current_rows(connection, made)
            same = {n for n, row in fresh.items() if n in stored and _same(row, _record(stored[n]))}
            stale = [row["id"] for number, row in stored.items() if number not in same]
            added = [row for number, row in fresh.items() if number not in same]
            if not stale and not added and _verdict_stands(connection, made):
                return 0
            new = insert(inspection).values(asdict(made)).returning(inspection.c.id)
            inspection_id = connection.execute(new).scalar_one()
            _supersede(connection, stale, inspection_id)
            _insert(connection, made.trial, added, inspection_id)
        return len(added)

    def current(self, **place: Unpack[Place]) -> list[Record]:
        """Rows that hold now, in natural order."""
        rows = select(measurement).where(_matches(measurement, place), measurement.c.superseded_by.is_(None))
        return in_order(_record(row) for row in self._read(rows))

    def history(self, **place: Unpack[Place]) -> list[LoggedRecord]:
        """All rows ever added, those that hold now included, in the order they were added."""
        rows = (
            select(measurement, inspection.c.inspected_at.label("superseded_at"), inspection.c.refusal)
            .outerjoin(inspection, measurement.c.superseded_by == inspection.c.id)
            .where(_matches(measurement, place))
            .order_by(measurement.c.id)
        )
        return [
            LoggedRecord(row["trial"], _record(row), row["superseded_at"], row["refusal"] or "")
            for row in self._read(rows)
        ]

    def inspections(self, **place: Unpack[Place]) -> list[LoggedInspection]:
        """Inspections that added or superseded a row or changed the verdict on a photo, oldest first."""
        rows = select(inspection).where(_matches(inspection, place)).order_by(inspection.c.id)
        names = [field.name for field in fields(LoggedInspection)]
        return [LoggedInspection(*(row[name] for name in names)) for row in self._read(rows)]

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
        with database.writing(self._engine, self.path) as connection:
            for place, rows in by_place.items():
                added += _add_notes(connection, dict(zip(NOTE_PLACE, place, strict=True)), rows)
        return added

    def notes(self, **place: Unpack[NotePlace]) -> list[Note]:
        """Notes that hold now, by bit, parts, flute and kind."""
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
        """All notes ever made, those that hold now included, in the order they were added."""
        later = note.alias()
        rows = (
            select(note, later.c.noted_at.label("until"), later.c.noted_by.label("superseding"))
            .outerjoin(later, note.c.superseded_by == later.c.id)
            .where(and_(True, *(note.c[name] == wanted for name, wanted in place.items())))
            .order_by(note.c.id)
        )
        with database.reading(self._engine, self.path) as connection:
            if connection is None or _version(connection) < 2:
                return []
            found = connection.execute(rows).mappings().all()
        return [LoggedNote(_note(row), row["until"], row["superseding"] or "") for row in found]

    def _read(self, query: Select[Any]) -> Sequence[RowMapping]:
        with database.reading(self._engine, self.path) as connection:
            return connection.execute(query).mappings().all() if connection else ()


def _matches(table: Table, place: Place) -> ColumnElement[bool]:
    return and_(True, *(table.c[name] == wanted for name, wanted in place.items()))


def _place(made: LoggedInspection) -> Place:
    return {"trial": made.trial, "bit": made.bit, "flute": made.flute, "parts": made.parts, "view": made.view}


def _current_rows(connection: Connection, made: LoggedInspection) -> dict[Number, RowMapping]:
    rows = select(measurement).where(
        _matches(measurement, _place(made)), measurement.c.superseded_by.is_(None)
    )
    return {(row["quantity"], row["zone"]): row for row in connection.execute(rows).mappings()}


def _verdict_stands(connection: Connection, made: LoggedInspection) -> bool:
    """Whether the last inspection said the same of the same photo."""
    last = (
        select(inspection.c.photo_sha256, inspection.c.refusal)
        .where(_matches(inspection, _place(made)))
        .order_by(inspection.c.id.desc())
        .limit(1)
    )
    return connection.execute(last).first() == (made.photo_sha256, made.refusal)


def _supersede(connection: Connection, row_ids: Sequence[int], inspection_id: int) -> None:
    gone = update(measurement).where(measurement.c.id.in_(row_ids))
    connection.execute(gone.values(superseded_by=inspection_id))


def _insert(connection: Connection, trial: str, records: Sequence[Record], inspection_id: int) -> None:
    if records:
        rows = [{"trial": trial, "inspection_id": inspection_id, **asdict(record)} for record in records]
        connection.execute(insert(measurement), rows)


def _version(connection: Connection) -> int:
    return int(connection.execute(select(wear_log.c.schema_version)).scalar_one())


def _add_notes(connection: Connection, place: dict[str, object], fresh: dict[str, Note]) -> int:
    """Add notes of one place and kind, unless all of them hold already."""
    here = and_(*(note.c[name] == wanted for name, wanted in place.items()), note.c.superseded_by.is_(None))
    stored = {row["quantity"]: row for row in connection.execute(select(note).where(here)).mappings()}
    if stored.keys() == fresh.keys() and all(_same_note(fresh[q], _note(stored[q])) for q in fresh):
        return 0
    if place["kind"] == "remark":  # the index lets only one hold for each quantity, so that each has its own
        (made,) = fresh.values()
        if any(_same_note(replace(made, quantity=q), _note(row)) for q, row in stored.items()):
            return 0
        quantity = f"remark_{len(stored) + 1}" if stored else ""
        connection.execute(insert(note).values(asdict(replace(made, quantity=quantity))))
        return 1
    # The rows that are there step aside first, for an index lets only one hold for each quantity.
    ids = [row["id"] for row in stored.values()]
    connection.execute(update(note).where(note.c.id.in_(ids)).values(superseded_by=note.c.id))
    new_ids = [
        connection.execute(insert(note).values(asdict(made)).returning(note.c.id)).scalar_one()
        for made in fresh.values()
    ]
    connection.execute(update(note).where(note.c.id.in_(ids)).values(superseded_by=new_ids[0]))
    return len(new_ids)


def _note(row: RowMapping) -> Note:
    return Note(**{name: row[name] for name in NOTE_TYPES})


def _same_note(one: Note, other: Note) -> bool:
    return one == replace(other, wearscope_version=one.wearscope_version, noted_at=one.noted_at)


def _record(row: RowMapping) -> Record:
    return Record(**{name: row[name] for name in RECORD_TYPES})


def _same(one: Record, other: Record) -> bool:
    return one == replace(other, wearscope_version=one.wearscope_version, measured_at=one.measured_at)


def _by_number(made: LoggedInspection, records: Iterable[Record]) -> dict[Number, Record]:
    rows: dict[Number, Record] = {}
    for record in map(_plain, records):
        number = (record.quantity, record.zone)
        if any(getattr(record, name) != getattr(made, name) for name in PLACE if name != "trial"):
            raise ValueError(f"a record of {record.photo} was handed in with those of {made.photo}")
        if number in rows:
            raise ValueError(f"two records of {made.photo} for {record.quantity}, {record.zone}")
        rows[number] = record
    return rows


def _plain(record: Record) -> Record:
    """Give the record Python's own numbers, which a database takes; ValueError if one is not finite."""
    plain: dict[str, Any] = {}
    for name, hint in RECORD_TYPES.items():
        value = getattr(record, name)
        if hint is int:
            plain[name] = int(value)
        elif hint == float | None and value is not None:
            if not isfinite(value):
                raise ValueError(f"{record.quantity} of {record.photo} has {name} = {value}")
            plain[name] = float(value)
    return replace(record, **plain)
