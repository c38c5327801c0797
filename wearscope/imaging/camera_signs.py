"""What a camera does to a picture before it writes it, as a graticule's lines show it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.float32]

STRONG_HALO = 0.04
"""Share of the lines' depth from which it is named: drawn and rendered graticules as a sensor sees them, through a
mosaic, noise reduction or JPEG have at most 0.015, sharpened or enlarged ones 0.05 to 0.09."""

BESIDE_LINE, BETWEEN_LINES = (
    0.18,
    0.3,
)  # of the spacing from a line: where its halo ends, and plain ground begins
FINE = 8  # parts of a pixel that profiles are laid over each other to
LEAST_DEEP = 0.5  # of the deepest dip in its band, of a dip that is a line
LEAST_LINES = 30  # in all bands


def line_halo(codes: Codes, pitch_px: float, normal_deg: float) -> float:
    """How far the ground beside a graticule's lines is brighter than between them, as sharpening makes it.

    Parameters
    ----------
    codes : ndarray of float32, shape (H, W)
        Of green.
    pitch_px : float
        Distance of the lines.
    normal_deg : float
        Direction of their normal, from +x towards +y.

    Returns
    -------
    float
        As a share of the lines' depth; NaN where they are not dark or too few.
    """
    height, width = codes.shape
    turn = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), normal_deg, 1.0)
    upright = cv2.warpAffine(
        codes, turn, (width, height), flags=cv2.INTER_CUBIC, borderValue=(float("nan"),) * 4
    )
    high, reach = max(4, round(pitch_px / 2)), 0.5 * pitch_px
    offset = np.arange(-int(FINE * reach), int(FINE * reach) + 1) / FINE
    profiles = []
    for top in range(0, height - high, high):
        band = upright[top : top + high].mean(axis=0).astype(float)
        profiles += _line_profiles(band, pitch_px, offset)
    if len(profiles) < LEAST_LINES:
        return float("nan")
    mean = np.median(profiles, axis=0)
    away = np.abs(offset) / pitch_px
    ground = float(np.median(mean[away > BETWEEN_LINES]))
    depth = ground - float(mean[away < BESIDE_LINE].min())
    beside = float(mean[away < BETWEEN_LINES].max())
    return (beside - ground) / depth if depth > 0 else float("nan")


def _line_profiles(band: Array, pitch_px: float, offset: Array) -> list[Array]:
    """Profiles about each dark line of a band, the slope of the ground taken out, each of depth 1."""
    level = np.nanmedian(band) if np.isfinite(band).any() else 0.0
    dips = np.where(np.isfinite(band), level - band, -np.inf)
    inner = np.arange(1, len(band) - 1)
    bottoms = inner[(dips[inner] >= dips[inner - 1]) & (dips[inner] > dips[inner + 1])]
    bottoms = bottoms[dips[bottoms] > LEAST_DEEP * max(float(dips.max()), 1e-9)]
    found = []
    for bottom in bottoms:
        left, centre, right = band[bottom - 1 : bottom + 2]
        bend = left - 2 * centre + right
        at = bottom + (0.5 * (left - right) / bend if bend > 0 else 0.0)
        if at + offset[0] < 0 or at + offset[-1] > len(band) - 1:
            continue
        profile = np.interp(at + offset, np.arange(len(band)), band)
        far = np.abs(offset) > BETWEEN_LINES * pitch_px
        if not np.isfinite(profile).all():
            continue
        ground = np.polyval(np.polyfit(offset[far], profile[far], 1), offset)
        depth = float((ground - profile).max())
        if depth > 0:
            found.append((profile - ground) / depth)
    return found
