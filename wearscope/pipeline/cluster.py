"""A crew of Dask workers that are running already, here or elsewhere; Dask is imported when one is asked for."""

from __future__ import annotations

import asyncio
import logging
import pickle
import threading
import time
from collections import deque
from collections.abc import Callable, Hashable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any
from urllib.parse import urlsplit

from wearscope.errors import WearscopeError
from wearscope.pipeline.calls import PHOTO_S, AnswerT, Call, Failure, guarded, too_long
from wearscope.pipeline.workers import AHEAD, packed, silent, undone, unpacked
from wearscope.version import __version__

ANSWER_S = 10.0  # for a scheduler to answer, and for a first worker to be there; chosen, no source
ALONE_S = 60.0  # until workers that are all gone are no longer waited for; chosen, no source
LOOK_S = 2.0  # between two looks whether anybody is left
_LARGE_CALL = "distributed.admin.large-graph-warning-threshold"  # of what is drawn, 10 MB are usual


class ClusterError(WearscopeError):
    """A cluster that cannot be used."""

    exit_code = 2


@dataclass(frozen=True, eq=False)
class Cluster:
    """A connection to the scheduler of a Dask cluster.

    Attributes
    ----------
    address : str
    client : distributed.Client
    """

    address: str
    client: Any

    def n_threads(self) -> int:
        """Calls that the cluster can make at once.

        Returns
        -------
        int
            0 where no worker is left, or nobody can tell.
        """
        try:
            return sum(self.client.nthreads(callback_timeout=ANSWER_S).values())
        except Exception:  # of Dask, of its connections, of the system
            return 0

    def crew(self, shared: Sequence[object]) -> ClusterCrew:
        """Whoever makes calls on the cluster.

        Parameters
        ----------
        shared : sequence of object
            What stands in every call, by identity; each worker is told of it once.

        Returns
        -------
        ClusterCrew
        """
        return ClusterCrew(self, shared)


@contextmanager
def cluster_at(address: str, seen: Path) -> Iterator[Cluster]:
    """Connect to a cluster that is running, and leave it running afterwards.

    Parameters
    ----------
    address : str
        Of its scheduler, such as ``tcp://server:8786``.
    seen : Path
        A file that each worker must see under the same path, such as the trial file.

    Yields
    ------
    Cluster

    Raises
    ------
    ClusterError
        Dask is not installed, `address` is no address, nobody answers there, or its workers cannot do the work.
    """
    if find_spec("distributed") is None:
        pip = ".venv/bin/pip install -c requirements-tested.txt -e '.[cluster]'"
        raise ClusterError(
            "a cluster needs Dask, which is not installed", f"run, in the folder of wearscope: {pip}"
        )
    _require_address(address)
    import dask.config
    from distributed import Client

    with _loggers_held(), dask.config.set({_LARGE_CALL: "1 GiB"}):
        try:
            with ThreadPoolExecutor(1) as thread:  # whoever calls may have a loop of asyncio already
                thread.submit(asyncio.run, _require_scheduler(address)).result()
            client = Client(address, timeout=ANSWER_S, set_as_default=False)
        except Exception as error:  # whatever stands at the other end
            raise ClusterError(
                f"no Dask scheduler answers at {address}", "start it with dask scheduler, or mend the address"
            ) from error
        try:
            cluster = Cluster(address, client)
            _require_fit(cluster, seen.absolute())
            yield cluster
        finally:
            with suppress(Exception):
                client.close(timeout=ANSWER_S)


def _require_address(address: str) -> None:
    parts = urlsplit(address if "://" in address else f"tcp://{address}")
    try:
        fit = parts.scheme in ("tcp", "tls", "ws", "wss") and parts.hostname and parts.port
    except ValueError:  # a port that is no number
        fit = False
    if not fit or parts.path or parts.username or parts.query:
        raise ClusterError(
            f'"{address}" is no address of a scheduler', "give it as dask scheduler says it: tcp://HOST:8786"
        )


async def _require_scheduler(address: str) -> None:
    """Wait for somebody who speaks as Dask does: its client itself waits for ever for one that says nothing."""
    from distributed import Security
    from distributed.comm import connect

    options = Security().get_connection_args("client")
    comm = await asyncio.wait_for(connect(address, timeout=ANSWER_S, **options), ANSWER_S)
    await comm.close()


def _require_fit(cluster: Cluster, seen: Path) -> None:
    """Refuse a cluster on which each photo would be refused, or measured by other rules."""
    address, client = cluster.address, cluster.client
    start = f"dask worker {address} --nthreads 1 --nworkers auto"
    try:
        client.wait_for_workers(1, timeout=ANSWER_S)
    except Exception as error:
        raise ClusterError(f"the scheduler at {address} has no workers", f"start some: {start}") from error
    try:
        found = client.run(_found_there, str(seen))
    except Exception as error:
        said = " ".join(str(error).split())[:150]
        raise ClusterError(
            f"a worker of {address} cannot run wearscope ({type(error).__name__}: {said})",
            f"install wearscope {__version__} where the workers run, and start them anew",
        ) from error
    for worker, (version, sees) in sorted(found.items()):
        if version != __version__:
            raise ClusterError(f"the worker {worker} has wearscope {version}", _same_version())
        if not sees:
            cure = "let it have the same folder under the same path"
            raise ClusterError(f"the worker {worker} does not see {seen}", cure)


def _same_version() -> str:
    return f"install {__version__} there as here, and start it anew"


@contextmanager
def _loggers_held() -> Iterator[None]:
    """Have Dask's loggers say nothing: what went wrong is said in one line, by whoever it happens to."""
    loggers = [
        logging.getLogger(f"distributed{part}") for part in ("", ".client", ".core", ".comm", ".batched")
    ]
    before = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, before, strict=True):
            logger.setLevel(level)


class ClusterCrew:
    """A crew of Dask workers; a call whose worker dies is made again by another.

    Dask gives a call up that was with several workers as they died, and so may give up others that were with them
    too: each is tried once more with nothing beside it.

    Parameters
    ----------
    cluster : Cluster
    shared : sequence of object
        What stands in every call, by identity.
    """

    def __init__(self, cluster: Cluster, shared: Sequence[object] = ()) -> None:
        self._cluster = cluster
        self._client = cluster.client
        self._shared = tuple(shared)
        self._places = max(cluster.n_threads(), 1) * (1 + AHEAD)
        self._done: SimpleQueue[Any] = SimpleQueue()
        self._calls: dict[Any, tuple[Any, Call[Any]]] = {}
        self._suspects: deque[Call[Any]] = deque()
        # a call itself: what is scattered would be lost with the worker that holds it
        self._told = self._submitted(pickle.loads, pickle.dumps(self._shared))

    @property
    def has_room(self) -> bool:
        """Whether one more call may be begun."""
        return not self._suspects and len(self._calls) < self._places

    @property
    def is_busy(self) -> bool:
        """Whether calls are under way."""
        return bool(self._calls or self._suspects)

    @property
    def wanted(self) -> Sequence[Hashable]:
        """None: Dask itself says who makes which call."""
        return ()

    def begin(self, call: Call[Any]) -> None:
        """Begin a call.

        Parameters
        ----------
        call : Call

        Raises
        ------
        WearscopeError
            The scheduler is gone.
        """
        future = self._submitted(_answer_there, packed(call, self._shared), self._told, __version__)
        self._calls[future.key] = future, call
        future.add_done_callback(self._done.put)

    def finished(self) -> Iterator[tuple[Call[Any], Any]]:
        """Wait for calls that are under way, and give the answers that are there.

        Yields
        ------
        call : Call
        answer : object or Failure

        Raises
        ------
        WearscopeError
            The scheduler is gone, or all its workers.
        """
        if not self._calls:
            self.begin(self._suspects[0])
        until = time.monotonic() + ALONE_S
        while True:
            try:
                future = self._done.get(timeout=LOOK_S)
                break
            except Empty:
                if self._cluster.n_threads():
                    until = time.monotonic() + ALONE_S
                elif time.monotonic() > until:
                    raise self._lost() from None
        _, call = self._calls.pop(future.key)
        answer = self._answer(future, call)
        if call in self._suspects:
            self._suspects.remove(call)
        elif isinstance(answer, Failure) and answer.code == "worker-died":
            self._suspects.append(call)
            return
        yield call, answer

    def cancel(self) -> None:
        """Take back what is not finished."""
        with suppress(Exception):  # there may be nobody any more
            self._client.cancel([future for future, _ in self._calls.values()])
        self._calls.clear()

    def _submitted(self, make: Callable[..., Any], *arguments: object) -> Any:  # noqa: ANN401 - a future of Dask
        try:
            return self._client.submit(make, *arguments, pure=False)
        except Exception as error:  # of Dask, of its connections, of the system
            raise self._lost() from error

    def _answer(self, future: Any, call: Call[AnswerT]) -> AnswerT | Failure:  # noqa: ANN401 - as above
        from distributed import CancelledError, KilledWorker

        try:  # not by its status, which is "lost" while an answer that died with its worker is made again
            answer: AnswerT | Failure = future.result(timeout=PHOTO_S)
        except KilledWorker:
            why = "every worker of the cluster that had it died, most likely for want of memory"
            cure = "give each worker more memory, or cut out the part with the flute, without resizing it"
            return Failure(f"{undone(call)}: {why}; {cure}", known=False, code="worker-died")
        except CancelledError as error:
            raise self._lost() from error
        except Exception as error:
            return silent(call, error)
        return answer

    def _lost(self) -> WearscopeError:
        return WearscopeError(
            f"the cluster at {self._cluster.address} has gone, or has no workers left",
            "start it again and run the same command: what was measured is kept",
        )


# --- On the workers


def _found_there(path: str) -> tuple[str, bool]:
    """Version of wearscope on this worker, and whether it sees a file."""
    return __version__, Path(path).is_file()


def _answer_there(content: bytes, shared: Sequence[object], version: str) -> Any:  # noqa: ANN401 - whatever it gives
    """Make a call on a worker, as long as a photo may take."""
    call = unpacked(content, shared)
    if version != __version__:  # a worker that came later
        line = f"{undone(call)}: its worker has wearscope {__version__}; install {version} there as here"
        return Failure(line, known=False, code="worker-differs")
    return within(PHOTO_S, call)


def within(seconds: float, call: Call[AnswerT]) -> AnswerT | Failure:
    """Make a call where no signal can break it off: what takes too long is left behind in a thread of its own.

    Parameters
    ----------
    seconds : float
    call : Call

    Returns
    -------
    object or Failure
    """
    answers: SimpleQueue[AnswerT | Failure] = SimpleQueue()
    file = call.entry.file
    threading.Thread(target=lambda: answers.put(guarded(file, call.make)), daemon=True).start()
    try:
        return answers.get(timeout=seconds)
    except Empty:
        return Failure(too_long(file), known=False, code="took-too-long")
