"""Figures of many bits, drawn once and kept under the checksum of all that they show and of the program."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import fields, is_dataclass
from functools import cache, partial
from hashlib import sha256
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib import rcParams

from wearscope import metrology, quantities, report
from wearscope.errors import WearscopeError
from wearscope.files import PHOTO_BYTES, read_file
from wearscope.log.export import make_folder, write_bytes
from wearscope.log.records import Record
from wearscope.report.curves import Drawn, Keep
from wearscope.report.fonts import families_for, readable
from wearscope.version import __version__

FOLDER_NAME = "kept-figures"
"""Folder in ``results/``; whoever deletes it waits longer the next time."""
WORTH_KEEPING = 7
"""Bits in a figure, from which on it is kept; one of fewer takes half a second."""
MOST_KEPT = 40
"""Files; of more the oldest go. A report has four or five."""

_DIGEST = 32  # bytes
_LENGTH = struct.Struct("<q")


def keeper(results: Path) -> Keep:
    """Whoever keeps the figures of a trial's report.

    Parameters
    ----------
    results : Path
        The results folder.

    Returns
    -------
    callable
        A damaged file counts as none; where a figure cannot be kept it is drawn again the next time.
    """
    return partial(_files, results / FOLDER_NAME)


def _files(folder: Path, what: Drawn, form: str, draw: Callable[[], Sequence[bytes]]) -> Sequence[bytes]:
    if len(what.bits) < WORTH_KEEPING:
        return draw()
    path = folder / f"{checksum_of(what, form)}.figure"
    kept = _kept(path)
    if kept is not None:
        return kept
    if files := draw():
        with suppress(WearscopeError):
            make_folder(folder)
            write_bytes(path, _content(files))
            _clear(folder, path)
    return files


def _clear(folder: Path, newest: Path) -> None:
    with suppress(OSError):
        others = set(folder.glob("*.figure")) - {newest}
        for oldest in sorted(others, key=lambda path: path.stat().st_mtime)[: -(MOST_KEPT - 1)]:
            oldest.unlink()


def _content(files: Sequence[bytes]) -> bytes:
    """Each file behind its length, and the SHA-256 of all before them."""
    body = b"".join(_LENGTH.pack(len(file)) + file for file in files)
    return sha256(body).digest() + body


def _kept(path: Path) -> Sequence[bytes] | None:
    try:
        content = read_file(path, PHOTO_BYTES)
    except OSError:
        return None
    body = content[_DIGEST:]
    if content[:_DIGEST] != sha256(body).digest():
        return None
    files, at = [], 0
    while at < len(body):
        (length,) = _LENGTH.unpack_from(body, at)
        at += _LENGTH.size
        files.append(body[at : at + length])
        at += length
    return files


@cache
def _program() -> bytes:
    """Of what draws and says: the program, the libraries, and the letters that come with one of them."""
    folders = (Path(next(iter(room.__path__))) for room in (report, quantities, metrology))
    sources = sorted(path for folder in folders for path in folder.glob("*.py"))
    versions = (__version__, matplotlib.__version__, np.__version__)
    return sha256(repr(versions).encode() + b"".join(path.read_bytes() for path in sources)).digest()


def checksum_of(what: Drawn, form: str) -> str:
    """SHA-256 of all that a figure shows, of how it is drawn by the settings of this machine, and of the program.

    Parameters
    ----------
    what : Drawn
    form : str

    Returns
    -------
    str
    """
    summed = sha256(_program())
    names = [bit.bit for bit in what.bits]
    beside = [(readable(name), families_for(readable(name))) for name in names]
    look = [(name, rcParams[name]) for name in sorted(rcParams) if "backend" not in name]
    summed.update(repr((form, beside, look)).encode())
    for piece in _pieces(what):
        summed.update(_LENGTH.pack(len(piece)) + piece)
    return summed.hexdigest()


def _pieces(of: Any) -> Iterator[bytes]:  # noqa: ANN401 - whatever an outcome is made of
    """All that a thing holds, to the last bit."""
    if isinstance(of, Record):  # of which there are most, and which hold no array
        yield repr(of).encode()
    elif is_dataclass(of):
        yield type(of).__name__.encode()
        for field in fields(of):
            yield from _pieces(getattr(of, field.name))
    elif isinstance(of, np.ndarray):
        yield f"{of.dtype.str} {of.shape}".encode() + of.tobytes()
    elif isinstance(of, tuple | list):
        yield f"{len(of)} of".encode()
        for each in of:
            yield from _pieces(each)
    else:
        yield repr(of).encode()
