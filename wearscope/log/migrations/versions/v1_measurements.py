"""Version 1: inspections and measurements."""

from __future__ import annotations

from alembic.operations import Operations
from sqlalchemy import Column, Double, ForeignKey, Integer, Text, text

revision = "1"
down_revision = None

PLACE = ("trial", "bit", "flute", "parts", "view")


def upgrade(op: Operations) -> None:
    """Make the tables of an empty log.

    Parameters
    ----------
    op : Operations
    """
    op.create_table("wear_log", Column("schema_version", Integer, nullable=False))
    op.create_table(
        "inspection",
        Column("id", Integer, primary_key=True),
        Column("trial", Text, nullable=False),
        Column("bit", Text, nullable=False),
        Column("flute", Integer, nullable=False),
        Column("parts", Integer, nullable=False),
        Column("view", Text, nullable=False),
        *(Column(name, Text, nullable=False) for name in ("photo", "photo_sha256", "refusal")),
        *(Column(name, Text, nullable=False) for name in ("wearscope_version", "inspected_at")),
    )
    op.create_table(
        "measurement",
        Column("id", Integer, primary_key=True),
        Column("trial", Text, nullable=False),
        Column("bit", Text, nullable=False),
        Column("flute", Integer, nullable=False),
        Column("parts", Integer, nullable=False),
        *(Column(name, Text, nullable=False) for name in ("view", "quantity", "zone")),
        Column("value", Double),
        Column("unit", Text, nullable=False),
        *(Column(name, Double) for name in ("std_uncertainty", "low95", "high95")),
        *(Column(name, Text, nullable=False) for name in ("status", "note", "method")),
        *(Column(name, Text, nullable=False) for name in ("photo", "photo_sha256", "scale")),
        Column("um_per_px", Double),
        *(Column(name, Text, nullable=False) for name in ("wearscope_version", "measured_at")),
        Column("inspection_id", Integer, ForeignKey("inspection.id"), nullable=False),
        Column("superseded_by", Integer, ForeignKey("inspection.id")),
    )
    current = text("superseded_by IS NULL")
    op.create_index(
        "one_current_row_per_number",
        "measurement",
        [*PLACE, "quantity", "zone"],
        unique=True,
        sqlite_where=current,
        postgresql_where=current,
    )
    op.create_index("inspections_of_a_photo", "inspection", [*PLACE])
