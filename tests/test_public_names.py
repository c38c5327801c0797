"""What `import wearscope` gives a script, used on the sample trial and nothing else."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module

import pytest

import wearscope


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    trial = wearscope.load_trial(wearscope.copy_sample_trial(tmp_path_factory.mktemp("shop") / "trial"))
    bits = trial.bits[:1]
    flute = [photo for photo in trial.photos if (photo.bit, photo.flute) == (bits[0].name, 1)]
    return trial.model_copy(update={"bits": bits, "photos": tuple(flute)})


def test_one_photo_is_measured_and_nothing_kept(trial):
    before = set(trial.folder.rglob("*"))
    result = wearscope.measure(trial, trial.photos[-1])
    assert isinstance(result, wearscope.PhotoResult)
    assert not result.refusal
    assert {type(row) for row in result.records} == {wearscope.Record}
    assert {row.parts for row in result.records} == {trial.photos[-1].parts}
    assert set(trial.folder.rglob("*")) == before


@pytest.mark.statistics
def test_a_trial_is_measured_and_decided(trial, tmp_path, few_draws):
    result = wearscope.measure(trial, out_dir=tmp_path, jobs=1)
    assert isinstance(result, wearscope.BatchResult)
    assert result.measurements.is_file()
    assert result.refusals == ()
    of_log, of_rows = wearscope.decide(trial, out_dir=tmp_path), wearscope.decide(trial, result.records)
    assert isinstance(of_log, wearscope.Outcome)
    assert [bit.bit for bit in of_log.bits] == [trial.bits[0].name]
    assert of_log.verdict == of_rows.verdict
    alone = wearscope.measure(trial, trial.photos[-1], out_dir=tmp_path)
    logged = {(row.quantity, row.zone): row.value for row in result.records if row.parts == alone.entry.parts}
    assert {(row.quantity, row.zone): row.value for row in alone.records} == logged


def test_nothing_measured_is_no_decision(trial, tmp_path):
    with pytest.raises(wearscope.WearscopeError, match="wearscope measure"):
        wearscope.decide(trial, out_dir=tmp_path)


def test_every_public_name_is_what_its_home_calls_so():
    for name in wearscope.__all__:
        home = wearscope._HOMES.get(name, "wearscope.version")
        assert getattr(wearscope, name) is getattr(import_module(home), name), name
    assert set(wearscope._HOMES) | {"__version__"} == set(wearscope.__all__)
    assert set(wearscope.__all__) <= set(dir(wearscope))
    with pytest.raises(AttributeError, match="no attribute 'guess'"):
        wearscope.guess  # noqa: B018


def test_importing_wearscope_imports_next_to_nothing():
    code = "import sys, wearscope; print(sorted(n for n in sys.modules if n.split('.')[0] in ('numpy', 'scipy', 'cv2', 'pydantic', 'sqlalchemy')))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout == "[]\n"
