"""Grinding marks: how much of those that a tool had when new is still there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import Strip, grey

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

WINDOW_UM = 60.0  # along the edge: what is averaged for one place; chosen, no source
MARK_UM, MARK_LENGTH_UM = (4.0, 40.0), 15.0  # widths kept, and averaged over this depth; chosen, no source
LEAST_WINDOWS = 8  # that tell how sure a slope is; chosen, no source
DARKEST = 2e-3  # light below which a ratio says nothing; chosen, no source
TINY = np.float32(1e-6)  # against division by nothing


@dataclass(frozen=True)
class Marks:
    """The grinding marks of a strip and of the new-state photo's, as `_texture` shows them.

    Attributes
    ----------
    now, new : ndarray, shape (D, columns)
    d_um : ndarray, shape (D,)
    step_um : float
    columns : slice
        Of the strips.
    """

    now: NDArray[np.float32]
    new: NDArray[np.float32]
    d_um: Array
    step_um: float
    columns: slice

    def kept(self, places: Sequence[tuple[Array, Array]], columns: Mask) -> list[tuple[float, float] | None]:
        """How much of the new-state marks is still there, by regression of one texture on the other.

        Parameters
        ----------
        places : sequence of (ndarray, ndarray), shape (S,) each
            Depths between which to look.
        columns : ndarray of bool, shape (S,)

        Returns
        -------
        list of (float, float) or None
            For each place: slope, 1 where the marks are as they were and 0 where they are gone, and its standard
            uncertainty from leaving out one `WINDOW_UM` after the other; None where too little is seen. Noise in the
            new-state photo lowers the slope, so it is to be compared with that of another depth.
        """
        known = np.isfinite(self.now) & np.isfinite(self.new) & columns[None, self.columns]
        deep = self.d_um[:, None]
        places = [(from_um[self.columns], to_um[self.columns]) for from_um, to_um in places]
        return [
            _slope(
                self.now, self.new, known & (deep > from_um[None, :]) & (deep < to_um[None, :]), self.step_um
            )
            for from_um, to_um in places
        ]


def marks_of(now: Strip, new: Strip, columns: slice = slice(None)) -> Marks | None:
    """The marks in some columns of two strips, or None when they do not lie on the same axes.

    Parameters
    ----------
    now : Strip
    new : Strip
    columns : slice
        Of both strips.

    Returns
    -------
    Marks or None
    """
    depth = min(len(now.d_um), len(new.d_um))
    if now.d_um[0] != new.d_um[0] or now.light.shape[1] != new.light.shape[1]:
        return None
    ours, theirs = (_texture(strip.light[:depth, columns], now.um_per_px) for strip in (now, new))
    return Marks(ours, theirs, now.d_um[:depth], now.um_per_px, columns)


def _slope(
    ours: NDArray[np.float32], theirs: NDArray[np.float32], between: Mask, step_um: float
) -> tuple[float, float] | None:
    both = np.where(between, ours * theirs, 0.0).sum(axis=0, dtype=np.float64)
    square = np.where(between, theirs**2, 0.0).sum(axis=0, dtype=np.float64)
    at = np.flatnonzero(between.any(axis=0))
    per = max(1, round(WINDOW_UM / step_um))
    if len(at) < LEAST_WINDOWS * per:
        return None
    edges = np.arange(0, len(at), per)
    both, square = np.add.reduceat(both[at], edges), np.add.reduceat(square[at], edges)
    slope = float(both.sum() / square.sum())
    without = (both.sum() - both) / (square.sum() - square)
    u = float(np.sqrt((len(edges) - 1) / len(edges) * ((without - without.mean()) ** 2).sum()))
    return slope, u


def _texture(light: NDArray[np.float32], step_um: float) -> NDArray[np.float32]:
    """Relative light without its slow changes along the edge; NaN where the photo does not reach."""
    level = np.log(np.maximum(grey(light), DARKEST))
    seen = np.isfinite(level)
    filled = np.where(seen, level, np.float32(0.0))
    fine, wide = ((one / step_um) for one in MARK_UM)

    def smooth(picture: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        narrow = np.asarray(
            cv2.GaussianBlur(
                picture, (0, 0), fine, sigmaY=MARK_LENGTH_UM / step_um, borderType=cv2.BORDER_REPLICATE
            ),
            np.float32,
        )
        return narrow, boxes(narrow, wide)

    pictures = smooth(filled)
    if not seen.all():
        shares = smooth(seen.astype(np.float32))
        pictures = pictures[0] / (shares[0] + TINY), pictures[1] / (shares[1] + TINY)
    return np.where(seen, pictures[0] - pictures[1], np.float32(np.nan))


def boxes(picture: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Smoothed along the rows by three moving means, of the same variance as a Gaussian and far quicker.

    Parameters
    ----------
    picture : ndarray of float32, shape (D, S)
    sigma : float
        In samples.

    Returns
    -------
    ndarray of float32, shape (D, S)
    """
    width = max(3, round(np.sqrt(4.0 * sigma**2 + 1.0)) | 1)
    for _ in range(3):
        picture = np.asarray(cv2.blur(picture, (width, 1), borderType=cv2.BORDER_REPLICATE), np.float32)
    return picture
