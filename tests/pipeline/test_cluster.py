"""A real scheduler and two worker processes on this computer: the same numbers, also where a worker is killed."""

from __future__ import annotations

import os
import signal
import sys
import time
from dataclasses import replace
from functools import partial
from importlib.util import find_spec
from pathlib import Path

import fake_photos as fake
import pytest
from clusters import a_cluster
from seldom import seldom

from wearscope.errors import WearscopeError
from wearscope.pipeline.calls import Call, too_long
from wearscope.pipeline.cluster import ClusterError, cluster_at, within
from wearscope.pipeline.run import judge_trial, measure_trial
from wearscope.samples import copy_sample_trial
from wearscope.trial import load_trial
from wearscope.version import __version__

needs_dask = pytest.mark.skipif(
    sys.platform == "win32" or find_spec("distributed") is None, reason="needs Dask, and signals"
)


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    with a_cluster(tmp_path_factory.mktemp("cluster")) as (at, *_):
        yield at


def timeless(records):
    return [replace(row, measured_at="") for row in records]


@pytest.mark.statistics
@needs_dask
def test_a_worker_that_dies_is_survived(address, tmp_path):
    trial = fake.a_trial(tmp_path / "trial", bits=("A",), parts=(0, 40, 120, 200))
    fake.tell(trial.folder, "A", 40, 1, "refuse")
    fake.tell(trial.folder, "A", 40, 2, "crash")
    fake.tell(trial.folder, "A", 120, 1, "sheet")
    serial = measure_trial(trial, tmp_path / "serial", jobs=1, inspector=fake.inspector)
    fake.tell(trial.folder, "A", 120, 2, "die once")
    with cluster_at(address, trial.path) as cluster:
        result = measure_trial(trial, tmp_path / "cluster", jobs=cluster, inspector=fake.inspector)
    assert (trial.folder / "photos" / "A-120-2.died").exists()
    same = [replace(row, photo_sha256="") for row in timeless(result.records)]
    assert same == [replace(row, photo_sha256="") for row in timeless(serial.records)]
    assert [photo.refusal for photo in result.photos] == [photo.refusal for photo in serial.photos]
    assert result.sheets[0].read_bytes() == serial.sheets[0].read_bytes()


@needs_dask
@pytest.mark.statistics  # seconds, for workers that start anew
def test_a_photo_that_kills_every_worker_costs_no_other(address, tmp_path):
    trial = fake.a_trial(tmp_path, bits=("A",), parts=(0, 40, 120, 200))
    fake.tell(tmp_path, "A", 40, 1, "die")
    with cluster_at(address, trial.path) as cluster:
        result = measure_trial(trial, tmp_path, jobs=cluster, inspector=fake.inspector)
    (refused,) = result.refusals
    assert (refused.entry.file, refused.refusal_code, refused.known) == (
        "photos/A-40-1.jpg",
        "worker-died",
        False,
    )
    assert refused.refusal.startswith(
        "photos/A-40-1.jpg was not measured: every worker of the cluster that had it"
    )
    assert len({(row.flute, row.parts) for row in result.records}) == 7


@needs_dask
@pytest.mark.statistics  # real photos take a second each
def test_the_numbers_are_the_same_to_the_last_digit(address, tmp_path):
    trial = load_trial(copy_sample_trial(tmp_path / "trial"))
    trial = trial.model_copy(update={"photos": tuple(each for each in trial.photos if each.bit == "Plover")})
    serial = measure_trial(trial, tmp_path / "serial", jobs=1)
    killed = []
    with cluster_at(address, trial.path) as cluster:
        client = cluster.client

        def kill(done, _n, _entry):
            if done == 2:
                busy = next(worker for worker, calls in client.processing().items() if calls)
                killed.append(client.run(os.getpid, workers=[busy])[busy])
                os.kill(killed[0], signal.SIGKILL)

        result = measure_trial(trial, tmp_path / "cluster", jobs=cluster, progress=kill)
    assert len(killed) == 1
    assert len(result.records) > 50
    assert timeless(result.records) == timeless(serial.records)
    assert [photo.refusal for photo in result.photos] == [photo.refusal for photo in serial.photos]
    for one, other in zip(result.sheets, serial.sheets, strict=True):
        assert one.read_bytes() == other.read_bytes()


@needs_dask
@pytest.mark.statistics  # seconds, for processes that start
@pytest.mark.parametrize("gone", ["scheduler", "workers"])
def test_a_cluster_that_goes_away_ends_the_run_and_what_was_measured_is_kept(gone, tmp_path, monkeypatch):
    monkeypatch.setattr("wearscope.pipeline.cluster.ALONE_S", 1.0)
    monkeypatch.setattr("wearscope.pipeline.cluster.LOOK_S", 0.1)
    trial = fake.a_trial(tmp_path, bits=("A",))
    fake.tell(tmp_path, "A", 120, 1, "seconds 600")
    with a_cluster(tmp_path, threads=2, workers=1) as (address, scheduler, workers):
        victim = scheduler if gone == "scheduler" else workers

        def kill(done, _n, _entry):
            if done == 5:
                os.killpg(victim.pid, signal.SIGKILL)

        began = time.monotonic()
        with (
            pytest.raises(WearscopeError, match="has gone, or has no workers left; start it again") as raised,
            cluster_at(address, trial.path) as cluster,
        ):
            measure_trial(trial, tmp_path, jobs=cluster, inspector=fake.inspector, progress=kill)
    assert raised.value.exit_code == 1
    assert time.monotonic() - began < 60
    assert len((tmp_path / "results" / "measurements.csv").read_text().splitlines()) == 1 + 2 + 3 * 4


@pytest.mark.statistics
@needs_dask
@pytest.mark.parametrize("command", ["measure", seldom("check")])
def test_from_the_command_line(address, run, tmp_path, command):
    files = [fake.write_trial(tmp_path / name, bits=("A",), flutes=(1,)) for name in ("here", "there")]
    here = run(command, files[0], "--jobs", "1")
    there = run(command, files[1], "--cluster", address)
    assert here[0] == 1, "words are no pictures"
    assert [str(said).replace("there", "here") for said in there] == [
        str(said).replace("there", "here") for said in here
    ]
    for options, said in {
        ("--cluster", "nonsense"): 'wearscope: "nonsense" is no address of a scheduler',
        ("--cluster", address, "--jobs", "2"): "wearscope: --jobs and --cluster exclude each other",
    }.items():
        code, _, err = run(command, files[1], *options)
        assert (code, err.count("\n"), err[: len(said)]) == (2, 1, said)


@needs_dask
def test_photos_are_judged_there_too(address, tmp_path):
    trial = fake.a_trial(tmp_path, bits=("A",))
    fake.tell(tmp_path, "A", 40, 1, "crash")
    with cluster_at(address, trial.path) as cluster:
        verdicts = judge_trial(trial, jobs=cluster, judge=fake.judge)
    serial = judge_trial(trial, jobs=1, judge=fake.judge)
    assert verdicts == serial
    assert [verdict.entry.parts for verdict in verdicts if verdict.judgement is None] == [40]


@needs_dask
def test_a_folder_that_the_workers_do_not_see(address, tmp_path):
    with pytest.raises(ClusterError, match=r"does not see .*trial.toml; let it have the same folder"):
        cluster_at(address, tmp_path / "trial.toml").__enter__()


@needs_dask
def test_a_worker_of_another_version(address, tmp_path, monkeypatch):
    trial = fake.a_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0,))
    monkeypatch.setattr("wearscope.pipeline.cluster.__version__", "9.1")
    with pytest.raises(ClusterError, match=rf"has wearscope {__version__}; install 9\.1 there as here"):
        cluster_at(address, trial.path).__enter__()
    monkeypatch.setattr("wearscope.pipeline.cluster._require_fit", lambda *_: None)  # it came later
    with cluster_at(address, trial.path) as cluster:
        (refused,) = measure_trial(trial, tmp_path, jobs=cluster, inspector=fake.inspector).refusals
    assert (refused.refusal_code, refused.known) == ("worker-differs", False)


@needs_dask
@pytest.mark.parametrize(
    "address", ["nonsense", "tcp://host", "http://host:80", "host:99999", "host:http", ""]
)
def test_what_is_no_address(address, tmp_path):
    with pytest.raises(ClusterError, match="is no address of a scheduler"):
        cluster_at(address, tmp_path).__enter__()


@pytest.mark.statistics
def test_a_call_on_a_worker_is_given_up_too(tmp_path):
    (entry,) = fake.a_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0,)).photos
    began = time.monotonic()
    failure = within(0.2, Call(entry, partial(time.sleep, 3)))
    assert time.monotonic() - began < 2
    assert (failure.line, failure.code, failure.known) == (too_long(entry.file), "took-too-long", False)
    assert within(5, Call(entry, partial(int, 7))) == 7
    assert within(5, Call(entry, partial(int, "x"))).code == "program-failed"


@pytest.mark.statistics
def test_without_dask(monkeypatch, tmp_path):
    monkeypatch.setattr("wearscope.pipeline.cluster.find_spec", lambda name: None)
    with pytest.raises(ClusterError, match=r"Dask, which is not installed; run, .*cluster"):
        cluster_at("tcp://127.0.0.1:8786", Path(tmp_path)).__enter__()
