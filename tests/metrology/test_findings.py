from __future__ import annotations

import pytest
from scipy.stats import norm

from wearscope.metrology.findings import COVERAGE_95, DETECTION, found, refused
from wearscope.metrology.uncertainty import Input, linear


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


@pytest.mark.parametrize(("dof", "factor"), [(4, 2.78), (10, 2.23), (16.7, 2.12), (1e6, 1.96)])
def test_few_degrees_of_freedom_widen_the_interval(dof, factor):
    # GUM table G.2, 95 %
    finding = found("wear_land", "used", "um", 40.0, 2.0, "profile", dof=dof)
    assert finding.interval95 == pytest.approx((40.0 - 2.0 * factor, 40.0 + 2.0 * factor), abs=0.01)


def test_a_budget_brings_its_degrees_of_freedom():
    scatter, scale = Input("scatter along the zone", 0.0, 3.0, 5), Input("scale", 1.0, 0.1)
    budget = linear(40.0, [(1.0, scatter), (40.0, scale)])
    finding = found("wear_land", "used", "um", 40.0, budget, "profile")
    assert finding.u == pytest.approx(5.0)
    # GUM G.2b: 5^4 / (3^4 / 5)
    assert finding.dof == pytest.approx(38.58, abs=0.01)
    assert finding.budget is budget
