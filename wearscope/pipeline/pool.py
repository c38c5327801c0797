"""Calls spread over processes, an executor or this process alone, so that no failure of one stops the others."""

from __future__ import annotations

import multiprocessing
import os
import signal
import traceback
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Literal, Protocol, TypeVar

import cv2

from wearscope.trial.model import PhotoEntry

AHEAD = 1  # calls waiting for each worker, so that none idles while this process is busy; common practice, no source
FOREIGN_PLACES = 256  # calls begun at most where nobody has counted the workers; common practice, no source

AnswerT = TypeVar("AnswerT")


@dataclass(frozen=True)
class Failure:
    """What comes in place of an answer.

    Attributes
    ----------
    line : str
        What went wrong, in one line.
    known : bool
        False if the work was cut off before anything was known.
    code : str
        Kind of the failure.
    """

    line: str
    known: bool
    code: str


@dataclass(frozen=True, eq=False)
class Call(Generic[AnswerT]):
    """A call to make.

    Attributes
    ----------
    entry : PhotoEntry
        Photo that it is about.
    make : callable
        Must be picklable if other processes are to call it.
    what : {"measure", "draw"}
        What it is for.
    """

    entry: PhotoEntry
    make: Callable[[], AnswerT]
    what: Literal["measure", "draw"] = "measure"


class Crew(Protocol):
    """Whoever makes calls."""

    @property
    def has_room(self) -> bool:
        """Whether one more call may be begun."""

    @property
    def is_busy(self) -> bool:
        """Whether calls are under way."""

    def begin(self, call: Call[Any]) -> None:
        """Begin a call."""

    def finished(self) -> Iterator[tuple[Call[Any], Any]]:
        """Wait for calls that are under way, and give the answers that are there, or failures."""


def work_off(
    crew: Crew, next_call: Callable[[], Call[AnswerT] | None]
) -> Generator[tuple[Call[AnswerT], AnswerT | Failure], None, None]:
    """Have calls made one after the other, as long as there are any.

    Parameters
    ----------
    crew : Crew
    next_call : callable
        The call that is to be begun next; None for none at the moment. It is asked again after each answer.

    Yields
    ------
    call : Call
    answer : object or Failure
        As they come, in any order.
    """
    while True:
        while crew.has_room and (call := next_call()) is not None:
            crew.begin(call)
        if not crew.is_busy:
            return
        yield from crew.finished()


@contextmanager
def crew_for(jobs: int | Executor | None, n_calls: int) -> Iterator[Crew]:
    """Whoever makes a number of calls, as long as the context lasts.

    Parameters
    ----------
    jobs : int, Executor or None
        Number of processes, 1 for none but this one, None for one for each processor; or an executor that is
        running already and goes on afterwards.
    n_calls : int

    Yields
    ------
    Crew
    """
    if isinstance(jobs, Executor):
        others = _Others(jobs, FOREIGN_PLACES)
        try:
            yield others
        finally:
            others.cancel()
        return
    n_workers = min(_n_processors() if jobs is None else jobs, n_calls)
    if n_workers <= 1:
        yield _ThisProcess()
        return
    executor = _OwnWorkers(n_workers)
    try:
        yield _Others(executor, n_workers * (1 + AHEAD))
    finally:
        executor.shutdown(cancel_futures=True)


class _ThisProcess:
    """Nobody but this process: a call is made when its answer is asked for."""

    def __init__(self) -> None:
        self._call: Call[Any] | None = None

    @property
    def has_room(self) -> bool:
        return self._call is None

    @property
    def is_busy(self) -> bool:
        return self._call is not None

    def begin(self, call: Call[Any]) -> None:
        self._call = call

    def finished(self) -> Iterator[tuple[Call[Any], Any]]:
        call, self._call = self._call, None
        if call is not None:
            yield call, _guarded(call.entry.file, call.make)


class _Others:
    """An executor with a number of places, so that what is to be done first need not stand behind all the rest."""

    def __init__(self, executor: Executor, places: int) -> None:
        self._executor = executor
        self._places = places
        self._calls: dict[Future[Any], Call[Any]] = {}

    @property
    def has_room(self) -> bool:
        return len(self._calls) < self._places

    @property
    def is_busy(self) -> bool:
        return bool(self._calls)

    def begin(self, call: Call[Any]) -> None:
        with _interrupts_held():  # until a worker that this starts can die of them
            try:
                future = self._executor.submit(_guarded, call.entry.file, call.make)
            except BrokenExecutor as error:  # its workers died over an earlier call
                future = Future()
                future.set_exception(error)
        self._calls[future] = call

    def finished(self) -> Iterator[tuple[Call[Any], Any]]:
        done, _ = wait(self._calls, return_when=FIRST_COMPLETED)
        for future in done:
            call = self._calls.pop(future)
            yield call, _answer(future, call)

    def cancel(self) -> None:
        for future in self._calls:
            future.cancel()


def _guarded(file: str, make: Callable[[], AnswerT]) -> AnswerT | Failure:
    """Make a call, and let no failure on one photo stop the others."""
    try:
        return make()
    except Exception as error:
        line = unexpected(file, "the program failed on it", error)
        return Failure(line, known=True, code="program-failed")


def _answer(future: Future[AnswerT | Failure], call: Call[AnswerT]) -> AnswerT | Failure:
    try:
        return future.result()
    except BrokenExecutor:
        code, why = (
            "worker-died",
            "a worker process died, most likely for want of memory; run again with fewer --jobs",
        )
    except Exception as error:
        said = " ".join(str(error).split())[:150]
        code, why = (
            "worker-silent",
            f"its worker gave no answer ({type(error).__name__}: {said}); look at the workers and run again",
        )
    undone = "was not measured" if call.what == "measure" else "has no comparison sheet"
    return Failure(f"{call.entry.file} {undone}: {why}", known=False, code=code)


def unexpected(file: str, what: str, error: Exception) -> str:
    """Line on a failure of the program, with the place in the code that a report needs.

    Parameters
    ----------
    file : str
        Photo that it failed on.
    what : str
        What came of it.
    error : Exception

    Returns
    -------
    str
    """
    frames = traceback.extract_tb(error.__traceback__)
    place = f" in {Path(frames[-1].filename).name}, line {frames[-1].lineno}" if frames else ""
    said = " ".join(str(error).split())
    return f"{file}: {what} ({type(error).__name__}{place}: {said}); please report this with the photo"


class _OwnWorkers(ProcessPoolExecutor):
    """Processes of this run alone, which end with it.

    What they have not begun is dropped by `shutdown`: when workers die while single futures are being
    cancelled, as Ctrl-C would have it, the pool's own thread fails with an exception.
    """

    def __init__(self, n_workers: int) -> None:
        spawn = multiprocessing.get_context("spawn")  # a fork copies locks that other threads may be holding
        super().__init__(n_workers, mp_context=spawn, initializer=_start_worker)


def _start_worker() -> None:
    cv2.setNumThreads(1)  # the processes share the processors already
    signal.signal(signal.SIGINT, signal.SIG_DFL)  # Ctrl-C ends a worker without a traceback of its own
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold Ctrl-C back for the moment; processes started meanwhile hold it until they let go."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _n_processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
