"""Version 2: notes. It is what wearscope 0.1 wrote."""

from __future__ import annotations

from alembic.operations import Operations
from sqlalchemy import Column, Double, ForeignKey, Integer, Text, text

revision = "2"
down_revision = "1"


def upgrade(op: Operations) -> None:
    """Add the table of notes.

    Parameters
    ----------
    op : Operations
    """
    op.create_table(
        "note",
        Column("id", Integer, primary_key=True),
        Column("trial", Text, nullable=False),
        Column("bit", Text, nullable=False),
        Column("flute", Integer, nullable=False),
        Column("parts", Integer, nullable=False),
        *(Column(name, Text, nullable=False) for name in ("kind", "quantity")),
        Column("value", Double),
        Column("unit", Text, nullable=False),
        Column("std_uncertainty", Double),
        *(Column(name, Text, nullable=False) for name in ("text", "file", "file_sha256")),
        *(Column(name, Text, nullable=False) for name in ("noted_by", "wearscope_version", "noted_at")),
        Column("superseded_by", Integer, ForeignKey("note.id")),
    )
    current = text("superseded_by IS NULL")
    op.create_index(
        "one_current_note",
        "note",
        ["trial", "bit", "flute", "parts", "kind", "quantity"],
        unique=True,
        sqlite_where=current,
        postgresql_where=current,
    )
