"""Reading the files that are handed in: regular ones only, and never more than a bound."""

from __future__ import annotations

import errno
import os
import stat
from hashlib import sha256
from pathlib import Path

TRIAL_BYTES = 16_000_000
"""Most that a trial or study file holds: ten times what 10 000 photos take."""

PROGRAM_BYTES = 32_000_000
"""Most that a part program holds: a million lines, which are held as moves."""

RECORDING_BYTES = 250_000_000
"""Most that a recording holds: ten minutes in stereo, 48 000 samples per second of 32 bits."""

PHOTO_BYTES = 700_000_000
"""Most that a photo's file holds: the largest picture that is read, uncompressed."""


class NotRegularError(OSError):
    """A device, a pipe or a socket stands where a file should; reading it might never end."""


class TooLargeError(OSError):
    """A file that holds more than it may."""


def read_file(path: Path, most_bytes: int) -> bytes:
    """Bytes of a regular file.

    Parameters
    ----------
    path : Path
    most_bytes : int
        A file that holds more is refused unread.

    Returns
    -------
    bytes

    Raises
    ------
    NotRegularError, TooLargeError
    OSError
        It cannot be read.
    """
    # a pipe that nobody writes to would hold up whoever opens it
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(path, flags), "rb") as file:
        seen = os.fstat(file.fileno())
        if stat.S_ISDIR(seen.st_mode):
            raise IsADirectoryError(errno.EISDIR, "it is a folder", str(path))
        if not stat.S_ISREG(seen.st_mode):
            raise NotRegularError(errno.EINVAL, "it is a device or a pipe, no file", str(path))
        # some files of the system say that they are empty, and are not
        content = file.read(most_bytes + 1) if seen.st_size <= most_bytes else b""
    if seen.st_size > most_bytes or len(content) > most_bytes:
        raise TooLargeError(errno.EFBIG, f"it holds more than {most_bytes // 1_000_000} MB", str(path))
    return content


def instead_of_a_file(path: Path) -> str:
    """What stands at a path where a file should.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Empty for a file, where nothing is, and where nobody may look.
    """
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return f"a link to {path.readlink()}, which is not there" if path.is_symlink() else ""
    except ValueError:  # no path at all
        return ""
    except OSError as error:
        return "a link that leads back to itself" if error.errno == errno.ELOOP else ""
    if stat.S_ISDIR(mode):
        return "a folder"
    return "" if stat.S_ISREG(mode) else "a device or a pipe, no file"


def checksum_of(path: Path, most_bytes: int = PHOTO_BYTES) -> str:
    """SHA-256 of a file's content.

    Parameters
    ----------
    path : Path
    most_bytes : int

    Returns
    -------
    str
        In hexadecimal; empty if the file cannot be read.
    """
    try:
        return sha256(read_file(path, most_bytes)).hexdigest()
    except (OSError, ValueError):
        return ""


def version_of(path: Path) -> list[int]:
    """What tells whether a file has been written since, without reading it.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of int
        Size in bytes and time of the last change in nanoseconds; empty where there is no such file.
    """
    try:
        seen = path.stat()
    except OSError:
        return []
    return [seen.st_size, seen.st_mtime_ns]
