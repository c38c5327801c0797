from __future__ import annotations

import pytest
from scipy.stats import norm

from wearscope.metrology.findings import COVERAGE_95, DETECTION, detection_limit, found, refused
from wearscope.metrology.uncertainty import Input, linear
from wearscope.quantities.reasons import reason

RESIN, DIM = reason("resin-covers", share=0.7, where="used edge"), reason("resin-left-out", share=0.1)


def test_constants_of_the_normal_distribution():
    # JCGM 100:2008, table G.1; ISO 11843-1, both risks 5 %, from memory
    assert pytest.approx(norm.ppf(0.975), abs=0.0005) == COVERAGE_95
    assert pytest.approx(2 * norm.ppf(0.95), abs=0.001) == DETECTION
    assert detection_limit(2.0) == pytest.approx(4 * norm.ppf(0.95), abs=0.002)


def test_a_value_above_its_detection_limit():
    finding = found("edge_recession", "difference", 12.0, 1.5, "light-fit", limit=4.9)
    assert (finding.status, finding.value, finding.u, finding.reasons) == ("ok", 12.0, 1.5, ())
    assert (finding.unit, finding.detection_limit) == ("um", 4.9)
    assert finding.interval95 == pytest.approx((12.0 - 2.94, 12.0 + 2.94))


def test_a_value_below_its_detection_limit_keeps_its_number():
    finding = found("edge_recession", "difference", -0.4, 1.5, "light-fit", limit=4.9, remarks=[DIM])
    assert finding.status == "below_detection"
    assert (finding.value, finding.u) == (-0.4, 1.5)
    assert finding.interval95 == pytest.approx((-3.34, 2.54))
    assert finding.detection_limit == 4.9
    assert finding.reasons == (DIM,)


def test_a_doubtful_value_keeps_its_number_and_says_why():
    finding = found("edge_radius", "used", 30.0, 2.0, "light-fit", doubts=[RESIN, RESIN], remarks=[DIM])
    assert (finding.status, finding.value) == ("doubtful", 30.0)
    assert finding.reasons == (RESIN, DIM)


def test_what_is_doubtful_is_so_below_its_detection_limit_too():
    finding = found("edge_radius", "used", 3.0, 2.0, "light-fit", doubts=[RESIN], limit=5.0)
    assert (finding.status, finding.detection_limit) == ("doubtful", 5.0)


@pytest.mark.parametrize(("change", "status"), [(4.9, "below_detection"), (5.1, "ok")])
def test_a_limit_of_a_change_is_not_held_against_the_value(change, status):
    finding = found("edge_radius", "used", 12.0, 2.0, "light-fit", limit=5.0, change=change)
    assert (finding.status, finding.value) == (status, 12.0)


def test_a_refused_finding_is_empty():
    finding = refused("edge_radius", "used", RESIN, "light-fit")
    assert (finding.status, finding.value, finding.u) == ("refused", None, None)
    assert finding.interval95 == (None, None)
    assert finding.reasons == (RESIN,)


@pytest.mark.parametrize(("dof", "factor"), [(4, 2.78), (10, 2.23), (16.7, 2.12), (1e6, 1.96)])
def test_few_degrees_of_freedom_widen_the_interval(dof, factor):
    # GUM table G.2, 95 %
    finding = found("wear_land", "used", 40.0, 2.0, "light-fit", dof=dof)
    assert finding.interval95 == pytest.approx((40.0 - 2.0 * factor, 40.0 + 2.0 * factor), abs=0.01)


def test_a_budget_brings_its_degrees_of_freedom():
    scatter, scale = Input("scatter along the zone", 0.0, 3.0, 5), Input("scale", 1.0, 0.1)
    budget = linear(40.0, [(1.0, scatter), (40.0, scale)])
    finding = found("wear_land", "used", 40.0, budget, "light-fit")
    assert finding.u == pytest.approx(5.0)
    # GUM G.2b: 5^4 / (3^4 / 5)
    assert finding.dof == pytest.approx(38.58, abs=0.01)
    assert finding.budget is budget


def test_a_quantity_that_nobody_knows_is_no_finding():
    with pytest.raises(ValueError, match="edge_colour"):
        found("edge_colour", "used", 1.0, 0.1, "light-fit")
    with pytest.raises(ValueError, match="edge_colour"):
        refused("edge_colour", "used", RESIN, "light-fit")


def test_a_sentence_is_no_reason():
    with pytest.raises(TypeError, match="code with values"):
        found("edge_radius", "used", 1.0, 0.1, "light-fit", doubts=["resin on the edge"])
