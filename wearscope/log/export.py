"""Writing files that appear whole or not at all; among them the rows of a trial as CSV."""

from __future__ import annotations

import json
import os
import secrets
import time
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from itertools import chain, islice
from math import isfinite
from pathlib import Path
from typing import Any

from wearscope.errors import WearscopeError
from wearscope.log.cells import Cell
from wearscope.log.csv_lines import COLUMNS, csv_lines, head_line, lines_of
from wearscope.log.order import in_order
from wearscope.log.records import Record

PART = ".part"
"""How the name of a file ends that is being written."""

LEFT_AFTER_S = 3600.0
"""Age from which such a file is taken for what a run left that was killed; chosen, no source."""


LINES_AT_ONCE = 5000
"""Lines of a CSV file in memory as bytes; a megabyte."""


def write_measurements(path: Path, records: Iterable[Record]) -> None:
    """Write records as CSV, in natural order: numbers in full, an empty cell for what there is not.

    Parameters
    ----------
    path : Path
    records : iterable of Record

    Raises
    ------
    WearscopeError
        The file cannot be written.
    """
    listed = records if isinstance(records, Sequence) else tuple(records)
    write_lines(path, COLUMNS, lines_of(in_order(listed), listed))


def write_table(path: Path, columns: Sequence[str], rows: Sequence[Sequence[Cell]]) -> None:
    """Write a CSV file in one step.

    Parameters
    ----------
    path : Path
    columns : sequence of str
    rows : sequence of sequence
        A cell for each column; None is written as an empty cell, a float in full.

    Raises
    ------
    WearscopeError
        The file cannot be written.
    """
    write_lines(path, columns, csv_lines(rows))


def write_lines(path: Path, columns: Sequence[str], lines: Iterable[str]) -> None:
    """Write a CSV file in one step, of lines as `csv_lines` gives them.

    Parameters
    ----------
    path : Path
    columns : sequence of str
    lines : iterable of str

    Raises
    ------
    WearscopeError
        The file cannot be written.
    """
    rest = chain([head_line(columns)], lines)
    pieces = iter(lambda: "".join(islice(rest, LINES_AT_ONCE)).encode(), b"")
    write_bytes(path, pieces)


def make_folder(folder: Path) -> None:
    """Make a folder for results, unless it is there.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    WearscopeError
        The folder cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WearscopeError(
            f"{folder} cannot be made ({error.strerror})", "choose another folder with --out"
        ) from error


def clear_parts(folder: Path) -> None:
    """Delete what runs that were killed have left of files that they were writing.

    Parameters
    ----------
    folder : Path
    """
    with suppress(OSError):
        for part in folder.glob(f".*{PART}"):
            if time.time() - part.stat().st_mtime > LEFT_AFTER_S:
                part.unlink(missing_ok=True)


def write_bytes(path: Path, content: bytes | Iterable[bytes]) -> None:
    """Write a file in one step, so that a reader never sees half of it: under another name first, then renamed.

    Parameters
    ----------
    path : Path
    content : bytes, or iterable of bytes
        Whole, or in pieces that follow each other.

    Raises
    ------
    WearscopeError
        The file cannot be written.
    """
    try:
        replace_file(path, content)
    except IsADirectoryError as error:
        raise WearscopeError(f"{path} cannot be written: a folder has its name", "move it away") from error
    except OSError as error:
        raise WearscopeError(
            f"{path} cannot be written ({error.strerror})",
            "close any program that has it open, and check that the folder is writable and the disk not full",
        ) from error


def replace_file(path: Path, content: bytes | Iterable[bytes]) -> None:
    """Write a file as `write_bytes` does, and leave it to the caller to say what went wrong.

    Parameters
    ----------
    path : Path
    content : bytes, or iterable of bytes
        Whole, or in pieces that follow each other.

    Raises
    ------
    OSError
    """
    # no two alike: two computers may write to one folder, and their processes have the same numbers
    temporary = path.with_name(f".{secrets.token_hex(6)}{PART}")
    try:
        with temporary.open("xb") as file:
            file.writelines([content] if isinstance(content, bytes) else content)
            file.flush()
            os.fsync(file.fileno())  # or a power cut leaves the name with nothing behind it
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def write_json(path: Path, document: Mapping[str, Any]) -> None:
    """Write a JSON document in one step.

    Parameters
    ----------
    path : Path
    document : mapping

    Raises
    ------
    WearscopeError
        The file cannot be written.
    """
    write_bytes(path, f"{_indented(document, '')}\n".encode())


def _indented(thing: Any, pad: str) -> str:  # noqa: ANN401 - whatever JSON knows
    """JSON in lines, but a list of nothing but numbers and texts in one: curves have thousands of numbers."""
    if type(thing) is float and isfinite(thing):  # as the encoder does, which takes as long to begin
        return repr(thing)
    if type(thing) is str:
        return _known(thing) if len(thing) < _OFTEN else _plain(thing)
    if isinstance(thing, Mapping) and thing:
        inside = pad + " "
        inner = (
            f"{inside}{_known(key if isinstance(key, str) else _plain(key))}: {_indented(value, inside)}"
            for key, value in thing.items()
        )
        return "{\n" + ",\n".join(inner) + f"\n{pad}}}"
    if isinstance(thing, list | tuple) and any(issubclass(each, _NESTED) for each in set(map(type, thing))):
        return "[\n" + ",\n".join(f"{pad} {_indented(each, pad + ' ')}" for each in thing) + f"\n{pad}]"
    return _plain(thing)


@lru_cache(maxsize=10_000)
def _known(text: str) -> str:
    return _plain(text)


_OFTEN = 100  # characters of a text that may stand there thousands of times
_NESTED = (Mapping, list, tuple)
_plain = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode
