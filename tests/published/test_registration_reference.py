"""Registration along the edge against an independent library, and against shifts that are known."""

from __future__ import annotations

import numpy as np
import pytest
from pictures import grind_marks
from scipy.ndimage import fourier_shift
from skimage import data
from skimage.registration import phase_cross_correlation

from wearscope.imaging.registration import mark_signal, match_marks
from wearscope.light.strip import Strip

UM_PER_PX = 3.5
D_UM = np.arange(-160.0, 540.0, UM_PER_PX)


def marked_strip(shift_um, zoom=1.0, *, seed=1, noise=0.02, columns=800, noise_seed=0):
    """A face whose grind marks lie `shift_um` further on in the tool, seen at another zoom."""
    s_um = np.arange(-columns // 2, columns // 2) * UM_PER_PX
    level = 0.4 * (1.0 + 0.08 * grind_marks(seed, s_um * zoom + shift_um))
    rng = np.random.default_rng(noise_seed)
    light = level[None, :, None] + rng.normal(0.0, noise, (len(D_UM), columns, 3))
    return Strip(light.astype(np.float32), s_um, D_UM, UM_PER_PX)


@pytest.mark.parametrize("shift_um", [-233.0, -41.3, 0.0, 1.75, 12.6, 433.3])
def test_shift_agrees_with_phase_correlation(shift_um):
    # skimage.registration.phase_cross_correlation: Guizar-Sicairos, Thurman & Fienup, Optics Letters 33 (2008)
    # 156-158; with upsampling k its answer lies on a grid of 1/k pixel
    new, now = marked_strip(0.0, noise_seed=1), marked_strip(shift_um, noise_seed=2)
    match = match_marks(now, new)
    signals = [np.tile(mark_signal(strip)[0], (4, 1)) for strip in (new, now)]
    (_, columns), *_ = phase_cross_correlation(*signals, upsample_factor=50, normalization=None)
    assert match.verdict == "same"
    # the peer sees a circular shift of a windowed signal, so it is not exact to its grid
    assert match.shift_um == pytest.approx(columns * UM_PER_PX, abs=0.12 * UM_PER_PX)


@pytest.mark.parametrize("zoom", [0.96, 0.99, 1.0, 1.004, 1.043])
@pytest.mark.parametrize("shift_um", [-412.0, 8.0, 377.0])
def test_shift_and_zoom_are_right(shift_um, zoom):
    match = match_marks(marked_strip(shift_um, zoom, noise_seed=3), marked_strip(0.0, noise_seed=4))
    assert match.verdict == "same"
    assert match.u_zoom < 1e-3
    # four standard uncertainties, and what the sampling may do
    assert abs(match.zoom - zoom) < 4 * match.u_zoom + 2e-5
    assert abs(match.shift_um - shift_um) < 0.3


@pytest.mark.statistics
def test_uncertainty_of_the_zoom_covers_the_scatter():
    rng = np.random.default_rng(11)
    new = marked_strip(0.0, noise=0.06, noise_seed=5)
    z = []
    for k in range(30):
        shift_um, zoom = rng.uniform(-300.0, 300.0), rng.uniform(0.97, 1.03)
        match = match_marks(marked_strip(shift_um, zoom, noise=0.06, noise_seed=100 + k), new)
        z.append((match.zoom - zoom) / match.u_zoom)
    # stated for marks that also wear and smear, so generous here; never smaller than the scatter
    assert np.sqrt(np.mean(np.square(z))) < 1.25


def test_published_shift():
    # The example of scikit-image's gallery, "Image registration" (plot_register_translation): its camera picture moved
    # by (-22.4, 13.32) pixels in the Fourier domain; 100-fold upsampling prints a shift of (22.4, -13.32). The picture
    # is not a ground face: along the edge only its columns' means count, and the zoom must be found beside the shift.
    camera = data.camera().astype(float)
    moved = np.fft.ifft2(fourier_shift(np.fft.fft2(camera), (-22.4, 13.32))).real
    (rows, columns), *_ = phase_cross_correlation(camera, moved, upsample_factor=100)
    assert (rows, columns) == (pytest.approx(22.4), pytest.approx(-13.32))
    s_um, d_um = np.arange(-256, 256) * UM_PER_PX, np.arange(-40, 472) * UM_PER_PX
    new, now = (
        Strip(np.repeat(picture[..., None] / 255.0, 3, axis=2).astype(np.float32), s_um, d_um, UM_PER_PX)
        for picture in (camera, moved)
    )
    match = match_marks(now, new)
    assert match.verdict == "same"
    assert abs(match.shift_um - columns * UM_PER_PX) < 0.5 * UM_PER_PX
    assert abs(match.zoom - 1.0) < 1.96 * match.u_zoom
