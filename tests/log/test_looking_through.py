"""The first look for damage holds up nobody who writes, in another process too, and finds what there is all the same."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest
from log_rows import inspection, record
from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from wearscope.errors import LogError
from wearscope.log import apart, known_again, place
from wearscope.log.apart import copy_pages
from wearscope.log.place import LogFile
from wearscope.log.upkeep import copy_log, examine
from wearscope.log.wear_log import WearLog

WRITE_ONE = """
import sys
from pathlib import Path
from log_rows import inspection, record
from wearscope.log import place
from wearscope.log.wear_log import WearLog
place.BUSY_TIMEOUT_S = 0.2
with WearLog(Path(sys.argv[1])) as log:
    log.append(inspection(parts=40), [record(parts=40)])
"""


def written_by_another(path):
    """Exit code of another process that adds a photo."""
    paths = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    return subprocess.run([sys.executable, "-c", WRITE_ONE, str(path)], env=paths, check=False).returncode


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "wear-log.sqlite"
    with WearLog(path) as log:
        log.append(inspection(parts=20), [record(parts=20)])
    return path


def whole(path):
    log = LogFile(path)
    return log.is_whole(log.engine())


def opened(path):
    with WearLog(path) as log:
        return len(log.current())


def appended(path):
    with WearLog(path) as log:
        log.append(inspection(parts=60), [record(parts=60)])
        return len(log.current()) - 1


def appended_without_opening(path):
    log = WearLog(path)
    log.append(inspection(parts=60), [record(parts=60)])
    return len(log.current()) - 1


def copied(path):
    return copy_log(LogFile(path), LogFile(path.with_name("copy.sqlite")))["measurement"]


@pytest.mark.parametrize(
    "use",
    [
        opened,
        appended,
        appended_without_opening,
        copied,
        lambda path: examine(LogFile(path)).n_rows["measurement"],
    ],
)
def test_another_process_writes_while_the_rows_are_looked_through(path, monkeypatch, use):
    """It waits for 0.2 s at most, as `WRITE_ONE` says, however long the look takes."""
    really, wrote = Connection.exec_driver_sql, []

    def looks(self, statement, *more):
        looking = really(self, statement, *more)  # and is not through before all its rows were taken
        if "integrity_check" in statement and not wrote:
            wrote.append(written_by_another(path))
        return looking

    monkeypatch.setattr(Connection, "exec_driver_sql", looks)
    assert use(path) == 2, "and what it wrote is there"
    assert wrote == [0]


def some_pages(path, n_rows=3000):
    """A database of some 300 pages, in which both columns of each row are the same."""
    with closing(sqlite3.connect(path)) as made, made:
        made.execute("CREATE TABLE t (a, b)")
        made.executemany("INSERT INTO t VALUES (?, ?)", [("x" * 200, "x" * 200)] * n_rows)


@pytest.mark.parametrize("times", [1, 1000])
def test_a_copy_is_of_one_state_however_often_others_write_meanwhile(tmp_path, monkeypatch, times):
    """Written to once, it is begun anew; written to after every few pages, it is made at once."""
    path = tmp_path / "any.sqlite"
    some_pages(path)
    wrote = []

    class Meanwhile(apart._Copying):
        def __call__(self, status, left, all_):
            if left and len(wrote) < times:
                with closing(sqlite3.connect(path, timeout=0)) as other, other:
                    text = f"{len(wrote):0200}"
                    other.execute("UPDATE t SET a = ?, b = ?", [text, text])
                wrote.append(left)
            super().__call__(status, left, all_)

    monkeypatch.setattr(apart, "_Copying", Meanwhile)
    monkeypatch.setattr(apart, "PAGES", 20)
    with closing(sqlite3.connect(path)) as original, closing(sqlite3.connect("")) as made:
        copy_pages(original, made)
        assert made.execute("SELECT count(*), count(DISTINCT a), min(a = b) FROM t").fetchone() == (
            3000,
            1,
            1,
        )
        assert made.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert len(wrote) == (1 if times == 1 else apart._MOST_BEGUN_ANEW + 2), "the first, and each anew"


def test_a_log_that_others_keep_locked_is_given_up(path, monkeypatch):
    """After one wait: it is not tried again without a copy."""
    monkeypatch.setattr(place, "BUSY_TIMEOUT_S", 0.1)
    monkeypatch.setattr(place, "_finds_nothing", lambda _: pytest.fail("looked"))
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        for use in (opened, appended, lambda path: examine(LogFile(path))):
            with pytest.raises(LogError, match=r"another program.*run again"):
                use(path)
        other.execute("ROLLBACK")


def test_what_a_crash_left_half_written_is_rolled_back_first(path):
    """The pages of a transaction that never ended, beside its journal: both as a power cut leaves them."""
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA cache_size = 1")  # so that pages reach the file before the end
        other.execute("BEGIN IMMEDIATE")
        other.execute("UPDATE measurement SET value = 99")
        for n in range(2000):
            other.execute(
                "INSERT INTO known_trial (name, file, seen_at) VALUES (?, ?, '')", (f"{n:09}", "y" * 90)
            )
        content = path.read_bytes()
        journal = path.with_name(path.name + "-journal").read_bytes()
        other.execute("ROLLBACK")
    path.write_bytes(content)
    path.with_name(path.name + "-journal").write_bytes(journal)
    with WearLog(path) as log:
        assert [row.value for row in log.current()] == [record().value]


def test_damage_is_found_where_there_is_no_room_for_a_copy(path, monkeypatch):
    def full(*_):
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(place, "copy_pages", full)
    content = path.read_bytes()
    assert opened(path) == 1
    page = content[-4096:]
    assert page.strip(b"\0")
    path.write_bytes(content[:-4096] + bytes(random.Random(1).randbytes(4096)))
    with pytest.raises(LogError, match=r"damaged.*restore"):
        opened(path)


def test_a_large_log_that_is_damaged_is_not_known_again_as_whole(path, monkeypatch):
    """Neither after it was looked at, nor where a sound one took its place between the checksum and the look."""
    monkeypatch.setattr(place, "LARGE_BYTES", 0)
    sound = path.read_bytes()
    damaged = sound.replace(b"edge_recession", b"edge_recessiom", 1)  # in a row, or in an index for it
    path.write_bytes(damaged)
    assert not whole(path)
    assert not whole(path)
    digest_of = known_again.digest_of

    def then_another(file):
        made = digest_of(file)
        path.write_bytes(sound)
        return made

    monkeypatch.setattr(known_again, "digest_of", then_another)
    assert whole(path)
    monkeypatch.setattr(known_again, "digest_of", digest_of)
    path.write_bytes(damaged)
    assert not whole(path)


def test_what_a_copy_cannot_be_read_for_is_told_of_the_log(path):
    """Its header says another encoding of texts: SQLite's driver can read no name in it."""
    content = bytearray(path.read_bytes())
    content[56:60] = (3).to_bytes(4, "big")
    path.write_bytes(content)
    with pytest.raises(LogError, match=r"wear-log\.sqlite is damaged.*restore"):
        opened(path)


def test_a_log_that_may_not_be_read_is_not_said_to_be_one_that_cannot_be_written(path, monkeypatch):
    """As SQLite answers whoever may not read a file; to the superuser, who may be running this, it does not."""
    error = sqlite3.OperationalError("unable to open database file")
    error.sqlite_errorcode = sqlite3.SQLITE_CANTOPEN
    monkeypatch.setattr(place.os, "access", lambda *_: False)
    told = LogFile(path).explained(DBAPIError(None, None, error))
    assert str(told) == f"{path} cannot be read; make it readable for whoever runs wearscope"
