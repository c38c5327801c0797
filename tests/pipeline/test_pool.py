"""Calls spread over whoever makes them: what is begun first, and that no failure stops the others."""

from __future__ import annotations

import threading
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from functools import partial

import cv2
import pytest
from fake_photos import a_trial

from wearscope.pipeline.calls import Call, Failure
from wearscope.pipeline.pool import crew_for, work_off


@pytest.fixture
def entries(tmp_path):
    return a_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0, 40, 120, 200)).photos


def answers(jobs, calls):
    waiting = list(calls)
    with crew_for(jobs, len(waiting)) as crew:
        return {
            call.entry.parts: answer
            for call, answer in work_off(crew, lambda _wanted: waiting.pop(0) if waiting else None)
        }


def halved(parts):
    if parts == 40:
        raise ValueError("no such\nluck")
    return parts / 2


@pytest.mark.parametrize("threads", [None, 2], ids=["this process", "an executor"])
def test_a_failure_takes_the_place_of_an_answer(entries, threads):
    calls = [Call(entry, partial(halved, entry.parts)) for entry in entries]
    if threads is None:
        found = answers(1, calls)
    else:
        with ThreadPoolExecutor(threads) as executor:
            found = answers(executor, calls)
            assert executor.submit(int).result() == 0, "an executor that was handed in goes on"
    failure = found.pop(40)
    assert found == {0: 0, 120: 60, 200: 100}
    assert isinstance(failure, Failure)
    assert (failure.code, failure.known) == ("program-failed", True)
    assert failure.line.startswith("photos/A-40-1.jpg: the program failed on it (ValueError in test_pool.py")


def test_what_is_next_is_asked_again_after_each_answer(entries):
    """Something that comes up on the way goes before what has not begun."""
    first, second, third, urgent = (Call(entry, int) for entry in entries)
    waiting, done = [first, second, third], []
    with crew_for(1, 4) as crew:
        for call, _ in work_off(crew, lambda _wanted: waiting.pop(0) if waiting else None):
            done.append(call)
            if call is first:
                waiting.insert(0, urgent)
    assert done == [first, urgent, second, third]


class Broken(Executor):
    """Its workers die over the first call."""

    def submit(self, make, *arguments):
        raise BrokenExecutor


@pytest.mark.parametrize(
    ("what", "says"), [("measure", "was not measured"), ("draw", "has no comparison sheet")]
)
def test_workers_that_died_say_what_was_left_undone(entries, what, says):
    (failure,) = answers(Broken(), [Call(entries[0], int, what)]).values()
    assert failure.line.startswith(f"photos/A-0-1.jpg {says}: a worker process died")
    assert (failure.code, failure.known) == ("worker-died", False)


class Lost(Executor):
    """Takes calls and never hears of them again."""

    def submit(self, make, *arguments):
        future = Future()
        future.set_exception(TimeoutError("gone\naway"))
        return future


def test_a_worker_that_gives_no_answer(entries):
    (failure,) = answers(Lost(), [Call(entries[0], int)]).values()
    assert "its worker gave no answer (TimeoutError: gone away)" in failure.line
    assert (failure.code, failure.known) == ("worker-silent", False)


def test_what_has_not_begun_is_taken_back_when_the_work_is_broken_off(entries):
    go, begun = threading.Event(), []

    def wait(parts):
        begun.append(parts)
        go.wait(10)

    def broken_off(executor):
        with crew_for(executor, 4) as crew:
            for entry in entries:
                crew.begin(Call(entry, partial(wait, entry.parts)))
            raise KeyboardInterrupt

    with ThreadPoolExecutor(1) as executor:
        with pytest.raises(KeyboardInterrupt):
            broken_off(executor)
        go.set()
    assert begun in ([], [0])


@pytest.mark.parametrize(
    ("jobs", "n_calls", "threads"), [(1, 3, 1), (2, 1, 2), (None, 1, 4), (8, 1, 4)], ids=str
)
def test_no_more_processors_than_asked_for_are_kept_busy(jobs, n_calls, threads):
    before = cv2.getNumThreads()
    cv2.setNumThreads(4)
    try:
        with crew_for(jobs, n_calls):
            assert cv2.getNumThreads() == threads
        assert cv2.getNumThreads() == 4
        with pytest.raises(RuntimeError, match="ended"), crew_for(jobs, n_calls):
            raise RuntimeError("ended")
        assert cv2.getNumThreads() == 4
    finally:
        cv2.setNumThreads(before)
