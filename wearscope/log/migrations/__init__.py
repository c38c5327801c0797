"""Steps that bring a wear log of an earlier version up to the present one."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, text


def bring_up(connection: Connection, version: int, target: int) -> None:
    """Bring a log up to a version, in the transaction that is open on it: all of it happens, or nothing.

    Parameters
    ----------
    connection : Connection
    version : int
        Of the log as it is; 0 for an empty database.
    target : int
        Version that it is brought up to.

    Notes
    -----
    The version stands twice in a log: where Alembic keeps it, and in `wear_log`, where versions of wearscope look
    that knew nothing of Alembic, and then leave a newer log alone.
    """
    from alembic.operations import Operations  # here, for it takes 0.2 s and few runs need it
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory

    context = MigrationContext.configure(connection)
    scripts = ScriptDirectory(Path(__file__).parent)
    if version and not context.get_current_heads():
        context.stamp(scripts, str(version))  # written before Alembic was used
    steps = scripts.iterate_revisions(str(target), str(version) if version else "base")
    for step in reversed(list(steps)):
        step.module.upgrade(Operations(context))
        context.stamp(scripts, step.revision)
    if version:
        connection.execute(text("UPDATE wear_log SET schema_version = :target"), {"target": target})
    else:
        connection.execute(text("INSERT INTO wear_log VALUES (:target)"), {"target": target})
