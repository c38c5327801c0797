"""Where the light of the band along an edge changes, and which side of it is worn: on drawn strips."""

import numpy as np
import pytest
from seldom import seldom

from wearscope.light.strip import Strip
from wearscope.wear.band_light import LEAST_CHANGE, WINDOW_UM, band_light

UM_PER_PX = 3.5
S_UM = np.arange(-1800.0, 1800.0, UM_PER_PX)
D_UM = np.arange(-60.0, 300.0, UM_PER_PX)


def strip_of(worn, seed=1, band_level=2.5, grain=0.1, shading=0.0):
    """A face with grain; where `worn` the first 60 µm of it send back `band_level` times as much light."""
    rng = np.random.default_rng(seed)
    light = 0.12 * np.exp(grain * rng.standard_normal((len(D_UM), len(S_UM))) + shading * S_UM / 1800.0)
    light[D_UM < 0.0] = 0.02
    band = (D_UM >= 0.0) & (D_UM < 60.0)
    light[np.ix_(band, worn)] *= band_level
    return Strip(np.repeat(light[..., None], 3, axis=2).astype(np.float32), S_UM, D_UM, UM_PER_PX)


def read(strip):
    return band_light(strip, np.zeros(len(S_UM)))


@pytest.mark.parametrize("at_um", [-600.0, seldom(0.0), seldom(700.0)])
@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("band_level", [2.5, 0.4], ids=["bright", "dark"])
def test_a_band_that_ends(at_um, side, band_level):
    found = read(strip_of((S_UM - at_um) * side > 0.0, band_level=band_level)).end()
    assert found is not None
    assert found[0] == pytest.approx(at_um, abs=15.0)
    assert found[1] == side


@pytest.mark.parametrize("seed", range(6))
def test_an_edge_without_wear_has_no_end(seed):
    # a lamp's light that falls off along the edge is no wear
    band = read(strip_of(np.zeros(len(S_UM), bool), seed=seed, shading=0.8))
    assert band.end() is None
    assert band.used_side(0.0) is None
    assert np.nanmax(band.change) < 0.5 * LEAST_CHANGE


def test_a_patch_is_no_end():
    """Dust and breaks change the light too, and the edge beyond them is as it was."""
    patch = np.abs(S_UM - 200.0) < 200.0
    assert read(strip_of(patch)).end() is None


def test_what_a_person_says_of_the_side_is_kept_to():
    band = read(strip_of(S_UM > 0.0))
    assert band.end(used_side=1) is not None
    assert band.end(used_side=-1) is None


def test_near_the_ends_of_the_edge_nothing_is_told():
    band = read(strip_of(S_UM[-1] - 0.6 * WINDOW_UM < S_UM))
    assert band.end() is None


def test_the_band_lies_along_the_trace():
    trace_um = 45.0 + 45.0 * S_UM / S_UM[-1]
    depth_um = D_UM[:, None] - trace_um[None, :]
    light = np.select([depth_um < 0.0, depth_um < 56.0], [0.02, 0.36], 0.12)
    strip = Strip(np.repeat(light[..., None], 3, axis=2).astype(np.float32), S_UM, D_UM, UM_PER_PX)
    band = band_light(strip, trace_um).band
    assert np.isfinite(band).all()
    np.testing.assert_allclose(band[:5], np.log(3.0), atol=1e-3)
    np.testing.assert_allclose(band[5:], 0.0, atol=1e-3)
