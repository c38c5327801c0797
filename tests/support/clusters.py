"""A real Dask scheduler with its worker processes on this computer."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import fake_photos as fake

ALLOWED_FAILURES = 1  # deaths that a call may be near before Dask gives it up; its own 3 take longer


@contextmanager
def a_cluster(folder, threads=1, workers=2):
    """Processes of a scheduler and of what keeps its workers going, or of its one worker, and the address."""
    where = folder / "scheduler.json"
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join([os.path.dirname(fake.__file__), *sys.path]),  # noqa: PTH120
        "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": str(ALLOWED_FAILURES),
    }

    def started(what, *options):
        with (folder / f"{what}.log").open("wb") as log:
            command = [sys.executable, "-W", "ignore", "-m", f"distributed.cli.dask_{what}", "--no-dashboard"]
            return subprocess.Popen(
                [*command, *options],
                cwd=folder,
                env=environment,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    local = ("--host", "127.0.0.1", "--scheduler-file", where)
    processes = [started("scheduler", *local, "--port", "0")]
    try:
        deadline = time.monotonic() + 60  # only against hanging
        while not where.exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        kept = ("--nworkers", str(workers)) if workers > 1 else ("--no-nanny",)
        processes.append(started("worker", *local, "--nthreads", str(threads), "--memory-limit", "0", *kept))
        from distributed import Client

        with Client(scheduler_file=str(where), set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=60)
            address = client.scheduler.address
        yield address, *processes
    finally:
        for process in processes:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
