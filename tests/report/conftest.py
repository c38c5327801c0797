"""Fixtures from `sheet_cases`."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from sheet_cases import CASES, a_record, edge_view

from wearscope.light.strip import EdgeView
from wearscope.log.records import Record
from wearscope.report.sheets.comparison import compose_sheet
from wearscope.report.sheets.content import SheetContent
from wearscope.report.sheets.page import Sheet


@pytest.fixture
def make_view() -> Callable[..., EdgeView]:
    return edge_view


@pytest.fixture
def make_record() -> Callable[..., Record]:
    return a_record


@pytest.fixture(scope="session", params=CASES, ids=str)
def sheet(request: pytest.FixtureRequest) -> Sheet:
    """Return the sheet of one case, laid out once for all tests that only look at it."""
    return compose_sheet(CASES[request.param]())


@pytest.fixture
def usual() -> SheetContent:
    return CASES["usual"]()


@pytest.fixture
def refused() -> SheetContent:
    return CASES["refused and doubtful rows"]()


@pytest.fixture
def long_names() -> SheetContent:
    return CASES["long names"]()
