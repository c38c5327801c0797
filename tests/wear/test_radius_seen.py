"""When the radius of an edge that has not cut counts as measured, and when it is what was assumed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from measured import light_fit, measured

from wearscope.light.strip import UNUSED, Strip
from wearscope.wear.recession import radius_seen, rounding_plain, unused_radius_finding

U_ASSUMED_UM = 3.0
HALF_UM = U_ASSUMED_UM / np.sqrt(2.0)  # half of the information, 1 / u^2, is then the photo's
PLAIN = 6.63  # chi-square, one degree of freedom, 99 %


def unused(u_um: float, evidence: float, misfit: float = 0.005):
    fit = light_fit("unused", radius_um=6.0, u_radius_um=u_um)
    return replace(fit, rounding_evidence=evidence, misfit=misfit)


@pytest.mark.parametrize(
    ("u_um", "evidence", "seen"),
    [
        (HALF_UM - 0.01, PLAIN + 0.1, True),
        (HALF_UM + 0.01, PLAIN + 0.1, False),
        (HALF_UM - 0.01, PLAIN - 0.1, False),
        (3.2, 400.0, False),  # surer beforehand than with the photo
    ],
)
def test_half_of_what_is_known_and_a_plain_rounding(u_um, evidence, seen):
    assert radius_seen(unused(u_um, evidence), U_ASSUMED_UM) is seen
    assert rounding_plain(unused(u_um, evidence)) is (evidence > PLAIN)
    # of two fits that are both bad, one is always the worse
    assert not rounding_plain(unused(u_um, evidence, misfit=0.03))


@pytest.mark.parametrize(
    ("fit", "stated", "status", "code"),
    [
        (unused(1.5, 30.0), False, "ok", "radius-assumed"),
        (unused(2.9, 0.2), False, "doubtful", "radius-not-seen"),
        (unused(2.9, 0.2), True, "ok", None),
        (unused(1.5, 30.0, misfit=0.02), False, "ok", "radius-assumed"),
        (unused(1.5, 30.0, misfit=0.03), True, "doubtful", "light-of-no-edge"),
    ],
)
def test_what_becomes_of_its_row(fit, stated, status, code):
    columns = np.arange(50)
    strip = Strip(np.full((9, 50, 3), 0.3, np.float32), 4.0 * columns, 4.0 * np.arange(-4.0, 5.0), 4.0)
    whole = measured(strip, np.full(50, UNUSED, np.int8), np.zeros(50), unused=fit)
    edge = replace(whole.edge, radius_um=(6.0, U_ASSUMED_UM), radius_stated=stated)
    row = unused_radius_finding(replace(whole, edge=edge), "light-fit")
    assert row.status == status
    assert [each.code for each in row.reasons] == ([code] if code else [])
