from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]

import fake_photos as fake  # noqa: E402

from wearscope.errors import LogError, WearscopeError  # noqa: E402
from wearscope.log.wear_log import WearLog  # noqa: E402
from wearscope.pipeline.results import sheet_names  # noqa: E402
from wearscope.pipeline.run import judge_trial, measure_trial  # noqa: E402


def measured(trial, out, **options):
    return measure_trial(trial, out, **({"jobs": 1, "inspector": fake.inspector} | options))


def table(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def timeless(records):
    return [replace(record, measured_at="") for record in records]


def test_what_is_written(tmp_path):
    trial = fake.a_trial(tmp_path / "trial")
    out = tmp_path / "out"
    result = measured(trial, out)
    assert sorted(str(path.relative_to(out)) for path in out.rglob("*")) == [
        "results",
        "results/measurements.csv",
        "results/refused.csv",
        "results/sheets",
        "wear-log.sqlite",
    ]
    rows = table(result.measurements)
    assert len(rows) == len(result.records) == 4 * 1 + 8 * 4
    assert [row["bit"] for row in rows] == ["A2"] * 18 + ["A10"] * 18, "natural order, not that of the file"
    with WearLog(result.wear_log) as log:
        assert tuple(log.current()) == result.records
    assert [photo.entry for photo in result.photos] == list(trial.photos)
    assert list(result.refusals) == table(result.refused) == []


def test_the_result_does_not_depend_on_how_many_work_on_it(tmp_path):
    trial = fake.a_trial(tmp_path / "trial")
    fake.tell(trial.folder, "A2", 40, 1, "seconds 0.5")  # overtaken by others
    fake.tell(trial.folder, "A10", 40, 2, "refuse")
    fake.tell(trial.folder, "A10", 0, 1, "crash")
    fake.tell(trial.folder, "A10", 120, 2, "sheet")
    with ThreadPoolExecutor(3) as threads:
        runs = {
            name: measured(trial, tmp_path / name, jobs=jobs)
            for name, jobs in {"serial": 1, "processes": 2, "threads": threads}.items()
        }
    serial = runs["serial"]
    for name, run in runs.items():
        assert timeless(run.records) == timeless(serial.records)
        assert [photo.entry for photo in run.photos] == list(trial.photos)
        assert [photo.refusal for photo in run.photos] == [photo.refusal for photo in serial.photos]
        assert run.refused.read_bytes() == serial.refused.read_bytes()
        assert [sheet.relative_to(tmp_path / name) for sheet in run.sheets] == [
            Path("results/sheets/A10-flute2-0120parts.png")
        ]
    assert runs["processes"].sheets[0].read_bytes() == serial.sheets[0].read_bytes()


def test_progress_counts_every_photo_once(tmp_path):
    trial = fake.a_trial(tmp_path)
    said = []
    measured(trial, tmp_path, progress=lambda *step: said.append(step))
    assert [step[:2] for step in said] == [(n, 12) for n in range(1, 13)]
    assert {step[2] for step in said} == set(trial.photos)


def test_measuring_again_adds_nothing(tmp_path):
    trial = fake.a_trial(tmp_path)
    fake.tell(tmp_path, "A2", 40, 1, "refuse")
    first = measured(trial, tmp_path)
    log, rows = first.wear_log.path.read_bytes(), first.measurements.read_bytes()
    second = measured(trial, tmp_path)
    assert second.wear_log.path.read_bytes() == log
    assert second.measurements.read_bytes() == rows


def test_a_changed_photo_is_measured_anew_and_its_earlier_rows_are_history(tmp_path):
    trial = fake.a_trial(tmp_path)
    measured(trial, tmp_path)
    fake.tell(tmp_path, "A2", 40, 1, "worn 99")
    result = measured(trial, tmp_path)
    values = [r.value for r in result.records if (r.bit, r.parts, r.flute) == ("A2", 40, 1)]
    assert 99.0 in values
    with WearLog(result.wear_log) as log:
        past = [r for r in log.history(bit="A2", parts=40, flute=1) if r.superseded_at]
        assert len(past) == 4, "another photo, another hash: every row of it is new"


# --- photos that do not work out ------------------------------------------------------------------------


def test_numbers_of_a_photo_that_is_no_longer_there_do_not_outlive_it(tmp_path):
    trial = fake.a_trial(tmp_path)
    fake.tell(tmp_path, "A2", 40, 1, "sheet")
    before = measured(trial, tmp_path)
    assert len(before.sheets) == 1
    fake.tell(tmp_path, "A2", 40, 1, "refuse")
    after = measured(trial, tmp_path)
    here = {"bit": "A2", "flute": 1, "parts": 40}
    assert not [row for row in after.records if (row.bit, row.flute, row.parts) == ("A2", 1, 40)]
    with WearLog(after.wear_log) as log:
        past = log.history(trial=trial.name, **here)
        assert [row.changed_inputs for row in past] == [("photo_sha256",)] * 4
        assert all("blurred; focus on the edge" in row.superseding_refusal for row in past)
        last = log.inspections(trial=trial.name, **here)[-1]
    assert last.refusal_code == "out-of-focus"
    assert list((tmp_path / "results" / "sheets").iterdir()) == []
    (photo,) = after.refusals
    assert photo.refusal_code == "out-of-focus"
    assert {one.refusal_code for one in after.photos if not one.refusal} == {""}
    (refused,) = table(after.refused)
    assert refused == {
        "bit": "A2",
        "flute": "1",
        "parts": "40",
        "view": "relief",
        "photo": "photos/A2-40-1.jpg",
        "refusal": "photos/A2-40-1.jpg: blurred; focus on the edge and take it again",
    }


def test_a_failure_on_one_photo_does_not_stop_the_others(tmp_path):
    trial = fake.a_trial(tmp_path)
    fake.tell(tmp_path, "A10", 0, 1, "crash")
    result = measured(trial, tmp_path)
    (failed,) = result.refusals
    assert failed.entry.file == "photos/A10-0-1.jpg"
    assert failed.refusal_code == "program-failed"
    assert (
        "photos/A10-0-1.jpg: the program failed on it (RuntimeError in fake_photos.py, line" in failed.refusal
    )
    assert failed.refusal.endswith(": no such luck); please report this with the photo")
    assert "\n" not in failed.refusal
    assert len(result.records) == 36 - 1


@pytest.mark.statistics
def test_a_photo_that_kills_its_process(tmp_path):
    trial = fake.a_trial(tmp_path)
    first = measured(trial, tmp_path)
    fake.tell(tmp_path, "A10", 0, 1, "die")
    result = measured(trial, tmp_path, jobs=2)
    died = next(photo for photo in result.photos if photo.entry.file == "photos/A10-0-1.jpg")
    assert "not measured: a worker process died" in died.refusal
    assert died.refusal_code == "worker-died"
    assert "--jobs" in died.refusal
    assert len(result.photos) == 12
    kept = {(row.bit, row.flute, row.parts) for row in result.records}
    gone = {(row.bit, row.flute, row.parts) for row in first.records} - kept
    assert ("A10", 1, 0) in gone, "its row is that of the photo before"
    assert {place[:2] for place in gone} == {("A10", 1)}, "nothing else rests on it"
    with WearLog(first.wear_log) as log:
        assert all(made.refusal == "" for made in log.inspections()), "nothing became known of it"
        assert len(log.current(trial=trial.name)) == len(first.records)


def test_numbers_that_make_no_sense_are_a_failure_not_a_row(tmp_path):
    trial = fake.a_trial(tmp_path)
    fake.tell(tmp_path, "A10", 40, 1, "nan")
    result = measured(trial, tmp_path)
    (failed,) = result.refusals
    assert "make no sense" in failed.refusal
    assert "please report" in failed.refusal
    assert len(result.records) == 36 - 4


def test_a_sheet_that_cannot_be_drawn_costs_no_number(tmp_path):
    trial = fake.a_trial(tmp_path)
    fake.tell(tmp_path, "A10", 40, 1, "broken sheet")
    result = measured(trial, tmp_path)
    assert result.refusals == result.sheets == ()
    assert len(result.records) == 36
    (warning,) = result.undrawn
    assert "its comparison sheet could not be drawn" in warning


def test_later_sheets_are_given_the_new_state_rows(tmp_path, monkeypatch):
    trial = fake.a_trial(tmp_path, bits=("A",))
    fake.tell(tmp_path, "A", 40, 1, "sheet")
    given = {}
    monkeypatch.setattr(
        "wearscope.report.sheets.comparison.draw_sheet", lambda path, **what: given.update({path.name: what})
    )
    measured(trial, tmp_path)
    (sheet,) = given.values()
    assert {(r.bit, r.flute, r.parts) for r in sheet["new_records"]} == {("A", 1, 0)}
    assert {(r.bit, r.flute, r.parts) for r in sheet["records"]} == {("A", 1, 40)}


DRAW = "wearscope.report.sheets.comparison.draw_sheet"


def all_with_sheets(folder, flutes=(1, 2)):
    trial = fake.a_trial(folder, bits=("A",), flutes=flutes)
    for entry in trial.photos:
        fake.tell(folder, "A", entry.parts, entry.flute, f"sheet {entry.parts} {entry.flute}")
    return trial


def test_no_drawing_holds_up_measuring(tmp_path, monkeypatch):
    trial = all_with_sheets(tmp_path)
    told = []
    monkeypatch.setattr(DRAW, lambda path, **what: told.append("drawn"))
    result = measured(trial, tmp_path, progress=lambda *step: told.append("measured"))
    assert told == ["measured"] * 6 + ["drawn"] * 6
    assert [photo.sheet is not None for photo in result.photos] == [True] * 6


def test_no_more_sheets_wait_than_there_is_room_for(tmp_path, monkeypatch):
    trial = all_with_sheets(tmp_path)
    told = []
    monkeypatch.setattr("wearscope.pipeline.run.MOST_WAITING", 2)
    monkeypatch.setattr(DRAW, lambda path, **what: told.append("drawn"))
    measured(trial, tmp_path, progress=lambda *step: told.append("measured"))
    waiting = [told[:n].count("measured") - told[:n].count("drawn") for n in range(len(told) + 1)]
    assert (max(waiting), waiting[-1]) == (2, 0)


def test_ctrl_c_while_sheets_are_drawn_loses_no_number(tmp_path, monkeypatch):
    trial = all_with_sheets(tmp_path)

    def interrupted(path, **what):
        raise KeyboardInterrupt

    monkeypatch.setattr(DRAW, interrupted)
    with pytest.raises(KeyboardInterrupt):
        measured(trial, tmp_path)
    rows = table(tmp_path / "results" / "measurements.csv")
    assert len({(row["parts"], row["flute"]) for row in rows}) == 6
    with WearLog(tmp_path / "wear-log.sqlite") as log:
        assert len(log.current()) == len(rows)


def test_a_full_disk_costs_the_sheet_alone(tmp_path, monkeypatch):
    trial = all_with_sheets(tmp_path, flutes=(1,))

    def full(path, **what):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(DRAW, full)
    result = measured(trial, tmp_path)
    assert (result.sheets, result.refusals) == ((), ())
    for photo in result.photos:
        assert photo.warnings == ()
        assert "its comparison sheet cannot be written (No space left on device); make room" in photo.undrawn


def test_a_sheet_of_an_earlier_run_does_not_outlive_its_numbers(tmp_path):
    trial = fake.a_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0,))
    fake.tell(tmp_path, "A", 0, 1, "sheet")
    (sheet,) = measured(trial, tmp_path).sheets
    assert sheet.is_file()
    fake.tell(tmp_path, "A", 0, 1, "worn 3")
    assert measured(trial, tmp_path).sheets == ()
    assert not sheet.exists()


def test_photos_on_a_refused_scale_are_refused_with_its_reason(tmp_path):
    path = fake.write_trial(tmp_path)
    (tmp_path / "graticule.png").write_bytes(b"not a picture")
    text = path.read_text().replace(
        "um_per_px = 3.5\nu_um_per_px = 0.01", 'graticule = "graticule.png"\ndivision_um = 100'
    )
    own = 'file = "photos/A2-120-2.jpg"\n'
    path.write_text(text.replace(own, own + "um_per_px = 3.5\nu_um_per_px = 0.01\n"))
    trial = fake.load_trial(path)
    result = measured(trial, tmp_path)
    assert [photo.entry.file for photo in result.photos if not photo.refusal] == ["photos/A2-120-2.jpg"]
    for photo in result.refusals:
        assert photo.refusal.startswith(f'{photo.entry.file} has no scale, for "bench 60x" is refused: ')
        assert "graticule.png" in photo.refusal
        assert photo.refusal_code == "scale-refused"
    verdicts = judge_trial(trial, jobs=1, judge=fake.judge)
    assert [verdict.refusal for verdict in verdicts] == [photo.refusal for photo in result.photos]


def test_rows_of_photos_no_longer_in_the_trial_stay_in_the_log_alone(tmp_path):
    measured(fake.a_trial(tmp_path, bits=("A", "B")), tmp_path)
    result = measured(fake.a_trial(tmp_path, bits=("A",)), tmp_path)
    assert {row["bit"] for row in table(result.measurements)} == {"A"}
    with WearLog(result.wear_log) as log:
        assert {record.bit for record in log.current()} == {"A", "B"}


# --- interrupted ----------------------------------------------------------------------------------------


def test_an_interruption_keeps_the_photos_that_were_finished(tmp_path):
    trial = fake.a_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0, 40, 120, 200))
    fake.tell(tmp_path, "A", 120, 1, "interrupt")
    with pytest.raises(KeyboardInterrupt):
        measured(trial, tmp_path)
    assert {row["parts"] for row in table(tmp_path / "results" / "measurements.csv")} == {"0", "40"}
    with WearLog(tmp_path / "wear-log.sqlite") as log:
        assert {record.parts for record in log.current()} == {0, 40}


def gone_within(seconds, group):
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.05)
    return False


RUN = """
import sys
sys.path.append({tests!r})
import fake_photos as fake
from pathlib import Path
from wearscope.pipeline.run import measure_trial

if __name__ == "__main__":
    trial = fake.load_trial(Path({folder!r}))
    try:
        measure_trial(trial, Path({folder!r}), jobs=2, inspector=fake.inspector)
    except KeyboardInterrupt:
        sys.exit(130)
"""


@pytest.mark.statistics
@pytest.mark.skipif(sys.platform == "win32", reason="needs process groups")
def test_ctrl_c_with_many_processes(tmp_path):
    """Told to this process alone; to all, as a terminal does: test_ctrl_c of tests/test_cli.py."""
    fake.write_trial(tmp_path, bits=("A",), parts=(0, 40, 120, 200, 300))
    for parts in (120, 200, 300):
        for flute in (1, 2):
            fake.tell(tmp_path, "A", parts, flute, "seconds 3")
    script = tmp_path / "run.py"
    script.write_text(RUN.format(tests=str(TESTS / "support"), folder=str(tmp_path)))
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    child = subprocess.Popen(
        [sys.executable, str(script)],
        env=environment,
        start_new_session=True,
        stderr=subprocess.PIPE,
        text=True,
    )
    log = WearLog(tmp_path / "wear-log.sqlite")
    deadline = time.monotonic() + 180  # only against hanging: a busy machine takes long to start workers
    while time.monotonic() < deadline and not (
        (tmp_path / "wear-log.sqlite").exists()
        and {(0, 1), (0, 2)} <= {(r.parts, r.flute) for r in log.current()}
    ):
        time.sleep(0.2)
    os.kill(child.pid, signal.SIGINT)
    _, errors = child.communicate(timeout=180)
    assert child.returncode == 130
    assert errors == "", "workers go quietly"
    assert gone_within(60, child.pid), "none stays behind"
    kept = {(record.parts, record.flute) for record in log.current()}
    assert {(0, 1), (0, 2)} <= kept
    assert (300, 2) not in kept
    rows = table(tmp_path / "results" / "measurements.csv")
    assert {(int(row["parts"]), int(row["flute"])) for row in rows} == kept


# --- where nothing may be written -----------------------------------------------------------------------


def never(trial, entry, scales):
    raise AssertionError("a photo was inspected")


@pytest.mark.parametrize("what", ["out", "results", "results/sheets"])
def test_a_file_where_a_folder_should_be(tmp_path, what):
    trial = fake.a_trial(tmp_path / "trial")
    taken = tmp_path / "out" / what if what != "out" else tmp_path / "out"
    taken.parent.mkdir(parents=True, exist_ok=True)
    taken.write_text("mine")
    with pytest.raises(WearscopeError, match=r"cannot be written.*--out"):
        measured(trial, tmp_path / "out", inspector=never)
    assert taken.read_text() == "mine"


def test_a_folder_where_the_table_should_be(tmp_path):
    trial = fake.a_trial(tmp_path)
    (tmp_path / "results" / "measurements.csv").mkdir(parents=True)
    with pytest.raises(WearscopeError, match=r"measurements\.csv cannot be written"):
        measured(trial, tmp_path, inspector=never)


def test_a_log_that_is_none_is_left_alone_and_no_photo_read(tmp_path):
    trial = fake.a_trial(tmp_path)
    (tmp_path / "wear-log.sqlite").write_bytes(b"my letters" * 100)
    with pytest.raises(LogError, match="not a wear log"):
        measured(trial, tmp_path, inspector=never)
    assert (tmp_path / "wear-log.sqlite").read_bytes() == b"my letters" * 100


# --- names of sheets, and judging -----------------------------------------------------------------------


def test_sheets_are_named_after_what_they_show(tmp_path):
    trial = fake.a_trial(tmp_path, bits=("Wren",), flutes=(1,), parts=(0, 40, 12000))
    assert list(sheet_names(trial).values()) == [
        "Wren-flute1-00000parts.png",
        "Wren-flute1-00040parts.png",
        "Wren-flute1-12000parts.png",
    ]


def test_no_two_sheets_share_a_name_and_none_leaves_its_folder(tmp_path):
    trial = fake.a_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0,))
    (bit,), (entry,) = trial.bits, trial.photos
    names = ["A/1", "A:1", "a_1", "../../etc", "..", "über 6 mm", "x" * 300, "?"]
    several = trial.model_copy(
        update={
            "bits": tuple(bit.model_copy(update={"name": name}) for name in names),
            "photos": tuple(
                entry.model_copy(update={"bit": name, "view": view})
                for name in names
                for view in ("relief", "rake")
            ),
        }
    )
    made = list(sheet_names(several).values())
    assert len({name.casefold() for name in made}) == len(made) == 16
    for name in made:
        assert Path(name).name == name
        assert not set(name) & set('<>:"/\\|?*')
        assert not name.startswith(".")
        assert len(name) < 120
    assert made[:2] == ["A_1-flute1-0000parts-relief.png", "A_1-flute1-0000parts-rake.png"]


def test_judging_writes_nothing(tmp_path):
    trial = fake.a_trial(tmp_path)
    fake.tell(tmp_path, "A10", 0, 1, "refuse")
    fake.tell(tmp_path, "A10", 40, 1, "crash")
    fake.tell(tmp_path, "A10", 120, 1, "glare")
    before = sorted(tmp_path.rglob("*"))
    verdicts = judge_trial(trial, jobs=1, judge=fake.judge)
    assert sorted(tmp_path.rglob("*")) == before
    assert [verdict.entry for verdict in verdicts] == list(trial.photos)
    refused, failed, doubtful, *others = verdicts
    assert refused.refusal == f"{refused.entry.path}: blurred; focus on the edge and take it again"
    assert failed.judgement is None
    assert failed.refusal.endswith("please report this with the photo")
    assert (doubtful.judgement.verdict, doubtful.refusal) == ("doubtful", "")
    assert all(verdict.judgement.verdict == "fit" for verdict in others)
