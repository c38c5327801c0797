from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pictures import grind_marks

from wearscope.imaging.registration import MARKS_UM, mark_signal, match_marks
from wearscope.light.strip import Strip

UM_PER_PX = 3.5


def strip_of(signal, *, noise=0.01, seed=0, faded=0.0):
    """A face with this relative brightness along the edge; `faded` of the band along the edge has worn smooth."""
    d_um = np.arange(-160.0, 540.0, UM_PER_PX)
    s_um = np.arange(len(signal)) * UM_PER_PX
    depth = d_um[:, None, None]
    kept = np.where(depth < faded, 0.0, 1.0)
    light = 0.4 * (1.0 + kept * signal[None, :, None] * np.ones(3))
    light = np.where(depth < 0.0, 0.02, light) + np.random.default_rng(seed).normal(0.0, noise, light.shape)
    return Strip(light.astype(np.float32), s_um, d_um, UM_PER_PX)


def marks(seed, n=700, shift_um=0.0, contrast=0.08):
    return contrast * grind_marks(seed, np.arange(n) * UM_PER_PX + shift_um)


def test_the_same_flute():
    match = match_marks(strip_of(marks(1, shift_um=70.0), seed=1), strip_of(marks(1), seed=2))
    assert match.verdict == "same"
    assert match.shift_um == pytest.approx(70.0, abs=0.5)
    assert match.correlation > 0.8


@pytest.mark.parametrize("zoom", [0.72, 0.8, 0.93, 1.08, 1.25, 1.4])
def test_the_same_flute_at_another_zoom(zoom):
    n = 900
    places_um = (np.arange(n) - n / 2) * UM_PER_PX
    now, new = (0.08 * grind_marks(1, places_um * one + 1575.0) for one in (zoom, 1.0))
    match = match_marks(strip_of(now, seed=1), strip_of(new, seed=2))
    assert match.verdict == "same"
    assert match.zoom == pytest.approx(zoom, abs=3e-4)
    # the middle of one lies on the middle of the other
    middle_um = n / 2 * UM_PER_PX
    assert match.shift_um + middle_um * match.zoom == pytest.approx(middle_um, abs=1.0)


@pytest.mark.parametrize("from_um", [0.0, 900.0, 1550.0])
def test_a_photo_cut_to_a_part_of_the_edge(from_um):
    short, whole = strip_of(marks(1, n=240, shift_um=from_um), seed=1), strip_of(marks(1), seed=2)
    there, back = match_marks(short, whole), match_marks(whole, short)
    assert (there.verdict, back.verdict) == ("same", "same")
    assert there.shift_um == pytest.approx(from_um, abs=1.0)
    # told at the middle of the whole, so with the error of the zoom
    assert back.shift_um == pytest.approx(-from_um, abs=6.0)


@pytest.mark.parametrize("seed", range(2, 12))
def test_a_part_of_another_flute_is_not_taken_for_it(seed):
    assert match_marks(strip_of(marks(seed, n=240), seed=1), strip_of(marks(1), seed=2)).verdict != "same"


@pytest.mark.parametrize("seed", range(2, 12))
def test_another_flute(seed):
    match = match_marks(strip_of(marks(seed), seed=1), strip_of(marks(1), seed=2))
    assert match.verdict == "other"
    assert match.expected > 0.6


@pytest.mark.parametrize("seed", range(2, 12))
def test_faint_marks_do_not_accuse(seed):
    # a coating hides most of the grinding: too little to say "another flute"
    now, new = (strip_of(marks(k, contrast=0.001), noise=0.05, seed=k) for k in (seed, 1))
    assert match_marks(now, new).verdict == "unclear"


@pytest.mark.parametrize("seed", range(6))
def test_no_marks_at_all(seed):
    now, new = (strip_of(np.zeros(700), noise=0.02, seed=seed + k) for k in (0, 50))
    match = match_marks(now, new)
    assert (match.verdict, match.shift_um, match.zoom) == ("unclear", 0.0, 1.0)


def test_light_that_falls_off_is_no_mark():
    n = 700
    shade = 0.3 * np.cos(np.linspace(0.0, 3.0, n))
    now, new = strip_of(shade, seed=1), strip_of(shade[::-1].copy(), seed=2)
    assert match_marks(now, new).verdict == "unclear"


def test_wear_of_the_band_along_the_edge_does_not_matter():
    now = strip_of(marks(1, shift_um=-50.0), seed=1, faded=MARKS_UM[0])
    match = match_marks(now, strip_of(marks(1), seed=2))
    assert match.verdict == "same"
    assert match.shift_um == pytest.approx(-50.0, abs=0.5)


def test_glare_spots_do_not_decide():
    spotted = marks(3)
    spotted[100:104] = 1.2
    other = marks(1)
    other[300:304] = 1.2
    assert match_marks(strip_of(spotted, seed=1), strip_of(other, seed=2)).verdict == "other"


def test_brightness_does_not_matter():
    now, new = strip_of(marks(1, shift_um=30.0), seed=1), strip_of(marks(1), seed=2)
    darker = replace(now, light=0.3 * now.light)
    assert match_marks(darker, new).shift_um == pytest.approx(match_marks(now, new).shift_um, abs=0.01)


def test_repeatability_is_that_of_the_marks():
    # reliability is the squared correlation with the signal without noise (classical test theory)
    clean, _ = mark_signal(strip_of(marks(1, contrast=0.02), noise=0.0))
    stated, true = [], []
    for seed in range(6):
        signal, repeatability = mark_signal(strip_of(marks(1, contrast=0.02), noise=0.15, seed=seed))
        stated.append(repeatability)
        true.append(np.corrcoef(signal, clean)[0, 1] ** 2)
    assert 0.6 < np.mean(true) < 0.85
    assert np.mean(stated) == pytest.approx(np.mean(true), abs=0.03)


def test_a_short_strip_says_nothing():
    assert match_marks(strip_of(marks(1, n=50)), strip_of(marks(1, n=50), seed=1)).verdict == "unclear"


def test_a_face_out_of_the_frame_says_nothing():
    now, new = strip_of(marks(1), seed=1), strip_of(marks(1), seed=2)
    light = now.light.copy()
    light[now.d_um > 100.0] = np.nan
    match = match_marks(replace(now, light=light), new)
    assert match.verdict == "unclear"
