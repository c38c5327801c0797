"""Tables of the wear log as they are now, in SQL that SQLite and PostgreSQL both speak."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, get_args, get_type_hints

from sqlalchemy import (
    Column,
    Connection,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    insert,
)
from sqlalchemy.types import TypeEngine

from wearscope.log.notes import Note
from wearscope.log.records import Record

SCHEMA_VERSION = 3
"""Version of the tables below. `migrations` makes them of earlier ones: a module for each version says what came
with it."""

metadata = MetaData()

RECORD_TYPES: dict[str, Any] = get_type_hints(Record)
NOTE_TYPES: dict[str, Any] = get_type_hints(Note)


LATER_FIELDS = ("detection_limit", "dof", "reasons")
"""Fields of `Record` that version 3 brought; they stand after the columns that were there already."""


def _column(name: str, types: dict[str, Any] = RECORD_TYPES) -> Column[Any]:
    """Column for a field of `Record` or `Note`: its type, and whether it may be empty, are the field's."""
    hint = types[name]
    kinds: dict[Any, type[TypeEngine[Any]]] = {int: Integer, float | None: Double}
    return Column(name, kinds.get(hint, Text), nullable=type(None) in get_args(hint))


def _later(name: str) -> Column[str]:
    """Column of text that came to a table which may have had rows."""
    return Column(name, Text, nullable=False, server_default="")


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
    _later("refusal_code"),
    Column("fingerprint", Text),
    Column("inputs", Text),
    _later("checksum"),
)
"""One row per inspection of a photo that changed something; `refusal` is empty when it was measured.

`fingerprint` and `inputs` (as JSON) say what its numbers rest on; both are NULL in rows of wearscope 0.1."""

measurement = Table(
    "measurement",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("trial", Text, nullable=False),
    *(_column(field.name) for field in fields(Record) if field.name not in LATER_FIELDS),
    Column("inspection_id", ForeignKey(inspection.c.id), nullable=False),
    Column("superseded_by", ForeignKey(inspection.c.id)),
    _column("detection_limit"),
    _column("dof"),
    _later("reasons"),
    _later("checksum"),
)
"""One row per number; `superseded_by` is the inspection that made it history, NULL for a current row."""

note = Table(
    "note",
    metadata,
    Column("id", Integer, primary_key=True),
    *(_column(field.name, NOTE_TYPES) for field in fields(Note)),
    Column("superseded_by", ForeignKey("note.id")),
    _later("checksum"),
)
"""One row per number or remark noted; `superseded_by` is the first row of the note that made it history."""

correction = Table(
    "correction",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("trial", Text, nullable=False),
    Column("bit", Text, nullable=False),
    Column("flute", Integer, nullable=False),
    Column("parts", Integer, nullable=False),
    Column("view", Text, nullable=False),
    Column("photo_sha256", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("value", Text),
    Column("by", Text, nullable=False),
    Column("at", Text, nullable=False),
    _later("checksum"),
)
"""One row per thing said; the last one of a kind for a photo holds. An empty `value` takes back what was said."""

known_trial = Table(
    "known_trial",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False),
    Column("file", Text, nullable=False),
    Column("seen_at", Text, nullable=False),
    _later("checksum"),
)
"""One row per trial that was measured into the log: its name, and where its file was last seen from here."""

move = Table(
    "move",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("from_trial", Text, nullable=False),
    Column("from_bit", Text),
    Column("from_flute", Integer),
    Column("to_trial", Text, nullable=False),
    Column("to_bit", Text),
    Column("to_flute", Integer),
    Column("by", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("takes_back", ForeignKey("move.id")),
    _later("checksum"),
)
"""One row per renaming that the rows followed; `takes_back` is an earlier one that it undoes."""

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
# Whatever rows are looked up by stands in an index too, so that SQLite notices where the two differ.
Index("inspections_of_a_photo", *(inspection.c[name] for name in PLACE))
Index("numbers_of_a_photo", *(measurement.c[name] for name in (*PLACE, "quantity", "zone")))
Index("notes_of_a_place", *(note.c[name] for name in NOTE_PLACE))
Index("corrections_of_a_trial", correction.c.trial, correction.c.photo_sha256)
Index("one_trial_of_a_name", known_trial.c.name, unique=True)

_holds = note.c.superseded_by.is_(None)
Index(
    "one_current_note",
    *(note.c[name] for name in (*NOTE_PLACE, "quantity")),
    unique=True,
    sqlite_where=_holds,
    postgresql_where=_holds,
)

_alembic = Table(
    "alembic_version", MetaData(), Column("version_num", String(32), nullable=False, primary_key=True)
)
"""Where Alembic keeps the version of a log; as it makes that table itself."""


def make(connection: Connection) -> None:
    """Make all tables in an empty database, as the steps of `migrations` would, which takes them much longer.

    Parameters
    ----------
    connection : Connection
    """
    metadata.create_all(connection, checkfirst=False)
    _alembic.create(connection, checkfirst=False)
    connection.execute(insert(_alembic).values(version_num=str(SCHEMA_VERSION)))
    connection.execute(insert(wear_log).values(schema_version=SCHEMA_VERSION))
