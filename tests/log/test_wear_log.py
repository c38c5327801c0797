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
from log_rows import RADIUS, inspection, record
from sqlalchemy import event
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateIndex, CreateTable

from wearscope.errors import LogError
from wearscope.log import checksums, place, schema
from wearscope.log.inputs import Inputs, PhotoInputs, ToolInputs, fingerprint_of
from wearscope.log.logged import Standing
from wearscope.log.order import in_order, natural_key
from wearscope.log.place import LogFile
from wearscope.log.records import Record
from wearscope.log.upkeep import examine
from wearscope.log.wear_log import WearLog


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
    tenth = replace(tenth, detection_limit=3.29, dof=7.5, reasons="worn-flat; edge-bent(per_mm=0.034)")
    with WearLog(path) as log:
        assert log.append(inspection(), [record(), RADIUS, refused, tenth]) == 4
        assert set(log.current()) == {record(), RADIUS, refused, tenth}


def test_columns_of_the_table_are_those_of_the_design_in_their_order(path):
    with WearLog(path) as log:
        log.append(inspection(), [record()])
    columns = [column[1] for column in sqlite3.connect(path).execute("PRAGMA table_info(measurement)")]
    names = (  # what came after 0.1 stands at the end, after the columns that are the log's own
        "bit, flute, parts, view, quantity, zone, value, unit, std_uncertainty, low95, high95, status, note, "
        "method, photo, photo_sha256, scale, um_per_px, wearscope_version, measured_at"
    )
    start = columns.index("bit")
    assert columns[start : start + 20] == names.split(", ")
    assert columns[-4:-1] == ["detection_limit", "dof", "reasons"]


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
        {"detection_limit": 2.3},
        {"dof": 12.0},
        {"reasons": "worn-flat"},
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


LINE = "photos/A-040-1.jpg is blurred; focus on the edge and take it again"


def inputs(photo="ab" * 32, wedge=60.0):
    return Inputs(PhotoInputs(photo, "bench 60x"), ToolInputs(wedge_angle_deg=wedge), "1").named()


def refused(**changed):
    return inspection(
        refusal=LINE,
        refusal_code="blurred(px=8.0)",
        **{"inspected_at": "2026-02-01T00:00:00+00:00", **changed},
    )


def test_a_refusal_is_kept_and_hides_nothing_that_rests_on_the_same(path):
    with WearLog(path) as log:
        for made in (inspection(), inspection(flute=2, inputs=inputs())):
            log.append(made, [record(flute=made.flute)])
            failed = refused(flute=made.flute, inputs=made.inputs)
            assert log.append(failed, []) == 0
            assert log.current(flute=made.flute) == [record(flute=made.flute)]
            assert log.inspections(flute=made.flute) == [made, failed]
            log.append(replace(failed, inspected_at="2026-02-02T00:00:00+00:00"), [])
            assert len(log.inspections(flute=made.flute)) == 2, (
                "the same refusal of the same photo is said once"
            )
            log.append(replace(failed, photo_sha256="ef" * 32), [])
            assert len(log.inspections(flute=made.flute)) == 3, "another photo refused is another event"


def test_a_refusal_of_which_nothing_is_known_hides_nothing(path):
    """A share that is not there today, say: no photo could be read."""
    with WearLog(path) as log:
        log.append(inspection(inputs=inputs()), [record()])
        log.append(refused(photo_sha256=""), [])
        assert log.current() == [record()]
        assert log.standing(inspection().trial, {PLACE: inputs()})[PLACE].state == "measured"


def test_a_refusal_with_other_inputs_makes_what_was_measured_history(path):
    with WearLog(path) as log:
        log.append(inspection(inputs=inputs()), [record()])
        log.append(refused(inputs=inputs(wedge=45.0)), [])
        assert log.current() == []
        (past,) = log.history()
        assert past.record == record()
        assert (past.superseded_at, past.superseding_refusal) == ("2026-02-01T00:00:00+00:00", LINE)
        assert past.changed_inputs == ("wedge_angle_deg",)
        assert log.append(inspection(inputs=inputs()), [record()]) == 1
        assert log.current() == [record()]


def test_a_refused_photo_has_no_records(path):
    with WearLog(path) as log, pytest.raises(ValueError, match="refused"):
        log.append(refused(), [record()])


def test_the_same_number_from_other_inputs_is_another_row(path):
    with WearLog(path) as log:
        log.append(inspection(inputs=inputs()), [record(), RADIUS])
        assert log.append(inspection(inputs=inputs()), [record(), RADIUS]) == 0
        later = inspection(inputs=inputs(photo="cd" * 32, wedge=59.0), inspected_at="2026-03-01")
        assert log.append(later, [record(), replace(RADIUS, value=30.0)]) == 2
        first, second = log.history(quantity="edge_radius", zone="used")
        assert (first.record.value, first.inputs, first.changed_inputs) == (
            31.4,
            inputs(),
            ("photo_sha256", "wedge_angle_deg"),
        )
        assert (second.record.value, second.inputs, second.changed_inputs) == (30.0, later.inputs, None)
        assert len(log.history(quantity="edge_recession")) == 2
        assert log.append(replace(later, inspected_at="2026-04-01"), [record(), RADIUS]) == 1
        assert log.history(quantity="edge_radius", zone="used")[1].changed_inputs == (), (
            "the result alone changed"
        )


PLACE = ("A", 1, 40, "relief")


def test_a_clock_that_was_set_back_changes_no_order(path):
    """What was added later holds, whatever the clock said; times are told as they were noted."""
    late, early = "2026-12-01T08:00:00+00:00", "2025-01-01T08:00:00+00:00"
    trial = inspection().trial
    before, after = inputs(), inputs(wedge=45.0)
    with WearLog(path) as log:
        log.append(inspection(inspected_at=late, inputs=before), [record(measured_at=late)])
        again = inspection(inspected_at=early, inputs=after)
        for value in (20.0, 21.0):
            log.append(again, [record(value=value, measured_at=early)])
        log.append(
            inspection(inspected_at=early, inputs=after, refusal="blurred", refusal_code="blurred"), []
        )
        told = [(row.record.value, row.record.measured_at, row.superseded_at) for row in log.history()]
        assert told == [(18.6, late, early), (20.0, early, early), (21.0, early, None)]
        assert [row.value for row in log.current(trial=trial)] == [21.0]
        assert [row.refusal for row in log.inspections()] == ["", "", "", "blurred"]
        assert log.standing(trial, {PLACE: after})[PLACE].state == "refused"
        assert log.standing(trial, {PLACE: before})[PLACE].state == "out of date"
        held = log.holds(trial, {PLACE: after})
        assert ([row.value for row in held.current], list(held.history)) == ([21.0], log.history())
    assert examine(LogFile(path)).faults == ()


def test_only_what_is_expected_is_current(path):
    trial, other = inspection().trial, ("A", 2, 40, "relief")
    with WearLog(path) as log:
        log.append(inspection(inputs=inputs()), [record()])
        log.append(inspection(flute=2), [record(flute=2)])  # as of wearscope 0.1
        now, then = fingerprint_of(inputs()), fingerprint_of(inputs(wedge=45.0))
        assert log.current(trial=trial, expected={PLACE: now, other: now}) == [record()]
        assert log.current(trial=trial, expected={PLACE: then}) == []
        assert log.current(trial=trial, expected={other: now}) == []
        assert log.current(trial=trial, flute=2, expected={PLACE: now}) == []
        assert log.current(trial=trial) == [record(), record(flute=2)]
        with pytest.raises(ValueError, match="trial"):
            log.current(expected={PLACE: now})


def test_how_the_log_stands_to_what_the_trial_says_now(path):
    names = {"measured": 1, "refused": 2, "changed": 3, "old": 4, "never": 5}
    places = {name: ("A", flute, 40, "relief") for name, flute in names.items()}
    last = {
        "measured": inspection(flute=1, inputs=inputs()),
        "refused": refused(flute=2, inputs=inputs()),
        "changed": inspection(flute=3, inputs=inputs(wedge=45.0)),
        "old": inspection(flute=4),
    }
    with WearLog(path) as log:
        for made in last.values():
            log.append(made, [] if made.refusal else [record(flute=made.flute)])
        found = log.standing(inspection().trial, {place: inputs() for place in places.values()})
    assert {name: found[place] for name, place in places.items()} == {
        "measured": Standing("measured", (), last["measured"]),
        "refused": Standing("refused", (), last["refused"]),
        "changed": Standing("out of date", ("wedge_angle_deg",), last["changed"]),
        "old": Standing("out of date", None, last["old"]),
        "never": Standing("missing", (), None),
    }


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
    with pytest.raises(LogError, match="is a folder"):
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


@pytest.mark.statistics
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
    monkeypatch.setattr(place, "BUSY_TIMEOUT_S", 0.1)
    with WearLog(path) as log:
        log.append(inspection(), [record()])
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogError, match=r"another program.*run again"):
            log.append(inspection(), [RADIUS])
        assert log.current() == [record()]
        other.execute("ROLLBACK")
        assert log.append(inspection(), [RADIUS]) == 1


WRITE_ONE = """
t.place.BUSY_TIMEOUT_S = 0.2
with t.WearLog(Path(sys.argv[2])) as log:
    log.append(t.inspection(parts=40), [t.record(parts=40)])
"""


@pytest.mark.parametrize("read", ["current", "history", "holds", "examine"])
def test_who_reads_long_holds_up_nobody_and_sees_one_state(path, monkeypatch, read):
    with WearLog(path) as log:
        log.append(inspection(parts=20), [record(parts=20)])
    looked_at, wrote = checksums._looked_at, []

    def slowly(result, table):
        for row in looked_at(result, table):
            if not wrote:  # another program adds a photo between the first row and all others
                wrote.append(program(WRITE_ONE, path).wait(60))
            yield row

    monkeypatch.setattr(checksums, "_looked_at", slowly)
    with WearLog(path) as log:
        trial = inspection().trial
        seen = {
            "current": lambda: len(log.current(trial=trial)),
            "history": lambda: len(log.history(trial=trial)),
            "holds": lambda: len(log.holds(trial, {}).history),
            "examine": lambda: examine(log.place).n_rows["measurement"],
        }[read]()
        assert wrote == [0], "it could write meanwhile"
        assert seen == 1, "what was added meanwhile is not half in it"
        assert len(log.current(trial=trial)) == 2


def test_where_there_is_no_room_for_a_copy_the_log_is_read_where_it_is(path, monkeypatch):
    with WearLog(path) as log:
        log.append(inspection(), [record()])

        class Full(sqlite3.Connection):
            def backup(self, *_, **__):
                raise sqlite3.OperationalError("database or disk is full")

        connect = sqlite3.connect
        monkeypatch.setattr(sqlite3.dbapi2, "connect", lambda *a, **k: connect(*a, **k | {"factory": Full}))
        assert log.current() == [record()]


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
    assert len(astuple(record())) == 23
