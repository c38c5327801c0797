from __future__ import annotations

import csv
import io
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from wearscope.errors import WearscopeError
from wearscope.log import export
from wearscope.log.export import (
    by_photo_table,
    export_tables,
    log_table,
    measurements_table,
    notes_table,
    workbook,
    write_measurements,
)
from wearscope.log.notes import LoggedNote, Note
from wearscope.log.records import Record
from wearscope.log.wear_log import LoggedRecord

HEADER = (
    "bit,flute,parts,view,quantity,zone,value,unit,std_uncertainty,low95,high95,status,note,method,photo,"
    "photo_sha256,scale,um_per_px,wearscope_version,measured_at,detection_limit,dof,reasons"
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


def test_header_is_that_of_the_design(tmp_path):
    write_measurements(tmp_path / "m.csv", [])
    assert (tmp_path / "m.csv").read_bytes() == HEADER.encode() + b"\n"


def test_numbers_are_in_full_and_nothing_is_empty(tmp_path):
    write_measurements(tmp_path / "m.csv", [ROW])
    with (tmp_path / "m.csv").open(newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert row["value"] == "0.30000000000000004"
    assert row["std_uncertainty"] == "1e-17"
    assert row["low95"] == row["high95"] == ""
    assert row["note"] == ROW.note
    assert row["flute"] == "1"


def test_rows_come_in_natural_order(tmp_path):
    rows = [replace(ROW, bit=bit, parts=parts) for bit in ("A10", "A2") for parts in (100, 9)]
    write_measurements(tmp_path / "m.csv", [replace(row, note="") for row in rows])
    lines = (tmp_path / "m.csv").read_text().splitlines()[1:]
    assert [line.split(",")[:3] for line in lines] == [
        ["A2", "1", "9"],
        ["A2", "1", "100"],
        ["A10", "1", "9"],
        ["A10", "1", "100"],
    ]


def test_a_failed_write_leaves_the_old_file_and_no_litter(tmp_path, monkeypatch):
    path = tmp_path / "m.csv"
    write_measurements(path, [ROW])
    before = path.read_bytes()

    def full(self, _content):
        self.touch()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(WearscopeError, match=r"m\.csv cannot be written \(No space left on device\)"):
        write_measurements(path, [])
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["m.csv"]


@pytest.mark.skipif(sys.platform == "win32", reason="no umask")
def test_the_file_may_be_read_like_any_other(tmp_path):
    export.write_bytes(tmp_path / "a", b"")
    (tmp_path / "b").touch()
    assert (tmp_path / "a").stat().st_mode == (tmp_path / "b").stat().st_mode


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(WearscopeError, match="cannot be written"):
        write_measurements(tmp_path / "gone" / "m.csv", [ROW])
    assert list(tmp_path.iterdir()) == []


# --- Tables in several formats

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
        "edge radius, used, standard uncertainty, µm",
        "edge radius, used, status",
        "coating loss, used, share of 1",
    ]
    by_photo = list(book["By photo"].iter_rows(min_row=2, values_only=True))
    assert by_photo[0][4:8] == (31.4, 1.5, "ok", pytest.approx(0.3, rel=1e-15))
    assert by_photo[1][4:8] == (None, None, "refused", None)


def test_a_note_is_no_formula():
    book = openpyxl.load_workbook(io.BytesIO(workbook(some_tables())))
    cell = next(cell for cell in book["Notes"][2] if cell.value == "=HYPERLINK(1)")
    assert cell.data_type == "s"


def test_parquet_and_csv_bring_back_the_same(tmp_path):
    tables = some_tables()
    written = export_tables(tmp_path, tables, parquet=True)
    assert sorted(file.name for file in tmp_path.iterdir()) == sorted(path.name for path in written)
    for table in tables:
        back = pd.read_parquet(tmp_path / f"{table.name}.parquet")
        assert list(back) == [column.name for column in table.columns]
        for column, cells in zip(table.columns, zip(*table.rows, strict=True), strict=True):
            assert (
                back[column.name].dtype.kind
                == {int: "i", float: "f", str: back[column.name].dtype.kind}[column.kind]
            )
            found = [None if pd.isna(cell) else cell for cell in back[column.name]]
            assert found == list(cells)
        from_csv = pd.read_csv(tmp_path / f"{table.name}.csv")
        assert list(from_csv) == list(back)
        numbers = [column.name for column in table.columns if column.kind is float]
        np.testing.assert_array_equal(from_csv[numbers].to_numpy(float), back[numbers].to_numpy(float))


def test_empty_tables_keep_their_types(tmp_path):
    export_tables(tmp_path, [notes_table([])], parquet=True)
    back = pd.read_parquet(tmp_path / "notes.parquet")
    assert len(back) == 0
    assert back["value"].dtype == "float64"
    assert back["parts"].dtype == "int64"


def test_without_pyarrow_nothing_is_written_and_the_cure_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr(export, "find_spec", lambda name: None)
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
