"""Processes that make calls: one that hangs, swells or dies is replaced, and none outlives who started it."""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import time
from collections import Counter
from functools import partial
from itertools import pairwise

import pytest
from fake_photos import a_trial, made_by

from wearscope.pipeline import calls, pool, processes, workers
from wearscope.pipeline.calls import (
    ByFlute,
    Call,
    Failure,
    TookTooLongError,
    given_up_after,
    guarded,
    too_long,
)
from wearscope.pipeline.pool import crew_for, work_off

unix = pytest.mark.skipif(sys.platform == "win32", reason="needs signals")


@pytest.fixture
def entries(tmp_path):
    return a_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0, 40, 120, 200)).photos


@unix
def test_a_call_in_this_process_is_given_up_too(entries, monkeypatch):
    monkeypatch.setattr(pool, "PHOTO_S", 0.2)
    made = [Call(entries[0], partial(time.sleep, 30)), Call(entries[1], partial(int, 7))]
    began = time.monotonic()
    with crew_for(1, 2) as crew:
        failure, answer = (
            answer for _, answer in work_off(crew, lambda _wanted: made.pop(0) if made else None)
        )
    assert time.monotonic() - began < 5
    assert (failure.code, failure.known, answer) == ("took-too-long", False, 7)
    assert "photos/A-0-1.jpg: was given up after 5 minutes; save it anew as PNG" in failure.line
    assert signal.getitimer(signal.ITIMER_REAL)[0] == 0, "no alarm is left"


@unix
def test_the_alarm_is_put_back(monkeypatch):
    before = signal.getsignal(signal.SIGALRM)
    with pytest.raises(TookTooLongError), given_up_after(0.05):
        time.sleep(5)
    assert signal.getsignal(signal.SIGALRM) is before


def test_want_of_memory_is_said_as_such():
    def swell():
        raise MemoryError

    failure = guarded("a.jpg", swell)
    assert (failure.code, failure.known) == ("too-much-memory", False)
    assert failure.line.startswith(
        "a.jpg: takes more memory than there is for one photo; run again with fewer --jobs"
    )


def test_what_is_shared_travels_once(entries):
    shared = (b"x" * 100_000, "inspector")
    call = Call(entries[0], partial(len, shared[0]))
    packed = workers.packed(call, shared)
    assert len(packed) < 3000 < 100_000 < len(pickle.dumps(call))
    assert workers.unpacked(packed, shared).make() == 100_000


def test_each_worker_has_its_share_of_the_memory(monkeypatch):
    monkeypatch.setattr(os, "sysconf", {"SC_PHYS_PAGES": 10_000_000, "SC_PAGE_SIZE": 4096}.__getitem__)
    assert workers._memory_for_each(2) == int(0.8 * 40_960_000_000 / 2)
    assert workers._memory_for_each(100) == workers.LEAST_MEMORY
    monkeypatch.delattr(os, "sysconf")
    assert workers._memory_for_each(2) == 0, "nobody can tell"


@pytest.mark.statistics  # seconds, for processes that start
@unix
@pytest.mark.parametrize("copies", [True, False])
def test_hung_swollen_and_dead_workers_cost_their_own_call_alone(entries, monkeypatch, copies):
    monkeypatch.setattr(processes, "COPIES", copies)
    monkeypatch.setattr(workers, "_memory_for_each", lambda n_workers: 1 << 30)
    made = {
        "hangs": Call(entries[0], partial(time.sleep, 1000)),
        "swells": Call(entries[1], partial(bytearray, 2 << 30)),
        "dies": Call(entries[2], partial(os._exit, 3)),
        "is unsaid": Call(entries[2], partial(open, os.devnull)),
        "answers": Call(entries[3], partial(int, 7)),
    }
    first = [Call(entries[3], partial(int, k)) for k in range(2)]
    found = {}
    with crew_for(2, 9) as crew:
        list(work_off(crew, lambda _wanted: first.pop(0) if first else None))  # both are up
        monkeypatch.setattr(workers, "PHOTO_S", 5.0)
        waiting = list(made.items())
        names = {id(call): name for name, call in waiting}
        for call, answer in work_off(crew, lambda _wanted: waiting.pop(0)[1] if waiting else None):
            found[names[id(call)]] = answer
    assert found.pop("answers") == 7
    assert {name: failure.code for name, failure in found.items()} == {
        "hangs": "took-too-long",
        "swells": "too-much-memory",
        "dies": "worker-died",
        "is unsaid": "worker-silent",
    }
    assert all(isinstance(failure, Failure) and not failure.known for failure in found.values())
    assert found["hangs"].line == too_long("photos/A-0-1.jpg")


@pytest.mark.statistics
@pytest.mark.skipif(not processes.COPIES, reason="each process starts anew here")
def test_where_what_is_copied_is_killed_the_others_go_on_and_new_ones_start(entries):
    started = {Call(entries[0], os.getppid), Call(entries[0], os.getppid)}
    with crew_for(2, 9) as crew:
        (copied,) = {
            answer for _, answer in work_off(crew, lambda _wanted: started.pop() if started else None)
        }
        os.kill(copied, signal.SIGKILL)
        made = [
            Call(entries[1], partial(os._exit, 3)),
            *(Call(entries[2], partial(int, k)) for k in range(9)),
        ]
        found = [answer for _, answer in work_off(crew, lambda _wanted: made.pop(0) if made else None)]
    died = [answer for answer in found if isinstance(answer, Failure)]
    assert [failure.code for failure in died] == ["worker-died"]
    assert sorted(answer for answer in found if answer not in died) == list(range(9))


RUN = """
import sys
sys.path.append({support!r})
import fake_photos as fake
from functools import partial
from wearscope import cli
from wearscope.pipeline import processes, run

processes.COPIES = {copies}
if __name__ == "__main__":
    run.measure_trial = partial(run.measure_trial, inspector=fake.inspector)
    sys.exit(cli.main(["measure", {folder!r}, "-q", "--jobs", "2"]))
"""


def started_by(pid):
    """Processes that a process has started, and those that these have."""
    path = f"/proc/{pid}/task/{pid}/children"
    with open(path, encoding="ascii") as file:  # noqa: PTH123
        children = [int(child) for child in file.read().split()]
    return children + [each for child in children for each in started_by(child)]


def alive(pid):
    try:
        with open(f"/proc/{pid}/stat", encoding="ascii") as file:  # noqa: PTH123
            return file.read().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.statistics  # seconds, for processes that start
@pytest.mark.skipif(not os.path.exists("/proc/self/task"), reason="needs proc(5)")  # noqa: PTH110
@pytest.mark.parametrize(
    ("name", "copies"),
    [("SIGTERM", True), ("SIGHUP", True), ("SIGKILL", True), ("SIGTERM", False), ("SIGKILL", False)],
)
def test_no_worker_outlives_its_run(tmp_path, name, copies):
    import fake_photos as fake

    from wearscope.log.wear_log import WearLog

    fake.write_trial(tmp_path, bits=("A",), parts=(0, 120))
    for flute in (1, 2):
        fake.tell(tmp_path, "A", 120, flute, "seconds 600")
    script = tmp_path / "run.py"
    support = os.path.dirname(fake.__file__)  # noqa: PTH120
    script.write_text(RUN.format(support=support, folder=str(tmp_path), copies=copies))
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    child = subprocess.Popen([sys.executable, script], env=environment, stderr=subprocess.PIPE, text=True)
    log = WearLog(tmp_path / "wear-log.sqlite")
    deadline = time.monotonic() + 120  # only against hanging
    while len(log.current()) < 2 and time.monotonic() < deadline:
        time.sleep(0.05)
    started = started_by(child.pid)
    assert len(started) == (4 if copies else 3), "two workers, what they are copies of, and who tidies up"
    child.send_signal(getattr(signal, name))
    _, err = child.communicate(timeout=60)
    number = int(getattr(signal, name))
    if name == "SIGKILL":
        assert child.returncode == -number
    else:
        assert child.returncode == 128 + number
        assert err == "wearscope: interrupted; what was finished is kept\n"
        assert len((tmp_path / "results" / "measurements.csv").read_text().splitlines()) == 3
    deadline = time.monotonic() + 30
    while any(map(alive, started)) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not any(map(alive, started))
    assert {row.parts for row in log.current()} == {0}


def test_the_time_is_the_same_everywhere():
    assert calls.PHOTO_S == workers.PHOTO_S == pool.PHOTO_S == 300


@pytest.mark.statistics
def test_photos_of_a_flute_go_to_one_process_as_long_as_there_is_one_for_each(entries):
    first = [Call(entries[0], partial(made_by, None, 1.0)) for _ in range(2)]
    calls = ByFlute(
        Call(entries[0], partial(made_by, flute, 0.2), flute=flute) for _ in range(6) for flute in ("A", "B")
    )
    with crew_for(2, 14) as crew:
        list(work_off(crew, lambda _wanted: first.pop(0) if first else None))  # both are up
        made = [answer for _, answer in work_off(crew, calls.next)]
    assert Counter(of for of, _ in made) == {"A": 6, "B": 6}
    for process in {process for _, process in made}:
        flutes = [of for of, by in made if by == process]
        # whoever is done first helps the other, and however busy the machine is, nobody goes to and fro
        assert sum(one != next_one for one, next_one in pairwise(flutes)) <= 1
