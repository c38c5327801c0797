"""Red and blue laid over green: drawn edges between two colours, shifted by a known amount through Fourier space."""

from __future__ import annotations

import numpy as np
import pytest
from pictures import BARE, CARD, DARK, GOLD, VIOLET
from scipy.ndimage import fourier_shift, gaussian_filter
from seldom import but_seldom

from wearscope.imaging.channels import channel_shift, laid_over


def scene(ground, tool, seed=5):
    """Two colours that meet in a wavy edge, the tool grained; (H, W, 3)."""
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[:300, :420]
    inside = gaussian_filter((rows > 130 + 0.25 * columns + 12 * np.sin(columns / 23)).astype(float), 1.2)
    grain = 1 + 0.25 * gaussian_filter(rng.normal(size=rows.shape), (6.0, 0.8))
    light = np.array(ground) * (1 - inside[..., None]) + np.array(tool) * (inside * grain)[..., None]
    return light + rng.normal(0.0, 0.002, light.shape)


def shifted(channel, by):
    """By (column, row), exactly; the picture is taken as going on like this on all sides."""
    return np.fft.ifft2(fourier_shift(np.fft.fft2(channel), by[::-1])).real


def fringed(light, red, blue):
    return np.stack(
        [shifted(light[..., 0], red), light[..., 1], shifted(light[..., 2], blue)], axis=2
    ).astype(np.float32)


@pytest.mark.parametrize(
    "shift", but_seldom(2, [(-1.3, 0.4), (0.2, -2.0), (1.0, 0.0), (0.0, 1.0), (1.5, 1.5)])
)
@pytest.mark.parametrize(
    ("ground", "tool"),
    [(DARK, GOLD), (CARD, GOLD), (CARD, VIOLET), (DARK, BARE)],
    ids=["dg", "cg", "cv", "db"],
)
def test_a_known_shift(ground, tool, shift):
    found = channel_shift(*fringed(scene(ground, tool), shift, (0.0, 0.0))[..., :2].transpose(2, 0, 1))
    assert found.plausible
    assert np.hypot(found.column_px - shift[0], found.row_px - shift[1]) < 0.15
    assert 0.001 < found.u_px < 0.1


def test_red_and_blue_are_moved_each_its_own_way():
    clean = scene(CARD, GOLD)
    moved, red, blue = laid_over(fringed(clean, (1.2, -0.5), (-0.8, 0.9)))
    assert (red.column_px, red.row_px) == pytest.approx((1.2, -0.5), abs=0.1)
    assert (blue.column_px, blue.row_px) == pytest.approx((-0.8, 0.9), abs=0.1)
    inside = np.s_[20:-20, 20:-20]
    before = np.abs(fringed(clean, (1.2, -0.5), (-0.8, 0.9)) - clean)[inside].mean()
    assert np.abs(moved - clean)[inside].mean() < 0.35 * before


def test_a_picture_without_fringes_is_left_as_it_is():
    light = scene(DARK, GOLD).astype(np.float32)
    moved, red, blue = laid_over(light)
    assert moved is light
    assert red is None
    assert blue is None
    assert channel_shift(light[..., 0], light[..., 1]).size_px < 0.05


@pytest.mark.parametrize("shift", [(9.0, 0.0), (0.0, 4.5)], ids=["too far to tell", "told, and too far"])
def test_what_no_lens_does_is_left_alone(shift):
    light = fringed(scene(DARK, GOLD), shift, (0.0, 0.0))
    moved, red, _ = laid_over(light)
    np.testing.assert_array_equal(moved[..., 0], light[..., 0])
    assert red is None


def test_a_plain_picture_says_nothing():
    light = np.full((200, 300, 3), 0.4, np.float32)
    assert laid_over(light)[0] is light
    assert channel_shift(light[..., 0], light[..., 1]) is None
