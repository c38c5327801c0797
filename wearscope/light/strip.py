"""The strip: a photo resampled along the cutting edge, and what was found on it.

Everything from here on works in microns and knows nothing of pixels or of which way up the photo was.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

USED, UNUSED, NEITHER = 1, -1, 0


@dataclass(frozen=True)
class Strip:
    """A photo straightened along a reference edge line.

    Attributes
    ----------
    light : ndarray of float32, shape (D, S, 3)
        Linear light, 0 to 1; NaN where the photo does not reach.
    s_um : ndarray, shape (S,)
        Distance along the edge, evenly spaced.
    d_um : ndarray, shape (D,)
        Distance into the tool from the reference edge line, evenly spaced; negative is background.
    um_per_px : float
        Scale of the photo the strip was cut from.
    """

    light: NDArray[np.float32]
    s_um: NDArray[np.float64]
    d_um: NDArray[np.float64]
    um_per_px: float

    def between(self, first_um: float, last_um: float) -> Strip:
        """The rows between two depths: whoever needs no others is quicker with them alone.

        Parameters
        ----------
        first_um : float
        last_um : float

        Returns
        -------
        Strip
        """
        rows = slice(*np.searchsorted(self.d_um, [first_um, last_um]))
        return replace(self, light=self.light[rows], d_um=self.d_um[rows])


def dark_unseen(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """A copy of some light with 0 where the photo does not reach.

    Parameters
    ----------
    light : ndarray of float32

    Returns
    -------
    ndarray of float32, of the same shape
    """
    out = light.copy()
    # numpy.nan_to_num goes through it five times
    cv2.patchNaNs(out, 0.0)
    return out


def over_channels(light: NDArray[np.float32], weight: float = 1.0) -> NDArray[np.float32]:
    """Sum of the three channels times a weight, shape (D, S) for light of shape (D, S, 3).

    Parameters
    ----------
    light : ndarray of float32, shape (D, S, 3)
    weight : float

    Returns
    -------
    ndarray of float32, shape (D, S)
    """
    # numpy takes ten times as long over so short an axis
    return np.asarray(cv2.transform(light, np.full((1, 3), weight, np.float32)), np.float32)


def grey(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean of the three channels, shape (D, S).

    Parameters
    ----------
    light : ndarray of float32, shape (D, S, 3)

    Returns
    -------
    ndarray of float32, shape (D, S)
    """
    return over_channels(light, 1.0 / 3.0)


def median_of_seen(values: NDArray[np.floating]) -> NDArray[np.float64]:
    """Median over the second axis of what is not NaN; NaN where nothing is.

    Parameters
    ----------
    values : ndarray, shape (N, M) or (N, M, K)

    Returns
    -------
    ndarray, shape (N,) or (N, K)
    """
    # sorting puts NaN last; numpy.nanmedian goes through the rows one by one
    in_order = np.sort(values, axis=1)
    count = np.isfinite(values).sum(axis=1, keepdims=True)
    middle = [np.take_along_axis(in_order, np.maximum(count - k, 0) // 2, axis=1)[:, 0] for k in (0, 1)]
    return np.asarray(0.5 * (middle[0] + middle[1]), np.float64)


@dataclass(frozen=True)
class EdgeView:
    """A strip with what was found on it; what a comparison sheet or a viewer draws.

    Attributes
    ----------
    strip : Strip
    silhouette_um : ndarray, shape (S,)
        Where the tool ends, as a distance d from the reference line; NaN where it is not seen.
    zone : ndarray of int8, shape (S,)
        `USED`, `UNUSED` or `NEITHER` (guard around the transition, frame ends, chips).
    recession_um : ndarray, shape (S,)
        Silhouette against the new-state edge line as seen along the face normal, positive into the tool; NaN where
        not seen.
    substrate : ndarray of bool, shape (D, S), or None
        Where the coating is gone; None for an uncoated bit.
    chips_um : tuple of (float, float)
        Start and end along the edge of each chip.
    transition_um, u_transition_um : float or None
        Where unused turns into used, along s, and its standard uncertainty.
    band_um : float
        Depth of the coating band.
    land_um : ndarray, shape (S,), or None
        Inner end of the wear land, as a distance d from the reference line; NaN where there is none.
    moved_um : ndarray, shape (S,), or None
        By how much the silhouette has moved in the picture; None where that is the recession.
    """

    strip: Strip
    silhouette_um: NDArray[np.float64]
    zone: NDArray[np.int8]
    recession_um: NDArray[np.float64]
    substrate: NDArray[np.bool_] | None
    chips_um: tuple[tuple[float, float], ...]
    transition_um: float | None
    u_transition_um: float | None
    band_um: float = 100.0
    land_um: NDArray[np.float64] | None = None
    moved_um: NDArray[np.float64] | None = None

    @property
    def new_edge_um(self) -> NDArray[np.float64]:
        """Where the edge lay in the picture when it was new, shape (S,)."""
        return self.silhouette_um - (self.recession_um if self.moved_um is None else self.moved_um)
