"""Corrections by hand: each does to the numbers what the known truth of the photo says it should."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
from pictures import CARD, Flute, measured, rows, transition_error_um, write_trial
from seldom import seldom

from wearscope.errors import WearscopeError
from wearscope.files import checksum_of
from wearscope.light.strip import USED
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.sources import Memory, read_scales
from wearscope.samples import copy_sample_trial, sample_trial_folder
from wearscope.trial import load_trial
from wearscope.trial.correction import Correction, DrawnEdge, HandScale, scale_between

NEW = Flute(background=CARD)
WORN = NEW.worn(transition_um=120.0)
KEPT = Memory(64)  # what is found out of a photo before anything is said of it, for all tests here


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pair")
    return write_trial(folder, {0: NEW.save(folder / "0.png"), 100: WORN.save(folder / "100.png")})


@pytest.fixture(scope="module")
def demo():
    """A photo of the sample trial, what it gives by itself, and its truth."""
    trial = load_trial(sample_trial_folder())
    entry = next(photo for photo in trial.photos if photo.file == "photos/heron-300-1.jpg")
    scales, _ = read_scales(trial)
    truth = json.loads((sample_trial_folder() / "truth.json").read_text())["photos"][entry.file]
    return trial, entry, inspect_photo(trial, entry, scales, memory=KEPT), truth


@pytest.fixture(scope="module")
def plain(trial):
    return measured(trial, 100)


def with_hand(trial, said, parts=100, of=100, memory=KEPT):
    """The photo at `parts`, with what was said of the photo at `of`."""
    scales, _ = read_scales(trial)
    by_parts = {photo.parts: photo for photo in trial.photos}
    sha256 = checksum_of(by_parts[of].path)
    return inspect_photo(trial, by_parts[parts], scales, {sha256: said}, memory)


def edge_px(flute, off_um=0.0):
    return tuple(tuple(map(float, flute.at_px(s, off_um))) for s in (-1200.0, -400.0, 400.0, 1200.0))


def test_a_marked_transition_is_taken(trial):
    """The place is set where the truth is, then 200 µm beside it; the row says by hand, last."""
    at = rows(with_hand(trial, Correction(transition_px=tuple(WORN.transition_px))))
    assert abs(transition_error_um(WORN, at)[0]) < 1.0
    beside = rows(with_hand(trial, Correction(transition_px=tuple(WORN.at_px(320.0)))))
    assert transition_error_um(WORN, beside)[0] == pytest.approx(200.0, abs=1.0)
    for found in (at, beside):
        assert all(row.method.split("+")[-1] == "hand" for row in found.values())
        assert all(row.method.count("hand") == 1 for row in found.values())
        along_um = found["transition_x_px", "whole"].std_uncertainty * 3.5
        assert 25.0 < along_um < 35.0


def test_a_transition_off_the_edge_is_refused(trial):
    refusal = with_hand(trial, Correction(transition_px=tuple(WORN.at_px(0.0, 400.0)))).refusal
    assert "100.png" in refusal
    assert "does not lie on the edge" in refusal


def test_the_used_side_turns_the_zones_round(trial):
    towards = (tuple(WORN.at_px(300.0)), tuple(WORN.at_px(-300.0)))
    found = with_hand(trial, Correction(transition_px=tuple(WORN.transition_px), used_towards_px=towards))
    turned = rows(found)["edge_recession", "difference"]
    assert turned.value < 0
    assert turned.status == "doubtful"  # the light contradicts an edge that has grown out
    stated = rows(with_hand(trial, Correction(used_towards_px=towards[::-1])))["edge_recession", "difference"]
    assert stated.value > 3.0


@pytest.mark.parametrize(("off_px", "end"), [(5.0, "left"), seldom(-4.0, "right")])
def test_a_drawn_edge_is_followed_from_either_end(demo, off_px, end):
    """Drawn some pixels beside the edge of a path-traced photo, from either end: the numbers hold the truth."""
    trial, entry, by_itself, truth = demo
    s_um = by_itself.now.strip.s_um[50:-50:200]
    points = by_itself.on_photo.places_px(s_um, np.full(len(s_um), off_px * 3.4))
    goes_right = points[-1, 0] > points[0, 0]
    tool = "right"  # the tool lies to the right of someone who goes along the strip
    if goes_right == (end == "right"):
        points, tool = points[::-1], "left"
    scales, _ = read_scales(trial)
    drawn = DrawnEdge(tuple(map(tuple, points.tolist())), tool)
    found = inspect_photo(trial, entry, scales, {by_itself.photo_sha256: Correction(edge=drawn)}, KEPT)
    assert_true(rows(found), truth)


@pytest.mark.statistics
def test_without_a_word_on_the_tool_its_side_is_seen(demo):
    trial, entry, by_itself, truth = demo
    s_um = by_itself.now.strip.s_um[50:-50:200]
    points = by_itself.on_photo.places_px(s_um, np.zeros(len(s_um)))[::-1]
    scales, _ = read_scales(trial)
    said = Correction(edge=DrawnEdge(tuple(map(tuple, points.tolist()))))
    assert_true(rows(inspect_photo(trial, entry, scales, {by_itself.photo_sha256: said}, KEPT)), truth)


def test_the_heel_is_measured_where_it_was_drawn(tmp_path):
    """What a person draws is taken, not the stronger line beside it."""
    new = Flute(background=CARD, heel_um=350.0)
    trial = write_trial(tmp_path, {0: new.save(tmp_path / "0.png")})
    said = Correction(edge=DrawnEdge(edge_px(new, 350.0), "right"))
    found = with_hand(trial, said, parts=0, of=0)
    _, d_um = found.on_photo.on_strip(tuple(new.at_px(0.0, 350.0)))
    assert abs(d_um) < 30.0
    by_itself = measured(trial, 0)
    assert abs(by_itself.on_photo.on_strip(tuple(new.at_px(0.0, 0.0)))[1]) < 10.0


def test_resin_is_painted_away(demo, tmp_path):
    """A blob stuck on the used edge of a path-traced photo; painted away, the numbers hold the truth."""
    _, entry, by_itself, truth = demo
    trial = load_trial(copy_sample_trial(tmp_path / "demo"))
    entry = next(photo for photo in trial.photos if photo.file == entry.file)
    view, on_photo = by_itself.now, by_itself.on_photo
    middle = float(view.strip.s_um[view.zone == USED].mean())
    pixels = cv2.imread(str(entry.path))
    for s in (-60.0, 0.0, 60.0):
        column, row = on_photo.places_px(np.array([middle + s]), np.array([-15.0]))[0]
        cv2.circle(pixels, (round(column), round(row)), 20, (30, 60, 90), -1)
    assert cv2.imwrite(str(entry.path), pixels)
    corners = np.array([(-160, -130), (160, -130), (160, 110), (-160, 110)], float)
    patch = on_photo.places_px(middle + corners[:, 0], corners[:, 1])
    said = Correction(ignored_px=(tuple(map(tuple, patch.tolist())),))
    scales, _ = read_scales(trial)
    found = inspect_photo(trial, entry, scales, {checksum_of(entry.path): said})
    assert_true(rows(found), truth)
    s_um = [found.on_photo.on_strip(tuple(corner))[0] for corner in patch]
    hidden = (found.now.strip.s_um > min(s_um)) & (found.now.strip.s_um < max(s_um))
    assert hidden.sum() > 80
    assert np.isnan(found.now.silhouette_um[hidden]).all()


def assert_true(found, truth):
    """Within three standard uncertainties of the path-traced photo's truth (sample_images/truth.json)."""
    for number, true in (
        (("edge_recession", "difference"), truth["recession_um"]),
        (("edge_radius", "used"), truth["r_used_um"]),
        (("coating_loss", "used"), truth["coating_loss_100um_used"]),
    ):
        row = found[number]
        assert abs(row.value - true) < 3.0 * row.std_uncertainty, (number, row.value, true)
        assert row.method.endswith("+hand")
    x, y = (found[f"transition_{axis}_px", "whole"].value for axis in "xy")
    assert np.hypot(x - truth["transition_px"][0], y - truth["transition_px"][1]) * truth["um_per_px"] < 50.0


def test_lengths_follow_the_scale_set_by_hand(trial, plain):
    said = Correction(scale=HandScale(7.0, 0.01, "two points"))
    new_too = {checksum_of(trial.photos[0].path): said, plain.photo_sha256: said}
    scales, _ = read_scales(trial)
    found = rows(inspect_photo(trial, trial.photos[1], scales, new_too))
    assert found["used_length", "whole"].value == pytest.approx(
        2.0 * rows(plain)["used_length", "whole"].value, rel=0.02
    )
    assert found["used_length", "whole"].um_per_px == pytest.approx(7.0, rel=0.005)
    assert "two points" in found["used_length", "whole"].note


def test_scale_between_two_points():
    """3-4-5: 500 px for 1 mm; the uncertainty is that of two ends of 1 px each."""
    scale = scale_between((10.0, 20.0), (310.0, 420.0), 1000.0)
    assert scale.um_per_px == pytest.approx(2.0)
    assert scale.u_um_per_px == pytest.approx(2.0 * np.hypot(np.sqrt(2.0) / 500.0, 0.001))
    for a, b, distance in (
        ((0, 0), (3, 4), 100.0),
        ((0, 0), (300, 4), 0.0),
        ((0, 0), (300, 4), float("nan")),
    ):
        with pytest.raises(WearscopeError):
            scale_between(a, b, distance)


def test_what_was_said_of_the_new_state_counts_for_later_photos(trial):
    found = rows(with_hand(trial, Correction(edge=DrawnEdge(edge_px(NEW), "right")), of=0))
    assert {row.method.split("+")[-1] for row in found.values()} == {"hand"}


def test_a_photo_taken_again_starts_without_corrections(trial, plain):
    scales, _ = read_scales(trial)
    found = inspect_photo(trial, trial.photos[1], scales, {"0" * 64: Correction(transition_px=(1.0, 1.0))})
    assert [r.value for r in found.records] == [r.value for r in plain.records]


@pytest.mark.statistics
def test_memory_changes_no_number(trial, plain, tmp_path):
    """Measured afresh, from memory, and from memory of other corrections."""
    memory = Memory()
    said = Correction(transition_px=tuple(WORN.at_px(150.0)))
    afresh = with_hand(trial, said, memory=None)
    for what, wanted in ((said, afresh), (Correction(), plain), (said, afresh)):
        found = with_hand(trial, what, memory=memory)
        assert [(r.value, r.std_uncertainty, r.method) for r in found.records] == [
            (r.value, r.std_uncertainty, r.method) for r in wanted.records
        ]


def test_memory_notices_another_picture(tmp_path):
    path = NEW.save(tmp_path / "0.png")
    trial = write_trial(tmp_path, {0: path})
    scales, _ = read_scales(trial)
    memory = Memory()
    first = inspect_photo(trial, trial.photos[0], scales, memory=memory).photo_sha256
    Flute(background=CARD, seed=5).save(path)
    assert inspect_photo(trial, trial.photos[0], scales, memory=memory).photo_sha256 != first


def test_the_new_photo_lies_on_the_later_one(plain):
    """Places on the tool's unused edge, where each photo is known to show them."""
    to_now = plain.on_photo.new_onto_now_px
    for s, d in ((-1200.0, 0.0), (-600.0, 200.0), (-100.0, 0.0), (600.0, 300.0)):
        # the worn flute's edge has gone back; its grind marks have not
        there = WORN.middle_px + (s * WORN.direction + d * WORN.inward) / WORN.um_per_px
        mapped = to_now @ np.append(NEW.middle_px + (s * NEW.direction + d * NEW.inward) / NEW.um_per_px, 1.0)
        assert np.hypot(*(mapped - there)) < 1.0


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: DrawnEdge(((1.0, 1.0), (1.0, 1.0))),
        lambda: Correction(ignored_px=(((0.0, 0.0), (1.0, 1.0)),)),
        lambda: HandScale(0.0, 0.0, "nothing"),
        lambda: HandScale(3.0, 4.0, "too unsure"),
    ],
)
def test_corrections_that_cannot_be(wrong):
    with pytest.raises(WearscopeError, match=";"):
        wrong()
