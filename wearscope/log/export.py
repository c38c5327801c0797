"""Writing the rows of a trial to files that other programs read."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Sequence
from dataclasses import astuple, fields
from pathlib import Path

from wearscope.errors import WearscopeError
from wearscope.log.order import in_order
from wearscope.wear.records import Record

COLUMNS = tuple(field.name for field in fields(Record))
"""Columns of ``measurements.csv``, in order."""


def write_measurements(path: Path, records: Iterable[Record]) -> None:
    """Write records as CSV, in natural order: numbers in full, an empty cell for what there is not.

    The file is replaced in one step, so that a reader never sees half of it.

    Raises
    ------
    WearscopeError
        The file cannot be written.
    """
    write_table(path, COLUMNS, (astuple(record) for record in in_order(records)))


def write_table(path: Path, columns: Sequence[str], rows: Iterable[Sequence[str | float | None]]) -> None:
    """Write a CSV file in one step; WearscopeError if it cannot be written."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)  # a float is written with repr, None as an empty cell
    write_bytes(path, text.getvalue().encode())


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file in one step: under another name first, then renamed; WearscopeError if that fails."""
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
