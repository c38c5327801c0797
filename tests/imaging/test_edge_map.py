"""The trained edge finder: OpenCV computes what training did, turns with the photo, and sees no edge where none is."""

import json
import sys
from importlib import import_module
from pathlib import Path

import cv2
import numpy as np
import pytest
from seldom import seldom

from wearscope.imaging import edge_map as module
from wearscope.imaging.edge_map import TOOL_EDGE_SEEN, edge_map, proposed_lines

ROOT = Path(__file__).parents[2]
REFERENCE = ROOT.parent / "shared" / "reference" / "photos"
TESTS_SEED = 3  # scenes of 1 are trained on, those of 2 held out for the table in the README


@pytest.fixture(scope="module")
def score():
    """The scorer beside the scene maker, which are scripts and no package."""
    folder = str(ROOT / "sample_images" / "scenes")
    sys.path.insert(0, folder)
    yield import_module("score")
    sys.path.remove(folder)


@pytest.fixture(scope="module")
def scenes(score):
    return [score.draw((TESTS_SEED, number)) for number in range(16)]


def test_opencv_computes_what_the_training_framework_did():
    """PyTorch's own outputs for one picture, every eighth place, saved when the net was exported."""
    stored = np.load(Path(__file__).with_name("edge_map_outputs.npz"))
    net, _ = module._net()
    net.setInput(cv2.dnn.blobFromImage(stored["picture"], 1 / 255))
    step = int(stored["every"])
    assert np.ptp(stored["maps"]) > 5
    np.testing.assert_allclose(net.forward()[0][:, ::step, ::step], stored["maps"], atol=5e-5)


@pytest.mark.statistics
def test_strongest_line_is_the_cutting_edge_of_scenes_never_trained_on(score, scenes):
    with_edge = [scene for scene in scenes if scene.has_edge]
    right = sum(score.on_edge(score.best_line(scene.picture), scene) for scene in with_edge)
    assert len(with_edge) >= 8
    assert right >= 0.75 * len(with_edge)


def _turned(points, turns, mirrored, side):
    """Where `np.rot90` by so many turns, after a mirroring, takes columns and rows."""
    columns, rows = np.asarray(points, float).T
    if mirrored:
        columns = side - 1 - columns
    for _ in range(turns):
        columns, rows = rows, side - 1 - columns
    return np.column_stack([columns, rows])


@pytest.mark.parametrize(
    ("turns", "mirrored"), [(1, False), seldom(2, False), seldom(3, False), (0, True), seldom(1, True)]
)
def test_proposal_turns_with_the_photo(score, turns, mirrored):
    """A plain edge across the frame: any finder worth having finds it whichever way the photo lies."""
    picture = _plain_edge()
    side = len(picture)
    before = score.best_line(picture)
    other = np.rot90(picture[:, ::-1] if mirrored else picture, turns)
    after = score.best_line(np.ascontiguousarray(other))
    assert min(before.tool_edge_seen, after.tool_edge_seen) > TOOL_EDGE_SEEN
    assert score.off_px(after, _turned(before.course_px, turns, mirrored, side)).max() < 0.015 * side
    base = _turned([(0, 0), before.inward], turns, mirrored, side)
    assert (base[1] - base[0]) @ np.array(after.inward) > 0.99


def _plain_edge(side=480):
    """A gold face, ground across its edge, before black; its upper border runs at 12 degrees."""
    rng = np.random.default_rng(5)
    rows, columns = np.indices((side, side))
    into = (rows - 190) * np.cos(0.21) - (columns - 240) * np.sin(0.21)
    marks = cv2.GaussianBlur(rng.normal(size=(1, side)), (0, 0), 1.0) * np.ones((side, 1))
    face = np.exp(0.12 * marks + 0.05 * rng.normal(size=(side, side)))[..., None] * (190, 150, 80)
    ground = 14 + rng.normal(0, 1.5, (side, side, 3))
    share = np.clip(into / 1.5 + 0.5, 0, 1)[..., None]
    return np.clip(ground + (face - ground) * share, 0, 255).astype(np.uint8)


def test_line_lies_on_the_edge_and_points_into_the_tool(score):
    line = score.best_line(_plain_edge())
    columns = np.array([60.0, 240.0, 420.0])
    edge = np.column_stack([columns, 190 + (columns - 240) * np.tan(0.21)])
    assert score.off_px(line, edge).max() < 4
    assert np.array(line.inward) @ (-np.sin(0.21), np.cos(0.21)) > 0.995
    start, end = np.array(line.start_px), np.array(line.end_px)
    across = (end - start) / np.hypot(*(end - start))
    np.testing.assert_allclose((-across[1], across[0]), line.inward, atol=1e-9)  # tool on the right
    assert line.span > 0.8
    assert line.side_evidence > 0.5


@pytest.mark.statistics
def test_light_and_codes_and_sizes_give_the_same_line(score):
    """Linear light of the same picture, and the picture twice as large."""
    picture = _plain_edge()
    line = score.best_line(picture)
    light = np.power(picture / np.float32(255), np.float32(2.2))
    large = cv2.resize(picture, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    assert score.off_px(score.best_line(light), line.course_px).max() < 1
    twice = score.best_line(large)
    assert score.off_px(line, (twice.course_px + 0.5) / 2 - 0.5).max() < 3
    assert score.best_line(picture.astype(np.uint16) * 257).evidence == pytest.approx(line.evidence, abs=1e-3)


@pytest.mark.statistics
def test_several_sizes_are_merged(score):
    picture = _plain_edge()
    merged = edge_map(picture, (384, 512))
    alone = edge_map(picture)
    assert merged.edge.shape == alone.edge.shape
    assert np.abs(merged.edge - alone.edge).max() > 1e-3
    line = proposed_lines(merged)[0]
    assert score.off_px(score.best_line(picture), line.course_px).max() < 5


def _noise(rng, side):
    return rng.normal(120, 30, (side, side, 3))


def _gradient(rng, side):
    ramp = np.linspace(20, 230, side)[None, :, None]
    return ramp + rng.normal(0, 2, (side, side, 3))


@pytest.mark.parametrize("drawn", [_noise, _gradient])
@pytest.mark.parametrize("seed", [1, seldom(2)])
def test_no_tool_edge_is_seen_where_there_is_none(drawn, seed):
    picture = np.clip(drawn(np.random.default_rng(seed), 512), 0, 255).astype(np.uint8)
    assert all(line.tool_edge_seen < TOOL_EDGE_SEEN for line in proposed_lines(edge_map(picture)))


@pytest.mark.statistics
def test_no_tool_edge_is_seen_in_pictures_of_other_things(score):
    """Those that come with scikit-image: people, cats, coins, print, bricks, the moon."""
    outcomes = score.empty()
    assert len(outcomes) > 15
    assert [name for name, (right, _) in outcomes.items() if not right] == []


@pytest.mark.skipif(not REFERENCE.is_dir(), reason="the reference photographs are not beside the checkout")
@pytest.mark.parametrize("name", ["ref-1", "ref-5", "ref-9", "ref-10"])
def test_edge_of_path_traced_photographs_is_found(score, name):
    """Dark, bright and cluttered ground, with and without a heel edge; the place of the transition lies on the edge."""
    facts = json.loads((REFERENCE / name / "truth.json").read_text())
    (path,) = (REFERENCE / name).glob("worn.*")
    line = score.best_line(score.photo(path))
    assert line.tool_edge_seen > TOOL_EDGE_SEEN
    assert score.off_px(line, np.array([facts["worn"]["transition_px"]]))[0] < 0.015 * facts["width_px"]
    into = (0, -1) if name == "ref-5" else (-0.7, 0.7) if name == "ref-10" else (0, 1)
    assert np.dot(line.inward, into) > 0.7
