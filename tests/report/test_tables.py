from __future__ import annotations

import csv
import io
from dataclasses import replace

import openpyxl
import pyarrow
import pytest
from pyarrow import parquet

from wearscope.errors import WearscopeError
from wearscope.log.logged import LoggedRecord
from wearscope.log.notes import LoggedNote, Note
from wearscope.log.records import Record
from wearscope.report import tables
from wearscope.report.tables import (
    by_photo_table,
    export_tables,
    log_table,
    measurements_table,
    notes_table,
    workbook,
)

ROW = Record(
    bit="A",
    flute=1,
    parts=40,
    view="relief",
    quantity="coating_loss",
    zone="used",
    value=0.1 + 0.2,
    unit="1",
    std_uncertainty=1e-17,
    low95=None,
    high95=None,
    status="doubtful",
    note='glare, "resin", Ångström\nsecond line',
    method="model",
    photo="photos/A-040-1.jpg",
    photo_sha256="ab",
    scale="bench 60x",
    um_per_px=3.487,
    wearscope_version="0.1.0",
    measured_at="2026-01-05T08:00:00+00:00",
)


HISTORY = (
    LoggedRecord("A trial", ROW, "2026-01-06T08:00:00+00:00", ""),
    LoggedRecord("A trial", replace(ROW, value=0.31, photo_sha256="cd"), None, ""),
)
NOTE = Note(
    "A trial", "A", 0, 40, "remark", "", None, "", None, "=HYPERLINK(1)", "", "", "Ann", "0.1.0", "2026-01-06"
)  # fmt: skip


def some_tables():
    radius = replace(ROW, quantity="edge_radius", value=31.4, unit="um", std_uncertainty=1.5, status="ok")
    refused = replace(
        radius, parts=80, value=None, std_uncertainty=None, status="refused", note="glare; turn the lamp down"
    )
    rows = [ROW, radius, refused]
    return (
        by_photo_table(rows),
        measurements_table(rows),
        log_table(HISTORY),
        notes_table([LoggedNote(NOTE, None, "")]),
    )


def test_the_workbook_holds_every_number_under_frozen_headings_with_units(tmp_path):
    tables = some_tables()
    book = openpyxl.load_workbook(io.BytesIO(workbook(tables)))
    assert book.sheetnames == ["By photo", "Measurements", "Wear log", "Notes"]
    for sheet, table in zip(book, tables, strict=True):
        assert sheet.freeze_panes == f"{openpyxl.utils.get_column_letter(table.n_frozen + 1)}2"
        head, *rows = sheet.iter_rows(values_only=True)
        assert head == tuple(column.heading for column in table.columns)
        for found, row in zip(rows, table.rows, strict=True):
            # the workbook keeps 16 digits of a number
            assert found == tuple(
                pytest.approx(cell, rel=1e-15) if isinstance(cell, float) else (None if cell == "" else cell)
                for cell in row
            )
        # an uncertainty of 0.0004 is not shown as 0
        assert {cell.number_format for row in sheet.iter_rows(min_row=2) for cell in row} == {"General"}
    assert [cell.value for cell in book["By photo"][1]][4:8] == [
        "edge radius, used, µm",
        "edge radius, used, half of its ±, µm",
        "edge radius, used, status",
        "coating loss, used, share of 1",
    ]
    by_photo = list(book["By photo"].iter_rows(min_row=2, values_only=True))
    assert by_photo[0][4:8] == (31.4, 1.5, "ok", pytest.approx(0.3, rel=1e-15))
    assert by_photo[1][4:8] == (None, None, "refused", None)


def test_a_table_too_long_for_a_sheet_is_named_there(tmp_path, monkeypatch):
    """Of what does not fit, nothing is left out in silence: its sheet names the file that holds it."""
    notes = notes_table([LoggedNote(NOTE, None, "")] * 3)
    monkeypatch.setattr(tables, "MOST_CELLS", 2 * len(notes.columns))
    export_tables(tmp_path, [log_table(HISTORY), notes], parquet=False)
    book = openpyxl.load_workbook(tmp_path / "tables.xlsx")
    assert [row[0].value for row in book["Notes"].iter_rows(min_row=2)] == [
        "3 rows are too many for a sheet: open notes.csv"
    ]
    assert len((tmp_path / "notes.csv").read_text().splitlines()) == 4
    assert book["Wear log"].max_row == 2
    monkeypatch.setattr(tables, "MOST_CELLS", 3 * len(notes.columns))
    assert openpyxl.load_workbook(io.BytesIO(workbook([notes])))["Notes"].max_row == 4


def test_a_note_is_no_formula():
    book = openpyxl.load_workbook(io.BytesIO(workbook(some_tables())))
    cell = next(cell for cell in book["Notes"][2] if cell.value == "=HYPERLINK(1)")
    assert cell.data_type == "s"


TYPES = {int: pyarrow.int64(), float: pyarrow.float64(), str: pyarrow.string()}


def test_parquet_and_csv_bring_back_the_same(tmp_path):
    tables = some_tables()
    written = export_tables(tmp_path, tables, parquet=True)
    assert sorted(file.name for file in tmp_path.iterdir()) == sorted(path.name for path in written)
    for table in tables:
        back = parquet.read_table(tmp_path / f"{table.name}.parquet")
        names = [column.name for column in table.columns]
        assert back.column_names == names
        assert back.schema.types == [TYPES[column.kind] for column in table.columns]
        assert [tuple(row.values()) for row in back.to_pylist()] == [tuple(row) for row in table.rows]
        with (tmp_path / f"{table.name}.csv").open(newline="", encoding="utf-8") as file:
            lines = csv.reader(file)
            assert next(lines) == names
            for line, row in zip(lines, table.rows, strict=True):
                for column, text, cell in zip(table.columns, line, row, strict=True):
                    told = f"'{cell}" if str(cell).startswith("=") else cell  # no formula for a spreadsheet
                    assert (column.kind(text) if text else None) == (None if cell == "" else told)


def test_empty_tables_keep_their_types(tmp_path):
    export_tables(tmp_path, [notes_table([])], parquet=True)
    back = parquet.read_table(tmp_path / "notes.parquet")
    assert back.num_rows == 0
    assert back.schema.field("value").type == "double"
    assert back.schema.field("parts").type == "int64"


def test_without_pyarrow_nothing_is_written_and_the_cure_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr(tables, "find_spec", lambda name: None)
    with pytest.raises(WearscopeError, match="pip install pyarrow"):
        export_tables(tmp_path, some_tables(), parquet=True)
    assert list(tmp_path.iterdir()) == []


def test_history_says_until_when_a_number_held():
    table = log_table(HISTORY)
    rows = [dict(zip([column.name for column in table.columns], row, strict=True)) for row in table.rows]
    assert [(row["value"], row["superseded_at"]) for row in rows] == [
        (ROW.value, "2026-01-06T08:00:00+00:00"),
        (0.31, None),
    ]


def test_names_of_columns_are_unique_and_say_their_unit():
    rows = [replace(ROW, quantity=quantity, unit=unit) for quantity, unit in (("transition_x_px", "px"), ("used_length", "mm"), ("edge_radius", "um"), ("coating_loss", "1"))]  # fmt: skip
    names = [column.name for column in by_photo_table(rows).columns]
    assert len(set(names)) == len(names)
    assert {"transition_x_px_used", "used_length_used_mm", "edge_radius_used_um", "coating_loss_used"} <= set(
        names
    )
