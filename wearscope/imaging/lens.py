"""What a lens does to straight lines: radial distortion, as a graticule's photo shows it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ROUNDS = 8  # of Newton's method: at 10 % of distortion three leave 1e-9 of the frame
FARTHEST = 2.0  # from the centre, in halves of the diagonal, that anything is shown: no photo reaches there


@dataclass(frozen=True)
class Lens:
    """Radial distortion of every photo that was taken through one lens at one zoom.

    A detail seen at the distance r from the centre, as a share of `reach_px`, belongs at
    ``1 + k1 r² + k2 r⁴`` times that distance. Positive is barrel distortion: the frame's corners hold more than they
    should. Pixels are as wide as they are high, of the mean size of those of the photo.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of the photo.
    centre_px : (float, float)
        Column and row.
    reach_px : float
        Half of the frame's diagonal.
    k1, k2 : float
    u_corner : float
        Standard uncertainty of `at_corner`.
    """

    shape: tuple[int, int]
    centre_px: tuple[float, float]
    reach_px: float
    k1: float
    k2: float
    u_corner: float

    @property
    def at_corner(self) -> float:
        """Share of its distance from the centre by which the frame's corner is shown too near."""
        return self.k1 + self.k2

    def straightened(self, places_px: Array) -> Array:
        """Where places in the photo belong.

        Parameters
        ----------
        places_px : ndarray, shape (..., 2)
            Columns and rows.

        Returns
        -------
        ndarray, shape (..., 2)
        """
        away = places_px - np.array(self.centre_px)
        r2 = np.sum(np.square(away), axis=-1, keepdims=True) / self.reach_px**2
        return np.asarray(places_px + away * (r2 * (self.k1 + self.k2 * r2)))

    def shown(self, places_px: Array) -> Array:
        """Where the photo shows what belongs at places: the reverse of `straightened`.

        Parameters
        ----------
        places_px : ndarray, shape (..., 2)

        Returns
        -------
        ndarray, shape (..., 2)
        """
        away = places_px - np.array(self.centre_px)
        belongs = np.sqrt(np.sum(np.square(away), axis=-1, keepdims=True)) / self.reach_px
        r = belongs.copy()
        for _ in range(ROUNDS):
            r2 = r * r
            off = r * (1.0 + r2 * (self.k1 + self.k2 * r2)) - belongs
            r = np.clip(
                r - off / np.maximum(1.0 + r2 * (3.0 * self.k1 + 5.0 * self.k2 * r2), 0.1), 0.0, FARTHEST
            )
        share = np.where(belongs > 0.0, r / np.maximum(belongs, 1e-12), 1.0)
        return np.asarray(np.array(self.centre_px) + away * share)

    def on_blocks(self, side: int) -> Lens:
        """The same in a picture that is averaged over blocks of pixels.

        Parameters
        ----------
        side : int
            Of the blocks.

        Returns
        -------
        Lens
        """
        column, row = ((at + 0.5) / side - 0.5 for at in self.centre_px)
        return replace(self, centre_px=(column, row), reach_px=self.reach_px / side)
