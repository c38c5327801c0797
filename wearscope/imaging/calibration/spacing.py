"""The spacing of what repeats across a picture, and whether finer lines stand between the divisions."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from wearscope.imaging.calibration.fit import NumberFunction
from wearscope.imaging.calibration.lines import vertex
from wearscope.imaging.calibration.numbering import NumberedPoints
from wearscope.imaging.calibration.picture import Array, Bands
from wearscope.metrology.robust import scatter

MIN_PITCH_PX = 6.0
"""Closer lines run into each other behind the blur of an ordinary microscope."""

SLOPE_PX = 1.2
"""Standard deviation of the smoothing under which slopes are taken: that of a sharp line's own blur."""

# Chosen, no source; tests/imaging/test_scale.py holds what must be read by them and what refused.
LEAST_PAIRS = 0.02  # of the pairs at no lag; further out the correlation is noise
LEAST_REPEAT = 0.3  # of the strongest repeat, for a peak of the correlation to be one
SURE_REPEAT = 6.0  # standard deviations of the correlation of noise
LEAST_SEEN = 0.6  # of a place's bands, for it to be on the picture
PARTS = 40  # of a division, at which finer lines are sought
MOST_DIVISIONS = 30  # that are read for them
CLEAR_OF_LINE = 0.08  # of a division: nearer is the line itself
LEAST_BETWEEN, SURE_BETWEEN = 0.1, 6.0  # of a main line's curvature, and times the noise, of a line between
SAME_PART = 0.04  # of a division, by which a line may be off an equal part


def likely_spacings(bands: Bands, most: int = 4) -> list[tuple[float, float]]:
    """Find the spacings at which profiles repeat.

    Parameters
    ----------
    bands : Bands
    most : int
        So many of them.

    Returns
    -------
    list of (float, float)
        Spacing and width of a line, px, smallest first.

    Notes
    -----
    The correlation is that of the slopes: a line's two sides have opposite slopes, so between the multiples
    of the spacing it is negative or nil, and the first peak is the smallest division.
    """
    slope = ndimage.gaussian_filter1d(bands.values.astype(float), SLOPE_PX, axis=1, order=1, truncate=3)
    seen = np.isfinite(slope)
    slope[~seen] = 0
    rms = np.sqrt((slope**2).sum() / max(1, seen.sum()))
    if rms == 0:
        return []
    slope = np.tanh(slope / (2 * rms))  # the rim of the field and dirt are stronger than any line
    n = slope.shape[1]
    total, pairs = _lagged(slope), _lagged(seen.astype(float))
    lags = min(n // 3, int(np.flatnonzero(pairs > LEAST_PAIRS * pairs[0])[-1]))
    r = total[:lags] / np.maximum(pairs[:lags], 1)
    r /= r[0]
    inner = np.arange(1, lags - 1)
    peak = inner[(r[inner] > r[inner - 1]) & (r[inner] >= r[inner + 1]) & (inner >= MIN_PITCH_PX - 1)]
    chance = np.sqrt(8 / seen.sum())  # smoothing makes about eight neighbours one reading
    peak = peak[r[peak] > max(SURE_REPEAT * chance, LEAST_REPEAT * r[peak].max(initial=0))]
    tops = [float(k + vertex(r[k - 1], r[k], r[k + 1])) for k in peak]
    # the two sides of a line are the strongest pair of opposite slopes within half a spacing
    return [(p, float(2 + np.argmin(r[2 : int(p / 2) + 1]))) for p in tops if p >= MIN_PITCH_PX][:most]


def _lagged(rows: NDArray[Any]) -> Array:
    """Sum over rows of each row's correlation with itself."""
    n = fft.next_fast_len(2 * rows.shape[1], real=True)
    spectrum = fft.rfft(rows.astype(np.float32), n, axis=1)
    return np.asarray(fft.irfft((np.abs(spectrum) ** 2).sum(axis=0, dtype=np.float64), n))


def parts_between(
    bands: Bands, bent: NDArray[np.float32], fit: NumberFunction, lines: NumberedPoints
) -> Array:
    """Find at which parts of a division finer lines stand, in whichever bands.

    Parameters
    ----------
    bands : Bands
    bent : ndarray, shape (B, U)
        Their curvature, from `relative_curvature`.
    fit : NumberFunction
    lines : NumberedPoints
        What it was fitted to.

    Returns
    -------
    ndarray, shape (P,)
        Multiples of 1 / `PARTS`.

    Notes
    -----
    Read as the median over the divisions, so that text, specks and single lines do not count, and averaged
    over three bands, so that a line has to have some length.
    """
    numbers = np.unique(lines.number)
    chosen = numbers[np.linspace(0, numbers.size - 2, min(numbers.size - 1, MOST_DIVISIONS)).astype(int)]
    if chosen.size < 4:
        return np.zeros(0)
    parts = np.arange(PARTS) / PARTS
    place = fit.place((chosen[:, None] + parts)[None], bands.v_px[:, None, None])
    row = np.broadcast_to(np.arange(bands.v_px.size)[:, None, None], place.shape)
    seen = ndimage.map_coordinates(bent, [row, place - bands.u0_px], order=1, mode="constant", cval=np.nan)
    on_picture = np.isfinite(seen).mean(axis=1) > LEAST_SEEN
    seen[~np.broadcast_to(on_picture[:, None], seen.shape)] = 0
    middling = ndimage.uniform_filter1d(np.nanmedian(seen, axis=1), 3, axis=0)
    # a median scatters 1.25 times as much as a mean
    noise = ndimage.uniform_filter1d(1.25 * scatter(seen, 1) / np.sqrt(chosen.size), 3, axis=0) / np.sqrt(3)
    main = np.percentile(middling[:, 0][middling[:, 0] > 0.2 * middling[:, 0].max()], 50)
    stands = (middling > LEAST_BETWEEN * main) & (middling > SURE_BETWEEN * noise)
    # a row of finer lines holds the coarse ones too; out of focus, dark and bright may be exchanged
    stands &= middling[:, :1] > 0.5 * middling
    stands &= (middling >= np.roll(middling, 1, axis=1)) & (middling > np.roll(middling, -1, axis=1))
    return np.asarray(parts[stands.any(axis=0) & (parts > CLEAR_OF_LINE) & (parts < 1 - CLEAR_OF_LINE)])


def divisor(parts: Array) -> int:
    """Count the equal parts into which the lines between divide a division.

    Parameters
    ----------
    parts : ndarray, shape (P,)
        From `parts_between`.

    Returns
    -------
    int
        1 if they are not equal.
    """
    for n in (2, 4, 5, 10):
        off = np.abs(parts[:, None] - np.arange(1, n) / n) < SAME_PART
        if parts.size and off.any(axis=0).all() and off.any(axis=1).all():
            return n
    return 1
