"""Rules that the tests themselves keep."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
MODULES = sorted(TESTS.rglob("test_*.py"))
CLOCKS = {
    "perf_counter",
    "process_time",
    "thread_time",
}  # `monotonic` may end a wait, but nothing is asserted of it


def imported_by(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module or "."


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(TESTS)))
def test_every_file_runs_alone(module):
    # what two of them share lies in tests/support, the one folder of the tests on the path besides tests/mutations
    for name in imported_by(ast.parse(module.read_text(encoding="utf-8"))):
        assert not name.startswith(("tests", "test_", ".")), name


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(TESTS)))
def test_no_test_looks_at_a_clock(module):
    # a busy machine would fail it: speed is a matter of tests/benchmarks, as a ratio
    if "benchmarks" in module.parts:
        return
    names = {
        node.attr
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
    }
    assert not names & CLOCKS
