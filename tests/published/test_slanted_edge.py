"""Blur by the slanted edge of ISO 12233, against the blur that wearscope reports of the same picture.

The method (rows laid over each other along the edge, four bins per pixel, derivative, Hamming window, Fourier
transform, correction for the derivative's own response) is written here from the definition, ISO 12233:2017 annex D,
from memory. What a Gaussian blur of standard deviation σ must give is exact: see the names below.
"""

from __future__ import annotations

import numpy as np
import pytest
from pictures import Flute, measured, rows, write_trial
from scipy.ndimage import gaussian_filter1d
from seldom import every_other

from wearscope.imaging.photo import read_photo

MTF50_TIMES_SIGMA = 0.1873906  # sqrt(ln 2 / 2) / π
WIDTH_10_90 = 2.5631031  # in σ: quantiles of the normal distribution
UM_PER_PX = 3.5


def edge_spread(light, oversampling=4):
    """Light across an edge that runs along the rows, binned by distance: distances in pixels, and levels."""
    rows_at = np.arange(len(light))[:, None]
    slope = np.abs(np.gradient(gaussian_filter1d(light, 2.0, axis=0), axis=0)) ** 2
    column = np.arange(light.shape[1])
    tilt, at = np.polyfit(column, (slope * rows_at).sum(axis=0) / slope.sum(axis=0), 1)
    distance = (rows_at - at - tilt * column) / np.hypot(1.0, tilt)
    bins = np.floor(distance * oversampling).astype(int)
    span = np.arange(-32 * oversampling, 32 * oversampling)
    level = np.array([light[bins == k].mean() for k in span])
    return (span + 0.5) / oversampling, level


def mtf50(light, oversampling=4):
    """Frequency, cycles per pixel, at which the modulation has fallen to one half."""
    level = edge_spread(light, oversampling)[1]
    line = np.gradient(level) * np.hamming(len(level))
    mtf = np.abs(np.fft.rfft(line))
    frequency = np.fft.rfftfreq(len(level), 1 / oversampling)
    # both the central difference and the bin are averages, with a response of their own
    mtf /= mtf[0] * np.sinc(2 * frequency / oversampling) * np.sinc(frequency / oversampling)
    below = int(np.argmax(mtf < 0.5))
    return float(np.interp(0.5, mtf[[below, below - 1]], frequency[[below, below - 1]]))


def slanted(blur_px, angle_deg=5.0):
    shape = (300, 700) if angle_deg < 45 else (700, 300)
    return Flute(shape, UM_PER_PX, angle_deg, blur_px=blur_px, noise=0.002, marks=0.0)


@pytest.mark.parametrize("blur_px", [0.8, 1.1, 1.6])
def test_the_method_finds_a_blur_that_is_known(blur_px):
    light = slanted(blur_px).light()[..., 0]
    assert mtf50(light) * blur_px == pytest.approx(MTF50_TIMES_SIGMA, rel=0.02)
    distance, level = edge_spread(light)
    level = (level - level[:8].mean()) / (level[-8:].mean() - level[:8].mean())
    low, high = np.interp([0.1, 0.9], level[40:-40], distance[40:-40])
    assert high - low == pytest.approx(WIDTH_10_90 * blur_px, rel=0.03)


@pytest.mark.parametrize(
    ("blur_px", "angle_deg"), every_other(zip([0.8, 1.1, 1.6] * 2, [5.0, 95.0] * 3, strict=True))
)
def test_the_sharpness_reported_is_that_of_the_slanted_edge(tmp_path, blur_px, angle_deg):
    path = slanted(blur_px, angle_deg).save(tmp_path / "0.png")
    light = read_photo(path).linear()[..., 0]
    by_standard_um = MTF50_TIMES_SIGMA / mtf50(light if angle_deg < 45 else light.T) * UM_PER_PX
    record = rows(measured(write_trial(tmp_path, {0: path}), 0))["sharpness", "whole"]
    assert record.value == pytest.approx(by_standard_um, abs=0.2)
