"""Lines as sharp as an edge beside which there is no tool: drawn hairs and rulers, against drawn tools."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from pictures import CARD, DARK, Flute

from wearscope.imaging.edge_lines import line_through
from wearscope.imaging.impostors import is_impostor

SHAPE = (600, 900)
ROWS, COLUMNS = np.indices(SHAPE)


def seen(grey, seed=1):
    noise = np.random.default_rng(seed).normal(0.0, 0.005, (*SHAPE, 3))
    return (cv2.GaussianBlur(grey.astype(np.float64), (0, 0), 1.3)[..., None] + noise).astype(np.float32)


def tool_below(row):
    line = line_through(np.array([[x, row] for x in (20.0, 450.0, 880.0)]))
    return line if line.inward[1] > 0 else line.turned()


@pytest.mark.parametrize(("width_px", "narrow"), [(8, True), (24, True), (70, False)])
def test_a_hair_before_a_card_has_the_card_on_both_sides(width_px, narrow):
    stripe = (ROWS >= 300) & (300 + width_px > ROWS)
    assert is_impostor(seen(np.where(stripe, 0.08, 0.7)), tool_below(299.5)) is narrow
    # a bright one before nothing may be a land with the gullet behind it
    assert not is_impostor(seen(np.where(stripe, 0.7, 0.02)), tool_below(299.5))


def test_a_hair_near_the_border_of_the_frame_is_one():
    stripe = (ROWS >= 560) & (ROWS < 568)
    assert is_impostor(seen(np.where(stripe, 0.08, 0.7)), tool_below(559.5))


def test_a_line_at_the_border_of_the_frame_is_none():
    assert not is_impostor(seen(np.where(ROWS >= 12, 0.7, 0.1)), tool_below(11.5))


@pytest.mark.parametrize(("pitch_px", "ruled"), [(36.0, True), (14.0, True), (0.0, False)])
@pytest.mark.parametrize("ground", [0.02, 0.65])
def test_a_ruler_has_lines_at_equal_distances(pitch_px, ruled, ground):
    if ruled:
        across = np.where(COLUMNS % pitch_px < 0.2 * pitch_px, 0.5, 0.15)
    else:
        # as many lines, where grinding puts them
        starts = np.random.default_rng(3).uniform(0.0, SHAPE[1], 40)
        near = np.abs(np.arange(SHAPE[1])[:, None] - starts).min(axis=1) < 2.5
        across = np.where(near, 0.5, 0.15)[None, :]
    assert is_impostor(seen(np.where(ROWS >= 300, across, ground)), tool_below(299.5)) is ruled


@pytest.mark.parametrize("background", [DARK, CARD])
def test_a_flute_is_none(background):
    flute = Flute(shape=(640, 700), background=background)
    line = line_through(np.array([flute.at_px(s) for s in (-1200.0, 0.0, 1200.0)]))
    line = line if float(line.inward @ flute.inward) > 0.0 else line.turned()
    assert not is_impostor(flute.light(), line)
