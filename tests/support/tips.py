"""Outlines of tips made exactly, and their fit."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from wearscope.wear.tip import fit_tip

UM = 1.5


def arc_tip(radius, wedge_deg, length, step=0.8):
    """Points every `step` along flank, arc and flank, apex at the origin, tip up, x to the right, y down."""
    half = np.radians(wedge_deg / 2)
    side, turn = radius / np.tan(half), np.pi / 2 - half
    t = np.arange(side, length, step)
    flank = np.column_stack([t * np.sin(half), t * np.cos(half)])
    angle = np.linspace(-turn, turn, max(int(2 * turn * radius / step), 3))
    arc = np.column_stack([radius * np.sin(angle), radius / np.sin(half) - radius * np.cos(angle)])
    return np.concatenate([flank[::-1] * [-1, 1], arc, flank])


def bezier_tip(a, b, weight, wedge_deg, length, step=0.8):
    """As `arc_tip` with a conic that leaves the left face at `a` and the right one at `b`."""
    half = np.radians(wedge_deg / 2)
    left, right = np.array([-np.sin(half), np.cos(half)]), np.array([np.sin(half), np.cos(half)])
    t = np.linspace(0, 1, int((a + b) / step))[:, None]
    below = (1 - t) ** 2 + 2 * weight * t * (1 - t) + t**2
    tip = ((1 - t) ** 2 * a * left + t**2 * b * right) / below
    return np.concatenate(
        [np.arange(a, length, step)[::-1, None] * left, tip, np.arange(b, length, step)[:, None] * right]
    )


def fitted(points, *, turned_deg=0.0, at=(300.0, 200.0), wedge_deg=60.0, rough=(2.0, -1.5), **how):
    """Fit to points turned clockwise as seen, from a start that is off by 2 degrees and some pixels."""
    c, s = np.cos(np.radians(turned_deg)), np.sin(np.radians(turned_deg))
    placed = points @ np.array([[c, s], [-s, c]]) + at
    return fit_tip(
        placed * UM,
        apex_um=(np.array(at) + rough) * UM,
        bisector_angle=np.radians(90 + turned_deg + 2),
        wedge_angle=np.radians(wedge_deg - 2),
        step_um=UM,
        **how,
    )


def noisy(points, noise, correlated, seed):
    """Points moved at random across the outline, neighbours alike over `correlated` points."""
    rng = np.random.default_rng(seed)
    along = np.gradient(points, axis=0)
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
    move = rng.normal(size=len(points))
    move = gaussian_filter1d(move, correlated) if correlated else move
    return points + (noise * move / move.std())[:, None] * normal
