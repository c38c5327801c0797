from __future__ import annotations

import numpy as np
import pytest

from wearscope.light.strip import Strip
from wearscope.report.tone import to_display, white_level, window


def strip_of(light: np.ndarray, step_um: float = 2.0) -> Strip:
    rows, columns = light.shape
    rgb = np.repeat(light[..., None], 3, axis=2).astype(np.float32)
    return Strip(rgb, np.arange(columns) * step_um, np.arange(rows) * step_um - 50, step_um)


# IEC 61966-2-1: code 55 is 3.8 % light and code 188 is 50 % light; 18 % grey card is 118 (from memory)
@pytest.mark.parametrize(("light", "code"), [(0.0, 0), (0.0382, 55), (0.18, 118), (0.5, 188), (1.0, 255)])
def test_tone_curve(light, code):
    shown = to_display(np.full((1, 1, 3), light, dtype=np.float32), 1.0)
    assert np.abs(shown.astype(int) - code).max() <= 1


def test_white_is_common_to_all_pictures_and_ignores_a_little_glare():
    dim, bright = np.full((100, 200), 0.1), np.full((100, 200), 0.6)
    bright[:2, :20] = 1.0
    assert white_level([strip_of(dim), strip_of(bright)]) == pytest.approx(0.6, abs=1e-6)


def test_white_of_a_strip_without_light():
    assert white_level([strip_of(np.full((10, 20), np.nan))]) == 1.0


@pytest.mark.parametrize("px_per_um", [0.1, 0.5, 1.0, 4.0])
def test_a_step_stays_where_it_is_at_any_magnification(px_per_um):
    light = np.zeros((150, 600))
    light[:, 300:] = 1.0  # the border lies half a step before sample 300, at s = 599 µm
    width = round(800 * px_per_um)
    picture = window(strip_of(light), (200.0, 1000.0), (0.0, 100.0), (width, 40))[20, :, 0]
    bright_um = picture.sum() / px_per_um
    assert 1000 - bright_um == pytest.approx(599.0, abs=max(1.0, 0.1 / px_per_um))


def test_coarse_picture_averages_instead_of_picking():
    rng = np.random.default_rng(3)
    light = 0.5 + rng.normal(0, 0.1, (200, 4000))
    picture = window(strip_of(light), (100.0, 7900.0), (0.0, 200.0), (390, 10))
    assert picture.mean() == pytest.approx(0.5, abs=2e-3)
    assert picture[..., 0].std() < 0.1 / np.sqrt(50)  # 10 x 10 samples in each pixel, 100 expected


def test_what_the_photo_does_not_show_stays_unknown_and_nothing_else():
    light = np.full((150, 600), 0.4)
    light[:, :200] = np.nan
    picture = window(strip_of(light), (-200.0, 1400.0), (0.0, 100.0), (1600, 100))
    seen = np.isfinite(picture[50, :, 0])
    assert not seen[:598].any()
    assert seen[602:1395].all()
    assert not seen[1405:].any()
    np.testing.assert_allclose(picture[50, 602:1395, 0], 0.4, rtol=0, atol=1e-5)
