from __future__ import annotations

import numpy as np
import pytest
from pictures import CARD, DARK, GOLD
from scipy.special import ndtr

from wearscope.light.strip import Strip
from wearscope.wear.trace import matched_trace, steepest_path, trace_edge

PITCH_UM = 3.5
D_UM = np.arange(-45, 60) * PITCH_UM


def strip_with(edge_um, *, background=DARK, face=GOLD, blur_px=1.1, noise=0.004, seed=0):
    """A strip whose edge lies at `edge_um` in each column."""
    inside = ndtr((D_UM[:, None] - edge_um) / (blur_px * PITCH_UM))[..., None]
    light = np.array(background) * (1.0 - inside) + np.array(face) * inside
    light = light + np.random.default_rng(seed).normal(0.0, noise, light.shape)
    return Strip(light.astype(np.float32), np.arange(len(edge_um)) * PITCH_UM, D_UM, PITCH_UM)


def apart(trace_um, edge_um):
    """How far a trace wanders from an edge but for a constant, which belongs to the threshold."""
    off = trace_um - edge_um
    return off - np.median(off)


@pytest.mark.parametrize("background", [DARK, CARD])
@pytest.mark.parametrize("amplitude_um", [0.0, 8.0, 25.0])
def test_trace_follows_the_edge(amplitude_um, background):
    edge_um = amplitude_um * np.sin(np.arange(900) * PITCH_UM / 500.0)
    trace = trace_edge(strip_with(edge_um, background=background), (-60.0, 60.0))
    assert np.isfinite(trace.d_um).mean() > 0.99
    assert np.nanstd(apart(trace.d_um, edge_um)) < 0.5
    assert abs(np.nanmedian(trace.d_um - edge_um)) < 0.7 * PITCH_UM


def test_trace_takes_the_outer_of_two_steps():
    # a worn edge against a dark background: a dim strip outside the bright face
    edge_um = np.full(600, -14.0)
    strip = strip_with(edge_um + 30.0)
    dim = ndtr((D_UM - edge_um[0]) / (1.1 * PITCH_UM))[:, None, None] * np.float32(0.22)
    trace = trace_edge(Strip(np.maximum(strip.light, dim), strip.s_um, D_UM, PITCH_UM), (-60.0, 60.0))
    assert np.nanmedian(trace.d_um) < -5.0


def test_no_trace_without_an_edge():
    blank = strip_with(np.full(600, 1e6), noise=0.01)
    assert np.isfinite(trace_edge(blank, (-60.0, 60.0)).d_um).mean() < 0.35


def test_columns_without_an_edge_are_left_out():
    edge_um = np.zeros(900)
    strip = strip_with(edge_um, noise=0.01)
    light = strip.light.copy()
    light[:, 300:400] = 0.02  # something dark in front of it
    trace = trace_edge(Strip(light, strip.s_um, D_UM, PITCH_UM), (-60.0, 60.0))
    assert not np.isfinite(trace.d_um[315:385]).any()
    assert np.isfinite(trace.d_um[:280]).mean() > 0.99


def test_the_frame_is_no_edge():
    edge_um = np.zeros(600)
    strip = strip_with(edge_um)
    light = strip.light.copy()
    light[D_UM < -50.0] = np.nan
    trace = trace_edge(Strip(light, strip.s_um, D_UM, PITCH_UM), (-60.0, 60.0))
    assert np.nanstd(apart(trace.d_um, edge_um)) < 0.5


def test_steepness_falls_where_the_edge_is_out_of_focus():
    sharp, soft = (strip_with(np.zeros(400), blur_px=blur) for blur in (1.1, 3.0))
    strip = Strip(np.hstack([sharp.light, soft.light]), np.arange(800) * PITCH_UM, D_UM, PITCH_UM)
    steepness = trace_edge(strip, (-60.0, 60.0)).steepness
    assert np.median(steepness[450:]) < 0.6 * np.median(steepness[:350])


@pytest.mark.parametrize("background", [DARK, CARD])
def test_matching_keeps_the_edge_and_lessens_the_noise(background):
    # noise as in a photo before a white card, where a threshold crossing suffers
    edge_um = 6.0 * np.sin(np.arange(1200) * PITCH_UM / 700.0)
    strip = strip_with(edge_um, background=background, noise=0.06, seed=3)
    trace = trace_edge(strip, (-60.0, 60.0)).d_um
    matched = matched_trace(strip, trace, np.ones(len(trace), bool))
    inner = slice(20, -20)
    assert np.nanstd(apart(matched, edge_um)[inner]) < np.nanstd(apart(trace, edge_um)[inner])
    assert np.nanmedian(matched) == pytest.approx(np.nanmedian(trace), abs=0.3)


def test_matching_leaves_the_other_columns_alone():
    edge_um = np.where(np.arange(900) < 450, 0.0, 15.0)
    strip = strip_with(edge_um)
    trace = trace_edge(strip, (-60.0, 60.0)).d_um
    first = np.arange(900) < 400
    matched = matched_trace(strip, trace, first)
    np.testing.assert_array_equal(matched[~first], trace[~first])


def test_matching_does_not_mind_what_the_frame_cuts_off():
    # an oblique edge leaves the frame at the strip's ends: a few samples beside it are not there
    edge_um = np.zeros(600)
    strip = strip_with(edge_um, noise=0.03, seed=5)
    light = strip.light.copy()
    light[D_UM > 12.0, :3] = np.nan
    cut = Strip(light, strip.s_um, D_UM, PITCH_UM)
    trace = trace_edge(strip, (-60.0, 60.0)).d_um
    every = np.ones(600, bool)
    whole, less = matched_trace(strip, trace, every), matched_trace(cut, trace, every)
    # a hundred columns further on the two are the same edge
    np.testing.assert_allclose(apart(less, 0.0)[100:], apart(whole, 0.0)[100:], atol=0.05)


def test_steepest_path_against_every_path():
    # all paths through a small field, by brute force
    rng = np.random.default_rng(0)
    for _ in range(20):
        gain = rng.normal(size=(4, 6)).astype(np.float32)
        rows = steepest_path(gain, bend=0.3)
        assert np.all(np.abs(np.diff(rows)) <= 1)

        def total(path, gain=gain):
            return gain[list(path), range(6)].sum() - 0.3 * np.abs(np.diff(path)).sum()

        paths = np.array(np.meshgrid(*[range(4)] * 6)).reshape(6, -1).T
        paths = paths[(np.abs(np.diff(paths, axis=1)) <= 1).all(axis=1)]
        assert total(rows) == pytest.approx(max(total(path) for path in paths), abs=1e-5)
