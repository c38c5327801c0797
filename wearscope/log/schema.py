"""Tables of the wear log, in SQL that SQLite and PostgreSQL both speak."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, get_args, get_type_hints

from sqlalchemy import Column, Double, ForeignKey, Index, Integer, MetaData, Table, Text
from sqlalchemy.types import TypeEngine

from wearscope.log.notes import Note
from wearscope.log.records import Record

SCHEMA_VERSION = 2
"""1: the first version. 2: the table `note`. A log of an earlier version is brought up to this when it is next
written to: it gains tables, and no row of it changes."""

metadata = MetaData()

RECORD_TYPES: dict[str, Any] = get_type_hints(Record)
NOTE_TYPES: dict[str, Any] = get_type_hints(Note)


def _column(name: str, types: dict[str, Any] = RECORD_TYPES) -> Column[Any]:
    """Column for a field of `Record` or `Note`: its type, and whether it may be empty, are the field's."""
    hint = types[name]
    kinds: dict[Any, type[TypeEngine[Any]]] = {int: Integer, float | None: Double}
    return Column(name, kinds.get(hint, Text), nullable=type(None) in get_args(hint))


wear_log = Table("wear_log", metadata, Column("schema_version", Integer, nullable=False))
"""One row, which tells a wear log from any other database."""

inspection = Table(
    "inspection",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("trial", Text, nullable=False),
    Column("bit", Text, nullable=False),
    Column("flute", Integer, nullable=False),
    Column("parts", Integer, nullable=False),
    Column("view", Text, nullable=False),
    Column("photo", Text, nullable=False),
    Column("photo_sha256", Text, nullable=False),
    Column("refusal", Text, nullable=False),
    Column("wearscope_version", Text, nullable=False),
    Column("inspected_at", Text, nullable=False),
)
"""One row per inspection of a photo that changed something; `refusal` is empty when it was measured."""

measurement = Table(
    "measurement",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("trial", Text, nullable=False),
    *(_column(field.name) for field in fields(Record)),
    Column("inspection_id", ForeignKey(inspection.c.id), nullable=False),
    Column("superseded_by", ForeignKey(inspection.c.id)),
)
"""One row per number; `superseded_by` is the inspection that made it history, NULL for a current row."""

note = Table(
    "note",
    metadata,
    Column("id", Integer, primary_key=True),
    *(_column(field.name, NOTE_TYPES) for field in fields(Note)),
    Column("superseded_by", ForeignKey("note.id")),
)
"""One row per number or remark noted; `superseded_by` is the first row of the note that made it history."""

NOTE_PLACE = ("trial", "bit", "flute", "parts", "kind")
"""Where a note stands: what is noted there later takes its place."""

FIRST_TABLES = frozenset({wear_log.name, inspection.name, measurement.name})
"""Tables that a wear log of any version has."""

PLACE = ("trial", "bit", "flute", "parts", "view")
"""What a photo shows: at most one photo per trial, flute, checkpoint and view."""

_current = measurement.c.superseded_by.is_(None)
Index(
    "one_current_row_per_number",
    *(measurement.c[name] for name in (*PLACE, "quantity", "zone")),
    unique=True,
    sqlite_where=_current,
    postgresql_where=_current,
)
Index("inspections_of_a_photo", *(inspection.c[name] for name in PLACE))

_holds = note.c.superseded_by.is_(None)
Index(
    "one_current_note",
    *(note.c[name] for name in (*NOTE_PLACE, "quantity")),
    unique=True,
    sqlite_where=_holds,
    postgresql_where=_holds,
)
