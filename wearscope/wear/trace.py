"""Trace the edge along a strip: where, coming from outside, the light first departs from the background.

The trace is not the silhouette (against a dark background the outermost part of a worn edge is as dark as what
lies behind it), but it moves with the radius, so it shows where along the edge the wear begins and how the
radius wanders.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from wearscope.light.strip import Strip, dark_unseen, over_channels

Array = NDArray[np.float64]

GUIDE_COLUMNS, WINDOW_COLUMNS = 25, 7
MATCH_COLUMNS = 9
MATCH_REACH_UM = 22.0  # each side of the edge: enough to tell a shift from a change of light
DEPARTURE = 0.35  # of the largest departure from the background near the edge
OUTSIDE_UM = (25.0, 60.0)  # where, outside the guide, the background is read


@dataclass(frozen=True)
class Trace:
    """Where the edge lies in each column of a strip.

    Attributes
    ----------
    d_um : ndarray, shape (S,)
        NaN where nothing stands out from the noise.
    steepness : ndarray, shape (S,)
        Change of light per sample at the steepest place near the edge, all channels together.
    """

    d_um: Array
    steepness: Array


def steepness(strip: Strip) -> NDArray[np.float32]:
    """Steepness across the edge, the channels together, averaged over `GUIDE_COLUMNS` of which every third says all.

    Parameters
    ----------
    strip : Strip

    Returns
    -------
    ndarray, shape (D, ceil(S / 3))
    """
    light = np.ascontiguousarray(cv2.blur(dark_unseen(strip.light), (GUIDE_COLUMNS, 1))[:, ::3])
    smooth = cv2.GaussianBlur(light, (0, 0), sigmaX=0.01, sigmaY=1.2)
    slope = np.gradient(smooth, axis=0)
    steep = cv2.sqrt(over_channels(slope * slope))
    # the frame's own border is not an edge; nor is anything within the smoothing of it
    unseen = cv2.dilate(np.isnan(strip.light[..., 0]).astype(np.uint8), np.ones((9, 3), np.uint8)) > 0
    steep[unseen[:, ::3]] = 0.0
    return np.asarray(steep, np.float32)


def trace_edge(strip: Strip, search_um: tuple[float, float]) -> Trace:
    """Find where the light departs from the background in each column.

    Parameters
    ----------
    strip : Strip
        Background at negative d.
    search_um : (float, float)
        Range of d to look in.

    Returns
    -------
    Trace

    Notes
    -----
    A guide, the path of greatest steepness averaged over many columns, says roughly where the edge is. The
    background of each column is read outside the guide; the trace is the outermost place where the light
    differs from it by `DEPARTURE` of the largest difference found along the edge.
    """
    wanted = (strip.d_um > search_um[0] - OUTSIDE_UM[1] - 5.0) & (strip.d_um < search_um[1] + 35.0)
    strip = replace(strip, light=strip.light[wanted], d_um=strip.d_um[wanted])
    d = strip.d_um
    step_um = float(d[1] - d[0])
    steep = steepness(strip)
    within = (d >= search_um[0]) & (d <= search_um[1])
    steep[~within] = 0.0
    noise = float(np.median(steep[steep > 0])) if (steep > 0).any() else 0.0
    columns = np.arange(strip.light.shape[1])
    path = steepest_path(steep, bend=max(noise, 0.1 * float(np.median(steep.max(axis=0)))))
    rows = np.repeat(path, 3)[: len(columns)]
    steepest = steep[rows, columns // 3]
    guide = median_filter(d[rows], size=15, mode="nearest")

    light = cv2.GaussianBlur(
        cv2.blur(dark_unseen(strip.light), (WINDOW_COLUMNS, 1)), (0, 0), sigmaX=0.01, sigmaY=0.8
    )
    from_guide = d[:, None] - guide[None, :]
    background = background_outside(strip, from_guide)
    departure = light - background[None].astype(np.float32)
    difference = cv2.sqrt(over_channels(departure * departure))
    difference[np.isnan(strip.light[..., 0])] = 0.0
    near = (from_guide > -8.0 - step_um) & (from_guide < 25.0 + 2.0 * step_um)
    largest = np.where(near, difference, 0.0).max(axis=0)
    threshold = DEPARTURE * gaussian_filter1d(
        median_filter(largest, 31, mode="nearest"), 15.0, mode="nearest"
    )
    beyond = (
        (difference > threshold[None, :])
        & (from_guide > -OUTSIDE_UM[1])
        & (from_guide < 15.0 + 2.0 * step_um)
    )
    # one noisy sample is not yet the tool
    steady = beyond & np.vstack([beyond[1:], beyond[-1:]])
    first = np.argmax(steady, axis=0)
    found = steady.any(axis=0) & (first > 0) & (steepest > 2.0 * noise)
    before = difference[np.maximum(first - 1, 0), columns]
    after = difference[first, columns]
    part = np.clip((threshold - before) / np.maximum(after - before, 1e-9), 0.0, 1.0)
    d_um = np.where(found, d[first] - (1.0 - part) * step_um, np.nan)
    return Trace(d_um, np.asarray(steepest, np.float64))


def matched_trace(strip: Strip, d_um: Array, columns: NDArray[np.bool_]) -> Array:
    """Sharpen the trace of columns that all show the same light across the edge, by matching each to their mean.

    Parameters
    ----------
    strip : Strip
    d_um : ndarray, shape (S,)
        Trace, NaN where not seen.
    columns : ndarray of bool, shape (S,)
        An edge of one kind: all unused.

    Returns
    -------
    ndarray, shape (S,)
        The trace with those columns replaced.

    Notes
    -----
    The shift of a short window against their mean is the least-squares one, weighted by each channel's noise.
    On a straight edge it comes near the bound on edge location (tests/benchmarks), which a threshold crossing
    misses by far on a noisy bright background.
    """
    use = np.flatnonzero(columns & np.isfinite(d_um))
    if len(use) < 3 * MATCH_COLUMNS:
        return d_um
    out = d_um.copy()
    step_um = float(strip.d_um[1] - strip.d_um[0])
    reach = int(np.ceil(MATCH_REACH_UM / step_um)) + 3
    offsets = np.arange(-reach, reach + 1)
    follow = gaussian_filter1d(median_filter(d_um[use], 31, mode="nearest"), 15.0, mode="nearest")
    for _ in range(2):
        rows = (follow - strip.d_um[0]) / step_um
        windows = _sampled(strip.light, rows[None, :] + offsets[:, None], use)
        seen = np.isfinite(windows)
        template = np.where(seen, windows, 0.0).sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
        windows = np.where(seen, windows, template[:, None].astype(np.float32))
        smooth = cv2.blur(windows, (MATCH_COLUMNS, 1), borderType=cv2.BORDER_REPLICATE)
        noise = (windows - smooth).std(axis=(0, 1)) + 1e-4
        # nuisances: what lies behind the edge, and the light on the tool, may both change along it
        outside, inside = template[:2].mean(axis=0), template[-2:].mean(axis=0)
        rise = inside - outside
        tool = np.clip((template - outside) @ rise / (rise @ rise + 1e-6), 0.0, 1.0)[:, None]
        basis = np.stack([np.gradient(template, axis=0), (1.0 - tool) * outside, tool * inside]) / noise
        rest = (smooth - template[:, None]) / noise
        normal = np.einsum("idc,jdc->ij", basis, basis)
        solution = np.linalg.solve(
            normal + 1e-9 * np.trace(normal) * np.eye(3), np.einsum("idc,dsc->is", basis, rest)
        )
        # light that lies deeper by x differs from the template by -x times its slope
        matched = follow - np.clip(solution[0], -3.0, 3.0) * step_um
        # windows moved by their own noise would blur the next template
        follow = gaussian_filter1d(matched, 15.0, mode="nearest")
    # the template lies where the threshold put the trace on the mean
    out[use] = matched + float(np.median(d_um[use] - matched))
    return out


def _sampled(light: NDArray[np.float32], rows: Array, columns: NDArray[np.intp]) -> NDArray[np.float32]:
    """Bicubic samples of some columns at given rows, shape (rows, columns, 3)."""
    maps = np.broadcast_to(np.arange(len(columns), dtype=np.float32), rows.shape).astype(np.float32)
    first, last = max(0, int(rows.min()) - 2), int(rows.max()) + 4
    return np.asarray(
        cv2.remap(
            np.ascontiguousarray(light[first:last, columns]),
            maps,
            (rows - first).astype(np.float32),
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def background_outside(strip: Strip, from_guide: Array) -> Array:
    """Light outside the edge in each column, smoothed along the edge, shape (S, 3).

    Parameters
    ----------
    strip : Strip
    from_guide : ndarray, shape (D, S)
        Depth of each sample from a rough edge, µm.

    Returns
    -------
    ndarray, shape (S, 3)
    """
    outside = (from_guide < -OUTSIDE_UM[0]) & (from_guide > -OUTSIDE_UM[1]) & np.isfinite(strip.light[..., 0])
    count = outside.sum(axis=0)
    some = outside.any(axis=1)
    total = np.where(outside[some, :, None], strip.light[some], 0.0).sum(axis=0, dtype=np.float64)
    usable = count >= 2
    if usable.sum() < 8:
        return np.zeros((len(count), 3))
    mean = total[usable] / count[usable][:, None]
    index = np.arange(len(count))
    filled = np.column_stack([np.interp(index, np.flatnonzero(usable), mean[:, k]) for k in range(3)])
    return gaussian_filter1d(filled, 12.0, axis=0, mode="nearest")


def steepest_path(gain: NDArray[np.float32], bend: float) -> NDArray[np.intp]:
    """The left-to-right path of greatest total gain that moves by at most one row per column.

    Parameters
    ----------
    gain : ndarray, shape (D, S)
    bend : float
        What a step of one row costs.

    Returns
    -------
    ndarray of int, shape (S,)
        Row of the path in each column.
    """
    height, width = gain.shape
    columns = np.ascontiguousarray(gain.T, np.float32)
    # total gain of the best path that ends there, with a row beyond each end that no path reaches
    framed = np.full((width, height + 2), -np.inf, np.float32)
    above, straight, below = framed[:, :-2], framed[:, 1:-1], framed[:, 2:]
    straight[0] = columns[0]
    cost, bent = np.float32(bend), np.empty(height, np.float32)
    for up, on, down, here, to in zip(above, straight, below, columns[1:], straight[1:], strict=False):
        np.maximum(up, down, out=bent)
        np.subtract(bent, cost, out=bent)
        np.maximum(on, bent, out=bent)
        np.add(bent, here, out=to)
    # the row that a path which ends there came from, less its own, and 1
    turned = np.maximum(above, below).astype(np.float64) - bend > straight
    came_from = np.where(turned, np.where(above >= below, np.uint8(0), np.uint8(2)), np.uint8(1)).tobytes()
    rows = [int(np.argmax(straight[-1]))]
    for column in range(width - 2, -1, -1):
        rows.append(rows[-1] + came_from[column * height + rows[-1]] - 1)
    return np.array(rows[::-1], np.intp)
