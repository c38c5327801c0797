"""What a command loads that only reads the wear log: with ten thousand photos or one, it waits for that first."""

from __future__ import annotations

import subprocess
import sys

import pytest

READING = "wearscope.pipeline.measured, wearscope.pipeline.published"
PUBLISHING = "wearscope.pipeline.reporting"


def loaded(modules: str) -> set[str]:
    code = f"import sys, {modules}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.fixture(scope="module")
def reading() -> set[str]:
    return loaded(READING)


@pytest.fixture(scope="module")
def publishing() -> set[str]:
    return loaded(PUBLISHING)


MEASURING = (
    "wearscope.pipeline.one_photo",
    "wearscope.wear",
    "scipy.ndimage",
    "scipy.optimize",
    "scipy.stats",
)


@pytest.mark.parametrize("needless", [*MEASURING, "matplotlib", "fpdf", "jinja2", "wearscope.economics"])
def test_who_looks_what_the_log_says_loads_neither_what_measures_nor_what_draws(reading, needless):
    assert needless not in reading


@pytest.mark.parametrize("needless", MEASURING)
def test_who_publishes_loads_nothing_that_measures(publishing, needless):
    assert needless not in publishing
