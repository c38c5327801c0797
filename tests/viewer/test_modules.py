"""How the plugin's modules hang together; needs neither napari nor a window."""

from __future__ import annotations

import ast
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

PLUGIN = Path(__file__).resolve().parents[2] / "plugins" / "wearscope_napari"
SOURCES = {source.stem: ast.parse(source.read_text(encoding="utf-8")) for source in PLUGIN.glob("*.py")}
PANELS = ("capture", "compare_panel", "hand_panel", "live_panel", "photo_list", "run_panel", "why_panel")
MOST_LINES = 300  # of a class


def own_imports(tree):
    """Names of the plugin's modules that one of them imports, wherever and for whatever it does."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module == "wearscope_napari":
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("wearscope_napari."):
            yield node.module.split(".")[1]


def test_modules_import_each_other_in_no_circle():
    assert SOURCES
    imports = {name: set(own_imports(tree)) for name, tree in SOURCES.items()}
    assert "bench" in imports["contributions"]
    TopologicalSorter(imports).prepare()  # a CycleError names the circle


@pytest.mark.parametrize("panel", PANELS)
def test_a_panel_knows_neither_another_panel_nor_the_owner_of_the_layers(panel):
    known = set(own_imports(SOURCES[panel]))
    assert "state" in known
    assert not known & {"bench", "photo_layers", "drawing_tools", "overlay", *PANELS}


def test_no_class_is_longer_than_can_be_kept_in_mind():
    for name, tree in SOURCES.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                assert node.end_lineno - node.lineno < MOST_LINES, f"{name}.{node.name}"
