"""How processes begin that work for this one.

On Linux they are copies of one process that does nothing else and has imported, once, all that they need. A copy of
this one would hold locks that other threads had at that moment; and elsewhere the system's own libraries do not bear
to be copied, so that each process starts anew.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from multiprocessing.context import ForkServerContext, SpawnContext

COPIES = sys.platform == "linux" and not sys.flags.ignore_environment  # which tells it where modules are

NEEDED = (
    "wearscope.pipeline.one_photo",
    "wearscope.pipeline.inspect",
    "wearscope.report.sheets.comparison",
    # imported where they are called
    "scipy.signal",
    "skimage.morphology",
    "tifffile",
)
"""What every process that measures and draws imports sooner or later."""


def beginning() -> ForkServerContext | SpawnContext:
    """What processes are begun by; it gets ready beside whatever this one does meanwhile.

    Returns
    -------
    ForkServerContext or SpawnContext
    """
    if COPIES:
        from multiprocessing import forkserver

        forkserver.set_forkserver_preload(list(NEEDED))
        try:
            # held by that process for good, by its copies until they let go
            with interrupts_held(), _modules_found_as_here():
                forkserver.ensure_running()
            return multiprocessing.get_context("forkserver")
        except OSError:  # no folder for its socket, or this process is itself a copy of one that has its own
            pass
    return multiprocessing.get_context("spawn")


def n_processors(jobs: int | None = None) -> int:
    """How many processors may be kept busy.

    Parameters
    ----------
    jobs : int, optional
        So many, if said.

    Returns
    -------
    int
        By default as many as this process may use.
    """
    if jobs is not None:
        return jobs
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Hold Ctrl-C back for the moment; processes started meanwhile hold it until they let go.

    Yields
    ------
    None
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # what is started first otherwise, and lets Ctrl-C through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _modules_found_as_here() -> Iterator[None]:
    """Have a process that is started meanwhile import each module from where this one would, none from elsewhere."""
    path = os.pathsep.join(each or str(Path.cwd()) for each in sys.path)
    there = {"PYTHONPATH": path, "PYTHONSAFEPATH": "1"}
    before = {name: os.environ.get(name) for name in there}
    os.environ.update(there)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
