"""Published factors of decision and detection, against those by which wearscope calls a change seen or not.

L. A. Currie, "Limits for qualitative detection and quantitative determination", Analytical Chemistry 40 (1968)
586-593, and ISO 11843-1:1997, from memory: with both risks at 5 % and a known standard deviation σ of the blank, what
can be detected is 3.29 σ; where the blank itself is one reading of the same scatter, 4.65 σ. The decision is taken at
half of that, 1.645 σ and 2.33 σ.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from wearscope.metrology.findings import COVERAGE_95, DETECTION, found
from wearscope.metrology.repeatability import Estimate, smallest_difference


def test_factors():
    assert pytest.approx(3.29, abs=5e-3) == DETECTION
    assert pytest.approx(2 * norm.ppf(0.95), abs=5e-4) == DETECTION
    assert smallest_difference(Estimate(1.0, 1.0, 1.0)).value == pytest.approx(4.65, abs=5e-3)
    # JCGM 100:2008 (GUM), table G.1: 1.960 for 95 %
    assert pytest.approx(1.960, abs=5e-4) == COVERAGE_95


def test_risks_of_the_status():
    # wearscope reports what lies above the detection limit itself, so a blank is hardly ever taken for wear, and
    # wear of one and a half times the limit hardly ever missed
    rng = np.random.default_rng(1)
    u, limit = 1.3, DETECTION * 1.3

    def share_seen(true):
        readings = rng.normal(true, u, 20_000)
        seen = [
            found("edge_recession", "difference", value, u, "", limit=limit).status == "ok"
            for value in readings
        ]
        return np.mean(seen)

    assert share_seen(0.0) == pytest.approx(norm.sf(3.29), abs=5e-4)
    assert share_seen(limit) == pytest.approx(0.5, abs=0.015)
    assert share_seen(1.5 * limit) == pytest.approx(0.95, abs=0.005)


@pytest.mark.parametrize("n", [3, 8])
def test_two_flutes_that_are_alike_and_two_that_differ(n):
    # the decision at half the smallest difference: both errors once in twenty
    rng = np.random.default_rng(n)
    sd = 0.7
    least = smallest_difference(Estimate(sd, sd, sd)).value
    one, alike, other = (rng.normal(at, sd, 100_000) for at in (10.0, 10.0, 10.0 + least))
    assert np.mean(alike - one > least / 2) == pytest.approx(0.05, abs=0.003)
    assert np.mean(other - one > least / 2) == pytest.approx(0.95, abs=0.003)
