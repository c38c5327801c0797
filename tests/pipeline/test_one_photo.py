"""What measuring one photo loads: each worker pays for it before its first photo."""

from __future__ import annotations

import subprocess
import sys

import pytest

LOADED = "import sys, wearscope.pipeline.one_photo; print(*sys.modules)"


@pytest.fixture(scope="module")
def loaded() -> set[str]:
    done = subprocess.run([sys.executable, "-c", LOADED], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize("needless", ["sqlalchemy", "scipy.stats", "matplotlib", "wearscope.log.wear_log"])
def test_a_worker_loads_nothing_that_it_does_not_need(loaded, needless):
    assert needless not in loaded
