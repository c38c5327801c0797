"""The rows, notes and outcome of a trial as tables for other programs: CSV, one workbook, Parquet."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import astuple, dataclass
from importlib.util import find_spec
from operator import attrgetter
from pathlib import Path
from typing import Any, get_args

from wearscope.errors import WearscopeError
from wearscope.log.cells import Cell
from wearscope.log.csv_lines import COLUMNS, csv_lines, lines_of
from wearscope.log.export import write_bytes, write_lines
from wearscope.log.log_rows import LogRows
from wearscope.log.logged import LoggedRecord
from wearscope.log.notes import LoggedNote
from wearscope.log.order import in_order
from wearscope.log.records import Record
from wearscope.log.schema import NOTE_TYPES, RECORD_TYPES
from wearscope.quantities.quantity import listed_at
from wearscope.report.words import row_name

_LONGEST_CELL = 32_767  # characters, of the format (ECMA-376; from memory)
MOST_CELLS = 300_000
"""Of a sheet of the workbook: some 10 MB, a second to write, and opened at once. Chosen, no source; longer tables
stand in their CSV files alone."""


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    name : str
        For programs.
    heading : str
        For people, with the unit.
    kind : {int, float, str}
    """

    name: str
    heading: str
    kind: type


@dataclass(frozen=True)
class Table:
    """Rows under named columns.

    Attributes
    ----------
    name : str
        Name of its file, without the ending.
    title : str
        For people.
    columns : tuple of Column
    rows : sequence of tuple
        A cell for each column; None where there is nothing.
    n_frozen : int
        How many columns at the left say what a row is about.
    lines : callable, optional
        Gives the rows as lines of CSV, where these are known already.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: Sequence[tuple[Cell, ...]]
    n_frozen: int = 1
    lines: Callable[[], Iterable[str]] | None = None


def export_tables(folder: Path, tables: Sequence[Table], *, parquet: bool) -> tuple[Path, ...]:
    """Write tables as CSV files, as one workbook, and if asked for as Parquet files.

    Parameters
    ----------
    folder : Path
    tables : sequence of Table
    parquet : bool

    Returns
    -------
    tuple of Path
        Files written, the workbook first.

    Raises
    ------
    WearscopeError
        A file cannot be written, or what writes Parquet is not installed.
    """
    if parquet:
        require_parquet()
    written = [folder / "tables.xlsx"]
    write_bytes(written[0], workbook(tables))
    for table in tables:
        written.append(folder / f"{table.name}.csv")
        lines = table.lines() if table.lines else csv_lines(table.rows)
        write_lines(written[-1], [column.name for column in table.columns], lines)
        if parquet:
            written.append(folder / f"{table.name}.parquet")
            write_bytes(written[-1], parquet_bytes(table))
    return tuple(written)


def workbook(tables: Sequence[Table]) -> bytes:
    """XLSX file with a sheet for each table, its heading frozen, each number a number and each text a text.

    Of a table with more than `MOST_CELLS` cells the sheet says where it stands.

    Parameters
    ----------
    tables : sequence of Table

    Returns
    -------
    bytes
    """
    from xlsxwriter import Workbook

    content = io.BytesIO()
    # a note that begins with = or looks like an address stays what it is
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with Workbook(content, options) as book:
        head = book.add_format(
            {"bold": True, "text_wrap": True, "valign": "top", "bottom": 1, "bg_color": "#E8E8E8"}
        )
        for table in tables:
            _write_sheet(book.add_worksheet(table.title), table, head)
    return content.getvalue()


def _write_sheet(sheet: Any, table: Table, head: Any) -> None:  # noqa: ANN401 - XlsxWriter has no types
    sheet.freeze_panes(1, table.n_frozen)
    sheet.set_landscape()
    sheet.repeat_rows(0)
    sheet.fit_to_pages(1, 0)
    sheet.autofilter(0, 0, max(len(table.rows), 1), len(table.columns) - 1)
    fits = len(table.rows) * len(table.columns) <= MOST_CELLS
    if not fits:
        sheet.write_string(1, 0, f"{len(table.rows)} rows are too many for a sheet: open {table.name}.csv")
    rows = list(table.rows) if fits else []
    for j, column in enumerate(table.columns):
        sheet.write_string(0, j, column.heading, head)
        if not fits:
            continue
        longest = max((len(str(row[j])) for row in rows if row[j] is not None), default=0)
        # numbers as they are: three decimals would show 0.0004 as nothing
        sheet.set_column(j, j, 12 if column.kind is float else min(max(longest, 8), 40) + 2)
        for i, row in enumerate(rows, 1):
            cell = row[j]
            if isinstance(cell, str):
                if cell:
                    sheet.write_string(i, j, cell[:_LONGEST_CELL])
            elif cell is not None:
                sheet.write_number(i, j, cell)


def require_parquet() -> None:
    """Make sure that Parquet can be written.

    Raises
    ------
    WearscopeError
        What writes it is not installed.
    """
    if find_spec("pyarrow") is None:
        raise WearscopeError(
            "Parquet needs pyarrow, which is not installed",
            "install it with pip install pyarrow (170 MB), or leave out --parquet",
        )


def parquet_bytes(table: Table) -> bytes:
    """Parquet file of a table.

    Parameters
    ----------
    table : Table

    Returns
    -------
    bytes
    """
    import pyarrow
    from pyarrow import parquet

    types = {int: pyarrow.int64(), float: pyarrow.float64(), str: pyarrow.string()}
    columns = [(column.name, types[column.kind]) for column in table.columns]
    rows = list(table.rows)
    cells = [[row[j] for row in rows] for j in range(len(columns))]
    content = pyarrow.BufferOutputStream()
    parquet.write_table(pyarrow.table(cells, schema=pyarrow.schema(columns)), content)
    return bytes(content.getvalue())


class _WhenAsked(Sequence[tuple[Cell, ...]]):
    """Rows of a table, made of things when they are asked for: those of a long table mostly never are."""

    def __init__(self, things: Sequence[Any], row: Callable[[Any], tuple[Cell, ...]]) -> None:
        self._things, self._row = things, row

    def __len__(self) -> int:
        return len(self._things)

    def __getitem__(self, at: Any) -> Any:  # noqa: ANN401 - a number or a slice
        found = self._things[at]
        return tuple(map(self._row, found)) if isinstance(at, slice) else self._row(found)

    def __iter__(self) -> Iterator[tuple[Cell, ...]]:
        return map(self._row, self._things)


# --- What a trial comes to, as tables

_cells = attrgetter(*COLUMNS)  # of a record


def measurements_table(records: Sequence[Record]) -> Table:
    """Rows that hold now, one for each number.

    Parameters
    ----------
    records : sequence of Record

    Returns
    -------
    Table
    """
    ordered = in_order(records)
    return Table(
        "measurements",
        "Measurements",
        tuple(_column(name, RECORD_TYPES) for name in COLUMNS),
        _WhenAsked(ordered, _cells),
        3,
        lambda: lines_of(ordered, records),
    )


def log_table(history: Sequence[LoggedRecord]) -> Table:
    """All rows ever, oldest first, and until when each held.

    Parameters
    ----------
    history : sequence of LoggedRecord

    Returns
    -------
    Table
    """
    return Table(
        "wear-log",
        "Wear log",
        (
            Column("trial", "trial", str),
            *(_column(name, RECORD_TYPES) for name in COLUMNS),
            Column("superseded_at", "superseded at (UTC)", str),
            Column("superseding_refusal", "refused then, because", str),
        ),
        _WhenAsked(
            history, lambda row: (row.trial, *_cells(row.record), row.superseded_at, row.superseding_refusal)
        ),
        4,
        history.lines if isinstance(history, LogRows) else None,
    )


def notes_table(history: Sequence[LoggedNote]) -> Table:
    """All notes ever, oldest first, and until when each held.

    Parameters
    ----------
    history : sequence of LoggedNote

    Returns
    -------
    Table
    """
    return Table(
        "notes",
        "Notes",
        (
            *(_column(name, NOTE_TYPES) for name in NOTE_TYPES),
            Column("superseded_at", "superseded at (UTC)", str),
            Column("superseded_by", "superseded by", str),
        ),
        tuple((*astuple(row.note), row.superseded_at, row.superseded_by) for row in history),
        4,
    )


_PLACE = ("bit", "flute", "parts", "view")
_ORIGIN = ("photo", "photo_sha256", "scale", "um_per_px")
_place_of = attrgetter(*_PLACE)
_origin_of = attrgetter(*_ORIGIN)


def by_photo_table(records: Sequence[Record]) -> Table:
    """Rows that hold now, one for each photo, with a column for each quantity in each zone.

    Parameters
    ----------
    records : sequence of Record

    Returns
    -------
    Table
    """
    photos: dict[tuple[Cell, ...], dict[tuple[str, str], Record]] = {}
    records = in_order(records)
    for record in records:
        place = _place_of(record)
        photos.setdefault(place, {})[record.quantity, record.zone] = record
    numbers = {(row.quantity, row.zone): row for row in reversed(records)}
    order = sorted(numbers, key=lambda number: listed_at(*number))
    columns = [_column(name, RECORD_TYPES) for name in _PLACE]
    for number in order:
        row, name = numbers[number], "_".join(number)
        tail = "" if row.unit in ("1", "") or row.quantity.endswith(f"_{row.unit}") else f"_{row.unit}"
        unit = _UNIT_WORDS.get(row.unit, row.unit)
        columns += [
            Column(f"{name}{tail}", f"{row_name(row)}, {unit}", float),
            Column(f"u_{name}{tail}", f"{row_name(row)}, half of its ±, {unit}", float),
            Column(f"{name}_status", f"{row_name(row)}, status", str),
        ]
    columns += [_column(name, RECORD_TYPES) for name in _ORIGIN]
    rows = []
    for at, found in photos.items():
        cells: list[Cell] = [*at]
        for number in order:
            one = found.get(number)
            cells += [one.value, one.std_uncertainty, one.status] if one else [None, None, None]
        any_row = next(iter(found.values()))
        rows.append((*cells, *_origin_of(any_row)))
    return Table("by-photo", "By photo", tuple(columns), tuple(rows), len(_PLACE))


_UNIT_WORDS = {"um": "µm", "1": "share of 1", "": "number"}
_HEADINGS = {
    "um_per_px": "scale, µm per pixel",
    "value": "value, in its unit",
    "std_uncertainty": "half of its ±, in its unit",
    "low95": "from (95 in 100), in its unit",
    "high95": "to (95 in 100), in its unit",
    "parts": "parts cut",
    "measured_at": "measured at (UTC)",
    "noted_at": "noted at (UTC)",
    "photo_sha256": "check sum of the photo (SHA-256)",
    "file_sha256": "check sum of the file (SHA-256)",
}


def _column(name: str, types: dict[str, Any]) -> Column:
    hint = types[name]
    kind = int if hint is int else float if float in (hint, *get_args(hint)) else str
    return Column(name, _HEADINGS.get(name, name.replace("_", " ")), kind)
