"""Trace the eye-catching edge along a strip: the steepest change in each short window.

The trace is not the silhouette (on a worn edge it is the flank of the lamp's image), but it moves with the
radius, so it shows where along the edge the wear begins and how the radius wanders.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.wear.strip import Strip

Array = NDArray[np.float64]

WINDOW_COLUMNS = 5


@dataclass(frozen=True)
class Trace:
    """Where the steepest change lies in each column of a strip.

    Attributes
    ----------
    d_um : ndarray, shape (S,)
        NaN where nothing stands out from the noise.
    strength : ndarray, shape (S,)
        Steepness, all channels together, in linear light per sample.
    noise : float
        Steepness that the background alone reaches.
    """

    d_um: Array
    strength: Array
    noise: float


def steepness(strip: Strip) -> NDArray[np.float32]:
    """Steepness across the edge, shape (D, S): the three channels together, averaged over a short window."""
    light = np.nan_to_num(strip.light)
    smooth = cv2.GaussianBlur(cv2.blur(light, (WINDOW_COLUMNS, 1)), (0, 0), sigmaX=0.01, sigmaY=1.2)
    slope = np.gradient(smooth, axis=0)
    steep = np.sqrt((slope**2).sum(axis=2))
    # the frame's own border is not an edge; nor is anything within the smoothing of it
    unseen = cv2.dilate(np.isnan(strip.light[..., 0]).astype(np.uint8), np.ones((9, 3), np.uint8)) > 0
    steep[unseen] = 0.0
    return np.asarray(steep, np.float32)


def trace_edge(strip: Strip, search_um: tuple[float, float], *, around_um: Array | None = None) -> Trace:
    """Find the steepest change in each column, as one unbroken line along the strip.

    Parameters
    ----------
    strip : Strip
    search_um : (float, float)
        Range of d to look in, about `around_um` (0 when not given).

    Notes
    -----
    One column is too noisy on its own (and behind a worn edge's lamp line the border of the coating can be as
    steep): the line is the path of greatest total steepness that moves by at most one sample per column,
    found by dynamic programming, then refined in each column by a parabola through the peak near it.
    """
    steep = steepness(strip)
    relative = strip.d_um[:, None] - (0.0 if around_um is None else around_um[None, :])
    searched = np.where((relative >= search_um[0]) & (relative <= search_um[1]), steep, 0.0).astype(np.float32)
    noise = float(np.median(steep[steep > 0])) if (steep > 0).any() else 0.0
    rows = steepest_path(cv2.blur(searched, (9, 1)), bend=noise)
    columns = np.arange(steep.shape[1])
    near = np.clip(rows[None, :] + np.arange(-2, 3)[:, None], 1, steep.shape[0] - 2)
    k = near[np.argmax(searched[near, columns[None, :]], axis=0), columns]
    before, here, after = searched[k - 1, columns], searched[k, columns], searched[k + 1, columns]
    curvature = before - 2.0 * here + after
    shift = np.clip(0.5 * (before - after) / np.where(curvature < 0, curvature, -1.0), -0.5, 0.5)
    step_um = strip.d_um[1] - strip.d_um[0]
    found = here > 3.0 * noise
    d_um = np.where(found, strip.d_um[k] + shift * step_um, np.nan)
    return Trace(d_um, np.where(found, here, 0.0), noise)


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
    score = gain[:, 0].astype(np.float64)
    steps = np.empty((width, height), np.int8)
    up, down = np.empty(height), np.empty(height)
    for column in range(1, width):
        up[0], up[1:] = -np.inf, score[:-1] - bend
        down[-1], down[:-1] = -np.inf, score[1:] - bend
        step = np.where(up > score, -1, 0)
        best = np.maximum(up, score)
        step[down > best] = 1
        steps[column] = step
        score = np.maximum(best, down) + gain[:, column]
    rows = np.empty(width, np.intp)
    rows[-1] = int(np.argmax(score))
    for column in range(width - 1, 0, -1):
        rows[column - 1] = rows[column] + steps[column, rows[column]]
    return rows
