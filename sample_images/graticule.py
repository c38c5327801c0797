"""Draw a photo of a ruled scale: lines of exactly known place, each pixel covered exactly as far as it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from edge_model import Floats


@dataclass(frozen=True)
class Graticule:
    """A ruled scale with every fifth line longer and every tenth longest, as the camera sees it."""

    width_px: int
    height_px: int
    um_per_px: float
    division_um: float = 100.0
    line_width_um: float = 14.0
    tilt_deg: float = 0.8
    """Positive turns the lines clockwise from upright."""
    phase_px: float = 7.3
    """Place of a line from the middle of the picture."""
    glass: float = 0.75
    chrome: float = 0.05


def _half_plane(distance_px: Floats, tilt: float) -> Floats:
    """Return how much of a unit pixel lies within a half plane, its centre `distance_px` inside the border.

    The pixel's extent across the border is a trapezoid, the convolution of two boxes; this is its integral.
    """
    a, b = abs(np.cos(tilt)), abs(np.sin(tilt))

    def ramp(u: Floats) -> Floats:
        return np.clip(u, 0, None) ** 2 / 2

    d, outer, inner = distance_px, (a + b) / 2, (a - b) / 2
    return (ramp(d + outer) - ramp(d + inner) - ramp(d - inner) + ramp(d - outer)) / (a * b)


def draw(graticule: Graticule) -> Floats:
    """Return the light that comes through the scale, shape (height, width, 3)."""
    g = graticule
    row, column = np.mgrid[: g.height_px, : g.width_px].astype(float)
    u, v = column - (g.width_px - 1) / 2, row - (g.height_px - 1) / 2
    tilt = np.radians(g.tilt_deg)
    across = u * np.cos(tilt) + v * np.sin(tilt) - g.phase_px
    along = v * np.cos(tilt) - u * np.sin(tilt)

    pitch = g.division_um / g.um_per_px
    number = np.round(across / pitch)
    away = across - number * pitch
    half = g.line_width_um / g.um_per_px / 2
    line = _half_plane(half - np.abs(away), tilt)
    length = np.where(number % 10 == 0, 0.44, np.where(number % 5 == 0, 0.34, 0.25)) * g.height_px
    foot = 0.22 * g.height_px
    upright = tilt + np.pi / 2
    covered = line * _half_plane(foot - along, upright) * _half_plane(along - foot + length, upright)

    uneven = 1 + 0.16 * u / g.width_px - 0.22 * v / g.height_px - 0.2 * (u**2 + v**2) / g.width_px**2
    light = (g.glass + (g.chrome - g.glass) * covered) * uneven
    return light[:, :, None] * np.array([1.0, 0.985, 0.95])
