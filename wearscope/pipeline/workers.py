"""Processes that make calls side by side: each may die or be given up alone, and none outlives this one."""

from __future__ import annotations

import io
import multiprocessing
import os
import pickle
import signal
import sys
import threading
import time
import warnings
from collections import deque
from collections.abc import Hashable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any

import cv2

from wearscope.pipeline.calls import PHOTO_S, Call, Failure, guarded, too_long
from wearscope.pipeline.processes import beginning, interrupts_held

AHEAD = 1  # calls waiting for each worker, so that none idles while this process is busy; common practice, no source

LEAST_MEMORY = (
    3 << 30
)  # bytes that a worker may take at least: the largest picture that is read, as linear light
SHARE_OF_MEMORY = 0.8  # of the computer's, that all workers may take together; chosen, no source


@dataclass(eq=False)
class _Worker:
    """A process, the way to it, and what it is doing until when."""

    process: BaseProcess
    connection: Connection
    call: Call[Any] | None = None
    flute: Hashable = None
    until: float = 0.0

    def end(self) -> None:
        self.connection.close()
        if self.process.is_alive():  # of one that is gone the number may be another's by now
            self.process.kill()
        self.process.join()


class Workers:
    """A crew of processes of this run alone, started as they are needed.

    Parameters
    ----------
    n_workers : int
    shared : sequence of object
        What stands in every call, by identity; each process is told of it once.
    """

    def __init__(self, n_workers: int, shared: Sequence[object] = ()) -> None:
        self._n_workers = n_workers
        self._shared = tuple(shared)
        self._waiting: deque[Call[Any]] = deque()
        self._workers: list[_Worker] = []

    @property
    def _busy(self) -> list[_Worker]:
        return [worker for worker in self._workers if worker.call is not None]

    @property
    def has_room(self) -> bool:
        """Whether one more call may be begun."""
        return len(self._waiting) + len(self._busy) < self._n_workers * (1 + AHEAD)

    @property
    def is_busy(self) -> bool:
        """Whether calls are under way."""
        return bool(self._waiting or self._busy)

    @property
    def wanted(self) -> Sequence[Hashable]:
        """Flutes at which the processes are and of which none waits; none as long as a process waits itself."""
        if len(self._workers) < self._n_workers or any(worker.call is None for worker in self._workers):
            return ()
        waiting = {call.flute for call in self._waiting}
        return [worker.flute for worker in self._workers if worker.flute not in waiting]

    def begin(self, call: Call[Any]) -> None:
        """Begin a call, as soon as a process is free.

        Parameters
        ----------
        call : Call
        """
        self._waiting.append(call)
        self._hand_out()

    def finished(self) -> Iterator[tuple[Call[Any], Any]]:
        """Wait for calls that are under way, and give the answers that are there.

        Yields
        ------
        call : Call
        answer : object or Failure
        """
        answers: list[tuple[Call[Any], Any]] = []
        while not answers and self.is_busy:
            self._hand_out()
            busy = self._busy
            soonest = min(worker.until for worker in busy)
            ready = wait([worker.connection for worker in busy], max(soonest - time.monotonic(), 0.0))
            for worker in busy:
                if worker.call is None:
                    continue
                if worker.connection in ready:
                    answers.append((worker.call, self._answer(worker, worker.call)))
                elif time.monotonic() > worker.until:
                    line = too_long(worker.call.entry.file)
                    answers.append((worker.call, Failure(line, known=False, code="took-too-long")))
                    self._lose(worker)
                self._hand_out()  # before the next answer is taken, and anybody does anything with them
        yield from answers

    def kill(self) -> None:
        """End the processes, whatever they are doing."""
        for worker in self._workers:
            worker.end()
        self._workers.clear()

    def _hand_out(self) -> None:
        """Give waiting calls to processes that are free, or not started yet."""
        while self._waiting:
            free = next((worker for worker in self._workers if worker.call is None), None)
            if free is None:
                if len(self._workers) == self._n_workers:
                    return
                self._workers.append(free := self._start())
            free.call, free.until = self._next_for(free), time.monotonic() + PHOTO_S
            free.flute = free.call.flute or free.flute
            with suppress(OSError):  # it died meanwhile: its end of the connection says so, too
                free.connection.send_bytes(packed(free.call, self._shared))

    def _next_for(self, free: _Worker) -> Call[Any]:
        """Take out the waiting call that a process makes with the least work."""
        others = {worker.flute for worker in self._workers if worker is not free}
        own = (call for call in self._waiting if call.flute in (None, free.flute))
        nobodys = (call for call in self._waiting if call.flute not in others)
        call = next(own, None) or next(nobodys, self._waiting[0])
        self._waiting.remove(call)
        return call

    def _start(self) -> _Worker:
        how = beginning()
        ours, theirs = how.Pipe()
        memory = _memory_for_each(self._n_workers)
        process = how.Process(target=_work, args=(theirs, self._shared, memory), daemon=True)
        with interrupts_held():  # until it can die of them
            process.start()
        theirs.close()
        return _Worker(process, ours)

    def _answer(self, worker: _Worker, call: Call[Any]) -> Any:  # noqa: ANN401 - whatever the call gives
        try:
            answer = worker.connection.recv()
        except (EOFError, OSError):
            self._lose(worker)
            return died(call)
        except Exception as error:
            self._lose(worker)
            return silent(call, error)
        worker.call = None
        return answer

    def _lose(self, worker: _Worker) -> None:
        worker.end()
        self._workers.remove(worker)
        worker.call = None


def died(call: Call[Any]) -> Failure:
    """What comes in place of the answer of a process that died.

    Parameters
    ----------
    call : Call

    Returns
    -------
    Failure
    """
    why = "a worker process died, most likely for want of memory; run again with fewer --jobs"
    return Failure(f"{undone(call)}: {why}", known=False, code="worker-died")


def silent(call: Call[Any], error: Exception) -> Failure:
    """What comes in place of an answer that cannot be had.

    Parameters
    ----------
    call : Call
    error : Exception

    Returns
    -------
    Failure
    """
    said = " ".join(str(error).split())[:150]
    why = f"its worker gave no answer ({type(error).__name__}: {said}); look at the workers and run again"
    return Failure(f"{undone(call)}: {why}", known=False, code="worker-silent")


def undone(call: Call[Any]) -> str:
    """What is said of a call that nobody answered, up to the reason.

    Parameters
    ----------
    call : Call

    Returns
    -------
    str
    """
    lacks = "was not measured" if call.what == "measure" else "has no comparison sheet"
    return f"{call.entry.file} {lacks}"


# --- What is told once


class _Packer(pickle.Pickler):
    def __init__(self, file: io.BytesIO, shared: Sequence[object]) -> None:
        super().__init__(file, pickle.HIGHEST_PROTOCOL)
        self._places = {id(one): place for place, one in enumerate(shared)}

    def persistent_id(self, thing: object) -> int | None:
        return self._places.get(id(thing))


class _Unpacker(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, shared: Sequence[object]) -> None:
        super().__init__(file)
        self._shared = shared

    def persistent_load(self, place: int) -> object:
        return self._shared[place]


def packed(call: Call[Any], shared: Sequence[object]) -> bytes:
    """Call as it travels to another process.

    Parameters
    ----------
    call : Call
    shared : sequence of object
        What the other process has been told of already, by identity.

    Returns
    -------
    bytes
    """
    content = io.BytesIO()
    _Packer(content, shared).dump(call)
    return content.getvalue()


def unpacked(content: bytes, shared: Sequence[object]) -> Call[Any]:
    """Call that has travelled here.

    Parameters
    ----------
    content : bytes
        As of `packed`.
    shared : sequence of object

    Returns
    -------
    Call
    """
    call: Call[Any] = _Unpacker(io.BytesIO(content), shared).load()
    return call


# --- In the processes


def _work(connection: Connection, shared: Sequence[object], memory: int) -> None:
    """Make calls as they come, until nobody is there to make them for."""
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # what libraries have to say is for developers, who ask for it
    cv2.setNumThreads(1)  # the processes share the processors already
    signal.signal(signal.SIGINT, signal.SIG_DFL)  # Ctrl-C ends a worker without a traceback of its own
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _limit_memory(memory)
    while True:
        try:
            call = unpacked(connection.recv_bytes(), shared)
        except (EOFError, OSError):
            return
        answer = guarded(call.entry.file, call.make)
        try:
            connection.send(answer)
        except OSError:
            return
        except Exception as error:  # what cannot be sent
            connection.send(silent(call, error))


def _end_with_parent() -> None:
    """End this process when the one that started it is gone, however that went."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


def _memory_for_each(n_workers: int) -> int:
    """Bytes that each of so many workers may take; 0 where nobody can tell how much there is."""
    try:
        there = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return 0
    return max(int(SHARE_OF_MEMORY * there / n_workers), LEAST_MEMORY)


def _limit_memory(most_bytes: int) -> None:
    """Have what takes more memory fail in this process, rather than have the system end whichever it likes."""
    try:
        import resource
    except ImportError:
        return
    before, hard = resource.getrlimit(resource.RLIMIT_DATA)
    if most_bytes and before == resource.RLIM_INFINITY:
        resource.setrlimit(resource.RLIMIT_DATA, (most_bytes, hard))
