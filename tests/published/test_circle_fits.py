"""Circle fits against published answers, and the geometry of a tip against a table.

The points and answers of W. Gander, G. H. Golub and R. Strebel, "Least-squares fitting of circles and ellipses", BIT 34
(1994) 558-578, are from memory; recomputed independently they agree to all digits printed.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares
from skimage.measure import CircleModel
from tips import arc_tip, fitted

from wearscope.wear.tip_outline import distance_to, tip_outline

POINTS = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], float)


def circle_through(points, start, half=0.26):
    """Centre, radius and residuals of the arc of a narrow tip that points to +y, by the distances the tip fit uses."""

    def residual(p):
        x, y, radius = p
        side = radius / np.tan(half)
        apex = y + radius / np.sin(half)
        return distance_to(
            tip_outline(half, side, side, np.sin(half)), points[:, 0] - x, apex - points[:, 1]
        )[0]

    done = least_squares(residual, start, xtol=1e-12, ftol=1e-12)
    return done.x, done.fun


def test_geometric_circle():
    (x, y, radius), residual = circle_through(POINTS, (5.0, 3.0, 4.0))
    assert (x, y) == pytest.approx((4.7398, 2.9835), abs=1e-3)
    assert radius == pytest.approx(4.7142, abs=1e-3)
    assert np.sqrt(residual @ residual) == pytest.approx(1.1080, abs=1e-3)


def test_an_algebraic_fit_reads_a_short_arc_too_small():
    # the linear fit of scikit-image on the same points gives 4.1088 (derived); the geometric answer is 4.7142
    linear = CircleModel.from_estimate(POINTS)
    assert linear.radius == pytest.approx(4.108762, abs=1e-5)
    (_, _, radius), _ = circle_through(POINTS, (5.0, 3.0, 4.0))
    assert radius - linear.radius > 0.6


# r = 10, noise 0.3, N points evenly over an arc of π - β: standard deviation of the geometric radius (linear bound)
SCATTER = [(60, 20, 0.3358), (60, 60, 0.2079), (70, 60, 0.2509), (90, 60, 0.3846)]


@pytest.mark.statistics
@pytest.mark.parametrize(("wedge_deg", "n", "bound"), SCATTER)
def test_scatter_on_a_short_arc(wedge_deg, n, bound):
    rng = np.random.default_rng(wedge_deg + n)
    reach = (np.pi - np.radians(wedge_deg)) / 2
    angle = np.linspace(-reach, reach, n)
    found = []
    for _ in range(150):
        points = 10 * np.column_stack([np.sin(angle), np.cos(angle)]) + rng.normal(0, 0.3, (n, 2))
        found.append(circle_through(points, (0.0, 0.0, 10.0), half=0.09)[0][2])
    assert np.std(found) == pytest.approx(bound, rel=0.2)  # three standard errors of 150 runs
    assert np.mean(found) == pytest.approx(10.0, abs=0.15)


# apex to arc and apex to tangent point over r (derived by construction)
WEDGES = [(30, 2.863703, 3.732051), (60, 1.0, 1.732051), (75, 0.642680, 1.303225), (90, 0.414214, 1.0)]


@pytest.mark.parametrize(("wedge_deg", "apex_share", "departure_share"), WEDGES)
def test_lengths_of_a_fitted_tip(wedge_deg, apex_share, departure_share):
    fit = fitted(arc_tip(20.0, wedge_deg, 200.0, step=0.4), wedge_deg=wedge_deg)
    assert fit.apex_to_arc_um / fit.radius_um == pytest.approx(apex_share, abs=2e-3)
    assert fit.departure_a_um / fit.radius_um == pytest.approx(departure_share, abs=3e-3)
    assert fit.departure_b_um / fit.radius_um == pytest.approx(departure_share, abs=3e-3)
