from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pictures import CARD, DARK, Flute
from seldom import but_seldom, every_other, seldom

from wearscope.imaging.edge_line import EdgeLine, offset_from
from wearscope.imaging.edge_lines import edge_lines, line_through
from wearscope.imaging.edge_selection import refine_line

ROUGH_PX = 5.0  # of the search, which the refinement makes good
ROUND = [0.0, 25.0, 45.0, 62.0, 90.0, 118.0, 135.0, 170.0, 180.0, 225.0, 270.0, 315.0]


def truth_px(flute, n=41):
    """Columns and rows along the true edge, inside the frame."""
    points = np.array([flute.at_px(s) for s in np.linspace(-4000.0, 4000.0, 40 * n)])
    height, width = flute.shape
    inside = ((points > 8.0) & (points < np.array([width, height]) - 9.0)).all(axis=1)
    return points[inside][:: max(1, inside.sum() // n)]


def departure_px(line, flute):
    """Distance of the true edge from a line, px."""
    return np.abs(offset_from(truth_px(flute), line))


@pytest.mark.parametrize(
    ("angle_deg", "background"),
    # by default two of four neighbours, on either ground
    [
        ((angle_deg, (DARK, CARD)[k % 2]), seldom(angle_deg, (DARK, CARD)[k % 2]))[k % 4 in (1, 2)]
        for k, angle_deg in enumerate(ROUND)
    ],
)
def test_a_straight_edge_in_every_direction(angle_deg, background):
    flute = Flute(angle_deg=angle_deg, shape=(500, 640), background=background)
    best = min(edge_lines(flute.light()), key=lambda line: np.median(departure_px(line, flute)))
    assert np.median(departure_px(best, flute)) < ROUGH_PX
    assert abs(best.direction @ flute.direction) > np.cos(np.radians(1.0))
    assert best.coverage > 0.9


@pytest.mark.parametrize(
    ("angle_deg", "sagitta_um"),
    every_other([(0.0, -60.0), (0.0, 40.0), (60.0, 40.0), (60.0, -60.0), (90.0, -60.0), (90.0, 40.0)]),
)
def test_a_bent_edge(angle_deg, sagitta_um):
    flute = Flute(angle_deg=angle_deg, shape=(640, 640), sagitta_um=sagitta_um)
    light = flute.light()
    best = min(edge_lines(light), key=lambda line: np.median(departure_px(line, flute)))
    refined = refine_line(light, best, 17.0)
    assert departure_px(refined, flute).max() < 1.2


@pytest.mark.parametrize("angle_deg", [0.0, 37.0, 90.0, 214.0])
def test_refining_reaches_a_fraction_of_a_pixel(angle_deg):
    flute = Flute(angle_deg=angle_deg, shape=(600, 640), marks=0.0)
    light = flute.light()
    rough = line_through(truth_px(flute) + np.random.default_rng(1).normal(0.0, 3.0, 2) + 2.0)
    # the trace lies 0.39 blur outside the middle of the step
    off = offset_from(truth_px(flute), tool_inward(refine_line(light, rough, 25.0), flute))
    assert np.ptp(off) < 0.3
    assert abs(np.median(off)) < 0.8


def tool_inward(line, flute):
    return line if line.inward @ flute.inward > 0 else line.turned()


@pytest.mark.parametrize("seed", but_seldom(2, range(5)))
def test_noise_is_no_edge(seed):
    noise = np.random.default_rng(seed).normal(0.3, 0.02, (500, 600, 3)).astype(np.float32)
    assert [line for line in edge_lines(noise) if line.coverage >= 0.6] == []


def test_a_blank_photo_has_no_lines():
    assert edge_lines(np.full((400, 500, 3), 0.4, np.float32)) == []


def test_a_tiny_photo_has_no_lines():
    assert edge_lines(np.zeros((8, 8, 3), np.float32)) == []


def test_the_land_has_two_lines():
    flute = Flute(angle_deg=20.0, shape=(600, 700), heel_um=500.0)
    lines = edge_lines(flute.light())
    heel = replace(flute, heel_um=None, shift_px=tuple(flute.inward * 500.0 / flute.um_per_px))
    assert min(np.median(departure_px(line, flute)) for line in lines) < ROUGH_PX
    assert min(np.median(departure_px(line, heel)) for line in lines) < 2 * ROUGH_PX


def a_line():
    angle = np.radians(33.0)
    direction = np.array([np.cos(angle), np.sin(angle)])
    return EdgeLine(
        np.array([120.0, 80.0]), direction, np.array([-direction[1], direction[0]]),
        np.array([0.4, 0.02, 5e-4]), -90.0, 110.0, 0.8,
    )  # fmt: skip


def test_turning_keeps_the_curve_and_swaps_the_sides():
    line = a_line()
    back = line.turned()
    t = np.linspace(-90.0, 110.0, 9)
    np.testing.assert_allclose(line.points_px(t), back.points_px(-t), atol=1e-9)
    np.testing.assert_allclose(line.points_px(t, 5.0), back.points_px(-t, -5.0), atol=1e-9)
    assert (back.start_px, back.end_px) == (-110.0, 90.0)
    np.testing.assert_allclose(back.inward, -line.inward)
    # a photo never comes out mirrored
    assert np.linalg.det([back.direction, back.inward]) == pytest.approx(1.0)


@pytest.mark.parametrize("factor", [0.5, 3.0])
def test_scaling_maps_pixel_centres(factor):
    # the centre of a block of n by n pixels lies (n - 1) / 2 pixels from that of its first
    line = a_line()
    fine = line.scaled(factor)
    t = np.linspace(-90.0, 110.0, 9)
    coarse = np.array(line.points_px(t, 4.0))
    np.testing.assert_allclose(
        fine.points_px(t * factor, 4.0 * factor), (coarse + 0.5) * factor - 0.5, atol=1e-9
    )


def test_line_through_ignores_stray_points():
    t = np.linspace(0.0, 300.0, 150)
    points = np.column_stack([50.0 + t, 40.0 + 0.3 * t + 2e-4 * (t - 150) ** 2])
    strays = points.copy()
    strays[40:52, 1] += 25.0
    line = line_through(strays)
    assert np.abs(offset_from(points, line)).max() < 0.5


def test_line_through_two_points_is_straight():
    line = line_through(np.array([[10.0, 20.0], [110.0, 70.0]]))
    columns, rows = line.points_px(np.array([line.start_px, line.end_px]))
    np.testing.assert_allclose(np.column_stack([columns, rows]), [[10.0, 20.0], [110.0, 70.0]], atol=1e-9)
