"""Writing files that appear whole or not at all; among them the rows of a trial as CSV."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple, fields
from pathlib import Path
from typing import Any

from wearscope.errors import WearscopeError
from wearscope.log.order import in_order
from wearscope.log.records import Record

Cell = str | float | None

COLUMNS = tuple(field.name for field in fields(Record))
"""Columns of ``measurements.csv``, in order."""


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
    write_table(path, COLUMNS, (astuple(record) for record in in_order(records)))


def write_table(path: Path, columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    """Write a CSV file in one step.

    Parameters
    ----------
    path : Path
    columns : sequence of str
    rows : iterable of sequence
        A cell for each column; None is written as an empty cell, a float in full.

    Raises
    ------
    WearscopeError
        The file cannot be written.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    write_bytes(path, text.getvalue().encode())


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


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file in one step, so that a reader never sees half of it: under another name first, then renamed.

    Parameters
    ----------
    path : Path
    content : bytes

    Raises
    ------
    WearscopeError
        The file cannot be written.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        try:
            temporary.write_bytes(content)
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as error:
        raise WearscopeError(
            f"{path} cannot be written ({error.strerror})",
            "close any program that has it open, and check that the folder is writable and the disk not full",
        ) from error


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
    write_bytes(path, (json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode())
