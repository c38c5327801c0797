"""Where along and across the edge something lies, on the page."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import EdgeView, Strip
from wearscope.report.sheets.pictures import runs, seen_range

STRIP_LEFT = 156
"""Where everything along the edge begins on the page."""


@dataclass(frozen=True)
class AlongAxis:
    """The axis along the edge, shared by everything drawn under each other.

    Attributes
    ----------
    s_range_um : (float, float)
        Part of the edge that is shown.
    left, right : int
        Where it begins and ends, in pixels of the page.
    """

    s_range_um: tuple[float, float]
    left: int
    right: int

    @property
    def px_per_um(self) -> float:
        """Pixels of the page per µm along the edge."""
        return (self.right - self.left) / (self.s_range_um[1] - self.s_range_um[0])

    def x(self, s_um: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places along the edge, across the page.

        Parameters
        ----------
        s_um : ndarray

        Returns
        -------
        ndarray
            Of the same shape, in pixels of the page.
        """
        return self.left + (s_um - self.s_range_um[0]) * self.px_per_um

    def at(self, s_um: float) -> float:
        """As `x`, for one place.

        Parameters
        ----------
        s_um : float

        Returns
        -------
        float
            In pixels of the page.
        """
        return self.left + (s_um - self.s_range_um[0]) * self.px_per_um


@dataclass(frozen=True)
class AcrossAxis:
    """The axis across the edge of one strip picture.

    Attributes
    ----------
    d_range_um : (float, float)
        Distances into the tool that are shown.
    px_per_um : float
        Pixels of the page per µm.
    """

    d_range_um: tuple[float, float]
    px_per_um: float

    @property
    def height(self) -> int:
        """Height of the picture in pixels."""
        return round((self.d_range_um[1] - self.d_range_um[0]) * self.px_per_um)

    def y(self, d_um: NDArray[np.float64], top: float) -> NDArray[np.float64]:
        """Places across the edge, down a page on which the picture begins at `top`.

        Parameters
        ----------
        d_um : ndarray
        top : float
            In pixels of the page.

        Returns
        -------
        ndarray
            Of the shape of `d_um`, in pixels of the page.
        """
        return top + (d_um - self.d_range_um[0]) * self.px_per_um


def shown_range(strip: Strip) -> tuple[float, float]:
    """Part of the edge that is shown, in µm: what the photo holds, and more where that is very short.

    Parameters
    ----------
    strip : Strip

    Returns
    -------
    low_um : float
        Where it begins.
    high_um : float
        Where it ends.
    """
    low, high = seen_range(strip)
    spare = max(0.0, 1200.0 - (high - low)) / 2  # a very short edge is not blown up past all proportion
    return low - spare, high + spare


def transition_on(view: EdgeView, along: AlongAxis) -> float | None:
    """Where the transition is on the page, if it is in the picture.

    Parameters
    ----------
    view : EdgeView
    along : AlongAxis

    Returns
    -------
    float or None
        In pixels of the page.
    """
    if view.transition_um is None:
        return None
    x = along.at(view.transition_um)
    return x if along.left <= x <= along.right else None


def spans(view: EdgeView, zone: int, along: AlongAxis) -> list[tuple[float, float]]:
    """Unbroken pieces of a zone on the page.

    Parameters
    ----------
    view : EdgeView
    zone : int
        Its label in the view.
    along : AlongAxis

    Returns
    -------
    list of (float, float)
        Left and right end, in pixels of the page; what is not shown is cut off.
    """
    spans = [(along.at(a), along.at(b)) for a, b in runs(view.strip.s_um, view.zone == zone)]
    cut = [(max(a, along.left), min(b, along.right)) for a, b in spans]
    return [(a, b) for a, b in cut if a < b]


def per_column(
    x: NDArray[np.float64], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Average a curve over steps of 2 px, so that dashes stay dashes where the data are dense.

    Parameters
    ----------
    x : ndarray, shape (N,)
        Places across the page, in pixels.
    values : ndarray, shape (N,)
        NaN where the curve is broken.

    Returns
    -------
    x : ndarray, shape (M,)
        Mean place in each step.
    values : ndarray, shape (M,)
        Mean of what is not NaN there, or NaN.
    """
    step = 2.0
    bins = np.floor(x / step).astype(int)
    bins -= bins.min()
    read = np.isfinite(values)
    count = np.bincount(bins, minlength=bins.max() + 1)
    good = np.bincount(bins[read], minlength=bins.max() + 1)
    keep = count > 0
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_x = np.bincount(bins, weights=x, minlength=bins.max() + 1) / count
        mean = np.bincount(bins[read], weights=values[read], minlength=bins.max() + 1) / good
    return mean_x[keep], mean[keep]
