"""What happens to files while a run goes on: nothing is lost, and nothing is logged of what was not seen."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import fake_photos as fake
import pytest

from wearscope.errors import PhotoRefused
from wearscope.files import checksum_of
from wearscope.imaging.photo import content_of
from wearscope.log.wear_log import WearLog
from wearscope.pipeline import results
from wearscope.pipeline.inspection import Inspection
from wearscope.pipeline.run import measure_trial


def inspected(trial, entry, scales):
    """As the fake inspector, and a file that cannot be read is refused as by the real one."""
    try:
        content_of(entry.path)
    except PhotoRefused as refusal:
        return Inspection(entry, (), str(refusal), refusal_code=refusal.code)
    return fake.inspector(trial, entry, scales)


def before(trial, parts, change):
    """An inspector before which something happens to the photo of that checkpoint."""

    def inspector(_trial, entry, scales):
        if entry.parts == parts:
            change(entry.path)
        return inspected(trial, entry, scales)

    return inspector


@pytest.fixture
def trial(tmp_path):
    return fake.a_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0, 40, 120))


def test_a_photo_that_is_removed_under_way(trial, tmp_path):
    result = measure_trial(trial, tmp_path, jobs=1, inspector=before(trial, 40, lambda path: path.unlink()))
    (refused,) = result.refusals
    assert refused.refusal_code == "no-such-file"
    assert "there is no such file; check the path" in refused.refusal
    assert {row.parts for row in result.records} == {0, 120}
    with WearLog(result.wear_log) as log:
        assert {made.parts for made in log.inspections()} == {0, 120}, "nothing became known of it"


def test_a_photo_that_is_changed_under_way_rests_on_what_was_seen(trial, tmp_path):
    changed = before(trial, 40, lambda path: path.write_text("worn 77"))
    measure_trial(trial, tmp_path, jobs=1, inspector=changed)
    with WearLog(tmp_path / "wear-log.sqlite") as log:
        rows = log.current(parts=40)
        assert {row.photo_sha256 for row in rows} == {checksum_of(trial.photos[1].path)}
        assert 77.0 in [row.value for row in rows]
        (made,) = log.inspections(parts=40)
        assert made.inputs["photo_sha256"] == made.photo_sha256 == rows[0].photo_sha256


def test_a_clock_that_is_set_back_changes_no_order(trial, tmp_path, monkeypatch):
    class Clock(datetime):
        year_now = 2040

        @classmethod
        def now(cls, zone=None):
            return datetime(cls.year_now, 1, 1, tzinfo=UTC)

    monkeypatch.setattr(results, "datetime", Clock)
    measure_trial(trial, tmp_path, jobs=1, inspector=inspected)
    Clock.year_now = 2020
    fake.tell(tmp_path, "A", 40, 1, "worn 77")
    result = measure_trial(trial, tmp_path, jobs=1, inspector=inspected)
    assert [row.value for row in result.records if row.quantity == "edge_recession"] == [77.0, 40.0]
    with WearLog(result.wear_log) as log:
        values = [
            (row.record.value, row.superseded_at) for row in log.history(parts=40, quantity="edge_recession")
        ]
    assert values == [(40 / 3, "2020-01-01T00:00:00+00:00"), (77.0, None)]


def test_two_runs_at_once(tmp_path):
    trial = fake.a_trial(tmp_path, parts=(0, 40))
    with ThreadPoolExecutor(2) as threads:
        runs = [threads.submit(measure_trial, trial, tmp_path, jobs=1, inspector=inspected) for _ in range(2)]
        records = [run.result().records for run in runs]
    with WearLog(tmp_path / "wear-log.sqlite") as log:
        rows = log.current(trial=trial.name)
    assert sorted(map(len, records))[1] == len(rows) == 4 + 4 * 4
    lines = (tmp_path / "results" / "measurements.csv").read_text().splitlines()
    assert len(lines) == 1 + len(rows)
    assert [path.name for path in (tmp_path / "results").iterdir() if path.name[0] == "."] == []


def test_a_folder_is_tried_by_many_at_once(tmp_path):
    with ThreadPoolExecutor(8) as threads:
        tries = [
            threads.submit(results.require_writable, [tmp_path / "results" / "sheets", tmp_path], [])
            for _ in range(2000)
        ]
        for tried in tries:
            tried.result()
    assert [path.name for path in tmp_path.rglob("*")] == ["results", "sheets"]
