"""Large log files that were found whole, known again by the SHA-256 of all that is in them.

Whatever changes in the file, by a program or by a disk that forgets, changes that; so nothing is taken on trust from
dates and sizes.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from wearscope.errors import WearscopeError
from wearscope.files import read_file
from wearscope.log.export import write_bytes

_DIGITS = 64
_LONGEST_S = 600.0  # no file takes that long
_DIGEST = """
import hashlib, sys
with open(sys.argv[1], "rb") as file:
    sys.stdout.write(hashlib.file_digest(file, "sha256").hexdigest())
"""


def digest_of(file: Path) -> str | None:
    """SHA-256 of a database's file, made by another process.

    This one must not: on POSIX systems whoever closes a file gives up all locks that its process holds on it, those
    that SQLite has taken for it too.

    Parameters
    ----------
    file : Path

    Returns
    -------
    str or None
        None where it cannot be made.
    """
    command = [sys.executable, "-I", "-S", "-c", _DIGEST, str(file)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=_LONGEST_S)
    except (OSError, subprocess.SubprocessError):
        return None
    digest = done.stdout.strip()
    return digest if len(digest) == _DIGITS else None


def path_for(file: Path) -> Path:
    """Where it is noted that a log was found whole; whoever deletes that waits longer the next time.

    Parameters
    ----------
    file : Path

    Returns
    -------
    Path
    """
    return file.with_name(f"{file.name}-whole")


def was_found_whole(noted: Path, digest: str) -> bool:
    """Whether just this content was found whole before.

    Parameters
    ----------
    noted : Path
    digest : str

    Returns
    -------
    bool
    """
    try:
        return read_file(noted, _DIGITS) == digest.encode()
    except (OSError, WearscopeError):
        return False


def note(noted: Path, digest: str) -> None:
    """Note what was found whole; where that fails, it is looked through again the next time.

    Parameters
    ----------
    noted : Path
    digest : str
    """
    try:
        write_bytes(noted, digest.encode())
    except WearscopeError:
        return
