"""What has a line as sharp as an edge and is no tool: a hair or a thread before a pale ground, and a ruler."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from wearscope.imaging.edge_line import EdgeLine
from wearscope.imaging.strip import cut_strip
from wearscope.light.strip import Strip, grey, median_of_seen

Array = NDArray[np.float64]

# Pixels of the photo reduced to this side
SIDE_PX = 1024
BEHIND_PX, INSIDE_PX = (-30.0, -8.0), (3.0, 60.0)  # where ground and face are read; chosen
# A face no wider than this, with the same ground beyond it, carries nothing that is measured; and how much of the
# step from the ground may be left there, over how much of its depth. Chosen
NARROW_PX, AS_BEFORE, STAYS_PX = 32.0, 0.12, 12.0
# Likeness of a face to itself one and two divisions further on, the shortest of them: on 8 drawn rulers through
# several cameras, and on none of 97 photographs of real and rendered tools. Chosen
RULED, RULED_TWICE, SHORTEST_PX = 0.7, 0.6, 8
SHADING_PX = 60.0  # along the edge; what changes more slowly is shading


def is_impostor(light: NDArray[np.float32], line: EdgeLine) -> bool:
    """Whether a line is one side of a dark hair, or the edge of something ruled.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    line : EdgeLine
        Tool inward.

    Returns
    -------
    bool
    """
    pitch_px = max(1.0, max(light.shape[:2]) / SIDE_PX)
    strip = cut_strip(light, line, pitch_px, depth_um=(BEHIND_PX[0] * pitch_px, INSIDE_PX[1] * pitch_px))
    return is_narrow(strip, pitch_px) or is_ruled(strip, pitch_px)


def is_narrow(strip: Strip, pitch_px: float) -> bool:
    """Whether a narrow dark stripe lies inside a line, and beyond it what lies outside the line.

    A narrow bright one before a dark ground may be the land of a flute, with the gullet behind it.

    Parameters
    ----------
    strip : Strip
        Lengths in pixels of the photo.
    pitch_px : float
        Those to one of the reduced photo.

    Returns
    -------
    bool
    """
    depth_px = strip.d_um / pitch_px
    in_frame = np.isfinite(strip.light[..., 0]).any(axis=1)
    level = median_of_seen(strip.light)
    behind = level[(depth_px > BEHIND_PX[0]) & (depth_px < BEHIND_PX[1]) & in_frame]
    inside = (depth_px > 0.0) & (depth_px < NARROW_PX + STAYS_PX) & in_frame
    if len(behind) == 0 or inside.sum() < STAYS_PX:
        return False
    ground = np.median(behind, axis=0)
    apart = np.abs(level - ground).max(axis=1)
    most, at = float(apart[inside].max()), int(np.where(inside, apart, 0.0).argmax())
    if level[at].mean() > ground.mean():
        return False
    beyond = (depth_px >= NARROW_PX) & inside
    return bool(beyond.any()) and float(apart[beyond].max()) < AS_BEFORE * most


def is_ruled(strip: Strip, pitch_px: float) -> bool:
    """Whether lines at equal distances stand along a line.

    Parameters
    ----------
    strip, pitch_px
        As of `is_narrow`.

    Returns
    -------
    bool
    """
    depth_px = strip.d_um / pitch_px
    face = grey(strip.light[(depth_px > INSIDE_PX[0]) & (depth_px < INSIDE_PX[1])])
    seen = np.isfinite(face).all(axis=0)
    along = np.asarray(face[:, seen].mean(axis=0), float)
    if len(along) < 16 * SHORTEST_PX:
        return False
    along = along - gaussian_filter1d(along, SHADING_PX, mode="nearest")
    likeness = _likeness(along)
    rises = (likeness[1:-1] > likeness[:-2]) & (likeness[1:-1] >= likeness[2:])
    peaks = np.flatnonzero(rises) + 1
    peaks = peaks[(peaks >= SHORTEST_PX) & (2 * peaks + 2 < len(likeness))]
    return any(
        likeness[lag] > RULED and likeness[2 * lag - 2 : 2 * lag + 3].max() > RULED_TWICE for lag in peaks
    )


def _likeness(values: Array) -> Array:
    """Correlation of values with themselves further on, up to half their length."""
    values = values - values.mean()
    count = len(values)
    spectrum = np.abs(np.fft.rfft(values, 2 * count)) ** 2
    sums = np.fft.irfft(spectrum)[: count // 2]
    # fewer pairs further on
    return np.asarray(sums / np.arange(count, count - len(sums), -1) / max(float(values.var()), 1e-12))
