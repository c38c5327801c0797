"""What is said of frames of a profile and of a cut part, whose faults are drawn into them."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import parts
import pytest
import sections
from seldom import seldom

from wearscope.live.judging_guide import JudgingGuide
from wearscope.live.source import Frame
from wearscope.live.taking import STEADY_FRAMES, Patience
from wearscope.live.words import advice, meters
from wearscope.pipeline.sources import read_scales

UM = 1.5
WEDGE = sections.Wedge(fine=4)
PART = parts.Part(torn=((0.0, 800.0, 900.0),))


def pixels(path):
    return np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])


@pytest.fixture(scope="module")
def profile(tmp_path_factory):
    folder = tmp_path_factory.mktemp("profile")
    trial = sections.write_trial(folder, {0: WEDGE.save(folder / "0.png")}, um_per_px=UM)
    return folder, trial, JudgingGuide(trial, trial.photos[0], read_scales(trial)[0])


@pytest.fixture(scope="module")
def part(tmp_path_factory):
    folder = tmp_path_factory.mktemp("part")
    trial = parts.write_trial(folder, PART.save(folder / "0.png"))
    return folder, trial, JudgingGuide(trial, trial.photos[0], read_scales(trial)[0])


def looked(bench, drawn, first=1):
    folder, _, guide = bench
    picture = pixels(drawn.save(folder / "frame.png"))
    guide.look(Frame(first, picture, 0.0))
    return guide.look(Frame(first + 1, picture, 0.1))


@pytest.mark.parametrize("blur_px", [0.8, seldom(1.4)])
def test_a_good_profile_is_taken_once_it_is_still(profile, blur_px):
    look = looked(profile, replace(WEDGE, blur_px=blur_px))
    assert advice(look) == ()
    assert look.blur_um == pytest.approx(blur_px * UM, rel=0.2)
    assert look.moved_um < 1.0
    assert "focus" in meters(look)
    middle = np.array(WEDGE.size[::-1]) / 2.0
    assert np.abs(look.edge_px - middle).max() < max(WEDGE.size)  # the outline, in the picture's own pixels
    patience = Patience()
    assert [patience.ready(look) for _ in range(STEADY_FRAMES)][-1]


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        seldom({"blur_px": 9.0}, "focus on the section"),
        seldom({"blur_px": 2.4, "radius_px": 2.0}, "focus"),
        ({"apex_px": (200.0, 420.0)}, "into the frame"),
        seldom({"bright": 1.4}, "less light"),
        seldom({"bright": 0.03, "dark": 0.004, "noise": 0.001}, "more light"),
    ],
)
def test_what_is_wrong_with_a_profile_is_said_first(profile, wrong, word):
    look = looked(profile, replace(WEDGE, **wrong))
    assert word in advice(look)[0]
    assert "live" not in advice(look)[0]  # there is no file yet
    assert not any(Patience().ready(replace(look, moved_um=0.0)) for _ in range(2 * STEADY_FRAMES))


def test_a_profile_that_moves_is_not_taken(profile):
    folder, _, guide = profile
    picture = pixels(WEDGE.save(folder / "frame.png"))
    guide.look(Frame(1, picture, 0.0))
    look = guide.look(Frame(2, np.roll(picture, 12, axis=1), 0.1))
    assert look.moved_um == pytest.approx(12.0 * UM, rel=0.3)
    assert not any(Patience().ready(look) for _ in range(2 * STEADY_FRAMES))


def test_a_good_part_is_taken_once_it_is_still(part):
    look = looked(part, PART)
    assert advice(look) == ()
    assert look.followed
    assert look.moved_um < 1.0


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        seldom({"blur_px": 6.0}, "focus"),
        ({"ground": parts.FACE}, "card"),
        ({"edges": 2}, "one edge alone"),
        seldom({"face": (2.0, 1.9, 1.8)}, "less light"),
    ],
)
def test_what_is_wrong_with_a_part_is_said_first(part, wrong, word):
    look = looked(part, replace(PART, **wrong))
    assert word in " ".join(advice(look))
    assert "live" not in advice(look)[0]


def test_without_a_scale_it_is_said(profile):
    _, trial, _ = profile
    guide = JudgingGuide(trial, trial.photos[0], {})
    assert advice(guide.look(Frame(1, np.zeros((300, 400, 3), np.uint8), 0.0)))
