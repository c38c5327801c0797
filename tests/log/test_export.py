from __future__ import annotations

import csv
import json
import os
import sys
from dataclasses import replace

import pytest

from wearscope.errors import WearscopeError
from wearscope.log import cells, export
from wearscope.log.export import write_bytes, write_json, write_measurements
from wearscope.log.records import Record

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

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
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


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\n", "＝", "＋", "－", "＠"])
def test_what_begins_like_a_formula_is_quoted_and_comes_back(tmp_path, sign):
    """The signs that spreadsheets take for a formula's beginning: OWASP, CSV Injection, from memory."""
    texts = [f"{sign}cmd|' /C calc'!A0", f"'{sign}1", f"''{sign}1"]
    export.write_table(tmp_path / "a.csv", ["a", "b", "c", "d"], [(*texts, -1.5)])
    with (tmp_path / "a.csv").open(newline="", encoding="utf-8") as file:
        _, row = csv.reader(file)
    assert all(cell.startswith("'") for cell in row[:3])
    assert [cells.unquoted(cell) for cell in row[:3]] == texts
    assert row[3] == "-1.5", "numbers stay numbers"


def test_what_is_no_formula_stays_as_it_is(tmp_path):
    for text in ("", "'", "Wren", "'Wren'", "3 = 4", "– none", "O'Brien"):
        assert cells.quoted(text) == cells.unquoted(text) == text


def test_what_a_killed_run_left_is_cleared_and_what_is_being_written_is_not(tmp_path):
    old, new, other = (tmp_path / name for name in (".aa.part", ".bb.part", "part"))
    for path in (old, new, other):
        path.touch()
    os.utime(old, (0, 0))
    os.utime(other, (0, 0))
    export.clear_parts(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {".bb.part", "part"}


def test_a_carriage_return_ends_no_row(tmp_path):
    export.write_table(tmp_path / "a.csv", ["a", "b"], [("x\r=1", "y\r\nz")])
    with (tmp_path / "a.csv").open(newline="", encoding="utf-8") as file:
        assert list(csv.reader(file)) == [["a", "b"], ["x\n=1", "y\nz"]]


def test_json_comes_back_as_it_was(tmp_path):
    """Against what the library reads: all kinds of values, names that are numbers, nothing at all."""
    document = {
        "numbers": [1, -0.1, 1e300, None, True],
        "nested": [{"a": [[1.5, 2], []], "": {}}, 'text "µm"\n'],
        3: {"empty": [], None: ()},
        "one": "line",
    }
    write_json(tmp_path / "a.json", document)
    text = (tmp_path / "a.json").read_text(encoding="utf-8")
    assert json.loads(text) == json.loads(json.dumps(document))
    assert '"numbers": [1, -0.1, 1e+300, null, true]' in text
    with pytest.raises(ValueError, match="JSON"):
        write_json(tmp_path / "b.json", {"a": [float("nan")]})
    assert not (tmp_path / "b.json").exists()


def test_a_folder_in_the_way_of_a_file_is_named(tmp_path):
    (tmp_path / "report.html").mkdir()
    with pytest.raises(
        WearscopeError, match=r"report\.html cannot be written: a folder has its name; move it away"
    ):
        write_bytes(tmp_path / "report.html", b"page")
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]
