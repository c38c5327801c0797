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


def nodes_of(module):
    return list(ast.walk(ast.parse(module.read_text(encoding="utf-8"))))


def imported_by(nodes):
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module or "."


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(TESTS)))
def test_every_file_runs_alone_and_looks_at_no_clock(module):
    nodes = nodes_of(module)
    # what two of them share lies in tests/support, the one folder of the tests on the path besides tests/mutations
    for name in imported_by(nodes):
        assert not name.startswith(("tests", "test_", ".")), name
    # a busy machine would fail it: speed is a matter of tests/benchmarks, as a ratio
    if "benchmarks" in module.parts:
        return
    assert not {node.attr for node in nodes if isinstance(node, ast.Attribute)} & CLOCKS
