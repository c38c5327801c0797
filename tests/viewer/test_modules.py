"""How the plugin's modules hang together; needs neither napari nor a window."""

from __future__ import annotations

import ast
import os
import sys
from graphlib import TopologicalSorter
from importlib.metadata import PackageNotFoundError
from pathlib import Path

import pytest
from wearscope_napari import binding

from wearscope.errors import WearscopeError

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


@pytest.mark.parametrize(
    ("installed", "asked", "taken"),
    [
        (("PyQt6",), "", "pyqt6"),
        (("PySide6",), "", "pyside6"),
        (("PyQt5", "PySide6"), "", "pyside6"),  # where nothing is said the older one would be taken
        (("PyQt5",), "", "PyQt5"),
        ((), "", "no Qt binding"),
        (("PyQt6", "PyQt5"), "pyqt5", "PyQt5"),
        (("PyQt6",), "PYSIDE6", "asks for PySide6, which is not installed"),
    ],
)
def test_another_binding_than_those_tried_is_said_in_one_line(monkeypatch, installed, asked, taken):
    for name in (*binding.TRIED, *binding.OTHERS):
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setattr(binding, "find_spec", lambda name: name in installed or None)
    monkeypatch.setattr(binding, "version", lambda _: "6.11.3")
    monkeypatch.setenv("QT_API", asked)
    if not taken.islower():
        with pytest.raises(WearscopeError, match=taken) as problem:
            binding.choose_binding()
        assert "PyQt6 and PySide6" in str(problem.value)
        assert "\n" not in str(problem.value)
        assert ("unset QT_API" in str(problem.value)) == bool(asked)
        return
    binding.choose_binding()
    assert os.environ["QT_API"] == taken


@pytest.mark.parametrize(
    ("of_binding", "python", "said"),
    [
        ("6.12.0", (3, 11, 7), "PySide6 6.12.0 ends the program all at once on Python 3.11"),
        ("6.20", (3, 11, 7), "ends the program"),
        ("7.0.1", (3, 11, 7), "ends the program"),
        ("6.11.3", (3, 11, 7), ""),
        ("6.12.0", (3, 12, 0), ""),
        (None, (3, 11, 7), ""),
    ],
)
@pytest.mark.parametrize("beforehand", [True, False], ids=["a program of its own", "within napari"])
def test_a_binding_that_would_end_the_program_is_said(monkeypatch, of_binding, python, said, beforehand):
    """Counted in a loop: None and True lose a count at each call of PySide6 6.12.0, and not of 6.10.3 and 6.11.3."""

    def version(_name):
        if of_binding is None:
            raise PackageNotFoundError
        return of_binding

    for name in (*binding.TRIED, *binding.OTHERS):
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setattr(binding, "find_spec", lambda name: name == "PySide6" or None)
    monkeypatch.setattr(binding, "version", version)
    monkeypatch.setattr(sys, "version_info", python)
    monkeypatch.setenv("QT_API", "")
    asked = binding.choose_binding if beforehand else lambda: binding.require_tried("PySide6")
    if not said:
        asked()
        return
    with pytest.raises(WearscopeError, match=said) as problem:
        asked()
    assert 'pip install "PySide6<6.12"' in str(problem.value)
