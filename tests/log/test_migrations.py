"""A log that wearscope 0.1 wrote: read as it is, brought up by the first that writes to it, and nothing lost.

`data/wear-log-0.1.sqlite.gz` was written by wearscope 0.1.0: the demo measured, then one number measured again to
another value, three notes and a correction.
"""

from __future__ import annotations

import gzip
import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from seldom import seldom
from sqlalchemy import create_engine

from wearscope.errors import LogError
from wearscope.log import place, schema
from wearscope.log.corrections import CorrectionLog, LoggedCorrection
from wearscope.log.identity import IdentityLog
from wearscope.log.logged import LoggedInspection
from wearscope.log.migrations import bring_up
from wearscope.log.wear_log import WearLog

OLD = Path(__file__).parent / "data" / "wear-log-0.1.sqlite.gz"
TRIAL = "Quillmoor Workshop, birch drawer fronts"
RECESSION_UM, TOTAL = 27.88231825297052, 12823.73848874002
TABLES = ("inspection", "measurement", "note", "correction")


@pytest.fixture
def old(tmp_path):
    path = tmp_path / "wear-log.sqlite"
    path.write_bytes(gzip.decompress(OLD.read_bytes()))
    return path


def rows(path, table, columns=None):
    """Rows as SQLite itself has them, of the columns named, or of all."""
    with closing(sqlite3.connect(path)) as plain:
        plain.row_factory = sqlite3.Row
        found = [dict(row) for row in plain.execute(f"SELECT * FROM {table} ORDER BY id")]
    return [{name: row[name] for name in columns or row} for row in found]


def version(path):
    with closing(sqlite3.connect(path)) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return plain.execute("SELECT schema_version FROM wear_log").fetchone()[0]


def anything(path):
    """What brings the log up: the smallest thing that can be written."""
    made = LoggedInspection(TRIAL, "Wren", 9, 9, "relief", "a.jpg", "ab", "", "0.2.0", "2027-01-01")
    with WearLog(path) as log:
        log.append(made, [])


def test_it_is_read_without_being_changed(old):
    before = old.read_bytes()
    with WearLog(old) as log, CorrectionLog(old) as by_hand, IdentityLog(old) as identity:
        assert len(log.current(trial=TRIAL)) == 248
        history = log.history(trial=TRIAL)
        assert len(history) == 249
        assert len(log.inspections()) == 18
        assert [note.value for note in log.notes(kind="sound")] == [84.0]
        assert [entry.superseded_by for entry in log.note_history(kind="sound")] == ["Ben", ""]
        assert [note.text for note in log.notes(kind="remark")] == ["smells hot, 2 µm of resin"]
        (said,) = by_hand.current(TRIAL).values()
        assert said.transition_px == (1012.5, 640.25)
        assert identity.moves() == []
    assert old.read_bytes() == before
    assert [each.name for each in old.parent.iterdir()] == [old.name]


def test_its_numbers(old):
    """Read from the log with SQLite's own shell when it was taken in."""
    with WearLog(old) as log:
        radii = log.current(parts=300)
        found = {(r.bit, r.flute): r.value for r in radii if (r.quantity, r.zone) == ("edge_radius", "used")}
        past = log.history(bit="Wren", flute=1, parts=300, quantity="edge_recession")
        total = sum(r.value for r in log.current() if r.value is not None)
    assert found == pytest.approx(
        {("Wren", 1): 42.0199439829601, ("Wren", 2): 37.0832223574149, ("Plover", 1): 27.5584743847598,
         ("Plover", 2): 25.7025802746854, ("Heron", 1): 15.6412763240009, ("Heron", 2): 15.5819233206967},
        rel=1e-13,
    )  # fmt: skip
    assert [r.record.value for r in past] == pytest.approx([RECESSION_UM, RECESSION_UM + 0.5], rel=1e-13)
    assert past[0].superseded_at == "2026-12-01T08:00:00+00:00"
    assert (past[0].inputs, past[0].changed_inputs) == (None, None)
    assert total == pytest.approx(TOTAL, rel=1e-12)


def test_what_it_did_not_know_is_empty(old):
    with WearLog(old) as log:
        assert {(r.detection_limit, r.dof, r.reasons) for r in log.current()} == {(None, None, "")}
        assert {(made.refusal_code, made.inputs, made.fingerprint) for made in log.inspections()} == {
            ("", None, None)
        }
        assert log.current(trial=TRIAL, expected={("Wren", 1, 300, "relief"): "ab"}) == []


@pytest.mark.parametrize("table", TABLES)
def test_the_first_that_writes_brings_it_up_and_keeps_every_row(old, table):
    before = rows(old, table)
    assert version(old) == 2
    anything(old)
    assert version(old) == schema.SCHEMA_VERSION
    kept = rows(old, table, before[0])
    assert kept[: len(before)] == before
    assert len(kept) == len(before) + (table == "inspection")
    sums = [row["checksum"] for row in rows(old, table)]
    assert all(len(each) == 64 for each in sums)
    assert len(set(sums)) == len(sums)


def test_what_is_read_is_the_same_before_and_after(old):
    def all_of_it():
        with WearLog(old) as log, CorrectionLog(old) as by_hand:
            return log.current(), log.history(), log.inspections(), log.note_history(), by_hand.history(TRIAL)

    before = all_of_it()
    anything(old)
    after = all_of_it()
    assert after[2].pop().flute == 9
    assert after == before


@pytest.mark.parametrize("what", ["note", "correction", "claim"])
def test_whatever_writes_first(old, what):
    if what == "note":
        with WearLog(old) as log:
            log.add_note([replace(log.notes(kind="remark")[0], text="new collet")])
    elif what == "correction":
        with CorrectionLog(old) as log:
            log.append(
                [
                    LoggedCorrection(
                        TRIAL, "Wren", 1, 0, "relief", "ab", "transition_px", "[1,2]", "Ann", "now"
                    )
                ]
            )
    else:
        with IdentityLog(old) as log:
            log.claim(TRIAL, old.parent / "trial.toml")
    assert version(old) == schema.SCHEMA_VERSION
    with WearLog(old) as log:
        assert len(log.history()) == 249


def test_a_failure_leaves_the_old_log(old, monkeypatch):
    before = old.read_bytes()

    def fail(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("wearscope.log.checksums.checksum_of", fail)
    with pytest.raises(KeyboardInterrupt):
        anything(old)
    assert old.read_bytes() == before


KILLED = """
import os, signal, sys
from pathlib import Path
from sqlalchemy import event
sys.path.insert(0, sys.argv[1])
from wearscope.log import checksums
from wearscope.log.place import LogFile
import test_migrations as t

path, left = Path(sys.argv[2]), int(sys.argv[3])
real, open_engine = checksums.checksum_of, LogFile.engine

def counted(*of):
    global left
    left -= 1
    if left < 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(*of)

def small(place):  # so that half of the work is in the file already
    engine = open_engine(place)
    event.listen(engine, "connect", lambda plain, _: plain.execute("PRAGMA cache_size = 1"))
    return engine

checksums.checksum_of, LogFile.engine = counted, small
t.kill_before_commit(left)
t.anything(path)
"""


def kill_before_commit(left):
    """Where no checksum is the last one, die at the commit instead."""
    if left >= 10**6:
        from sqlalchemy import event
        from sqlalchemy.engine import Engine

        def at_commit(connection):
            if connection.get_execution_options().get("writes"):
                os.kill(os.getpid(), signal.SIGKILL)

        event.listen(Engine, "commit", at_commit)


@pytest.mark.statistics
@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
@pytest.mark.parametrize("checksums", [seldom(0), 20, seldom(271), seldom(10**6)])
def test_a_migration_that_is_killed_leaves_the_old_log(old, checksums):
    """After so many of 271 rows have their checksum; 10⁶ stands for all, and nothing but the commit missing."""
    with WearLog(old) as log:
        before = log.current(), log.history(), log.note_history()
    first = {table: rows(old, table) for table in TABLES}
    whole = old.read_bytes()
    command = [sys.executable, "-c", KILLED, str(Path(__file__).parent), str(old), str(checksums)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    done = subprocess.run(command, env=environment, timeout=120, check=False)
    assert done.returncode == -signal.SIGKILL
    if checksums >= 271:
        assert old.read_bytes() != whole, "it was killed too early to prove anything"
        assert old.with_name(old.name + "-journal").exists()
    with WearLog(old) as log:
        assert (log.current(), log.history(), log.note_history()) == before
    assert version(old) == 2
    assert {table: rows(old, table) for table in TABLES} == first
    anything(old)
    assert version(old) == schema.SCHEMA_VERSION
    with WearLog(old) as log:
        assert log.history() == before[1]


@pytest.mark.statistics
def test_a_migration_says_nothing_and_leaves_logging_alone(old):
    code = (
        "import logging, sys; sys.path.insert(0, sys.argv[1])\n"
        "before = logging.getLogger().handlers[:], logging.getLogger().level, logging.root.manager.disable\n"
        "import test_migrations as t; from pathlib import Path\n"
        "t.anything(Path(sys.argv[2])); t.anything(Path(sys.argv[3]))\n"
        "assert before == (logging.getLogger().handlers, logging.getLogger().level, logging.root.manager.disable)\n"
        "assert not [n for n, l in logging.root.manager.loggerDict.items() if getattr(l, 'disabled', False)]\n"
        "assert not logging.getLogger('alembic').level\n"
    )
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    command = [
        sys.executable,
        "-c",
        code,
        str(Path(__file__).parent),
        str(old),
        str(old.parent / "new.sqlite"),
    ]
    done = subprocess.run(
        command, env=environment, timeout=120, check=True, capture_output=True, text=True, cwd=old.parent
    )
    assert (done.stdout, done.stderr) == ("", "")


def test_a_run_that_needs_no_migration_does_not_load_alembic(old):
    anything(old)
    code = "import sys; from wearscope.log.wear_log import WearLog; from pathlib import Path\nwith WearLog(Path(sys.argv[1])) as log: assert log.current() and 'alembic' not in sys.modules"
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    subprocess.run([sys.executable, "-c", code, str(old)], env=environment, timeout=120, check=True)


@pytest.mark.parametrize("start", [None, 0, 1, 2])
def test_all_ways_lead_to_the_tables_that_the_code_knows(tmp_path, start):
    """Alembic's own comparison finds nothing between the tables made step by step and those described."""
    engine = create_engine(f"sqlite:///{tmp_path / 'log.sqlite'}")
    with engine.begin() as connection:
        if start is None:
            schema.make(connection)
        else:
            if start:
                bring_up(connection, 0, start)
            bring_up(connection, start, schema.SCHEMA_VERSION)
    with engine.begin() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, schema.metadata) == []
        assert context.get_current_heads() == (str(schema.SCHEMA_VERSION),)
        said = connection.exec_driver_sql("SELECT schema_version FROM wear_log").scalars().all()
        assert said == [schema.SCHEMA_VERSION]
    engine.dispose()


def test_a_new_log_is_the_one_that_the_steps_make(tmp_path):
    """Columns in their order, with type, default and whether they may be empty; indexes; what refers to what."""
    looks = []
    for name, make in (("new", schema.make), ("steps", lambda c: bring_up(c, 0, schema.SCHEMA_VERSION))):
        engine = create_engine(f"sqlite:///{tmp_path / name}")
        with engine.begin() as connection:
            make(connection)
        with closing(sqlite3.connect(tmp_path / name)) as plain:
            tables = sorted(
                row[0] for row in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            )
            look = {
                (table, what): plain.execute(f"PRAGMA {what}({table})").fetchall()
                for table in tables
                for what in ("table_info", "foreign_key_list")
            }
            indexes = plain.execute(
                "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql NOT NULL"
            )
            look["indexes"] = sorted((name, " ".join(sql.split())) for name, sql in indexes)
            looks.append(look)
        engine.dispose()
    assert looks[0] == looks[1]


def test_the_version_of_the_tables_is_that_of_the_last_step():
    from alembic.script import ScriptDirectory

    import wearscope.log.migrations as steps

    assert ScriptDirectory(Path(steps.__file__).parent).get_heads() == [str(schema.SCHEMA_VERSION)]


@pytest.mark.parametrize("said", [1, 2])
def test_a_version_that_is_not_the_true_one_is_noticed(old, said):
    anything(old)
    with closing(sqlite3.connect(old)) as plain, plain:
        plain.execute("UPDATE wear_log SET schema_version = ?", [said])
    before = old.read_bytes()
    for attempt in (WearLog(old).__enter__, WearLog(old).current, lambda: anything(old)):
        with pytest.raises(LogError, match=r"damaged.*restore"):
            attempt()
    assert old.read_bytes() == before


def test_a_log_in_the_middle_of_being_written_by_another_is_read(old, monkeypatch):
    monkeypatch.setattr(place, "BUSY_TIMEOUT_S", 0.1)
    with closing(sqlite3.connect(old, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with WearLog(old) as log:
            assert len(log.current()) == 248
        other.execute("ROLLBACK")
