"""Notes in the wear log, and logs of the version that had none."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import fields, replace
from pathlib import Path

import pytest
from log_rows import GRADE, REMARK, a_note
from seldom import seldom

from wearscope.errors import LogError
from wearscope.log import schema
from wearscope.log.logged import LoggedInspection
from wearscope.log.notes import Note
from wearscope.log.records import Record
from wearscope.log.wear_log import WearLog
from wearscope.report.note_words import note_line

TONE = a_note(quantity="tooth_passing_level_1", value=71.0)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "wear-log.sqlite"


def test_notes_come_back_as_they_went_in_and_in_order(path):
    new = a_note(parts=0, value=78.0)
    other = a_note(bit="A10", parts=0)
    with WearLog(path) as log:
        assert log.add_note([other, REMARK, GRADE, a_note(), TONE, new]) == 6
        assert log.notes() == [new, a_note(), TONE, GRADE, REMARK, other]
        assert log.notes(bit="A", parts=40, kind="grade") == [GRADE]
        assert log.notes(trial="Oak stair treads") == []
        assert [type(note.value) for note in log.notes(kind="remark")] == [type(None)]


def test_a_later_note_of_the_kind_takes_the_place_of_all_of_it(path):
    later = a_note(value=84.0, noted_by="Ben", noted_at="2026-01-06T08:00:00+00:00")
    with WearLog(path) as log:
        log.add_note([a_note(), TONE, GRADE])
        assert log.add_note([later]) == 1
        assert log.notes() == [later, GRADE], (
            "the earlier recording's tone does not stand beside the new level"
        )
        history = log.note_history()
    assert [entry.note for entry in history] == [a_note(), TONE, GRADE, later]
    assert [entry.superseded_at for entry in history] == [later.noted_at, later.noted_at, None, None]
    assert [entry.superseded_by for entry in history] == ["Ben", "Ben", "", ""]


def test_remarks_add_up(path):
    second, third = (replace(REMARK, text=text, noted_by="Ben") for text in ("burn marks", "new collet"))
    with WearLog(path) as log:
        assert [log.add_note([made]) for made in (REMARK, second, third, second, REMARK)] == [1, 1, 1, 0, 0]
        held = log.notes()
    assert [(made.text, made.noted_by) for made in held] == [("smells hot", "Ann"), ("burn marks", "Ben"), ("new collet", "Ben")]  # fmt: skip
    assert [note_line(made) for made in held] == ["smells hot", "burn marks", "new collet"]


def test_places_and_kinds_do_not_supersede_one_another(path):
    others = [
        a_note(trial="Oak stair treads"),
        a_note(bit="B"),
        a_note(flute=1),
        a_note(parts=80),
        a_note(kind="marks", quantity="mark_pitch"),
    ]
    with WearLog(path) as log:
        for made in (a_note(), *others):
            assert log.add_note([made]) == 1
        assert len(log.notes()) == 6


def test_the_same_again_adds_nothing_but_another_person_does(path):
    with WearLog(path) as log:
        log.add_note([a_note(), TONE])
        before = path.read_bytes()
        assert log.add_note([TONE, a_note(wearscope_version="9", noted_at="2027-01-01T00:00:00+00:00")]) == 0
        assert path.read_bytes() == before
        assert log.add_note([a_note(noted_by="Ben"), TONE]) == 2


@pytest.mark.parametrize(
    "notes",
    [[a_note(value=float("nan"))], [a_note(std_uncertainty=float("inf"))], [a_note(), a_note(value=1.0)]],
)
def test_what_cannot_be_is_not_noted(path, notes):
    with WearLog(path) as log, pytest.raises(ValueError, match="note"):
        log.add_note(notes)
    assert not path.exists()


def interrupted(*_):
    raise KeyboardInterrupt


def test_a_failure_half_way_leaves_the_notes_as_they_were(path, monkeypatch):
    with WearLog(path) as log:
        log.add_note([a_note(), GRADE])
        before = log.note_history()
        monkeypatch.setattr("wearscope.log.note_log.add_rows", interrupted)
        with pytest.raises(KeyboardInterrupt):
            log.add_note([a_note(value=99.0)])
        assert log.note_history() == before


def test_reading_makes_no_file(path):
    with WearLog(path) as log:
        assert (log.notes(), log.note_history()) == ([], [])
    assert not path.exists()


def test_the_columns_are_the_fields():
    columns = [column.name for column in schema.note.columns]
    assert columns == ["id", *(field.name for field in fields(Note)), "superseded_by", "checksum"]


# --- A log of version 1. Its tables as SQLite had them, written down before there were notes.

VERSION_1 = """
CREATE TABLE wear_log (schema_version INTEGER NOT NULL);
CREATE TABLE inspection (
    id INTEGER NOT NULL, trial TEXT NOT NULL, bit TEXT NOT NULL, flute INTEGER NOT NULL, parts INTEGER NOT NULL,
    "view" TEXT NOT NULL, photo TEXT NOT NULL, photo_sha256 TEXT NOT NULL, refusal TEXT NOT NULL,
    wearscope_version TEXT NOT NULL, inspected_at TEXT NOT NULL, PRIMARY KEY (id)
);
CREATE INDEX inspections_of_a_photo ON inspection (trial, bit, flute, parts, "view");
CREATE TABLE measurement (
    id INTEGER NOT NULL, trial TEXT NOT NULL, bit TEXT NOT NULL, flute INTEGER NOT NULL, parts INTEGER NOT NULL,
    "view" TEXT NOT NULL, quantity TEXT NOT NULL, zone TEXT NOT NULL, value DOUBLE, unit TEXT NOT NULL,
    std_uncertainty DOUBLE, low95 DOUBLE, high95 DOUBLE, status TEXT NOT NULL, note TEXT NOT NULL,
    method TEXT NOT NULL, photo TEXT NOT NULL, photo_sha256 TEXT NOT NULL, scale TEXT NOT NULL, um_per_px DOUBLE,
    wearscope_version TEXT NOT NULL, measured_at TEXT NOT NULL, inspection_id INTEGER NOT NULL,
    superseded_by INTEGER, PRIMARY KEY (id), FOREIGN KEY(inspection_id) REFERENCES inspection (id),
    FOREIGN KEY(superseded_by) REFERENCES inspection (id)
);
CREATE UNIQUE INDEX one_current_row_per_number ON measurement
    (trial, bit, flute, parts, "view", quantity, zone) WHERE superseded_by IS NULL;
INSERT INTO wear_log VALUES (1);
INSERT INTO inspection VALUES (1, 'Birch drawer fronts', 'A', 1, 40, 'relief', 'a.jpg', 'abab', '', '0.1.0', '2026-01-05');
INSERT INTO measurement VALUES (1, 'Birch drawer fronts', 'A', 1, 40, 'relief', 'edge_recession', 'difference', 18.6, 'um',
    0.7, 17.2, 20.0, 'ok', '', 'profile', 'a.jpg', 'abab', 'bench', 3.487, '0.1.0', '2026-01-05', 1, NULL);
"""
ROW = Record(
    "A", 1, 40, "relief", "edge_recession", "difference", 18.6, "um", 0.7, 17.2, 20.0, "ok", "", "profile", "a.jpg",
    "abab", "bench", 3.487, "0.1.0", "2026-01-05",
)  # fmt: skip


@pytest.fixture
def old(path):
    with closing(sqlite3.connect(path)) as database:
        database.executescript(VERSION_1)
    return path


def version(path):
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return database.execute("SELECT schema_version FROM wear_log").fetchall()


def test_an_old_log_is_read_as_it_is(old):
    before = old.read_bytes()
    with WearLog(old) as log:
        assert log.current() == [ROW]
        assert (log.notes(), log.note_history()) == ([], [])
    assert old.read_bytes() == before


def test_a_note_brings_an_old_log_up_to_date(old):
    with WearLog(old) as log:
        assert log.add_note([a_note()]) == 1
        assert log.notes() == [a_note()]
        assert log.current() == [ROW]
        assert len(log.history()) == len(log.inspections()) == 1
    assert version(old) == [(schema.SCHEMA_VERSION,)]


def test_a_measurement_brings_an_old_log_up_to_date(old):
    made = LoggedInspection(
        "Birch drawer fronts", "A", 2, 40, "relief", "b.jpg", "cd", "", "0.2.0", "2026-02-01"
    )
    with WearLog(old) as log:
        assert log.append(made, [replace(ROW, flute=2, photo="b.jpg")]) == 1
        assert len(log.current()) == 2
        assert log.add_note([a_note()]) == 1
    assert version(old) == [(schema.SCHEMA_VERSION,)]


def test_an_interrupted_upgrade_leaves_the_old_log(old, monkeypatch):
    monkeypatch.setattr("wearscope.log.note_log.add_rows", interrupted)
    with WearLog(old) as log, pytest.raises(KeyboardInterrupt):
        log.add_note([a_note()])
    assert version(old) == [(1,)]
    with closing(sqlite3.connect(old)) as database:
        assert database.execute("SELECT count(*) FROM sqlite_master WHERE name = 'note'").fetchone() == (0,)


def test_another_database_with_a_table_of_that_name(path):
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("CREATE TABLE note (id INTEGER)")
    with pytest.raises(LogError, match="not a wear log"):
        WearLog(path).add_note([a_note()])


WRITE_MANY = """
import sys; sys.path.insert(0, sys.argv[1])
import test_notes as t
from pathlib import Path
with t.WearLog(Path(sys.argv[2])) as log:
    for parts in range(25):
        log.add_note([t.a_note(flute=int(sys.argv[3]), parts=parts)])
        log.add_note([t.a_note(value=int(sys.argv[3]) + parts / 100), t.TONE])  # both want this place
"""


@pytest.mark.parametrize("which", [seldom("old"), seldom("none")])
def test_two_programs_note_at_once(path, which, request):
    if which == "old":
        request.getfixturevalue("old")
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    command = [sys.executable, "-c", WRITE_MANY, str(Path(__file__).parent), str(path)]
    writers = [subprocess.Popen([*command, flute], env=environment) for flute in ("2", "3")]
    assert [writer.wait(120) for writer in writers] == [0, 0]
    with WearLog(path) as log:
        for flute in (2, 3):
            assert [note.parts for note in log.notes(flute=flute)] == list(range(25))
        assert len(log.notes(flute=0)) == 2
        assert len(log.note_history(flute=0)) == 100, "no note of either was lost"
    assert version(path) == [(schema.SCHEMA_VERSION,)]
