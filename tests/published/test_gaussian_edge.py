"""Numbers of the Gaussian-blurred step: what a photograph of a clean edge looks like.

All are exact properties of the normal distribution. The bound on locating a blurred step is that of A. Gatherer, "The
Cramer Rao bound for discrete-time edge position estimation", Stanford CSL-TR-93-560 (1993), specialised to the
Gaussian; the table was derived from it and checked by simulation.
"""

from __future__ import annotations

import numpy as np
import pytest
from edge_bound import ratio_to_bound
from pictures import CARD, DARK, edge_bound_px
from scipy.stats import norm

from wearscope.light.arc import light_parts
from wearscope.light.parameters import LightParameters
from wearscope.light.strip import Strip
from wearscope.wear.trace import trace_edge

# Step of height 100 in noise of standard deviation 2, one row: blur in px, bound in px (edge on a pixel / between two)
BOUND = [
    (0.5, 0.024619, 0.029218),
    (0.7, 0.031258, 0.031758),
    (1.0, 0.037654, 0.037658),
    (1.5, 0.046119, 0.046119),
    (2.0, 0.053253, 0.053253),
    (3.0, 0.065222, 0.065222),
]


@pytest.mark.parametrize(("blur_px", "on_pixel", "between"), BOUND)
def test_the_bound_used_in_the_benchmarks(blur_px, on_pixel, between):
    assert edge_bound_px(blur_px, 0.02, edge_px=0.0) == pytest.approx(on_pixel, abs=1e-6)
    assert edge_bound_px(blur_px, 0.02, edge_px=0.5) == pytest.approx(between, abs=1e-6)
    if blur_px >= 0.7:  # below it the bound depends on where in a pixel the edge lies
        closed_px = 0.02 * np.sqrt(2 * np.sqrt(np.pi) * blur_px)
        assert closed_px == pytest.approx(1.882793 * 0.02 * np.sqrt(blur_px), rel=1e-6)
        assert edge_bound_px(blur_px, 0.02) == pytest.approx(closed_px, rel=1e-3)
    # rows of a straight edge count like so many measurements
    assert edge_bound_px(blur_px, 0.02, rows=25) == pytest.approx(edge_bound_px(blur_px, 0.02) / 5)


# Distance between two levels of the edge, over the standard deviation of the blur
WIDTH = {(0.10, 0.90): 2.5631031, (0.20, 0.80): 1.6832425, (0.25, 0.75): 1.3489795}


@pytest.mark.parametrize("levels", WIDTH)
def test_width_of_the_modelled_edge(levels):
    # the first part of the profile model is the background, which ends in a step at the silhouette
    d_um, blur_um = np.arange(-40.0, 40.0, 0.05), 4.0
    background = light_parts(d_um, LightParameters(6.0, 10.0, np.radians(40), 0.15, blur_um, 0.3), 25.0)[0]
    low, high = np.interp(levels, 1.0 - background, d_um)
    assert high - low == pytest.approx(WIDTH[levels] * blur_um, rel=2e-3)


@pytest.mark.parametrize("blur_px", [1.0, 1.5, 2.0])
def test_place_of_the_trace_on_a_clean_step(blur_px):
    # The trace is where the light has made 35 % of its step, which is 0.3853 standard deviations (a quantile of the
    # normal distribution) outside the middle; the trace's own smoothing of 0.8 px adds to the blur in squares.
    pitch_um, edge_um = 3.5, 2.3
    d_um = np.arange(-45, 60) * pitch_um
    column = 0.02 + 0.4 * norm.cdf((d_um - edge_um) / (blur_px * pitch_um))
    light = np.repeat(np.repeat(column[:, None, None], 300, axis=1), 3, axis=2).astype(np.float32)
    trace = trace_edge(Strip(light, np.arange(300) * pitch_um, d_um, pitch_um), (-60.0, 60.0))
    outside_um = -norm.ppf(0.35) * np.hypot(blur_px, 0.8) * pitch_um
    np.testing.assert_allclose(trace.d_um, edge_um - outside_um, atol=0.1 * pitch_um)


@pytest.mark.parametrize("background", [DARK, CARD], ids=["dark", "bright"])
@pytest.mark.parametrize("blur_px", [0.8, 1.1, 1.5])
def test_the_edge_line_does_not_beat_the_bound(blur_px, background):
    # one standard deviation of few windows is itself uncertain; what the traced line may stay above the bound is
    # measured in tests/benchmarks
    ratio, u_ratio = ratio_to_bound(background, blur_px, 0.01)
    assert u_ratio < 0.1
    assert ratio > 1.0 - 4 * u_ratio


@pytest.mark.parametrize("background", [DARK, CARD], ids=["dark", "bright"])
def test_the_edge_line_comes_near_the_bound(background):
    assert ratio_to_bound(background, 1.1, 0.01)[0] < 1.3
