"""Finding ruled lines: in which directions they may run, and where each band of the picture shows one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from wearscope.imaging.calibration.picture import Array, Bands, Picture, filled, no_scale

Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

ENOUGH_POINTS = 20_000
"""More points on lines make no scale better: at 0.1 px each the mean is then good to 1e-3 px."""

# Chosen, no source; tests/imaging/test_scale.py holds what must be read by them and what refused.
DIRECTION_SAMPLES = 2e6  # of the picture: enough for a histogram of 180 bins
LEAST_PEAK = 0.1, 1.2  # of the highest bin of the histogram, and times its median
LEAST_HALFWAY = 0.27  # of the highest bin, 45 or 135 degrees off it
MOST_PEAKS = 4
EVEN_PLACE = 0.15  # of the spacing, by which a regular neighbour may be off
LEAST_CURVATURE = 0.3  # of a regular line's


def directions(picture: Picture) -> list[float]:
    """Find the directions across which a picture changes most.

    Parameters
    ----------
    picture : ndarray, shape (H, W)

    Returns
    -------
    list of float
        Radians from +x towards +y, strongest first.
    """
    step = max(1, int(np.sqrt(picture.size / DIRECTION_SAMPLES)))
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
    gx, gy = (
        0.5 * (smooth[1:-1, 2:] - smooth[1:-1, :-2])[::step, ::step].ravel(),
        0.5 * (smooth[2:, 1:-1] - smooth[:-2, 1:-1])[::step, ::step].ravel(),
    )
    power = gx * gx + gy * gy
    typical = float(np.median(power))
    # where most of the picture is plain, its noise says nothing of the direction
    strong = power > (4 * typical if typical < power.mean() / 8 else 0.0)
    gx, gy, power = gx[strong], gy[strong], power[strong]
    doubled = np.arctan2(2 * gx * gy, gx * gx - gy * gy)
    # a root tames glare and dirt, which are few but strong
    weight = np.sqrt(power)
    if not weight.size:
        return []
    bins = (doubled * (90 / np.pi)).astype(np.int64) % 180
    histogram = np.bincount(bins, weight, 180)
    peaks = _histogram_peaks(ndimage.uniform_filter1d(histogram, 3, mode="wrap"))
    return [_mean_direction(histogram, peak) for peak in peaks]


def _histogram_peaks(histogram: NDArray[Any]) -> list[int]:
    """Bins that top everything within 10 bins, highest first, then those halfway off the highest.

    Where the lines of a grid lie close together, most slopes point halfway between its two directions, but
    many still point along them; those of a chessboard do not, and its diagonals are no lines.
    """
    top = histogram >= ndimage.maximum_filter1d(histogram, 21, mode="wrap")
    tall = histogram > max(LEAST_PEAK[0] * histogram.max(), LEAST_PEAK[1] * float(np.median(histogram)))
    peaks = sorted(np.flatnonzero(top & tall).tolist(), key=lambda k: -histogram[k])
    halfway = [(peak + turn) % 180 for peak in peaks[:1] for turn in (45, 135)]
    return peaks[:MOST_PEAKS] + [k for k in halfway if histogram[k] > LEAST_HALFWAY * histogram.max()]


def _mean_direction(histogram: NDArray[Any], peak: int) -> float:
    """Mean of the directions within 3 bins of a peak, rad."""
    off = np.arange(-3, 4)
    return float(np.deg2rad(peak + 0.5 + np.average(off, weights=histogram[(peak + off) % 180] + 1e-30)))


@dataclass(frozen=True)
class LinePoints:
    """Places in bands where a line seems to be, sorted by band and place.

    Attributes
    ----------
    u_px : ndarray, shape (M,)
        Across the ruling.
    band : ndarray of int, shape (M,)
    v_px : ndarray, shape (M,)
        Along the lines.
    height_px : float
        From band to band, px.
    """

    u_px: Array
    band: Ints
    v_px: Array
    height_px: float

    def neighbours(self, shift_u: float, shift_band: int, within: float) -> Ints:
        """Find the point nearest to where each one's neighbour should be.

        Parameters
        ----------
        shift_u : float
            Of the place, px.
        shift_band : int
        within : float
            How far off it may lie, px.

        Returns
        -------
        ndarray of int, shape (M,)
            Its index; -1 where there is none.
        """
        if not self.u_px.size:
            return np.zeros(0, np.int64)
        apart = 4 * (np.ptp(self.u_px) + abs(shift_u) + within + 1)
        key = self.band * apart + (self.u_px - self.u_px.min())
        want = key + shift_band * apart + shift_u
        right = np.clip(np.searchsorted(key, want), 0, key.size - 1)
        left = np.maximum(right - 1, 0)
        near = np.where(np.abs(key[left] - want) < np.abs(key[right] - want), left, right)
        return np.where(np.abs(key[near] - want) <= within, near, -1)

    def thinned(self) -> LinePoints:
        """Take blocks of eight bands at equal distances, if all of them hold more points than are needed.

        Returns
        -------
        LinePoints
        """
        every = 1 + self.u_px.size // (4 * ENOUGH_POINTS)
        return self.only(self.band // 8 % every == 0)

    def only(self, keep: Mask) -> LinePoints:
        """Take some of the points.

        Parameters
        ----------
        keep : ndarray of bool, shape (M,)

        Returns
        -------
        LinePoints
        """
        return LinePoints(self.u_px[keep], self.band[keep], self.v_px[keep], self.height_px)


def relative_curvature(bands: Bands, spacing: float, width: float) -> NDArray[np.float32]:
    """Curvature of profiles relative to the light there.

    Parameters
    ----------
    bands : Bands
    spacing, width : float
        Of the lines, px.

    Returns
    -------
    ndarray of float32, shape (B, U)
        Per px², positive on lines; 0 off the picture.
    """
    values = filled(bands)
    # over a division each way, so that a line of the other direction does not darken a whole band
    size = 2 * round(spacing) + 1, 2 * round(spacing / bands.height_px) + 1
    level = cv2.blur(values, size, borderType=cv2.BORDER_REPLICATE)
    bent = _curvature(values, max(1.0, 0.4 * width)) / np.maximum(level, 0.2 * level.mean())
    bent[~np.isfinite(bands.values)] = 0
    return np.asarray(-bent if sum_of_cubes(bent) < 0 else bent, np.float32)


def find_line_points(bands: Bands, bent: NDArray[np.float32], spacing: float) -> LinePoints:
    """Find the lines of each band, as peaks of its curvature.

    Parameters
    ----------
    bands : Bands
    bent : ndarray, shape (B, U)
        From `relative_curvature`.
    spacing : float
        Of the lines, px.

    Returns
    -------
    LinePoints

    Raises
    ------
    NotRuledError
        If nothing in it has neighbours at that spacing.
    """
    row, col = np.nonzero(
        (bent[:, 1:-1] > bent[:, :-2]) & (bent[:, 1:-1] >= bent[:, 2:]) & (bent[:, 1:-1] > 0)
    )
    col = col + 1
    height = bent[row, col]
    u = bands.u0_px + col + vertex(bent[row, col - 1], height, bent[row, col + 1])
    every = LinePoints(u, row.astype(np.int64), bands.v_px[row], bands.height_px)
    regular = (every.neighbours(spacing, 0, EVEN_PLACE * spacing) >= 0) & (
        every.neighbours(-spacing, 0, EVEN_PLACE * spacing) >= 0
    )
    if not regular.any():
        raise no_scale("nothing repeats evenly")
    return every.only(
        height > LEAST_CURVATURE * _weighted_median(height[regular], height[regular] ** 2)
    ).thinned()


def vertex(left: ArrayLike, mid: ArrayLike, right: ArrayLike) -> NDArray[Any]:
    """Find the top of the parabola through three neighbouring samples.

    Parameters
    ----------
    left, mid, right : array_like

    Returns
    -------
    ndarray
        From the middle one, in samples; at most half of one.
    """
    bend = np.asarray(left) - 2 * np.asarray(mid) + np.asarray(right)
    return np.clip(0.5 * (np.asarray(left) - right) / np.where(bend == 0, -1.0, bend), -0.5, 0.5)


def _curvature(values: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """Second derivative along the rows, smoothed by a Gaussian."""
    half = int(np.ceil(4 * sigma_px))
    delta = np.zeros(2 * half + 1)
    delta[half] = 1
    kernel = ndimage.gaussian_filter1d(delta, sigma_px, order=2, mode="constant")
    bent = cv2.sepFilter2D(values, cv2.CV_32F, kernel, np.ones(1), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(bent, np.float32)


def sum_of_cubes(values: NDArray[Any]) -> float:
    """Sum of cubes: its sign is that of the strong values.

    Parameters
    ----------
    values : ndarray

    Returns
    -------
    float
    """
    flat = values.ravel()
    return float(np.dot(flat * flat, flat))


def _weighted_median(values: NDArray[Any], weights: NDArray[Any]) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])
