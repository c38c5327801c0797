"""Runs as processes of their own, ended at any moment and side by side: nothing lost, nothing half-written."""

from __future__ import annotations

import csv
import json
import multiprocessing
import os
import time
from dataclasses import dataclass
from hashlib import sha256
from multiprocessing import forkserver
from multiprocessing.process import BaseProcess
from pathlib import Path

import cv2
import fake_photos as fake
import numpy as np
import pytest
from postgres import server
from runs_apart import a_run

from wearscope.log.upkeep import examine
from wearscope.log.wear_log import WearLog
from wearscope.log.where import log_place

pytestmark = [
    pytest.mark.statistics,  # seconds, for processes that start
    pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="needs proc(5)"),  # noqa: PTH112
]

APART = multiprocessing.get_context("forkserver")


@pytest.fixture(scope="module", autouse=True)
def ready():
    """All that a run needs is imported once, in a process that does nothing else; each run is a copy of it."""
    APART.set_forkserver_preload(["wearscope.cli", "wearscope.pipeline.run", "wearscope.pipeline.reporting"])
    yield
    forkserver._forkserver._stop()  # or it would stay until all tests are over


@pytest.fixture
def started(tmp_path):
    """Start a run in a session of its own."""
    runs = []

    def start(folder, *options, jobs=2):
        told = tmp_path / f"told {len(runs)}"
        runs.append(
            APART.Process(target=a_run, args=(told, ["measure", folder, "-q", "--jobs", jobs, *options]))
        )
        runs[-1].start()
        return Run(runs[-1], told)

    yield start
    for process in runs:
        process.kill()


@dataclass(frozen=True)
class Run:
    """A run that was started, and where what it says is kept."""

    process: BaseProcess
    told: Path

    def ended(self):
        """What it said, and its exit code, when it is over."""
        self.process.join(400)
        return self.told.read_text(), self.process.exitcode


def of_session(number):
    """Processes of a session that still run."""
    found = []
    for name in os.listdir("/proc"):  # noqa: PTH208
        try:
            with open(f"/proc/{name}/stat", encoding="ascii") as file:  # noqa: PTH123
                state, _, _, session = file.read().rpartition(")")[2].split()[:4]
        except OSError:
            continue
        found += [name] if int(session) == number and state != "Z" else []
    return found


def require_whole(folder):
    """Every file is either not there or all there, and none is left over from its writing."""
    for path in folder.rglob("*"):
        if path.is_dir() or path.suffix in (".toml", ".jpg", ".py", ".sqlite"):
            continue
        content = path.read_bytes()
        if path.suffix == ".csv":
            lengths = {len(row) for row in csv.reader(content.decode("utf-8-sig").splitlines())}
            assert len(lengths) == 1, path
        elif path.suffix == ".json":
            json.loads(content)
        elif path.suffix == ".png":
            assert cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR) is not None, path
        elif path.suffix == ".pdf":
            assert content.rstrip().endswith(b"%%EOF"), path
        elif path.suffix == ".html":
            assert content.rstrip().endswith(b"</html>"), path
        elif path.parent.name == "kept-curves":
            assert sha256(content[32:]).digest() == content[:32], path
        elif path.suffix == ".npz":
            with np.load(path) as arrays:
                assert len([arrays[name] for name in arrays]) > 1, path
        else:
            assert path.suffix in (".svg", ".xlsx", ".address", ".sqlite-journal"), f"{path} is left over"


# What is there of a run when it is ended. Whatever this machine has to do besides, moments' work is left then
REACHED = {
    "a log": "wear-log.sqlite",
    "a sheet": "results/sheets/*.png",
    "the rows of all photos": "results/measurements.csv",
    "the report to look at": "results/report.html",
}


@pytest.mark.parametrize("what", REACHED)
def test_ended_at_any_moment(started, tmp_path, what):
    folder = tmp_path / "trial"
    fake.write_trial(folder, bits=("A",), parts=(0, 40, 120))
    for flute in (1, 2):
        fake.tell(folder, "A", 120, flute, "sheet")
    run = started(folder)
    while run.process.is_alive() and not list(folder.glob(REACHED[what])):
        time.sleep(0.002)
    run.process.terminate()
    said, code = run.ended()
    assert code == 143, said
    assert said.splitlines()[-1:] == ["wearscope: interrupted; what was finished is kept"]
    deadline = time.monotonic() + 60
    while of_session(run.process.pid) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert of_session(run.process.pid) == []
    require_whole(folder)
    if (folder / "wear-log.sqlite").stat().st_size:  # no table of it may be there yet
        assert examine(log_place(folder)).faults == ()
    assert started(folder).ended() == ("", 0)  # and it goes on from there
    require_whole(folder)
    with WearLog(log_place(folder)) as log:
        assert len(log.current()) == 6 + 4 * 3


@pytest.mark.parametrize("where", ["file", "server"])
def test_two_runs_of_one_trial_at_once(started, tmp_path, where):
    folder = tmp_path / "trial"
    fake.write_trial(folder, bits=("A",), parts=(0, 40, 80, 120))
    for flute in (1, 2):
        for parts in (40, 80, 120):
            fake.tell(folder, "A", parts, flute, "seconds 0.5")
    if where == "server":
        with server() as address:
            # each by itself: the log is another one, the crews are those of the runs on a file
            side_by_side(started, folder, "--log", f"{address}/postgres", jobs=1)
    else:
        side_by_side(started, folder)


def side_by_side(started, folder, *more, **how):
    runs = [started(folder, *more, **how) for _ in range(2)]
    told = [run.ended() for run in runs]
    assert [code for _, code in told] == [0, 0], told
    place = log_place(folder)
    assert examine(place).faults == ()
    with WearLog(place) as log:
        places = [(row.flute, row.parts, row.quantity, row.zone) for row in log.current()]
        assert len(places) == len(set(places)) == 8 + 6 * 3
        assert [row.superseded_at for row in log.history()] == [None] * len(places), "both found the same"
    require_whole(folder)
