"""Which line is the edge, from marks, rules and the trained net: on drawn flutes, and on photographs of real inserts."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from pictures import BARE, CARD, DARK, Flute
from seldom import but_seldom, seldom

from wearscope.imaging.edge_line import offset_from
from wearscope.imaging.edge_lines import line_through
from wearscope.imaging.edge_map import ProposedLine, edge_map, proposed_lines
from wearscope.imaging.edge_selection import DECISIVE, candidates, face_grain
from wearscope.imaging.edge_verdict import (
    LEAST_GRAIN,
    NO_TOOL_EDGE,
    SIDE_SURE,
    marked_edge,
    tool_inward,
    traced_proposal,
    unmarked_edge,
)
from wearscope.imaging.photo import read_photo

ROUGH_PX = 2.0
INSERTS = Path(__file__).parents[3] / "shared" / "reference" / "real" / "coated_inserts"
INTO = {"below": (0.0, 1.0), "above": (0.0, -1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}


def distance_px(line, flute):
    """Median distance of a line from the true edge."""
    s_um = np.linspace(-900.0, 900.0, 61)
    points = np.array([flute.at_px(s) for s in s_um])
    return float(np.median(np.abs(offset_from(points, line))))


def codes(found):
    return [doubt.code for doubt in found.doubts]


def faces_tool(line, flute):
    return float(line.inward @ flute.inward) > 0.9


def told(light):
    return candidates(light), proposed_lines(edge_map(light))


def asked(light):
    found, seen = told(light)
    return found, lambda: seen


@pytest.mark.parametrize(
    ("angle_deg", "background"),
    [(-52.0, CARD), *map(seldom, (0.0, 90.0, 270.0, 180.0, 33.0), (DARK, CARD, DARK, CARD, DARK))],
)
def test_rules_and_net_agree_on_a_plain_edge(angle_deg, background):
    flute = Flute(shape=(640, 700), angle_deg=angle_deg, background=background)
    found = unmarked_edge(flute.light(), *told(flute.light()), None, 20.0)
    assert distance_px(found.line, flute) < ROUGH_PX
    assert faces_tool(found.line, flute)
    assert not found.doubts


def proposal(points, inward, evidence=0.9, span=0.9):
    course = np.linspace(*np.array(points, float), 9)
    return ProposedLine(tuple(course[0]), tuple(course[-1]), inward, course, evidence, span, 0.9)


def test_where_rules_do_not_decide_the_net_may():
    flute = Flute()
    light = flute.light()
    edge = proposal([flute.at_px(s) for s in (-1400.0, 1400.0)], tuple(flute.inward))
    found = unmarked_edge(light, [], (edge,), None, 20.0)
    assert distance_px(found.line, flute) < ROUGH_PX
    assert codes(found) == ["edge-by-look"]
    (weak, *_) = (replace(each, evidence=0.5 * DECISIVE) for each in candidates(light))
    assert codes(unmarked_edge(light, [weak], (edge,), None, 20.0)) == []  # the rules see it there, too
    beside = proposal([flute.at_px(s, 500.0) for s in (-1400.0, 1400.0)], tuple(flute.inward), 0.8)
    assert unmarked_edge(light, [], (edge, beside), None, 20.0) is None  # two alike: neither is told
    unsure = ProposedLine(
        *[getattr(edge, name) for name in ("start_px", "end_px", "inward", "course_px")], 0.9, 0.9, 0.1
    )
    assert unmarked_edge(light, [], (unsure,), None, 20.0) is None


def test_a_proposal_is_traced_in_the_photo():
    flute = Flute(background=CARD)
    off = proposal([flute.at_px(s, 25.0) for s in (-1400.0, 1400.0)], tuple(flute.inward))
    assert distance_px(traced_proposal(flute.light(), off), flute) < ROUGH_PX
    grey = np.full((400, 600, 3), 0.3, np.float32) + np.random.default_rng(1).normal(
        0, 0.01, (400, 600, 3)
    ).astype(np.float32)
    assert traced_proposal(grey, proposal([(50, 200), (550, 200)], (0.0, 1.0))) is None


@pytest.mark.parametrize(("off_px", "backwards"), [seldom(-18.0, False), seldom(0.0, True), (18.0, True)])
def test_points_on_the_edge_decide(off_px, backwards):
    # a heel, brighter than the edge, lies 140 px further in
    flute = Flute(shape=(640, 900), heel_um=490.0, face=BARE, angle_deg=8.0)
    light = flute.light()
    near = np.array([flute.at_px(s, off_px * flute.um_per_px) for s in (-1300.0, 1300.0)])
    line = marked_edge(light, near[::-1] if backwards else near, *asked(light), None)
    assert distance_px(line, flute) < ROUGH_PX
    assert faces_tool(line, flute)


@pytest.mark.parametrize("angle_deg", [200.0, *map(seldom, (0.0, 90.0))])
def test_two_points_on_the_edge_need_not_be_its_ends(angle_deg):
    # what they are drawn on to is the edge, and neither the heel nor the end of what was marked
    flute = Flute(shape=(640, 700), heel_um=490.0, angle_deg=angle_deg)
    light = flute.light()
    near = np.array([flute.at_px(s) for s in (-300.0, 300.0)])
    found, propose = asked(light)
    # traced between the marks alone where the rules have no line there
    assert distance_px(marked_edge(light, near, found, propose, None), flute) < ROUGH_PX
    line = marked_edge(light, near, [], propose, None)
    assert (line.end_px - line.start_px) * flute.um_per_px > 1800.0
    assert distance_px(line, flute) < ROUGH_PX


def test_points_on_the_heel_are_taken_for_what_was_meant():
    flute = Flute(shape=(640, 900), heel_um=490.0)
    light = flute.light()
    near = np.array([flute.at_px(s, 490.0) for s in (-1300.0, 1300.0)])
    assert distance_px(marked_edge(light, near, *asked(light), None), flute) == pytest.approx(140.0, abs=10.0)


def test_a_place_on_the_tool_decides_its_side():
    flute = Flute()
    light = flute.light()
    near = np.array([flute.at_px(s) for s in (-1300.0, 1300.0)])
    for depth_um in (300.0, -300.0):  # the person may even say what the photo contradicts
        line = marked_edge(light, near, *asked(light), flute.at_px(0.0, depth_um))
        assert (float(line.inward @ flute.inward) > 0) is (depth_um > 0)


def test_a_side_that_nothing_tells_is_not_guessed():
    rng = np.random.default_rng(4)
    light = np.full((300, 400, 3), 0.3, np.float32) + rng.normal(0, 0.004, (300, 400, 3)).astype(np.float32)
    light[148:152] *= 0.5  # a scratch: both sides alike
    line = line_through(np.array([[20.0, 150.0], [380.0, 150.0]]))
    assert tool_inward(light, line, tuple, None) is None


@pytest.mark.parametrize("seed", but_seldom(2, range(4)))
def test_a_print_is_no_tool(seed):
    """The slanted edge of ISO 12233, two printed greys: an edge as sharp and straight as one can be."""
    rng = np.random.default_rng(seed)
    rows, columns = np.indices((512, 600))
    turn = rng.uniform(0.0, 2.0 * np.pi)
    into = (columns - 300) * np.cos(turn) + (rows - 256) * np.sin(turn)
    grey = cv2.GaussianBlur(np.where(into > 0, *rng.uniform(0.02, 0.8, 2)), (0, 0), rng.uniform(0.6, 2.0))
    light = (grey[..., None] + rng.normal(0.0, 0.005, (512, 600, 3))).astype(np.float32)
    found = unmarked_edge(light, *told(light), None, 20.0)
    assert found is None or found.doubts


@pytest.mark.parametrize(("grain", "doubts"), [(0.0, ["no-grain"]), (0.02, [])])
def test_a_face_without_grain_may_be_a_print(grain, doubts):
    rng = np.random.default_rng(3)
    face = 0.3 * np.exp(
        grain * cv2.GaussianBlur(rng.standard_normal((1, 600)), (0, 0), 1.5) * np.ones((300, 1)) * 2.5
    )
    grey = np.vstack([np.full((200, 600), 0.02), face])
    noise = rng.normal(0.0, 0.004, (500, 600, 3))
    light = (cv2.GaussianBlur(grey, (0, 0), 1.0)[..., None] * (1.2, 1.0, 0.6) + noise).astype(np.float32)
    seen = proposal([(20.0, 199.5), (580.0, 199.5)], (0.0, 1.0))
    assert codes(unmarked_edge(light, candidates(light), (seen,), None, 20.0)) == doubts


def test_sharpening_does_not_hide_the_grain_of_a_face():
    # a halo about fine marks takes from the likeness of pixels two apart along the edge
    rng = np.random.default_rng(5)
    across = cv2.GaussianBlur(rng.standard_normal((1, 600)), (0, 0), 0.9) * np.ones((300, 1))
    grey = np.vstack([np.full((200, 600), 0.02), 0.3 * np.exp(0.05 * across)])
    grey = grey + 1.2 * (grey - cv2.GaussianBlur(grey, (0, 0), 1.5))
    noise = rng.normal(0.0, 0.002, (500, 600, 3))
    light = np.clip(grey[..., None] * (1.2, 1.0, 0.6) + noise, 0.0, 1.0).astype(np.float32)
    line = line_through(np.array([[x, 199.5] for x in (20.0, 300.0, 580.0)]))
    line = line if line.inward[1] > 0 else line.turned()
    assert face_grain(light, line) > 2.0 * LEAST_GRAIN


def test_two_lines_that_the_net_takes_for_the_edge_are_disputed():
    flute = Flute(shape=(640, 900), heel_um=490.0)
    light = flute.light()
    edge, heel = (
        proposal([flute.at_px(s, d_um) for s in (-1300.0, 1300.0)], tuple(flute.inward), share)
        for d_um, share in ((0.0, 0.9), (490.0, 0.8))
    )
    assert codes(unmarked_edge(light, candidates(light), (edge,), None, 20.0)) == []
    assert codes(unmarked_edge(light, candidates(light), (edge, heel), None, 20.0)) == ["edge-disputed"]
    faint = replace(heel, evidence=0.5)
    assert codes(unmarked_edge(light, candidates(light), (edge, faint), None, 20.0)) == []


@pytest.mark.parametrize(("beside_px", "doubts"), [(0.0, []), (3.0, []), (10.0, ["edge-disputed"])])
def test_a_trace_that_has_gone_over_to_a_line_beside_the_edge_is_disputed(beside_px, doubts):
    flute = Flute(shape=(640, 900))
    light = flute.light()
    seen = proposal(
        [flute.at_px(s, beside_px * flute.um_per_px) for s in (-1300.0, 1300.0)], tuple(flute.inward)
    )
    assert codes(unmarked_edge(light, candidates(light), (seen,), None, 20.0)) == doubts


def test_where_the_net_sees_another_line_that_one_is_traced_and_disputed():
    flute = Flute(shape=(640, 900), heel_um=490.0, face=BARE, angle_deg=8.0)
    light = flute.light()
    heel = proposal([flute.at_px(s, 490.0) for s in (-1300.0, 1300.0)], tuple(flute.inward))
    found = unmarked_edge(light, candidates(light), (heel,), None, 20.0)
    assert codes(found) == ["edge-disputed"]
    assert distance_px(found.line, flute) == pytest.approx(140.0, abs=10.0)


def test_where_the_net_sees_the_tool_on_the_other_side_rules_decide_only_if_they_are_sure():
    flute = Flute(background=CARD)
    light = flute.light()
    other = proposal([flute.at_px(s) for s in (1300.0, -1300.0)], tuple(-flute.inward))
    (sure, *_) = candidates(light)
    for odds, doubts in ((SIDE_SURE + 0.1, []), (SIDE_SURE - 0.1, ["tool-side-disputed"])):
        found = unmarked_edge(light, [replace(sure, evidence=odds)], (other,), None, 20.0)
        assert codes(found) == doubts
        assert faces_tool(found.line, flute)


def test_where_the_net_sees_next_to_nothing_it_is_no_tool_edge():
    flute = Flute()
    light = flute.light()
    for evidence, doubts in ((1.02 * NO_TOOL_EDGE, []), (0.98 * NO_TOOL_EDGE, ["no-tool-edge"])):
        seen = proposal([flute.at_px(s) for s in (-1400.0, 1400.0)], tuple(flute.inward), evidence, 1.0)
        assert codes(unmarked_edge(light, candidates(light), (seen,), None, 20.0)) == doubts


marks = json.loads((INSERTS / "marks.json").read_text()) if INSERTS.is_dir() else {}


@pytest.mark.statistics
@pytest.mark.skipif(not marks, reason="the photographs of coated inserts are not beside the checkout")
def test_real_inserts():
    """Open data, marked by eye within 20 px: `reference/real/coated_inserts` (Apache-2.0)."""
    right = 0
    for name, mark in marks.items():
        light = cv2.resize(
            read_photo(INSERTS / name).linear(), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA
        )
        points = (np.array(mark["edge_px"], float) + 0.5) / 2 - 0.5
        found, seen = asked(light)
        marked = marked_edge(light, points, found, seen, None)

        def is_right(line, points=points, mark=mark):
            along = np.linspace(*points, 41)
            near = float(np.median(np.abs(offset_from(along, line)))) < mark["u_px"] / 2 + 2
            return near and float(line.inward @ np.array(INTO[mark["tool"]])) > 0.7

        right += marked is not None and is_right(marked)
    assert right >= 20  # of 22
