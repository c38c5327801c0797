"""The net's line in place of one that rules dispute, or of none: on drawn flutes and drawn corners of inserts."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from pictures import Flute, save_light
from seldom import seldom

from wearscope.errors import PhotoRefused
from wearscope.imaging.edge_by_net import where_net_is_clear
from wearscope.imaging.edge_line import offset_from
from wearscope.imaging.edge_lines import line_through
from wearscope.imaging.edge_map import TOOL_EDGE_SEEN, ProposedLine
from wearscope.imaging.edge_search import edge_line
from wearscope.imaging.edge_verdict import CLEARLY, SIDE_TOLD, FoundEdge, net_reach_px
from wearscope.imaging.photo import read_photo
from wearscope.imaging.prepared_photo import prepare
from wearscope.quantities.reasons import reason

REACH_PX, ROUGH_PX = 20.0, 2.0
TIP_PX, SIZE_PX = np.array([380.0, 140.0]), (512, 640)
# A corner's two edges: normals into the tool
INTO_SIDE, INTO_TOP = (-0.988, -0.152), (0.26, 0.966)


def off_px(line, points):
    return float(np.median(np.abs(offset_from(points, line))))


def codes(found):
    return [doubt.code for doubt in found.doubts]


def proposal(points, inward, seen=0.8, side=0.9):
    course = np.linspace(*np.array(points, float), 9)
    return ProposedLine(tuple(course[0]), tuple(course[-1]), tuple(inward), course, seen, 1.0, side)


def on_flute(flute, depth_um=0.0, seen=0.8, side=0.9):
    points = [flute.at_px(s, depth_um) for s in (-1300.0, 1300.0)]
    return proposal(points, flute.inward, seen, side)


def turned_about(edge, into, seen):
    """A line that meets another one at its end, with the tool on the side of `into`."""
    along = np.array([into[1], -into[0]])
    return proposal([edge.end_px, np.array(edge.end_px) + 300.0 * along], into, seen)


def along_flute(flute):
    return np.array([flute.at_px(s) for s in np.linspace(-900.0, 900.0, 61)])


def heel_of(flute):
    return line_through(np.array([flute.at_px(s, 490.0) for s in np.linspace(-1300.0, 1300.0, 9)]))


def corner(face, ground, card_share, card=0.6):
    """A dark insert's corner before a ground that is partly a card; linear light."""
    rng = np.random.default_rng(1)
    rows, columns = np.mgrid[: SIZE_PX[0], : SIZE_PX[1]].astype(float)
    away = np.stack([columns, rows], axis=-1) - TIP_PX
    tool = 1 / (1 + np.exp(-np.minimum(away @ INTO_SIDE, away @ INTO_TOP) / 1.2))
    behind = cv2.GaussianBlur(np.where(rows < SIZE_PX[0] * card_share, card, ground), (0, 0), 12)
    grain = 1 + 0.75 * cv2.GaussianBlur(rng.normal(size=SIZE_PX), (0, 0), 1.5)
    grey = tool * face * grain + (1 - tool) * behind + rng.normal(0, 0.004, SIZE_PX)
    return np.clip(np.repeat(grey[..., None], 3, axis=2), 0, 1)


@pytest.mark.parametrize(
    ("face", "ground", "card_share"),
    [
        (0.06, 0.03, 0.7),
        (0.1, 0.03, 0.7),
        *map(seldom, (0.03, 0.06, 0.1), (0.1, 0.1, 0.06), (0.45, 0.45, 0.45)),
    ],
)
def test_the_edge_of_a_corner_is_found_before_a_ground_half_dark_half_white(
    tmp_path, face, ground, card_share
):
    path = save_light(corner(face, ground, card_share), tmp_path / "corner.png")
    found = edge_line(prepare(read_photo(path), 1), int(REACH_PX))
    points = TIP_PX + np.linspace(60.0, 340.0, 15)[:, None] * (INTO_SIDE[1], -INTO_SIDE[0])
    assert off_px(found.line, points) < ROUGH_PX
    assert float(found.line.inward @ INTO_SIDE) > 0.9
    assert found.doubts


def test_a_clear_line_of_the_net_takes_the_place_of_a_disputed_one():
    flute = Flute(shape=(640, 900), heel_um=490.0)
    heel = FoundEdge(heel_of(flute), (reason("edge-disputed"),))
    found = where_net_is_clear(flute.light(), heel, [on_flute(flute)], None, REACH_PX)
    assert off_px(found.line, along_flute(flute)) < ROUGH_PX
    assert float(found.line.inward @ flute.inward) > 0.9
    assert codes(found) == ["edge-disputed"]


@pytest.mark.parametrize("doubts", [(), (reason("tool-side-disputed"),), (reason("no-tool-edge"),)])
def test_a_line_that_is_not_disputed_stays(doubts):
    flute = Flute(shape=(640, 900), heel_um=490.0)
    heel = FoundEdge(heel_of(flute), doubts)
    assert where_net_is_clear(flute.light(), heel, [on_flute(flute)], None, REACH_PX) is heel


def test_a_disputed_line_on_that_of_the_net_stays():
    flute = Flute()
    line = line_through(along_flute(flute))
    line = line if float(line.inward @ flute.inward) > 0.0 else line.turned()
    disputed = FoundEdge(line, (reason("edge-disputed"),))
    assert where_net_is_clear(flute.light(), disputed, [on_flute(flute)], None, REACH_PX) is disputed


def test_a_disputed_line_of_which_the_net_sees_a_part_roughly_stays():
    flute = Flute()
    line = line_through(along_flute(flute))
    line = line if float(line.inward @ flute.inward) > 0.0 else line.turned()
    disputed = FoundEdge(line, (reason("edge-disputed"),))
    beside_px = 0.8 * net_reach_px(flute.light())
    part = [np.array(flute.at_px(s, 0.0)) + beside_px * np.array(flute.inward) for s in (-300.0, 900.0)]
    sees = [proposal(part, flute.inward)]
    assert where_net_is_clear(flute.light(), disputed, sees, None, REACH_PX) is disputed


def test_a_disputed_line_with_the_tool_on_its_other_side_is_another_one():
    flute = Flute()
    line = line_through(along_flute(flute))
    line = line.turned() if float(line.inward @ flute.inward) > 0.0 else line
    found = where_net_is_clear(
        flute.light(), FoundEdge(line, (reason("edge-disputed"),)), [on_flute(flute)], None, REACH_PX
    )
    assert float(found.line.inward @ flute.inward) > 0.9


def test_what_hardly_stands_out_is_taken_and_called_faint():
    grain = np.random.default_rng(1).normal(0, 0.01, (400, 600, 3))
    light = (0.3 + grain).astype(np.float32)
    found = where_net_is_clear(light, None, [proposal([(50, 200), (550, 200)], (0.0, 1.0))], None, REACH_PX)
    assert off_px(found.line, np.array([(x, 200.0) for x in range(50, 550, 25)])) < 12.0
    assert codes(found) == ["edge-by-look", "edge-faint"]


def test_of_a_corners_edges_the_plainer_one_is_taken_and_of_lines_side_by_side_none():
    flute = Flute(shape=(640, 900))
    light, edge = flute.light(), on_flute(flute)
    as_plain = 1.05 * edge.tool_edge_seen / CLEARLY

    def found(other):
        return where_net_is_clear(light, None, [edge, other], None, REACH_PX)

    along = np.array([flute.inward[1], -flute.inward[0]])
    corner_edge = turned_about(edge, -along, as_plain)
    assert off_px(found(corner_edge).line, along_flute(flute)) < ROUGH_PX
    assert codes(found(corner_edge)) == ["edge-by-look"]
    # the tool on its far side: no corner of one tool
    assert found(replace(corner_edge, inward=tuple(along))) is None
    side_by_side = on_flute(flute, 490.0, as_plain)
    assert found(side_by_side) is None
    far_side = replace(side_by_side, inward=tuple(-flute.inward))
    assert found(far_side) is None
    assert found(on_flute(flute, 490.0, 0.95 * edge.tool_edge_seen / CLEARLY)) is not None


@pytest.mark.parametrize(
    ("seen", "side", "told"),
    [
        (1.02 * TOOL_EDGE_SEEN, 0.9, True),
        (0.98 * TOOL_EDGE_SEEN, 0.9, False),
        (0.8, 1.02 * SIDE_TOLD, True),
        (0.8, 0.98 * SIDE_TOLD, False),
    ],
)
def test_a_line_that_the_net_hardly_sees_decides_nothing(seen, side, told):
    flute = Flute()
    found = where_net_is_clear(flute.light(), None, [on_flute(flute, seen=seen, side=side)], None, REACH_PX)
    assert (found is not None) == told


def test_the_new_state_photo_says_which_way_the_edge_faces():
    flute = Flute(shape=(640, 900))
    edge = on_flute(flute, seen=0.5)
    along = np.array([flute.inward[1], -flute.inward[0]])
    plainer = turned_about(edge, -along, 0.9)
    like = line_through(along_flute(flute))
    like = like if float(like.inward @ flute.inward) > 0.0 else like.turned()
    found = where_net_is_clear(flute.light(), None, [plainer, edge], like, REACH_PX)
    assert off_px(found.line, along_flute(flute)) < ROUGH_PX


def test_a_picture_without_lines_stays_refused(tmp_path):
    path = save_light(np.full((300, 400, 3), 0.2), tmp_path / "plain.png")
    with pytest.raises(PhotoRefused, match="no cutting edge"):
        edge_line(prepare(read_photo(path), 1), int(REACH_PX))
