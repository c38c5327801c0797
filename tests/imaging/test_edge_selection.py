from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pictures import BARE, CARD, DARK, GOLD, Flute
from seldom import but_seldom, every_other, seldom

from wearscope.imaging.edge_line import EdgeLine, offset_from
from wearscope.imaging.edge_selection import Candidate, candidates, choose
from wearscope.imaging.edge_verdict import marked_edge

ROUGH_PX = 5.0  # of the search, which the refinement makes good
ROUND = [0.0, 40.0, 90.0, 130.0, 180.0, 220.0, 270.0, 310.0]


def distance_px(line, flute):
    """Median distance between a line and the true edge."""
    points = np.array([flute.at_px(s) for s in np.linspace(-500.0, 500.0, 21)])
    return float(np.median(np.abs(offset_from(points, line))))


def crossed(each, other):
    """All pairs of two kinds over the directions, half of them along the picture's sides, half across."""
    return [
        (angle_deg, background, other[(k + turn) % 2])
        for k, angle_deg in enumerate(ROUND)
        for turn, background in enumerate(each)
    ]


# by default each direction before one of the backgrounds
@pytest.mark.parametrize(
    ("angle_deg", "background", "face"),
    [
        case if n % 4 in (0, 3) else seldom(*case)
        for n, case in enumerate(crossed([DARK, CARD], [GOLD, BARE]))
    ],
)
def test_the_edge_and_the_side_the_tool_is_on(angle_deg, background, face):
    # one test for each direction: a swapped axis or a mirrored side cannot hide
    flute = Flute(angle_deg=angle_deg, shape=(560, 600), background=background, face=face)
    chosen = choose(candidates(flute.light()))
    assert chosen is not None
    assert distance_px(chosen.line, flute) < ROUGH_PX
    assert chosen.line.inward @ flute.inward > 0.99


@pytest.mark.parametrize(
    ("angle_deg", "background"),
    every_other((angle, (DARK, CARD)[(k // 2 + k) % 2]) for k, angle in enumerate(ROUND)),
)
def test_the_heel_is_not_taken_for_the_edge(angle_deg, background):
    flute = Flute(angle_deg=angle_deg, shape=(640, 640), background=background, heel_um=450.0)
    chosen = choose(candidates(flute.light()))
    assert chosen is not None
    assert distance_px(chosen.line, flute) < ROUGH_PX
    assert chosen.line.inward @ flute.inward > 0.99


def test_the_width_of_the_land():
    flute = Flute(angle_deg=15.0, shape=(640, 700), heel_um=500.0)
    chosen = choose(candidates(flute.light()))

    assert chosen.land_px == pytest.approx(500.0 / flute.um_per_px, abs=8.0)


def test_a_tool_between_two_backgrounds():
    # the far side of the tool ends in background too; the cutting edge is the one with the narrow land beside it
    flute = Flute(shape=(640, 700), heel_um=300.0, shift_px=(0.0, -200.0))
    light = flute.light()
    light[520:] = 0.015
    chosen = choose(candidates(light))
    assert chosen is not None
    assert distance_px(chosen.line, flute) < ROUGH_PX


def line_at(angle_deg):
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    return EdgeLine(np.zeros(2), along, np.array([-along[1], along[0]]), np.zeros(1), 0.0, 1.0)


@pytest.mark.parametrize(("turned_deg", "chosen"), [(180.0, 1), (160.0, 0)])
def test_clutter_behind_the_edge_leaves_it_little_evidence(turned_deg, chosen):
    # dark and plain behind the far side of the land, bright and uneven behind the edge: its narrow land tells it
    found = [
        Candidate(line_at(0.0), 9.5, 335.0),
        Candidate(line_at(turned_deg), 1.9, 143.0),
    ]
    assert choose(found) is found[chosen]


def test_nothing_to_choose_from():
    assert candidates(np.full((400, 500, 3), 0.4, np.float32)) == []
    assert choose([]) is None


@pytest.mark.parametrize("flip", [False, True])
def test_grey_on_grey_is_left_to_the_person(flip):
    # two plain grey halves of one grain: neither is more of a tool than the other
    rng = np.random.default_rng(2)
    light = np.full((500, 600, 3), 0.30) + 0.08 * (np.arange(500) >= 250)[:, None, None]
    light = (light + rng.normal(0.0, 0.004, light.shape)).astype(np.float32)
    assert choose(candidates(light[::-1].copy() if flip else light)) is None


@pytest.mark.parametrize("brightness", [1.0, 0.62, 0.4])
@pytest.mark.parametrize("seed", but_seldom(1, [0, 2, 4, 6]))
def test_a_grey_photo_gives_the_edge_or_nothing(seed, brightness):
    # one channel only, its noise not averaged over three: no edge is an answer, another line is not
    angle_deg = float(np.random.default_rng(seed).uniform(0.0, 360.0))
    flute = Flute(
        angle_deg=angle_deg, shape=(560, 640), seed=seed, marks_seed=seed % 4, brightness=brightness
    )
    chosen = choose(candidates(np.repeat(flute.worn(setback_um=0.0).light()[..., :1], 3, axis=2)))
    if chosen is not None:
        assert distance_px(chosen.line, flute.worn()) < ROUGH_PX


def test_a_new_state_photo_decides_between_sides():
    flute = Flute(shape=(560, 600))
    found = candidates(flute.light())
    best = choose(found)
    turned = replace(best, line=best.line.turned(), evidence=best.evidence * 1.2)
    like = EdgeLine(np.zeros(2), flute.direction, flute.inward, np.zeros(1), 0.0, 1.0)
    assert choose([turned, best], like=like).line.inward @ flute.inward > 0.99


@pytest.mark.parametrize(
    ("angle_deg", "off_px"),
    every_other((angle_deg, (-80.0, 0.0, 60.0)[k % 3]) for k, angle_deg in enumerate(ROUND)),
)
def test_a_rough_polyline_points_at_the_edge(angle_deg, off_px):
    flute = Flute(angle_deg=angle_deg, shape=(600, 600), sagitta_um=20.0)
    light = flute.light()
    near = np.array([flute.at_px(s, off_px * flute.um_per_px) for s in (-600.0, 50.0, 650.0)])
    guided = marked_edge(light, near, candidates(light), tuple, None)
    assert distance_px(guided, flute) < ROUGH_PX
    assert guided.inward @ flute.inward > 0.99


def test_a_polyline_where_the_search_found_nothing():
    flute = Flute(angle_deg=50.0, shape=(600, 600))
    near = np.array([flute.at_px(s, 25.0) for s in (-600.0, 600.0)])
    guided = marked_edge(flute.light(), near, [], tuple, None)
    assert distance_px(guided, flute) < ROUGH_PX
    assert guided.inward @ flute.inward > 0.99


def test_a_polyline_chooses_between_edge_and_heel():
    flute = Flute(angle_deg=10.0, shape=(640, 700), heel_um=560.0)
    light = flute.light()
    found = candidates(light)
    near_heel = np.array([flute.at_px(s, 530.0) for s in (-700.0, 700.0)])
    near_edge = np.array([flute.at_px(s, 40.0) for s in (-700.0, 700.0)])
    assert distance_px(marked_edge(light, near_edge, found, tuple, None), flute) < ROUGH_PX
    heel_px = 560.0 / flute.um_per_px
    assert distance_px(marked_edge(light, near_heel, found, tuple, None), flute) == pytest.approx(
        heel_px, abs=8.0
    )
