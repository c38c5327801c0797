"""A PostgreSQL server of its own for the tests, on a port of the loopback that nobody else has."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


def programs() -> Path | None:
    """Folder of PostgreSQL's own programs, where Debian puts them or on the path."""
    found = [Path(shutil.which("initdb")).parent] if shutil.which("initdb") else []
    return next(iter(found + sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)), None)


def missing() -> str | None:
    """What is needed and not there."""
    try:
        import psycopg  # noqa: F401
    except ImportError:
        return "psycopg is not installed"
    return None if programs() else "PostgreSQL is not installed"


@contextmanager
def server() -> Iterator[str]:
    """A server for as long as it is needed; its address without a database."""
    lacks = missing()
    if lacks:
        if os.environ.get("WEARSCOPE_POSTGRES"):
            pytest.fail(lacks)
        pytest.skip(lacks)
    # it will not run as root
    who = {"user": "postgres"} if os.name == "posix" and os.geteuid() == 0 else {}
    folder = Path(tempfile.mkdtemp(prefix="wearscope-postgres-"))
    if who:
        shutil.chown(folder, "postgres")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    bin_, data = programs(), folder / "data"

    def call(*command: object) -> None:
        done = subprocess.run([str(each) for each in command], cwd=folder, capture_output=True, **who)
        assert done.returncode == 0, done.stderr.decode()

    options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={folder} -c fsync=off"
    call(bin_ / "initdb", "-D", data, "-U", "shop", "--auth=trust", "--encoding=UTF8", "--no-sync")
    subprocess.run(
        [bin_ / "pg_ctl", "-D", data, "-o", options, "-l", folder / "log", "-w", "start"],
        cwd=folder, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **who,
    )  # fmt: skip
    try:
        yield f"postgresql+psycopg://shop@127.0.0.1:{port}"
    finally:
        call(bin_ / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder, ignore_errors=True)
