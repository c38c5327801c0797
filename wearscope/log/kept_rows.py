"""Rows of a wear log that were looked through once and found as they were written, kept for the next time.

Of a large trial, all rows of a bit are kept together in a file under the checksum of their own checksums, which cover
all that stands in them: as soon as a row is another, so is the name of the file. A damaged file counts as none.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, select

from wearscope.errors import WearscopeError
from wearscope.files import PHOTO_BYTES, read_file
from wearscope.log import cells, csv_lines
from wearscope.log.checksums import Row, rows_of
from wearscope.log.csv_lines import record_lines
from wearscope.log.export import make_folder, write_bytes
from wearscope.log.records import Record, record_of
from wearscope.log.schema import RECORD_TYPES, measurement
from wearscope.version import __version__

FOLDER_NAME = "kept-rows"
"""Folder in ``results/``; whoever deletes it waits longer the next time."""
WORTH_KEEPING = 20_000
"""Rows of a trial, from which on they are kept; to look through fewer takes half a second."""
MOST_FOR_A_BIT = 3
"""Files that are kept, in the mean; of more the oldest go, whose rows are no longer what the log holds."""

_OF_THE_LOG = ("id", "inspection_id", "superseded_by")
_NAMES = tuple(RECORD_TYPES)
_FLOATS = tuple(name for name in _NAMES if float in get_args(RECORD_TYPES[name]))
_INTS = tuple(name for name in _NAMES if RECORD_TYPES[name] is int)
_TEXTS = tuple(name for name in _NAMES if name not in (*_FLOATS, *_INTS))
_WIDE, _SMALL, _FLOAT = (np.dtype(kind) for kind in ("<i8", "<i4", "<f8"))
_DIGEST = 32  # bytes
_NONE = -1  # superseded by none


@dataclass(frozen=True)
class BitRows:
    """All rows of one bit that a log holds, oldest first.

    Attributes
    ----------
    digest : str
        SHA-256 of their checksums.
    ids : list of int
    made_by : list of int
        The inspection that each came of.
    superseded_by : list of int or None
    records : list of Record
    lines : list of str
        Each record as a line of CSV.
    """

    digest: str
    ids: list[int]
    made_by: list[int]
    superseded_by: list[int | None]
    records: list[Record]
    lines: list[str]


def rows_by_bit(connection: Connection, trial: str, results: Path) -> tuple[list[str], list[BitRows]]:
    """All rows of a trial, bit by bit, each held against its checksum once.

    Parameters
    ----------
    connection : Connection
    trial : str
    results : Path
        Folder for results; of a large trial, what was looked through is kept there if it exists.

    Returns
    -------
    checksums : list of str
        Of all rows, oldest first.
    rows : list of BitRows

    Raises
    ------
    DamagedRowError
        A row does not agree with its checksum.
    """
    columns = (measurement.c.id, measurement.c.bit, measurement.c.checksum)
    listed = connection.execute(
        select(*columns).where(measurement.c.trial == trial).order_by(measurement.c.id)
    ).all()
    of: dict[str, list[str]] = {}
    for number, bit, checksum in listed:
        of.setdefault(bit, []).append(f"{number} {checksum}")
    names = {bit: _digest(trial, bit, told) for bit, told in of.items()}
    folder = results / FOLDER_NAME if len(listed) >= WORTH_KEEPING and results.is_dir() else None
    found = [_of_bit(connection, trial, bit, digest, folder) for bit, digest in names.items()]
    if folder is not None:
        _clear(folder, {_path(folder, digest) for digest in names.values()})
    return [checksum for _, _, checksum in listed], found


@cache
def _program() -> str:
    """Of the program that makes lines of rows, and of how they are kept."""
    sources = (Path(path).read_bytes() for path in (__file__, cells.__file__, csv_lines.__file__))
    return sha256(__version__.encode() + b"".join(sources)).hexdigest()


def _digest(trial: str, bit: str, told: Sequence[str]) -> str:
    return sha256(json.dumps([_program(), trial, bit, *told]).encode()).hexdigest()


def _path(folder: Path, digest: str) -> Path:
    return folder / f"{digest}.rows"


def _of_bit(connection: Connection, trial: str, bit: str, digest: str, folder: Path | None) -> BitRows:
    if folder is not None and (kept := _kept(_path(folder, digest), digest)) is not None:
        return kept
    rows = rows_of(connection, measurement, measurement.c.trial == trial, measurement.c.bit == bit)
    records = [record_of([row[name] for name in _NAMES]) for row in rows]
    ids, made_by, superseded_by = ([row[name] for row in rows] for name in _OF_THE_LOG)
    found = BitRows(digest, ids, made_by, superseded_by, records, record_lines(records))
    if folder is not None:
        with suppress(
            WearscopeError, ValueError, OverflowError
        ):  # else the next run looks through them again
            make_folder(folder)
            write_bytes(_path(folder, digest), _content(found, rows))
    return found


def _clear(folder: Path, used: set[Path]) -> None:
    with suppress(OSError):
        others = sorted(set(folder.glob("*.rows")) - used, key=lambda path: path.stat().st_mtime)
        for oldest in others[: max(0, len(others) - (MOST_FOR_A_BIT - 1) * len(used))]:
            oldest.unlink()


# --- Kept: lengths, numbers by column, then texts


def _content(found: BitRows, rows: Sequence[Row]) -> bytes:
    """All of it as bytes, and their SHA-256 before them."""
    texts = {name: list(dict.fromkeys(row[name] for row in rows)) for name in _TEXTS}
    whole = [found.ids, found.made_by, [_NONE if by is None else by for by in found.superseded_by]]
    whole += [[row[name] for row in rows] for name in _INTS]
    small = [list(map(len, found.lines))]
    for name, said in texts.items():
        at = {text: number for number, text in enumerate(said)}
        small.append([at[row[name]] for row in rows])
    floats = [[np.nan if row[name] is None else row[name] for row in rows] for name in _FLOATS]
    told = json.dumps({"texts": texts, "lines": "".join(found.lines)}).encode("ascii")
    sizes = np.array([len(rows), len(told)], _WIDE)
    arrays = (np.array(whole, _WIDE), np.array(small, _SMALL), np.array(floats, _FLOAT))
    body = b"".join((sizes.tobytes(), *(array.tobytes() for array in arrays), told))
    return sha256(found.digest.encode() + body).digest() + body


def _kept(path: Path, digest: str) -> BitRows | None:
    """Rows as they were kept; None where there are none, or they are not as they were written."""
    try:
        content = read_file(path, PHOTO_BYTES)
    except OSError:
        return None
    body = content[_DIGEST:]
    if content[:_DIGEST] != sha256(digest.encode() + body).digest():
        return None
    n = int(np.frombuffer(body, _WIDE, 2)[0])
    at, found = 2 * _WIDE.itemsize, list[NDArray[Any]]()
    for kind, n_columns in (
        (_WIDE, len(_OF_THE_LOG) + len(_INTS)),
        (_SMALL, 1 + len(_TEXTS)),
        (_FLOAT, len(_FLOATS)),
    ):
        found.append(np.frombuffer(body, kind, n_columns * n, at).reshape(n_columns, n))
        at += found[-1].nbytes
    whole, small, floats = found
    told = json.loads(body[at:])
    columns = _columns(told["texts"], whole, small, floats)
    ids, made_by, by = whole[: len(_OF_THE_LOG)].tolist()
    records = [Record(*row) for row in zip(*(columns[name] for name in _NAMES), strict=True)]
    ends = np.cumsum(small[0]).tolist()
    lines = [told["lines"][start:end] for start, end in zip([0, *ends], ends, strict=False)]
    return BitRows(digest, ids, made_by, [None if one == _NONE else one for one in by], records, lines)


def _columns(
    texts: Mapping[str, Sequence[str]],
    whole: NDArray[np.int64],
    small: NDArray[np.int32],
    floats: NDArray[np.float64],
) -> dict[str, list[Any]]:
    """Cells of each column, in Python's own types."""
    found: dict[str, list[Any]] = {}
    for name, column in zip(_INTS, whole[len(_OF_THE_LOG) :], strict=True):
        found[name] = column.tolist()
    for name, codes in zip(_TEXTS, small[1:], strict=True):
        found[name] = list(map(texts[name].__getitem__, codes.tolist()))
    for name, numbers in zip(_FLOATS, floats, strict=True):
        column = numbers.tolist()
        for at in np.flatnonzero(np.isnan(numbers)).tolist():
            column[at] = None
        found[name] = column
    return found
