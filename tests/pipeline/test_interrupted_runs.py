"""Runs as processes of their own, ended at any moment and side by side: nothing lost, nothing half-written."""

from __future__ import annotations

import csv
import json
import os
import random
import signal
import subprocess
import sys
import time
from hashlib import sha256

import cv2
import fake_photos as fake
import numpy as np
import pytest
from postgres import server

from wearscope.log.upkeep import examine
from wearscope.log.wear_log import WearLog
from wearscope.log.where import log_place

pytestmark = [
    pytest.mark.statistics,  # seconds, for processes that start
    pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="needs proc(5)"),  # noqa: PTH112
]

RUN = """
import sys
sys.path.append({support!r})
import fake_photos as fake
from functools import partial
from wearscope import cli
from wearscope.pipeline import run

if __name__ == "__main__":
    run.measure_trial = partial(run.measure_trial, inspector=fake.inspector)
    sys.exit(cli.main(["measure", {folder!r}, "-q", "--jobs", "2", *sys.argv[1:]]))
"""


@pytest.fixture
def started(tmp_path):
    """Start a run in a session of its own."""
    script = tmp_path / "run.py"

    def start(folder, *more):
        script.write_text(RUN.format(support=os.path.dirname(fake.__file__), folder=str(folder)))  # noqa: PTH120
        environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
        return subprocess.Popen(
            [sys.executable, script, *more],
            env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip

    return start


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


def test_ended_at_any_moment(started, tmp_path):
    """The first run tells how long one takes here; the others are ended within that time."""
    draw, ended, longest = random.Random(17), 0, 0.0
    for n in range(5):
        folder = tmp_path / f"trial {n}"
        fake.write_trial(folder, bits=("A",), parts=(0, 40, 120))
        for flute in (1, 2):
            fake.tell(folder, "A", 120, flute, "sheet")
        began = time.monotonic()
        child = started(folder)
        if not n:
            assert child.communicate(timeout=400)[1] == ""
            longest = time.monotonic() - began
            require_whole(folder)
            continue
        try:
            child.wait(draw.uniform(0.15, 0.85) * longest)  # the first run is the slowest
        except subprocess.TimeoutExpired:
            child.send_signal(signal.SIGTERM)
        _, err = child.communicate(timeout=200)
        unsaid = child.returncode == -signal.SIGTERM  # the command had not begun yet, or it was all done
        assert unsaid or child.returncode in (0, 143), err
        ended += child.returncode == 143
        if child.returncode == 143:
            assert err.splitlines()[-1:] == ["wearscope: interrupted; what was finished is kept"]
        deadline = time.monotonic() + 60
        while of_session(child.pid) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert of_session(child.pid) == []
        require_whole(folder)
        if unsaid and log_place(folder).exists():
            assert (folder / "results" / "report.pdf").exists()
        if log_place(folder).exists():
            assert examine(log_place(folder)).faults == ()
            if n % 3 == 0:  # and it goes on from there
                again = started(folder)
                assert (again.communicate(timeout=400)[1], again.returncode) == ("", 0)
                with WearLog(log_place(folder)) as log:
                    assert len(log.current()) == 6 + 4 * 3
    assert ended >= 2


@pytest.mark.parametrize("where", ["file", "server"])
def test_two_runs_of_one_trial_at_once(started, tmp_path, where):
    folder = tmp_path / "trial"
    fake.write_trial(folder, bits=("A",), parts=(0, 40, 80, 120))
    for flute in (1, 2):
        for parts in (40, 80, 120):
            fake.tell(folder, "A", parts, flute, "seconds 0.5")
    if where == "server":
        with server() as address:
            side_by_side(started, folder, "--log", f"{address}/postgres")
    else:
        side_by_side(started, folder)


def side_by_side(started, folder, *more):
    runs = [started(folder, *more) for _ in range(2)]
    told = [run.communicate(timeout=400) for run in runs]
    assert [run.returncode for run in runs] == [0, 0], told
    place = log_place(folder)
    assert examine(place).faults == ()
    with WearLog(place) as log:
        places = [(row.flute, row.parts, row.quantity, row.zone) for row in log.current()]
        assert len(places) == len(set(places)) == 8 + 6 * 3
        assert [row.superseded_at for row in log.history()] == [None] * len(places), "both found the same"
    require_whole(folder)
