"""Tool life: when a wear curve reaches its limit, how sure that is, and how far ahead it may be said."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from wearscope.economics.curve import FLUTE_SCATTER, SHARED, Array, Points, WearCurve

HORIZON = 2.0
"""No life is stated beyond this many times the parts cut: past it nothing but the assumed shapes speaks."""
BEYOND = 10.0
"""Curves are followed to this many times their own life at the nominal limit: a curve that levels off just below a
limit that may lie higher counts as so long."""
QUANTILES = (0.025, 0.25, 0.5, 0.75, 0.975)
"""Ends of the 95 and 50 % ranges, and the median."""
UNEVEN = 0.06
"""How unevenly wear goes on beyond what was seen: its increments are those of a gamma process whose variance is this
share of the limit times their mean. So it comes by fits and starts, and a small step may end a life that is nearly
over. Chosen so that ranges hold the published series of `tests/published`."""
_T = np.concatenate([np.linspace(0.0, 1.5, 151), np.geomspace(1.5, BEYOND, 41)[1:]])


def lives(
    curve: WearCurve,
    points: Points,
    limit: Array | float,
    n_unseen: int,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Draw the parts at which the worst flute, and the mean of the flutes, reach a limit.

    Parameters
    ----------
    curve : WearCurve
    points : Points
        What the curve was fitted to.
    limit : ndarray, shape (N,), or float
        Draws of what it may be, or the one value that it is, in the unit of the quantity.
    n_unseen : int
        Flutes of the bit that were not measured: they wear like the mean of the others, with the scatter
        between flutes.
    rng : Generator

    Returns
    -------
    worst : ndarray, shape (N,)
        Of the worst flute, in parts.
    mean : ndarray, shape (N,)
        Of the mean of the flutes, the same.
    """
    n = len(curve.new)
    wear = curve.wear
    if n_unseen:
        unseen = wear.mean(axis=1, keepdims=True) * np.exp(FLUTE_SCATTER * rng.standard_normal((n, n_unseen)))
        wear = np.hstack([wear, unseen])
    to_go = limit + curve.scatter * rng.standard_normal(n) - curve.new
    # a factor, so that wear which is hardly seen cannot be taken for wear that has passed the limit
    to_go = to_go * np.exp(shared_error(points) * rng.standard_normal(n))
    shape = _unevenly(curve, curve.shape_at(_T), rng)
    worst, mean = (_first(shape, to_go / by) for by in (wear.max(axis=1), wear.mean(axis=1)))
    return worst * curve.life, mean * curve.life


def _unevenly(curve: WearCurve, shape: Array, rng: np.random.Generator) -> Array:
    """Draws of how wear goes on beyond the last checkpoint, shape (N, T): a gamma process of the foretold mean.

    van Noortwijk, Reliab. Eng. Syst. Saf. 94 (2009) 2-21, from memory.
    """
    grown = np.diff(shape, axis=1)
    ahead = (_T[:-1] >= curve.parts_cut / curve.life[:, None]) & (grown > 0)
    grown[ahead] = UNEVEN * rng.standard_gamma(grown[ahead] / UNEVEN)
    result: Array = np.cumsum(np.hstack([shape[:, :1], grown]), axis=1)
    return result


def shared_error(points: Points) -> float:
    """Relative standard uncertainty of the wear that all points have in common.

    Parameters
    ----------
    points : Points

    Returns
    -------
    float
        0 if no point shows any wear.
    """
    worn = points.value - points.new
    seen = worn > points.u
    return float(np.sqrt(SHARED) * np.min(points.u[seen] / worn[seen])) if seen.any() else 0.0


def _first(shape: Array, level: Array) -> Array:
    """First t at which each row of `shape` reaches its level, at most `BEYOND`."""
    below = np.sum(shape < level[:, None], axis=1)
    reached = below < _T.size
    after = np.where(reached, below, _T.size - 1)
    before = np.maximum(after - 1, 0)
    row = np.arange(len(level))
    low, high = shape[row, before], shape[row, after]
    part = np.divide(level - low, high - low, out=np.zeros_like(level), where=high > low)
    t = _T[before] + np.clip(part, 0.0, 1.0) * (_T[after] - _T[before])
    return np.where(reached, t, BEYOND)


@dataclass(frozen=True)
class Range:
    """A number as it is known: the middle, and the ranges that hold it with 50 and with 95 % probability.

    An end is None where it lies beyond what may be said.

    Attributes
    ----------
    low95, low50, median, high50, high95 : float or None
    """

    low95: float | None
    low50: float | None
    median: float | None
    high50: float | None
    high95: float | None


def known_range(draws: Array, most: float = inf, least: float = -inf) -> Range:
    """Range of some draws; ends at or beyond `most` or `least` are left open.

    Parameters
    ----------
    draws : ndarray, shape (N,)
    most, least : float

    Returns
    -------
    Range
    """
    at = np.quantile(draws, QUANTILES, method="inverted_cdf")  # no interpolation: a draw may be infinite
    return Range(*(float(x) if least < x < most else None for x in at))
