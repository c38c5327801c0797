"""Version 3: what numbers rest on, why they are as they are, which trial is which, and checksums of all rows."""

from __future__ import annotations

from alembic.operations import Operations
from sqlalchemy import Column, Double, ForeignKey, Integer, MetaData, Table, Text, bindparam, inspect, select

from wearscope.log.checksums import checksum_of

revision = "3"
down_revision = "2"

PLACE = ("trial", "bit", "flute", "parts", "view")
EARLIER_TABLES = ("inspection", "measurement", "note", "correction")


def _text(name: str) -> Column[str]:
    return Column(name, Text, nullable=False, server_default="")  # a default, for there may be rows


def upgrade(op: Operations) -> None:
    """Add columns and tables, and give every row its checksum.

    Parameters
    ----------
    op : Operations
    """
    if (
        "correction" not in inspect(op.get_bind()).get_table_names()
    ):  # made with the first correction until now
        op.create_table(
            "correction",
            Column("id", Integer, primary_key=True),
            *(Column(name, Text, nullable=False) for name in ("trial", "bit")),
            *(Column(name, Integer, nullable=False) for name in ("flute", "parts")),
            *(Column(name, Text, nullable=False) for name in ("view", "photo_sha256", "kind")),
            Column("value", Text),
            *(Column(name, Text, nullable=False) for name in ("by", "at")),
        )
        op.create_index("corrections_of_a_trial", "correction", ["trial", "photo_sha256"])
    op.add_column("inspection", _text("refusal_code"))
    op.add_column("inspection", Column("fingerprint", Text))
    op.add_column("inspection", Column("inputs", Text))
    op.add_column("measurement", Column("detection_limit", Double))
    op.add_column("measurement", Column("dof", Double))
    op.add_column("measurement", _text("reasons"))
    for table in EARLIER_TABLES:
        op.add_column(table, _text("checksum"))
    op.create_table(
        "known_trial",
        Column("id", Integer, primary_key=True),
        *(Column(name, Text, nullable=False) for name in ("name", "file", "seen_at")),
        _text("checksum"),
    )
    op.create_index("one_trial_of_a_name", "known_trial", ["name"], unique=True)
    op.create_table(
        "move",
        Column("id", Integer, primary_key=True),
        Column("from_trial", Text, nullable=False),
        Column("from_bit", Text),
        Column("from_flute", Integer),
        Column("to_trial", Text, nullable=False),
        Column("to_bit", Text),
        Column("to_flute", Integer),
        *(Column(name, Text, nullable=False) for name in ("by", "at")),
        Column("takes_back", Integer, ForeignKey("move.id")),
        _text("checksum"),
    )
    # Whatever rows are looked up by stands in an index too, so that SQLite notices where the two differ.
    op.create_index("numbers_of_a_photo", "measurement", [*PLACE, "quantity", "zone"])
    op.create_index("notes_of_a_place", "note", ["trial", "bit", "flute", "parts", "kind"])
    _seal(op)


def _seal(op: Operations) -> None:
    connection, metadata = op.get_bind(), MetaData()
    for name in EARLIER_TABLES:
        table = Table(name, metadata, autoload_with=connection)
        found = connection.execute(select(table)).mappings().all()
        if found:
            sums = [{"row": row["id"], "sum": checksum_of(name, dict(row))} for row in found]
            sealed = table.update().where(table.c.id == bindparam("row")).values(checksum=bindparam("sum"))
            connection.execute(sealed, sums)
