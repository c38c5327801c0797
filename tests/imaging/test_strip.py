from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import polynomial
from pictures import Flute

from wearscope.imaging.edge_line import EdgeLine
from wearscope.imaging.strip import arc_length_px, cut_strip, points_on_photo

# OpenCV's bicubic kernel (a = -0.75) does not reproduce a ramp: up to 0.048 px off, over whole pixels nothing
PLACE_PX = 0.05
DIRECTIONS = [0.0, 30.0, 90.0, 145.0, 180.0, 210.0, 270.0, 350.0]


def line_at(angle_deg, origin_px=(300.0, 300.0), offset_px=(0.0,), reach_px=200.0):
    direction = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    inward = np.array([-direction[1], direction[0]])
    return EdgeLine(np.array(origin_px), direction, inward, np.array(offset_px), -reach_px, reach_px)


def coordinates(shape=(600, 600)):
    """A photo whose three channels are column, row and 0: each sample says where it came from."""
    x, y = np.meshgrid(np.arange(shape[1]), np.arange(shape[0]))
    return np.dstack([x, y, np.zeros(shape)]).astype(np.float32)


@pytest.mark.parametrize("angle_deg", DIRECTIONS)
def test_each_sample_comes_from_where_it_should(angle_deg):
    line = line_at(angle_deg)
    strip = cut_strip(coordinates(), line, 2.0, depth_um=(-40.0, 100.0))
    s_px, d_px = strip.s_um / 2.0, strip.d_um / 2.0
    for k in (0, 1):
        want = line.origin_px[k] + s_px * line.direction[k] + d_px[:, None] * line.inward[k]
        np.testing.assert_allclose(strip.light[..., k], want, atol=PLACE_PX)


def test_axes_are_even_and_one_pixel_apart():
    strip = cut_strip(coordinates(), line_at(20.0), 3.5, depth_um=(-30.0, 90.0))
    np.testing.assert_allclose(np.diff(strip.s_um), 3.5)
    np.testing.assert_allclose(np.diff(strip.d_um), 3.5)
    assert strip.d_um[0] <= -30.0
    assert strip.d_um[-1] >= 90.0
    assert 0.0 in strip.s_um
    assert 0.0 in strip.d_um
    assert strip.light.shape == (len(strip.d_um), len(strip.s_um), 3)
    assert strip.um_per_px == 3.5


@pytest.mark.parametrize("angle_deg", DIRECTIONS)
def test_a_curved_line_straightens_a_circle(angle_deg):
    # a circle of 900 px radius: every sample at depth d lies 900 - d from its centre
    radius = 900.0
    t = np.linspace(-200.0, 200.0, 401)
    offset = polynomial.polyfit(t, radius - np.sqrt(radius**2 - t**2), 6)
    line = line_at(angle_deg, offset_px=tuple(offset))
    centre = line.origin_px + radius * line.inward
    strip = cut_strip(coordinates(), line, 1.0, depth_um=(-20.0, 60.0))
    distance = np.hypot(strip.light[..., 0] - centre[0], strip.light[..., 1] - centre[1])
    np.testing.assert_allclose(distance, radius - strip.d_um[:, None] + 0 * distance, atol=2 * PLACE_PX)
    # and equal steps along the line are equal angles at the centre
    at = np.argmin(np.abs(strip.d_um))
    towards = strip.light[at, :, :2] - centre
    turned = np.unwrap(np.arctan2(towards[:, 1], towards[:, 0]))
    np.testing.assert_allclose(
        np.abs(turned - turned[0]) * radius, strip.s_um - strip.s_um[0], atol=3 * PLACE_PX
    )


def test_length_along_a_parabola():
    # closed form of the arc length of y = a t²
    a, end = 4e-4, 500.0
    line = line_at(0.0, offset_px=(0.0, 0.0, a), reach_px=end)
    u = 2 * a * end
    exact = (u * np.sqrt(1 + u**2) + np.arcsinh(u)) / (4 * a)
    np.testing.assert_allclose(
        arc_length_px(line, np.array([-end, 0.0, end])), [-exact, 0.0, exact], atol=1e-3
    )


def test_outside_the_frame_there_is_nothing():
    strip = cut_strip(coordinates(), line_at(0.0, origin_px=(300.0, 20.0)), 1.0, depth_um=(-40.0, 40.0))
    row = strip.d_um + 20.0
    assert np.isnan(strip.light[row < 0.0]).all()
    assert np.isfinite(
        strip.light[row > 8.0]
    ).all()  # a few rows at the frame lack a neighbour to interpolate with


def test_stated_places_along_the_line():
    s_um = np.linspace(-31.0, 52.0, 12)
    strip = cut_strip(coordinates(), line_at(90.0), 2.0, depth_um=(0.0, 10.0), s_um=s_um)
    np.testing.assert_array_equal(strip.s_um, s_um)
    np.testing.assert_allclose(strip.light[0, :, 1], 300.0 + s_um / 2.0, atol=PLACE_PX)


def test_following_moves_each_column_inward():
    line = line_at(0.0)
    s_um = np.arange(-100.0, 100.0, 2.0)
    follow_um = 0.1 * s_um
    strip = cut_strip(coordinates(), line, 2.0, depth_um=(0.0, 20.0), s_um=s_um, follow_um=follow_um)
    np.testing.assert_allclose(strip.light[0, :, 1], 300.0 + follow_um / 2.0, atol=PLACE_PX)


@pytest.mark.parametrize("angle_deg", DIRECTIONS)
def test_a_place_on_the_strip_is_found_on_the_photo(angle_deg):
    line = line_at(angle_deg, offset_px=(1.0, 0.02, 3e-4))
    strip = cut_strip(coordinates(), line, 2.0, depth_um=(-40.0, 100.0))
    for row, column in ((3, 10), (30, 150), (60, -5)):
        place = points_on_photo(line, 2.0, strip.s_um[[column]], strip.d_um[[row]])[0]
        np.testing.assert_allclose(place, strip.light[row, column, :2], atol=PLACE_PX + 0.01)


def test_averages_keep_the_blur_of_the_photo():
    # an oblique step, straightened and averaged along the edge, is as wide as it was: 10-90 % is 2.5631 sigma
    flute = Flute(angle_deg=27.0, shape=(600, 900), blur_px=1.5, marks=0.0, noise=0.0)
    line = line_at(27.0, origin_px=tuple(flute.middle_px), reach_px=250.0)
    strip = cut_strip(flute.light(), line, flute.um_per_px, depth_um=(-60.0, 60.0))
    profile = strip.light.mean(axis=(1, 2))
    rise = (profile - profile[0]) / (profile[-1] - profile[0])
    low, high = np.interp([0.1, 0.9], rise, strip.d_um / flute.um_per_px)
    assert high - low == pytest.approx(2.5631 * 1.5, rel=0.02)
    assert np.interp(0.5, rise, strip.d_um) == pytest.approx(0.0, abs=0.05)
