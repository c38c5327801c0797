"""Rows that were looked through once: what is kept of them is what stands in the log, or is not used."""

from __future__ import annotations

import copy
import csv
import io
import pickle
import sqlite3
from dataclasses import astuple, replace

import pytest
from log_rows import inspection, record

from wearscope.errors import LogError
from wearscope.log import kept_rows
from wearscope.log.csv_lines import KnownLines, Listed, csv_lines, record_lines
from wearscope.log.inputs import Inputs, PhotoInputs, ToolInputs, fingerprint_of
from wearscope.log.wear_log import WearLog

TRIAL = inspection().trial
NAMED = Inputs(PhotoInputs("ab"), ToolInputs(wedge_angle_deg=60), "1").named()
PLACES = {(bit, 1, parts, "relief"): NAMED for bit in ("A", "Bit, with a comma", "C") for parts in (0, 40)}
AWKWARD = (
    {"value": 0.1 + 0.2, "note": '=1+1; "said"', "dof": 7.5},
    {"value": None, "std_uncertainty": None, "low95": None, "high95": None, "status": "refused", "note": "a\nb"},
    {"value": -1e-300, "um_per_px": None, "reasons": "edge-bent(per_mm=0.034)", "note": "µm"},
)  # fmt: skip
NUMBERS = ("edge_recession", "edge_radius", "wear_land")


@pytest.fixture(autouse=True)
def few_rows_are_kept_too(monkeypatch):
    monkeypatch.setattr(kept_rows, "WORTH_KEEPING", 1)


@pytest.fixture
def looked(monkeypatch):
    """Bits whose rows were looked through."""
    bits, really = [], kept_rows.rows_of
    monkeypatch.setattr(
        kept_rows, "rows_of", lambda *asked: bits.append(asked[-1].right.value) or really(*asked)
    )
    return bits  # fmt: skip


@pytest.fixture
def path(tmp_path):
    (tmp_path / "results").mkdir()
    path = tmp_path / "wear-log.sqlite"
    with WearLog(path) as log:
        for place in PLACES:
            measured(log, place)
    return path


def measured(log, place, shift=0.0):
    of = dict(zip(("bit", "flute", "parts", "view"), place, strict=True))
    rows = [
        record(**of, quantity=quantity, zone="used", **awkward)
        for quantity, awkward in zip(NUMBERS, AWKWARD, strict=True)
    ]
    rows = [replace(row, value=row.value and row.value + shift) for row in rows]
    log.append(inspection(**of, inputs=NAMED), rows)


def held(path):
    with WearLog(path) as log:
        return log.holds(TRIAL, PLACES)


def one_by_one(path):
    """As the log tells it without anything kept."""
    expected = {place: fingerprint_of(named) for place, named in PLACES.items()}
    with WearLog(path) as log:
        return log.current(trial=TRIAL, expected=expected), log.history(trial=TRIAL)


def test_what_is_kept_is_what_stands_in_the_log(path, looked):
    first, again = held(path), held(path)
    assert len(looked) == 3
    assert (list(again.current), list(again.history)) == one_by_one(path)
    assert repr(list(again.history)) == repr(list(first.history))
    assert again.fingerprint == first.fingerprint
    told = csv.reader(io.StringIO("".join(again.current.lines.of(again.current))))
    plain = csv.reader(io.StringIO("".join(record_lines(one_by_one(path)[0]))))
    assert list(told) == list(plain)


def test_the_lines_of_a_log_are_its_rows_with_their_ends(path):
    with WearLog(path) as log:
        measured(log, ("A", 1, 40, "relief"), shift=1.0)
        refused = inspection(
            bit="A", flute=1, parts=0, view="relief", inputs=NAMED | {"wedge_angle_deg": 45.0}
        )
        log.append(replace(refused, refusal='glare, and "dust"', refusal_code="glare"), [])
    held(path)
    history = held(path).history
    plain = csv_lines(
        [
            (row.trial, *astuple(row.record), row.superseded_at, row.superseding_refusal)
            for row in one_by_one(path)[1]
        ]
    )
    assert list(history.lines()) == plain
    assert sum('glare, and ""dust""' in line for line in plain) == len(NUMBERS)
    assert history[-1] == list(history)[-1]
    assert history[1:3] == list(history)[1:3]


def test_only_a_bit_with_another_row_is_looked_through_again(path, looked):
    held(path)
    del looked[:]
    with WearLog(path) as log:
        measured(log, ("C", 1, 40, "relief"), shift=1.0)
    assert (list((found := held(path)).current), list(found.history)) == one_by_one(path)
    assert looked == ["C"]
    with WearLog(path) as log:  # what holds is asked of what is kept, and is no part of it
        other = dict.fromkeys(PLACES, NAMED | {"wedge_angle_deg": 45.0})
        assert list(log.holds(TRIAL, other).current) == []
    assert looked == ["C"]


@pytest.mark.parametrize("damage", ["a byte", "cut off", "another bit's", "empty"])
def test_a_damaged_file_is_made_anew(path, looked, damage):
    held(path)
    of, other, _ = sorted((path.parent / "results" / kept_rows.FOLDER_NAME).iterdir())
    content = bytearray(of.read_bytes())
    if damage == "a byte":
        content[len(content) // 2] ^= 0x10
    kept = {"cut off": content[:-9], "another bit's": other.read_bytes(), "empty": b""}.get(damage, content)
    of.write_bytes(kept)
    del looked[:]
    assert (list((found := held(path)).current), list(found.history)) == one_by_one(path)
    assert len(looked) == 1
    held(path)
    assert len(looked) == 1


def test_another_program_looks_anew(path, looked, monkeypatch):
    held(path)
    monkeypatch.setattr(kept_rows, "_program", lambda: "another")
    held(path)
    assert len(looked) == 6


def test_a_damaged_row_is_told_where_it_was_never_looked_through(path):
    connection = sqlite3.connect(path)
    connection.execute("UPDATE measurement SET value = 99.0 WHERE bit = 'C' AND quantity = 'edge_recession'")
    connection.commit()
    connection.close()
    with pytest.raises(LogError, match="is not as it was written"):
        held(path)


def test_what_the_log_holds_no_more_goes(path, monkeypatch):
    monkeypatch.setattr(kept_rows, "MOST_FOR_A_BIT", 2)
    held(path)
    for shift in (1.0, 2.0, 3.0, 4.0, 5.0):
        with WearLog(path) as log:
            measured(log, ("C", 1, 40, "relief"), shift=shift)
        held(path)
    assert len(list((path.parent / "results" / kept_rows.FOLDER_NAME).iterdir())) == 6


def test_nothing_is_kept_without_results_or_of_few_rows(path, monkeypatch, looked):
    monkeypatch.setattr(kept_rows, "WORTH_KEEPING", 19)
    held(path)
    assert list((path.parent / "results").iterdir()) == []
    monkeypatch.setattr(kept_rows, "WORTH_KEEPING", 18)
    (path.parent / "results").rmdir()
    held(path)
    assert not (path.parent / "results").exists()


def test_a_record_that_was_changed_has_a_line_of_its_own():
    row = record()
    known = KnownLines([row], ["the line of it"])
    changed = replace(row, status="doubtful")
    assert known.of([row, changed]) == ["the line of it", *record_lines([changed])]
    assert astuple(changed)[11] == "doubtful"


def test_lines_do_not_go_to_another_process():
    """Records are known by their identity, which others may have there."""
    row = record()
    listed = Listed.with_lines([row], KnownLines([row], ["the line of it"]))
    for copied in (pickle.loads(pickle.dumps(listed)), copy.deepcopy(listed)):
        assert copied == listed
        assert copied.lines.of([row]) == copied.lines.of(list(copied)) == record_lines([row])
