"""Flank, arc and flank through the outline of a tip: exact outlines, noise, dust, and tips that are no circle."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from seldom import seldom
from tips import UM, arc_tip, bezier_tip, fitted, noisy

from wearscope.wear.section import foreshortening
from wearscope.wear.tip import NoTipError
from wearscope.wear.tip_outline import blurred_outline, distance_to, tip_outline


class TestOutline:
    @pytest.mark.parametrize("radius", [2.0, 6.0])
    @pytest.mark.parametrize("wedge_deg", [40.0, 90.0])
    def test_blur_against_a_blurred_picture(self, radius, wedge_deg):
        # the picture is blurred by scipy, and its half level read on the bisector and beside it
        blur, fine = 2.5, 10
        half = np.radians(wedge_deg / 2)
        y, x = np.mgrid[-40 : 60 : 1 / fine, -40 : 40 : 1 / fine]
        before_chord = y < radius / np.tan(half) * np.cos(half)
        mask = (np.abs(x) * np.cos(half) <= y * np.sin(half)) & (
            ~before_chord | (x**2 + (y - radius / np.sin(half)) ** 2 < radius**2)
        )
        picture = gaussian_filter(mask.astype(np.float32), blur * fine)
        side = radius / np.tan(half)
        curve = blurred_outline(half, side, side, np.sin(half), blur)
        for across in (0.0, 2.0, 6.0):
            column = picture[:, int((across + 40) * fine)]
            first = int(np.argmax(column > 0.5))
            read = y[first, 0] - (column[first] - 0.5) / (column[first] - column[first - 1]) / fine
            expected = curve(np.array([across]))[0][0]
            assert read == pytest.approx(expected, abs=0.06), across  # half a sub-pixel of a stepped picture

    def test_a_round_outline_moves_in_by_half_the_blur_squared_over_the_radius(self):
        # second-order term of a Gaussian mean over a curved front, as in motion by mean curvature
        half, radius, blur = np.radians(30), 40.0, 2.0
        side = radius / np.tan(half)
        moved = blurred_outline(half, side, side, np.sin(half), blur)(np.zeros(1))[0][0] - radius
        assert moved == pytest.approx(blur**2 / (2 * radius), rel=0.01)

    def test_slope_and_distance(self):
        curve = tip_outline(np.radians(35), 30.0, 18.0, 0.8)
        x = np.linspace(-25, 20, 91)
        level, slope = curve(x)
        numeric = (curve(x + 1e-6)[0] - curve(x - 1e-6)[0]) / 2e-6
        np.testing.assert_allclose(slope, numeric, atol=1e-5)
        normal = np.column_stack([-slope, np.ones_like(slope)]) / np.hypot(slope, 1)[:, None]
        off = np.full(len(x), 0.7)
        distance, foot = distance_to(curve, *(np.column_stack([x, level]) + off[:, None] * normal).T)
        np.testing.assert_allclose(distance, off, atol=1e-5)
        np.testing.assert_allclose(foot, x, atol=1e-5)


class TestArc:
    @pytest.mark.parametrize(
        ("radius", "turned_deg"),
        [
            *[(2.0, 0.0), (12.0, 75.0), (150.0, 180.0), (2.0, 290.0)],
            *map(
                seldom,
                (12.0, 150.0, 2.0, 150.0, 2.0, 12.0, 12.0, 150.0),
                (0.0, 0.0, 75.0, 75.0, 180.0, 180.0, 290.0, 290.0),
            ),
        ],
    )
    def test_an_exact_outline(self, radius, turned_deg):
        fit = fitted(arc_tip(radius, 64.0, 4 * radius + 90), turned_deg=turned_deg, wedge_deg=64.0)
        assert fit.radius_um == pytest.approx(radius * UM, abs=0.02)
        assert np.degrees(fit.wedge_angle) == pytest.approx(64.0, abs=0.01)
        np.testing.assert_allclose(fit.apex_um, np.array([300.0, 200.0]) * UM, atol=0.02)
        assert np.degrees(fit.bisector_angle) == pytest.approx(90 + turned_deg, abs=0.01)
        assert np.hypot(*(fit.points_um - fit.centre_um).T).min() == pytest.approx(radius * UM, abs=0.02)
        assert fit.doubts == ()
        assert fit.kept.all()

    def test_points_in_any_order(self):
        points = arc_tip(12.0, 60.0, 120.0)
        shuffled = np.random.default_rng(0).permutation(points)
        assert fitted(shuffled).radius_um == pytest.approx(12 * UM, abs=0.01)

    def test_dust_on_faces_and_rounding_is_left_out(self):
        points = noisy(arc_tip(30.0, 60.0, 200.0), 0.03, 2, 1)
        for at, size in ((40, 3.0), (len(points) // 2 + 6, 1.5), (len(points) - 60, -2.0)):
            points[at : at + 6, 1] -= size
        fit = fitted(points)
        assert 18 <= (~fit.kept).sum() <= 60
        assert fit.radius_um == pytest.approx(30 * UM, abs=0.1)
        assert fit.doubts == ()

    def test_a_face_that_bends_far_away_does_no_harm(self):
        points = arc_tip(10.0, 60.0, 400.0)
        far = np.hypot(*points.T) > 160
        points[far, 0] += 0.15 * (np.hypot(*points[far].T) - 160)
        assert fitted(points).radius_um == pytest.approx(10 * UM, abs=0.02)

    @pytest.mark.statistics
    @pytest.mark.parametrize(("noise", "correlated"), [(0.05, 0), (0.05, 2), (0.2, 4)])
    def test_stated_uncertainty(self, noise, correlated):
        z = []
        for seed in range(30):
            fit = fitted(noisy(arc_tip(15.0, 70.0, 140.0), noise, correlated, seed), wedge_deg=70.0)
            truth = (15 * UM, np.radians(70), 15 * UM / np.tan(np.radians(35)), 1.0)
            found = (fit.radius_um, fit.wedge_angle, fit.departure_a_um, fit.departure_ratio)
            u = (fit.u_radius_um, fit.u_wedge_angle, fit.u_departure_a_um, fit.u_departure_ratio)
            z.append((np.array(found) - truth) / u)
            assert fit.doubts == (), fit.doubts  # no false alarm
        spread = np.sqrt(np.mean(np.square(z), axis=0))
        assert (spread > 0.6).all(), spread  # 30 of a normal distribution lie within 0.75 to 1.25
        assert (spread < 1.4).all(), spread

    def test_blur_taken_back(self):
        half, radius, blur = np.radians(30), 4.0, 2.0
        side = radius / np.tan(half)
        x = np.concatenate([np.linspace(-60, -8, 70), np.linspace(-8, 8, 25), np.linspace(8, 60, 70)])
        points = np.column_stack([x, blurred_outline(half, side, side, np.sin(half), blur)(x)[0]])
        assert fitted(points, blur_um=blur * UM).radius_um == pytest.approx(radius * UM, abs=0.01)
        ignored = fitted(points).radius_um / UM
        assert ignored > radius + 0.3  # what would be wrong without
        wider = fitted(points, blur_um=blur * UM, u_blur_um=0.2 * UM)
        assert wider.u_radius_um > 2 * fitted(points, blur_um=blur * UM).u_radius_um


class TestOtherShapes:
    def test_sides_are_told_apart(self):
        # a is left with the tip up; turned by 180 degrees it is on the right, and still a
        for turned_deg in (0.0, 180.0, 115.0):
            fit = fitted(noisy(bezier_tip(60, 30, 0.6, 60, 260), 0.03, 2, 0), turned_deg=turned_deg)
            assert fit.departure_a_um == pytest.approx(60 * UM, rel=0.03)
            assert fit.departure_b_um == pytest.approx(30 * UM, rel=0.03)
            assert fit.departure_ratio == pytest.approx(2.0, rel=0.03)
            assert fit.doubts[0].code in ("rounding-lopsided", "rounding-pointed")
            assert fit.shape_doubts == ()
            assert np.degrees(fit.wedge_angle) == pytest.approx(60, abs=0.1)

    @pytest.mark.parametrize("weight", [0.05, 0.3, 1.0])  # nearly a chamfer, a flat ellipse, a parabola
    def test_even_tips_that_are_no_circle(self, weight):
        fit = fitted(noisy(bezier_tip(50, 50, weight, 60, 220), 0.03, 2, 0))
        assert fit.doubts[0].code in ("rounding-lopsided", "rounding-pointed")
        assert fit.departure_a_um == pytest.approx(50 * UM, rel=0.03)
        depth = 50 * np.cos(np.radians(30)) / (1 + weight)  # of the conic's middle, by its definition
        assert fit.apex_to_arc_um == pytest.approx(depth * UM, rel=0.02)

    def test_a_chipped_tip(self):
        points = arc_tip(40.0, 60.0, 260.0)
        chip = np.abs(points[:, 0] - 18) < 10
        points[chip, 1] += np.sqrt(100 - (points[chip, 0] - 18) ** 2)
        fit = fitted(noisy(points, 0.03, 2, 0))
        assert fit.doubts
        assert fit.shape_doubts


class TestRefusals:
    def test_faces_too_short(self):
        with pytest.raises(NoTipError, match="straight face"):
            fitted(arc_tip(40.0, 60.0, 80.0))

    def test_faces_not_straight(self):
        points = arc_tip(10.0, 60.0, 120.0)
        wavy = noisy(points, 4.0, 12, 3)
        with pytest.raises(NoTipError):
            fitted(wavy)

    def test_too_few_points(self):
        with pytest.raises(NoTipError, match="few points"):
            fitted(arc_tip(10.0, 60.0, 100.0)[::12])


@pytest.mark.parametrize("wedge_deg", [40.0, seldom(60.0), seldom(90.0)])
def test_foreshortening_against_outlines_drawn_shorter(wedge_deg):
    tilt = np.radians(12)
    changes = []
    points = arc_tip(40.0, wedge_deg, 300.0)
    for towards in np.radians(np.arange(0, 180, 30)):
        way = np.array([np.cos(towards), np.sin(towards)])
        shorter = points - (1 - np.cos(tilt)) * (points @ way)[:, None] * way
        fit = fitted(shorter, wedge_deg=wedge_deg)
        sides = (fit.apex_to_arc_um, fit.departure_a_um)
        drawn = 40 * UM
        half = np.radians(wedge_deg / 2)
        whole = (drawn * (1 / np.sin(half) - 1), drawn / np.tan(half))
        changes.append(
            (
                fit.radius_um / drawn - 1,
                *(np.array(sides) / whole - 1),
                np.log(fit.departure_ratio),
                fit.wedge_angle - 2 * half,
            )
        )
    rms = np.sqrt(np.mean(np.square(changes), axis=0))
    stated = foreshortening(np.radians(wedge_deg), tilt, 0.0)
    assert stated.radius_share == pytest.approx(rms[0], rel=0.25)
    assert stated.u_wedge_angle == pytest.approx(rms[4], rel=0.1)
    assert stated.ratio_share == pytest.approx(rms[3], rel=0.25)
    for k in (1, 2):
        assert stated.length_share == pytest.approx(rms[k], rel=0.5)
