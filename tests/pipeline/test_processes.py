"""How processes begin: ready soon, with the program that this one runs, and never instead of no process at all."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

from wearscope.cli.common import get_ready
from wearscope.pipeline import processes
from wearscope.trial import load_trial

linux = pytest.mark.skipif(not processes.COPIES, reason="each process starts anew here")
HERE = """
import os, sys
sys.path.insert(0, {folder!r})
from wearscope.pipeline import processes
"""


def told(folder, lines):
    """What a process of its own prints, and what it complains of."""
    done = subprocess.run(
        [sys.executable, "-c", HERE.format(folder=str(folder)) + lines],
        capture_output=True,
        text=True,
        timeout=100,
        cwd=folder / "elsewhere",
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        check=False,
    )
    return done.stdout.split(), done.stderr


@pytest.fixture
def folder(tmp_path):
    """With a module to import, and another of its name where the process is at."""
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "one.py").write_text(
        "NUMBER = 1\ndef tell(names): print(NUMBER, *(n in names for n in ['one']))"
    )
    (tmp_path / "elsewhere" / "one.py").write_text("NUMBER = 2")
    (tmp_path / "work.py").write_text(
        "import sys\nNAMES = set(sys.modules)\ndef work():\n    import one\n    one.tell(NAMES)"
    )
    return tmp_path


BEGUN = """
processes.NEEDED = ("one", "work")
import work
process = processes.beginning().Process(target=work.work)
process.start(); process.join()
print(process.exitcode, processes.beginning().get_start_method(), os.environ["PYTHONPATH"] == {path!r})
"""


@linux
@pytest.mark.statistics  # seconds, for processes that start
def test_what_is_needed_is_imported_once_and_from_where_this_process_finds_it(folder):
    path = os.pathsep.join(filter(None, sys.path))
    out, err = told(folder, BEGUN.format(path=path))
    assert out == ["1", "True", "0", "forkserver", "True"], err


@linux
@pytest.mark.statistics
def test_where_no_socket_can_be_made_each_process_starts_anew(folder):
    """The place of a socket has at most 107 letters (unix(7))."""
    long = folder / ("a" * 120)
    long.mkdir()
    out, err = told(
        folder, f"os.environ['TMPDIR'] = {str(long)!r}\nprint(processes.beginning().get_start_method())"
    )
    assert out == ["spawn"], err


COPIED = """
processes.NEEDED = ()
print(processes.beginning().get_start_method(), flush=True)
if not os.fork():
    print(processes.beginning().get_start_method(), flush=True)
    os._exit(0)
os.wait()
"""


@linux
@pytest.mark.statistics
def test_a_copy_of_a_process_does_not_take_that_ones_for_its_own(folder):
    out, err = told(folder, COPIED)
    assert out == ["forkserver", "spawn"], err


WAITS = """
import time
from wearscope.pipeline import processes
processes.beginning()
print("ready", flush=True)
try:
    time.sleep(60)
except KeyboardInterrupt:
    sys.exit(130)
"""


@linux
@pytest.mark.statistics
@pytest.mark.parametrize("after_s", [0.0, 0.2, 0.5])
def test_ctrl_c_while_it_gets_ready_is_not_answered_by_a_traceback(tmp_path, after_s):
    child = subprocess.Popen(
        [sys.executable, "-c", "import sys" + WAITS],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )
    assert child.stdout.readline() == "ready\n"
    time.sleep(after_s)
    os.killpg(child.pid, signal.SIGINT)
    assert child.communicate(timeout=60) == ("", "")
    assert child.returncode == 130


@pytest.fixture
def ready(monkeypatch):
    """How often processes were told to get ready."""
    times = []
    monkeypatch.setattr(processes, "beginning", lambda: times.append(1))
    return times


@pytest.fixture
def trial(tmp_path):
    import fake_photos as fake

    fake.write_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0, 40, 120))
    return load_trial(tmp_path / "trial.toml")


def test_processes_get_ready_where_there_is_work_for_two(trial, tmp_path, ready):
    written = tmp_path / "measurements.csv"
    get_ready(trial, written, 2, None)
    assert len(ready) == 1, "nothing was measured yet"
    time.sleep(0.02)  # a clock tick of the disk
    written.write_text("")
    get_ready(trial, written, 2, None)
    assert len(ready) == 1, "nothing is new"
    time.sleep(0.02)
    first, second, _ = (entry.path for entry in trial.photos)
    first.write_text("worn 1")
    get_ready(trial, written, 2, None)
    assert len(ready) == 1, "one photo is measured by this process"
    os.utime(second, (0, 0))  # a copy keeps the date of its picture
    get_ready(trial, written, 2, None)
    assert len(ready) == 2
    get_ready(trial, None, 2, None)
    assert len(ready) == 3
    first.unlink()
    get_ready(trial, written, 2, None)
    get_ready(trial, None, 1, None)
    get_ready(trial, None, 2, "tcp://there")
    assert len(ready) == 3
