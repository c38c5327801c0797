"""Why a photo is refused or doubtful, in the words of the window, and which photo counts as doubtful."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import pytest
from hands import Hands  # noqa: F401 - skips where there is no viewer
from log_rows import record
from wearscope_napari.session import state_of
from wearscope_napari.window_words import DRAW, in_window

import wearscope
from wearscope.report.reason_words import WORDS

KEYS = ("edge_near", "used_side", "tool_at")  # what the window has a tool for

ONE_WINDOW = True


def texts_of_the_program():
    """Every text of the package that asks for one of the keys, as a person may come to read it."""
    for path in Path(wearscope.__file__).parent.rglob("*.py"):
        if path.parent.name in ("trial", "log", "cli") or path.name == "standing.py":
            continue  # these speak of the trial file itself
        tree = ast.parse(path.read_text(encoding="utf-8"))
        docs = {
            ast.get_docstring(node, clean=False)
            for node in ast.walk(tree)
            if hasattr(node, "body") and isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        }
        inside = {
            id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values
        }
        for node in ast.walk(tree):
            if id(node) in inside:
                continue  # of a text that is looked at whole
            parts = node.values if isinstance(node, ast.JoinedStr) else [node]
            text = "".join(
                str(one.value) if isinstance(one, ast.Constant) else "100"
                for one in parts
                if isinstance(one, ast.Constant | ast.FormattedValue)
            )
            if any(key in text for key in KEYS) and text not in docs and " " in text:
                yield path.name, text


def test_no_cure_in_the_window_asks_to_edit_what_a_button_does():
    found = list(texts_of_the_program())
    assert len(found) >= 8
    for name, text in found:
        assert not any(key in in_window(text) for key in KEYS), (name, in_window(text))
    assert DRAW in in_window(WORDS["edge-disputed"])


def test_reasons_are_said_in_full_beside_the_photo(hands, folder):
    hands.open(folder, 200)
    bench = hands.bench
    assert bench.state.shown.inspection.refusal
    assert bench.why.text() == f"Refused: {in_window(bench.state.shown.inspection.refusal)}"
    assert not bench.why.isHidden()
    cure = bench.why.text().split("; ")[-1]
    assert cure not in bench.status.text() + bench.numbers.reason.text()  # once is enough
    assert bench.status.text().endswith("200.png: refused")
    assert "edge_near" not in bench.why.text() + bench.status.text() + bench.numbers.reason.text()
    hands.choose(100)
    doubtful = {row.note for row in bench.state.shown.inspection.records if row.status == "doubtful"}
    assert bool(doubtful) == ("Doubtful" in bench.why.text())


def test_what_a_photo_is_taken_for_stands_first(hands, folder):
    hands.open(folder, 100)
    table = hands.bench.numbers.table
    names = [table.item(row, 0).text().split(",")[0] for row in range(table.rowCount())]
    firsts = list(dict.fromkeys(names))[:3]
    assert firsts == ["edge recession", "edge radius", "coating loss"]


@pytest.mark.parametrize(("quantity", "state"), [("chip_count", "done"), ("edge_recession", "doubtful")])
def test_a_chip_count_alone_makes_no_photo_doubtful(quantity, state, trial):
    rows = [
        record(quantity="edge_radius"),
        replace(record(quantity=quantity), status="doubtful", note="because"),
    ]
    found = state_of(trial.photos[1], rows, "")
    assert (found.state, found.why) == (state, "because")
