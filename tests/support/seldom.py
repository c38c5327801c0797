"""Cases of a test that a run by default leaves out, since the others hold the same promise."""

from __future__ import annotations

from collections.abc import Iterable

import pytest


def seldom(*values: object, id: str | None = None) -> object:
    """A case that only ``pytest -m statistics`` takes, as `.ci/run` does each time."""
    return pytest.param(*values, marks=pytest.mark.statistics, id=id)


def but_seldom(n: int, cases: Iterable[object]) -> list[object]:
    """All cases of one value, those after the first n of them seldom ones."""
    return [case if at < n else seldom(case) for at, case in enumerate(cases)]


def every_other(cases):
    """All cases, every second of them a seldom one."""
    return [case if n % 2 == 0 else seldom(*case) for n, case in enumerate(cases)]
