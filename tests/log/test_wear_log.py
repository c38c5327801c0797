from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import astuple, fields, replace
from pathlib import Path

import pytest
from sqlalchemy import event
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateIndex, CreateTable

from wearscope.errors import LogError
from wearscope.log import database, schema
from wearscope.log.order import in_order, natural_key
from wearscope.log.records import Record
from wearscope.log.wear_log import LoggedInspection, WearLog


def inspection(**changed) -> LoggedInspection:
    made = LoggedInspection(
        trial="Birch drawer fronts",
        bit="A",
        flute=1,
        parts=40,
        view="relief",
        photo="photos/A-040-1.jpg",
        photo_sha256="ab" * 32,
        refusal="",
        wearscope_version="0.1.0",
        inspected_at="2026-01-05T08:00:00+00:00",
    )
    return replace(made, **changed)


def record(**changed) -> Record:
    row = Record(
        bit="A",
        flute=1,
        parts=40,
        view="relief",
        quantity="edge_recession",
        zone="difference",
        value=18.6,
        unit="um",
        std_uncertainty=0.7,
        low95=17.2,
        high95=20.0,
        status="ok",
        note="",
        method="profile+model",
        photo="photos/A-040-1.jpg",
        photo_sha256="ab" * 32,
        scale="bench 60x",
        um_per_px=3.487,
        wearscope_version="0.1.0",
        measured_at="2026-01-05T08:00:00+00:00",
    )
    return replace(row, **changed)


RADIUS = record(quantity="edge_radius", zone="used", value=31.4)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "wear-log.sqlite"


def test_rows_come_back_as_they_went_in(path):
    refused = record(
        quantity="wear_land",
        zone="used",
        value=None,
        std_uncertainty=None,
        low95=None,
        high95=None,
        status="refused",
        note="glare",
    )
    tenth = record(
        quantity="chip_count", zone="used", value=0.1 + 0.2
    )  # 0.30000000000000004: every bit counts
    with WearLog(path) as log:
        assert log.append(inspection(), [record(), RADIUS, refused, tenth]) == 4
        assert set(log.current()) == {record(), RADIUS, refused, tenth}


def test_columns_of_the_table_are_those_of_the_design_in_their_order(path):
    with WearLog(path) as log:
        log.append(inspection(), [record()])
    columns = [column[1] for column in sqlite3.connect(path).execute("PRAGMA table_info(measurement)")]
    names = (
        "bit, flute, parts, view, quantity, zone, value, unit, std_uncertainty, low95, high95, status, note, "
        "method, photo, photo_sha256, scale, um_per_px, wearscope_version, measured_at"
    )
    start = columns.index("bit")
    assert columns[start : start + 20] == names.split(", ")


@pytest.mark.parametrize(
    "again",
    [record(), record(wearscope_version="9.9.9"), record(measured_at="2027-01-01T00:00:00+00:00")],
    ids=["same", "version", "time"],
)
def test_the_same_result_adds_nothing(path, again):
    with WearLog(path) as log:
        log.append(inspection(), [record()])
        before = path.read_bytes()
        assert log.append(inspection(inspected_at=again.measured_at), [again]) == 0
        assert path.read_bytes() == before
        assert log.current() == [record()]


@pytest.mark.parametrize(
    "change",
    [
        {"value": 18.600000000000001 + 1e-9},
        {"std_uncertainty": 0.8},
        {"status": "doubtful"},
        {"note": "resin on the edge"},
        {"method": "profile+model+hand"},
        {"photo_sha256": "cd" * 32},
        {"scale": "bench 40x"},
        {"um_per_px": 3.5},
        {"value": None, "std_uncertainty": None, "low95": None, "high95": None, "status": "refused"},
    ],
    ids=lambda change: next(iter(change)),
)
def test_a_changed_result_becomes_current_and_the_earlier_is_history(path, change):
    changed = record(**change, measured_at="2026-02-01T00:00:00+00:00")
    with WearLog(path) as log:
        log.append(inspection(), [record(), RADIUS])
        later = inspection(inspected_at=changed.measured_at, photo_sha256=changed.photo_sha256)
        assert log.append(later, [changed, RADIUS]) == 1
        assert log.current() == in_order([changed, RADIUS])
        past, radius, now = log.history()
    assert (past.record, past.superseded_at) == (record(), "2026-02-01T00:00:00+00:00")
    assert (radius.record, radius.superseded_at) == (RADIUS, None)
    assert (now.record, now.superseded_at) == (changed, None)


def test_back_to_an_earlier_result_is_one_more_row_not_a_lost_one(path):
    values = [18.6, 19.9, 18.6]
    with WearLog(path) as log:
        for value in values:
            log.append(inspection(), [record(value=value)])
        assert [row.record.value for row in log.history()] == values
        assert [row.superseded_at is None for row in log.history()] == [False, False, True]


def test_a_quantity_no_longer_asked_for_is_history(path):
    with WearLog(path) as log:
        log.append(inspection(), [record(), RADIUS])
        log.append(inspection(), [record()])
        assert log.current() == [record()]
        assert len(log.history()) == 2


def test_a_refused_photo_leaves_no_current_row_and_destroys_none(path):
    line = "photos/A-040-1.jpg is blurred; focus on the edge and take it again"
    refused = inspection(photo_sha256="cd" * 32, refusal=line, inspected_at="2026-02-01T00:00:00+00:00")
    with WearLog(path) as log:
        log.append(inspection(), [record()])
        log.append(refused, [])
        assert log.current() == []
        (past,) = log.history()
        assert past.record == record()
        assert (past.superseded_at, past.superseding_refusal) == ("2026-02-01T00:00:00+00:00", line)
        assert log.inspections()[-1] == refused

        log.append(replace(refused, inspected_at="2026-02-02T00:00:00+00:00"), [])
        assert len(log.inspections()) == 2, "the same refusal of the same photo is said once"
        log.append(replace(refused, photo_sha256="ef" * 32), [])
        assert len(log.inspections()) == 3, "another photo refused is another event"

        assert log.append(inspection(), [record()]) == 1
        assert log.current() == [record()]


def test_trials_flutes_and_views_do_not_supersede_one_another(path):
    others = [
        (inspection(trial="Oak stair treads"), record()),
        (inspection(flute=2), record(flute=2)),
        (inspection(parts=80), record(parts=80)),
        (inspection(view="rake"), record(view="rake")),
        (inspection(bit="B"), record(bit="B")),
    ]
    with WearLog(path) as log:
        log.append(inspection(), [record()])
        for made, row in others:
            log.append(made, [row])
        assert all(row.superseded_at is None for row in log.history())
        assert log.current(trial="Oak stair treads") == [record()]
        assert log.current(trial="Birch drawer fronts", flute=2) == [record(flute=2)]
        assert [row.record for row in log.history(bit="B")] == [record(bit="B")]
        assert log.inspections(view="rake") == [others[3][0]]


@pytest.mark.parametrize(
    ("records", "said"),
    [
        ([record(), record(value=1.0)], "two records"),
        ([record(bit="B")], "was handed in with"),
        ([record(value=float("nan"))], "value = nan"),
        ([record(high95=float("inf"))], "high95 = inf"),
    ],
)
def test_what_cannot_be_is_not_logged(path, records, said):
    with WearLog(path) as log, pytest.raises(ValueError, match=said):
        log.append(inspection(), records)
    assert not path.exists()


def test_numbers_of_arrays_are_stored_as_numbers(path):
    np = pytest.importorskip("numpy")
    row = record(flute=np.int64(1), value=np.float64(18.6), um_per_px=np.float32(3.5))
    with WearLog(path) as log:
        log.append(inspection(), [row])
        (stored,) = log.current()
    assert (type(stored.flute), type(stored.value), type(stored.um_per_px)) == (int, float, float)
    assert stored == record(um_per_px=3.5)


def test_reading_makes_no_file(path):
    with WearLog(path) as log:
        assert (log.current(), log.history(), log.inspections()) == ([], [], [])
    assert list(path.parent.iterdir()) == []


def test_an_empty_file_is_an_empty_log(path):
    path.touch()
    with WearLog(path) as log:
        assert log.current() == []
        assert log.append(inspection(), [record()]) == 1


# --- files that are no wear log -------------------------------------------------------------------


def test_a_photo_in_place_of_the_log(path):
    path.write_bytes(b"\xff\xd8\xff\xe0" + bytes(5000))
    before = path.read_bytes()
    with pytest.raises(LogError, match=r"wear-log\.sqlite is not a wear log.*--out"):
        WearLog(path).__enter__()
    with pytest.raises(LogError, match="is not a wear log"):
        WearLog(path).append(inspection(), [record()])
    assert path.read_bytes() == before


def test_another_programs_database(path):
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE measurement (id INTEGER)")
    before = path.read_bytes()
    for attempt in (WearLog(path).__enter__, lambda: WearLog(path).append(inspection(), [record()])):
        with pytest.raises(LogError, match="a database but not a wear log"):
            attempt()
    assert path.read_bytes() == before


def test_the_log_of_a_newer_version(path):
    with WearLog(path) as log:
        log.append(inspection(), [record()])
    with sqlite3.connect(path) as other:
        other.execute(f"UPDATE wear_log SET schema_version = {schema.SCHEMA_VERSION + 1}")
    other.close()
    before = path.read_bytes()
    for attempt in (WearLog(path).__enter__, lambda: WearLog(path).append(inspection(), [RADIUS])):
        with pytest.raises(LogError, match=r"newer wearscope.*update wearscope"):
            attempt()
    assert path.read_bytes() == before


def test_a_folder_in_place_of_the_log(path):
    path.mkdir()
    with pytest.raises(LogError, match="cannot be"):
        WearLog(path).__enter__()


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(LogError, match="writable"):
        WearLog(tmp_path / "gone" / "wear-log.sqlite").append(inspection(), [record()])


def test_a_log_that_may_not_be_written(path):
    with WearLog(path) as log:
        log.append(inspection(), [record()])
    with WearLog(path) as log:
        # As if the file were read-only, which nothing is to the superuser who may be running this.
        event.listen(log._engine, "connect", lambda sqlite, _: sqlite.execute("PRAGMA query_only = ON"))
        assert log.current() == [record()]
        with pytest.raises(LogError, match=r"cannot be written.*writable"):
            log.append(inspection(), [RADIUS])


def test_a_damaged_log_is_said_to_be_so(path):
    with WearLog(path) as log:
        for part in range(40):
            log.append(inspection(parts=part), [record(parts=part)])
    content = bytearray(path.read_bytes())
    content[4096:] = random.Random(1).randbytes(len(content) - 4096)
    path.write_bytes(content)
    with pytest.raises(LogError, match="damaged"):
        WearLog(path).history()


# --- whole or not at all, and two at once -----------------------------------------------------------


def test_a_failure_half_way_leaves_the_log_as_it_was(path, monkeypatch):
    with WearLog(path) as log:
        log.append(inspection(), [record()])
        before = log.history(), log.inspections()

        def interrupted(*_):
            raise KeyboardInterrupt

        monkeypatch.setattr("wearscope.log.wear_log._insert", interrupted)
        with pytest.raises(KeyboardInterrupt):  # the earlier row is superseded already by then
            log.append(inspection(), [record(value=99.0)])
        assert (log.history(), log.inspections()) == before


def program(code, *arguments):
    """Start a program of its own that has this module as `t`, and the arguments in `sys.argv[2:]`."""
    start = (
        "import sys; sys.path.insert(0, sys.argv[1]); import test_wear_log as t; from pathlib import Path\n"
    )
    command = [sys.executable, "-c", start + code, str(Path(__file__).parent), *map(str, arguments)]
    return subprocess.Popen(command, env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))})


WRITE_MANY = """
path, flute = Path(sys.argv[2]), int(sys.argv[3])
with t.WearLog(path) as log:
    for parts in range(25):
        log.append(t.inspection(flute=flute, parts=parts), [t.record(flute=flute, parts=parts)])
        log.append(t.inspection(), [t.record(value=flute + parts / 1000)])  # both want this one
"""


def test_two_programs_write_at_once(path):
    writers = [program(WRITE_MANY, path, flute) for flute in (2, 3)]
    assert [writer.wait(120) for writer in writers] == [0, 0]
    with WearLog(path) as log:
        for flute in (2, 3):
            assert [row.parts for row in log.current(flute=flute)] == list(range(25))
        assert len(log.current(flute=1)) == 1
        contested = log.history(flute=1)
        assert len(contested) == 50, "no result of either was lost"
    assert sqlite3.connect(path).execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_log_that_stays_locked_is_reported(path, monkeypatch):
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 0.1)
    with WearLog(path) as log:
        log.append(inspection(), [record()])
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogError, match=r"another program.*run again"):
            log.append(inspection(), [RADIUS])
        assert log.current() == [record()]
        other.execute("ROLLBACK")
        assert log.append(inspection(), [RADIUS]) == 1


WRITE_ON = """
with t.WearLog(Path(sys.argv[2])) as log:
    for parts in range(10**9):
        log.append(t.inspection(parts=parts), [t.record(parts=parts)])
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_a_killed_program_leaves_what_it_had_finished(path):
    child = program(WRITE_ON, path)
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and len(WearLog(path).current()) < 5:
        time.sleep(0.05)
    child.send_signal(signal.SIGKILL)
    child.wait()
    with WearLog(path) as log:
        parts = [row.parts for row in log.current()]
        assert len(parts) >= 5
        assert parts == list(range(len(parts)))
        assert log.append(inspection(flute=2), [record(flute=2)]) == 1


# --- order and portability --------------------------------------------------------------------------


def test_order_does_not_depend_on_who_came_first():
    rows = [
        record(bit=bit, flute=flute, parts=parts, quantity=quantity, zone=zone)
        for bit in ("a", "bit 2", "bit 10")
        for flute in (1, 2, 10)
        for parts in (0, 9, 100)
        for quantity, zone in (
            ("transition_x_px", "whole"),
            ("edge_radius", "used"),
            ("edge_radius", "unused"),
            ("edge_radius", "difference"),
            ("registration_residual", "whole"),
        )
    ]
    for seed in range(5):
        shuffled = random.Random(seed).sample(rows, len(rows))
        assert in_order(shuffled) == rows


def test_natural_order_of_names():
    names = ["", "2", "10", "A", "A2", "a10", "A 1", "B", "é", "²"]
    assert sorted(random.Random(0).sample(names, len(names)), key=natural_key) == sorted(
        names, key=natural_key
    )
    assert sorted(["A10", "A2", "A1"], key=natural_key) == ["A1", "A2", "A10"]


def test_the_tables_can_be_made_in_postgresql():
    dialect = postgresql.dialect()
    tables = schema.metadata.sorted_tables
    made = [*map(CreateTable, tables), *(CreateIndex(index) for table in tables for index in table.indexes)]
    text = "\n".join(str(each.compile(dialect=dialect)) for each in made)
    assert "DOUBLE PRECISION" in text
    assert "WHERE superseded_by IS NULL" in text


def test_a_record_has_the_columns_of_the_table():
    assert [field.name for field in fields(Record)] == [
        column.name for column in schema.measurement.columns if column.name in schema.RECORD_TYPES
    ]
    assert len(astuple(record())) == 20
