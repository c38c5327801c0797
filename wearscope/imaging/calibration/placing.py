"""The exact place of every point on a line, by the picture's own mean line shape."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from wearscope.imaging.calibration.lines import Ints, Mask
from wearscope.imaging.calibration.numbering import (
    MIN_LINES,
    NumberedPoints,
    powers,
    weighted_least_squares,
)
from wearscope.imaging.calibration.picture import Array, Bands, filled, no_scale
from wearscope.metrology.robust import scatter

# Chosen, no source; tests/imaging/test_scale.py holds what must be read by them and what refused.
WINDOW = 0.45  # of the spacing each way: a window holds one line
ROUNDS = 3  # each takes off all but some hundredth of the shift
MOST_MOVED = 0.2  # of the spacing: a point that goes further has found another line
STRAY = 2.0  # robust standard deviations of the light, beyond which a point does not count
FAINT = 0.1  # of the median line's amplitude


def place_points(bands: Bands, lines: NumberedPoints, spacing: float, width: float) -> NumberedPoints:
    """Place each point by least squares with the mean line shape, on a straight local background.

    Parameters
    ----------
    bands : Bands
    lines : NumberedPoints
        Roughly placed.
    spacing, width : float
        Of the lines, px.

    Returns
    -------
    NumberedPoints
        Those whose line is seen well, with their standard deviations.

    Raises
    ------
    NotRuledError
        If too few of the lines are.
    """
    half = min(WINDOW * spacing, 2 * width + 3)
    t = np.linspace(-half, half, 2 * int(np.clip(half, 4, 40)) + 1)
    spline = ndimage.spline_filter1d(filled(bands).astype(float), order=3, axis=1, mode="nearest")
    inside = _window_seen(bands, lines, half)
    light = _light(_sample(spline, bands, lines.band, lines.u_px, t), lines, t)
    u = lines.u_px
    for _ in range(ROUNDS):
        windows = _sample(spline, bands, lines.band, u, t) / light
        shift, u_std = _shift_of_shape(windows, inside, t)
        u = u + np.clip(shift, -0.25 * half, 0.25 * half)
    keep = inside & (np.abs(u - lines.u_px) < MOST_MOVED * spacing) & np.isfinite(u_std)
    if np.unique(lines.number[keep]).size < MIN_LINES:
        raise no_scale("the lines are too faint", 2)
    return NumberedPoints(u, lines.v_px, lines.band, lines.number, lines.height_px, u_std).only(keep)


def _light(windows: Array, lines: NumberedPoints, t: Array) -> Array:
    """How the light changes over each point's window, relative to its middle, (M, T).

    Light that falls off to the sides shifts each line towards the bright side by its mean square half width
    times the relative slope of the light. The light is read where the picture is bright: beside dark lines,
    on bright ones.
    """
    beside, on = windows[:, [0, 1, -2, -1]].mean(axis=1), windows[:, np.abs(t) <= 0.2 * t[-1]].mean(axis=1)
    level = beside if np.median(beside) > np.median(on) else on
    size_u, size_v = float(np.ptp(lines.u_px)) / 2, float(np.ptp(lines.v_px)) / 2 + lines.height_px
    u, v = (lines.u_px - lines.u_px.mean()) / size_u, (lines.v_px - lines.v_px.mean()) / size_v
    basis = powers(u, v, 6)
    log_level = np.log(np.maximum(level, 0.05 * np.median(level)))
    weight = np.ones(u.size)
    for _ in range(5):
        # the ends of lines, and where others cross, are lighter or darker for no reason of the light
        coef = weighted_least_squares(basis, log_level, weight)
        rest = np.abs(log_level - basis @ coef)
        weight = np.where(rest < STRAY * scatter(rest, about=0.0) + 1e-9, 1.0, 1e-6)
    slope = (coef[1] + coef[3] * v + 2 * coef[4] * u) / size_u
    return np.asarray(1 + np.clip(slope[:, None] * t, -0.5, 0.5))


def _window_seen(bands: Bands, lines: NumberedPoints, half: float) -> Mask:
    """Tell which points have their whole window on the picture."""
    seen = np.isfinite(bands.values)
    left = np.floor(lines.u_px - bands.u0_px - half - 2).astype(np.int64)
    right = np.ceil(lines.u_px - bands.u0_px + half + 2).astype(np.int64)
    inside = (left >= 0) & (right < seen.shape[1])
    edge = np.clip(left, 0, seen.shape[1] - 1), np.clip(right, 0, seen.shape[1] - 1)
    return np.asarray(inside & seen[lines.band, edge[0]] & seen[lines.band, edge[1]])


def _sample(spline: Array, bands: Bands, band: Ints, u: Array, t: Array) -> Array:
    """Profiles at u + t, (M, T)."""
    at = u[:, None] + t[None, :] - bands.u0_px
    row = np.broadcast_to(band[:, None], at.shape)
    return np.asarray(ndimage.map_coordinates(spline, [row, at], order=3, mode="nearest", prefilter=False))


def _shift_of_shape(windows: Array, good: Mask, t: Array) -> tuple[Array, Array]:
    """How far each window's line lies from its middle, and the standard deviation of that, px.

    Each window is taken as a + b t + A f(t − δ), f the mean of all windows; to first order in δ this is
    linear.
    """
    trend = np.stack([np.ones_like(t), t], axis=1)
    flat = windows - windows @ np.linalg.pinv(trend).T @ trend.T
    size = np.maximum(flat.std(axis=1, keepdims=True), 1e-12)
    shape = np.median((flat / size)[good], axis=0)
    slope = np.gradient(shape, t)
    design = np.column_stack([trend, shape, slope])
    inverse = np.linalg.pinv(design)
    coef = windows @ inverse.T
    rest = windows - coef @ design.T
    noise = np.sqrt((rest**2).sum(axis=1) / (t.size - 4))
    amplitude = coef[:, 2]
    usable = amplitude > FAINT * np.median(amplitude[good])
    amplitude = np.where(usable, amplitude, np.nan)
    u_std = noise * np.linalg.norm(inverse[3]) / amplitude
    return np.nan_to_num(-coef[:, 3] / amplitude), u_std
