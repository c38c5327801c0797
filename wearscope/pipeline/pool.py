"""Calls spread over processes, an executor or this process alone, so that no failure of one stops the others."""

from __future__ import annotations

from collections.abc import Callable, Generator, Hashable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from contextlib import contextmanager
from typing import Any

import cv2

from wearscope.pipeline.calls import PHOTO_S, AnswerT, Call, Crew, Failure, given_up_after, guarded
from wearscope.pipeline.cluster import Cluster
from wearscope.pipeline.processes import n_processors
from wearscope.pipeline.workers import Workers, died, silent

Jobs = int | Executor | Cluster | None
"""Whoever is to work: a number of processes, an executor, a cluster; None for one process for each processor."""

FOREIGN_PLACES = 256  # calls begun at most where nobody has counted the workers; common practice, no source


def work_off(
    crew: Crew, next_call: Callable[[Sequence[Hashable]], Call[AnswerT] | None]
) -> Generator[tuple[Call[AnswerT], AnswerT | Failure], None, None]:
    """Have calls made one after the other, as long as there are any.

    Parameters
    ----------
    crew : Crew
    next_call : callable
        Gives the call that is to be begun next, None for none at the moment, given the flutes wanted, as of `Crew`.
        It is asked again after each answer.

    Yields
    ------
    call : Call
    answer : object or Failure
        As they come, in any order.
    """
    while True:
        while crew.has_room and (call := next_call(crew.wanted)) is not None:
            crew.begin(call)
        if not crew.is_busy:
            return
        yield from crew.finished()


@contextmanager
def crew_for(jobs: Jobs, n_calls: int, shared: Sequence[object] = ()) -> Iterator[Crew]:
    """Whoever makes a number of calls, as long as the context lasts.

    Parameters
    ----------
    jobs : int, Executor, Cluster or None
        Number of processes, 1 for none but this one, None for one for each processor; no more processors than that
        are kept busy. Or an executor or a cluster that is running already and goes on afterwards.
    n_calls : int
    shared : sequence of object
        What stands in every call, so that each process is told of it once.

    Yields
    ------
    Crew
    """
    if isinstance(jobs, Executor | Cluster):
        others = jobs.crew(shared) if isinstance(jobs, Cluster) else _Others(jobs, FOREIGN_PLACES)
        try:
            yield others
        finally:
            others.cancel()
        return
    n_workers = min(n_processors(jobs), n_calls)
    if n_workers <= 1:
        with _threads_of_opencv(jobs):
            yield _ThisProcess()
        return
    workers = Workers(n_workers, shared)
    try:
        yield workers
    finally:
        workers.kill()


class _ThisProcess:
    """Nobody but this process: a call is made when its answer is asked for."""

    def __init__(self) -> None:
        self._call: Call[Any] | None = None
        self._flute: Hashable = None

    @property
    def has_room(self) -> bool:
        return self._call is None

    @property
    def is_busy(self) -> bool:
        return self._call is not None

    @property
    def wanted(self) -> Sequence[Hashable]:
        return (self._flute,)

    def begin(self, call: Call[Any]) -> None:
        self._call, self._flute = call, call.flute or self._flute

    def finished(self) -> Iterator[tuple[Call[Any], Any]]:
        call, self._call = self._call, None
        if call is not None:
            with given_up_after(PHOTO_S):
                answer = guarded(call.entry.file, call.make)
            yield call, answer


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

    @property
    def wanted(self) -> Sequence[Hashable]:
        return ()

    def begin(self, call: Call[Any]) -> None:
        try:
            future = self._executor.submit(guarded, call.entry.file, call.make)
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


def _answer(future: Future[AnswerT | Failure], call: Call[AnswerT]) -> AnswerT | Failure:
    try:
        return future.result()
    except BrokenExecutor:
        return died(call)
    except Exception as error:
        return silent(call, error)


@contextmanager
def _threads_of_opencv(most: int | None) -> Iterator[None]:
    """Have OpenCV take no more threads than that for a while: who says 1 wants the rest for other work."""
    before = cv2.getNumThreads()
    if most is not None:
        cv2.setNumThreads(min(most, before))
    try:
        yield
    finally:
        cv2.setNumThreads(before)
