from __future__ import annotations

import pytest
from scipy.stats import norm

from wearscope.wear.records import COVERAGE_95, DETECTION, found, refused


def test_constants_of_the_normal_distribution():
    # JCGM 100:2008, table G.1; ISO 11843-1, both risks 5 %, from memory
    assert pytest.approx(norm.ppf(0.975), abs=0.0005) == COVERAGE_95
    assert pytest.approx(2 * norm.ppf(0.95), abs=0.001) == DETECTION


def test_a_value_above_its_detection_limit():
    finding = found("edge_recession", "difference", "um", 12.0, 1.5, "profile", limit=4.9)
    assert (finding.status, finding.value, finding.u, finding.note) == ("ok", 12.0, 1.5, "")
    assert finding.interval95 == pytest.approx((12.0 - 2.94, 12.0 + 2.94))


def test_a_value_below_its_detection_limit_keeps_its_number():
    finding = found("edge_recession", "difference", "um", -0.4, 1.5, "profile", limit=4.9, note="dim light")
    assert finding.status == "below_detection"
    assert (finding.value, finding.u) == (-0.4, 1.5)
    assert finding.interval95 == pytest.approx((-3.34, 2.54))
    assert "4.9" in finding.note
    assert "dim light" in finding.note


def test_a_doubtful_value_keeps_its_number_and_says_why():
    finding = found("edge_radius", "used", "um", 30.0, 2.0, "profile", doubt="resin on the edge; clean it")
    assert (finding.status, finding.value) == ("doubtful", 30.0)
    assert finding.note == "resin on the edge; clean it"


def test_a_refused_finding_is_empty():
    finding = refused("edge_radius", "used", "um", "no edge; photograph it", "profile")
    assert (finding.status, finding.value, finding.u) == ("refused", None, None)
    assert finding.interval95 == (None, None)
    assert finding.note == "no edge; photograph it"
