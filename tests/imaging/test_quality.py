from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy.special import ndtr

from wearscope.imaging.quality import Quality, refusal, softer_than_photo, strip_quality
from wearscope.light.strip import Strip

PITCH_UM = 3.5
S_UM = np.arange(600) * PITCH_UM
D_UM = np.arange(-46, 155) * PITCH_UM
GOOD = Quality(0.0, 0.8, "bright", 20.0)


def strip_of(background, face, noise=0.004):
    inside = ndtr(D_UM / 4.0)[:, None, None]
    light = np.asarray(background) * (1.0 - inside) + np.asarray(face) * inside
    light = np.broadcast_to(light, (len(D_UM), len(S_UM), 3))
    light = light + np.random.default_rng(0).normal(0.0, noise, light.shape)
    return Strip(light.astype(np.float32), S_UM, D_UM, PITCH_UM)


def test_background():
    assert strip_quality(strip_of(0.02, 0.4)).background == "dark"
    assert strip_quality(strip_of(0.7, 0.4)).background == "bright"
    streaks = 0.3 + 0.25 * np.sin(S_UM / 300.0)[None, :, None]
    assert strip_quality(strip_of(streaks, 0.4)).background == "mixed"
    # a card lit from one side is still a card
    assert (
        strip_quality(strip_of(0.6 + 0.1 * np.linspace(-1, 1, 600)[None, :, None], 0.4)).background
        == "bright"
    )


def test_contrast_is_that_of_the_best_channel():
    # background and face differ in blue alone: (0.5 - 0.2) / (0.5 + 0.2)
    quality = strip_quality(strip_of((0.5, 0.4, 0.5), (0.5, 0.4, 0.2)))
    assert quality.contrast == pytest.approx(0.3 / 0.7, abs=0.01)


def test_share_burnt_out():
    strip = strip_of(0.02, 0.4)
    light = strip.light.copy()
    light[(D_UM > 10.0) & (D_UM < 35.0), :300] = 1.0
    share = ((D_UM > 10.0) & (D_UM < 35.0)).sum() / ((D_UM > 0.0) & (D_UM < 100.0)).sum() / 2
    assert strip_quality(Strip(light, S_UM, D_UM, PITCH_UM)).clipped_share == pytest.approx(share, abs=1e-6)


def test_one_channel_burnt_out_is_burnt_out():
    # its colour is lost there, whatever the others say
    strip = strip_of(0.02, 0.4)
    light = strip.light.copy()
    light[(D_UM > 0.0) & (D_UM < 100.0), :300, 0] = 1.0
    assert strip_quality(Strip(light, S_UM, D_UM, PITCH_UM)).clipped_share == pytest.approx(0.5, abs=1e-6)


def test_columns_whose_background_is_out_of_the_frame():
    # the edge runs out of the frame at one end; nothing of it may be a warning on the terminal
    strip = strip_of(0.02, 0.4)
    light = strip.light.copy()
    light[D_UM < 0.0, :50] = np.nan
    quality = strip_quality(Strip(light, S_UM, D_UM, PITCH_UM))
    assert quality.background == "dark"
    assert quality.contrast == pytest.approx(0.9, abs=0.02)


@pytest.mark.parametrize("hidden", [D_UM < 0.0, D_UM > 20.0])
def test_a_side_that_the_frame_does_not_show_is_refused_and_no_warning(hidden):
    strip = strip_of(0.02, 0.4)
    light = strip.light.copy()
    light[hidden] = np.nan
    with warnings.catch_warnings(action="error"):
        quality = strip_quality(Strip(light, S_UM, D_UM, PITCH_UM))
    assert np.isnan(quality.contrast)
    assert refusal(quality, 4.0, PITCH_UM)[2] == "edge-at-frame"


def test_a_good_photo_is_not_refused():
    assert refusal(GOOD, 4.0, PITCH_UM) is None


@pytest.mark.parametrize(
    ("quality", "blur_um", "why", "cure", "code"),
    [
        (GOOD, 24.0, "out of focus", "focus", "out-of-focus"),
        (Quality(0.5, 0.8, "bright", 5.0), 4.0, "burnt out", "dim the lamp", "burnt-out"),
        (Quality(0.0, 0.02, "mixed", 5.0), 4.0, "hardly stands out", "white card", "too-little-contrast"),
    ],
)
def test_what_is_refused_and_what_would_help(quality, blur_um, why, cure, code):
    said = refusal(quality, blur_um, PITCH_UM)
    assert said is not None
    assert why in said[0]
    assert cure in said[1]
    assert said[2] == code


def blurred_step(blur_um, ragged_um=0.0, noise=0.002):
    """An edge with a Gaussian blur, each column of it somewhere else by `ragged_um`."""
    rng = np.random.default_rng(3)
    at_um = np.repeat(rng.normal(0.0, 1.0, len(S_UM) // 10), 10)[None, : len(S_UM)] * ragged_um
    light = 0.05 + 0.4 * ndtr((D_UM[:, None] - at_um) / blur_um)
    light = np.repeat(light[..., None], 3, axis=2) + rng.normal(0.0, noise, (*light.shape, 3))
    return Strip(light.astype(np.float32), S_UM, D_UM, PITCH_UM)


@pytest.mark.parametrize("blur_um", [5.0, 9.0])
def test_how_fine_the_photo_is(blur_um):
    # the slope between neighbouring pixels is that of the mean over two, and of what lies within 6 px
    finest_um = strip_quality(blurred_step(blur_um)).finest_um
    assert finest_um == pytest.approx(np.hypot(blur_um, 2.0 * PITCH_UM / np.sqrt(12.0)), rel=0.06)


def test_a_ragged_edge_in_focus_is_not_called_out_of_focus():
    # both give a mean across the edge with some 18 um of blur, of which only one is the photo's fault
    ragged, soft = strip_quality(blurred_step(4.0, ragged_um=17.0)), strip_quality(blurred_step(18.0))
    assert softer_than_photo(ragged, 18.0, PITCH_UM)
    assert refusal(ragged, 18.0, PITCH_UM) is None
    assert not softer_than_photo(soft, 18.0, PITCH_UM)
    assert refusal(soft, 18.0, PITCH_UM)[2] == "out-of-focus"
    assert not softer_than_photo(ragged, 10.0, PITCH_UM)  # nor is anything wrong with what is sharp


def test_noise_does_not_make_a_soft_photo_sharp():
    assert refusal(strip_quality(blurred_step(18.0, noise=0.03)), 18.0, PITCH_UM)[2] == "out-of-focus"
