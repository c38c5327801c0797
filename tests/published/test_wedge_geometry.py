"""Published and derived numbers of the rounded wedge against `wearscope.wear.wedge`."""

from __future__ import annotations

import numpy as np
import pytest

from wearscope.wear.wedge import (
    NoRecessionError,
    apex_to_arc,
    apex_to_tangent,
    arc_length,
    chord,
    recession_factor,
    square_depth,
    square_factor,
    square_on,
)

# Circular arc of radius r tangent to both faces of a wedge: lengths over r. Derived from the definition
# and checked there by direct construction.
ROUNDED_WEDGE = {  # wedge angle: apex to arc, apex to tangent point, chord, arc
    30: (2.863703, 3.732051, 1.931852, 2.617994),
    45: (1.613126, 2.414214, 1.847759, 2.356194),
    55: (1.165681, 1.920982, 1.774022, 2.181662),
    60: (1.000000, 1.732051, 1.732051, 2.094395),
    70: (0.743447, 1.428148, 1.638304, 1.919862),
    75: (0.642680, 1.303225, 1.586707, 1.832596),
    80: (0.555724, 1.191754, 1.532089, 1.745329),
    90: (0.414214, 1.000000, 1.414214, 1.570796),
}
RADIUS_UM = 10.0


@pytest.mark.parametrize("wedge_angle_deg", ROUNDED_WEDGE)
def test_lengths_of_the_rounded_wedge(wedge_angle_deg):
    wedge_angle = np.radians(wedge_angle_deg)
    found = (
        apex_to_arc(RADIUS_UM, wedge_angle),
        apex_to_tangent(RADIUS_UM, wedge_angle),
        chord(RADIUS_UM, wedge_angle),
        arc_length(RADIUS_UM, wedge_angle),
    )
    np.testing.assert_allclose(np.array(found) / RADIUS_UM, ROUNDED_WEDGE[wedge_angle_deg], rtol=0, atol=6e-7)


def test_radius_from_tip_flattening():
    # the example beside the table: wedge 70 degrees, 7.43447 µm from apex to arc, so r = 10 µm and S = 14.28148 µm
    wedge_angle = np.radians(70.0)
    radius_um = 7.43447 / apex_to_arc(1.0, wedge_angle)
    assert radius_um == pytest.approx(10.0, abs=1e-5)
    assert apex_to_tangent(radius_um, wedge_angle) == pytest.approx(14.28148, abs=1e-5)


def constructed_recession_um(radius_um, wedge_angle, tilt):
    """How far the silhouette of a rounded wedge lies inside that of the sharp one, by drawing both.

    The relief face lies along +x from the apex, the rake face at the wedge angle from it; the camera looks along the
    face normal, turned by the tilt towards the open side, and sees positions along the line square to its gaze.
    """
    bisector = np.array([np.cos(wedge_angle / 2), -np.sin(wedge_angle / 2)])
    centre = radius_um / np.sin(wedge_angle / 2) * bisector
    gaze = np.array([-np.sin(tilt), np.cos(tilt)])  # towards the camera
    across = np.array([gaze[1], -gaze[0]])  # in the image, into the tool
    around = np.linspace(0.0, 2 * np.pi, 200_001)
    circle = centre[:, None] + radius_um * np.array([np.cos(around), np.sin(around)])
    return float((across @ circle).min())  # the apex is the origin


@pytest.mark.parametrize("tilt_deg", [-10.0, -5.0, 0.0, 1.0, 5.0, 20.0])
@pytest.mark.parametrize("wedge_angle_deg", [30.0, 50.0, 60.0, 70.0])
def test_recession_by_construction(wedge_angle_deg, tilt_deg):
    wedge_angle, tilt = np.radians(wedge_angle_deg), np.radians(tilt_deg)
    factor = recession_factor(wedge_angle, 0.0, tilt)
    assert factor.value == pytest.approx(constructed_recession_um(1.0, wedge_angle, tilt), abs=1e-9)
    assert factor.u == 0.0


@pytest.mark.parametrize("tilt_deg", [-15.0, -10.0, -5.0, 0.0, 5.0, 10.0, 15.0])
@pytest.mark.parametrize("wedge_angle_deg", [50.0, 60.0, 70.0])
def test_recession_square_to_the_face_from_a_tilted_view(wedge_angle_deg, tilt_deg):
    wedge_angle, tilt = np.radians(wedge_angle_deg), np.radians(tilt_deg)
    seen, square = (
        [constructed_recession_um(radius_um, wedge_angle, angle) for radius_um in (6.0, 38.0)]
        for angle in (tilt, 0.0)
    )
    assert square_on(seen[1] - seen[0], 32.0, tilt) == pytest.approx(square[1] - square[0], abs=1e-6)
    # the same without the light: from the radius by the wedge
    factor = recession_factor(wedge_angle, 0.0, tilt)
    assert 32.0 * square_factor(factor, tilt).value == pytest.approx(square[1] - square[0], abs=1e-6)


@pytest.mark.parametrize("tilt_deg", [-15.0, 10.0])
def test_depths_square_to_the_face_from_a_tilted_view(tilt_deg):
    # places of a wedge of 60 degrees rounded by 30 µm, on the arc and on the face beyond, projected along two gazes
    tilt, radius_um = np.radians(tilt_deg), 30.0
    centre = np.array([radius_um / np.tan(np.radians(30.0)), -radius_um])
    lean = np.radians(np.linspace(0.0, 90.0 + min(tilt_deg, 0.0) - 1.0, 40))
    arc = centre + radius_um * np.column_stack([-np.sin(lean), np.cos(lean)])
    face = np.column_stack([centre[0] + np.linspace(0.0, 80.0, 20), np.zeros(20)])
    places = np.vstack([arc, face])

    def below_silhouette(angle):
        return places @ np.array([np.cos(angle), np.sin(angle)]) - (
            centre @ np.array([np.cos(angle), np.sin(angle)]) - radius_um
        )

    found = square_depth(below_silhouette(tilt), radius_um, tilt)
    np.testing.assert_allclose(found, below_silhouette(0.0), rtol=0, atol=1e-9)


@pytest.mark.parametrize(("wedge_angle_deg", "factor"), [(60, 0.732), (50, 1.145)])
def test_recession_factor_of_the_design(wedge_angle_deg, factor):
    assert recession_factor(np.radians(wedge_angle_deg), 0.0).value == pytest.approx(factor, abs=5e-4)


def test_what_tilt_costs():
    # at 60 degrees one degree costs 2.4 % of the recession, five degrees 13 %
    straight = recession_factor(np.radians(60), 0.0).value
    for tilt_deg, cost in ((1, 0.024), (5, 0.13)):
        tilted = recession_factor(np.radians(60), 0.0, np.radians(tilt_deg)).value
        assert 1 - tilted / straight == pytest.approx(cost, abs=0.005)


def test_helix_within_one_millimetre():
    # 30 degrees of helix on 6.35 mm turn the face by 10 degrees per mm; the factor falls to 0.53
    turned = np.tan(np.radians(30)) / (6.35 / 2)
    assert np.degrees(turned) == pytest.approx(10.4, abs=0.05)
    assert recession_factor(np.radians(60), 0.0, turned).value == pytest.approx(0.53, abs=0.01)


def test_uncertainty_of_the_factor_against_simulation():
    rng = np.random.default_rng(3)
    wedge = rng.normal(np.radians(60), np.radians(1.5), 100_000)
    tilt = rng.normal(0.0, np.radians(1.5), 100_000)
    scatter = np.std(1 / np.tan(wedge / 2) * np.cos(tilt) - np.sin(tilt) - 1)
    u = recession_factor(np.radians(60), np.radians(1.5), 0.0, np.radians(1.5)).u
    assert u == pytest.approx(scatter, rel=0.02)


@pytest.mark.parametrize(
    ("wedge_angle_deg", "tilt_deg", "why"),
    [(90, 0, "too-blunt"), (120, 0, "too-blunt"), (60, 31, "too-tilted"), (89, 2, "too-tilted")],
)
def test_no_factor_where_the_view_does_not_show_it(wedge_angle_deg, tilt_deg, why):
    with pytest.raises(NoRecessionError, match=why):
        recession_factor(np.radians(wedge_angle_deg), 0.01, np.radians(tilt_deg))
