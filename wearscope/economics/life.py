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
_NONE = 1e-100  # of the limit: increments so small that no arithmetic is to be had of them
_T = np.concatenate(
    [
        [0.0, 0.001, 0.002, 0.005],
        np.linspace(0.01, 0.2, 20),
        np.linspace(0.22, 1.5, 65),
        np.geomspace(1.5, BEYOND, 25)[1:],
    ]
)


@dataclass(frozen=True)
class Paths:
    """Draws of how a bit wears, with all that is not known of it: lives are read off them, and bands drawn of them.

    Attributes
    ----------
    life : ndarray, shape (N,)
        As in the wear curve: about where the worst flute that was measured reaches the nominal limit.
    t : ndarray, shape (N, T)
        Parts over `life`, from 0 to `BEYOND`.
    shape : ndarray, shape (N, T)
        Wear there, 1 at the end of a smooth curve.
    worst, mean : ndarray, shape (N,)
        Wear of the worst flute, and of the mean of the flutes, for a shape of 1.
    new : ndarray, shape (N,)
        Value when new.
    ceiling : float
        The largest value that there can be.
    looks : ndarray, shape (J,)
        Parts at the checkpoints.
    """

    life: Array
    t: Array
    shape: Array
    worst: Array
    mean: Array
    new: Array
    ceiling: float
    looks: Array

    def lives(self, limit: Array | float) -> tuple[Array, Array]:
        """Parts at which the worst flute, and the mean of the flutes, reach a limit.

        Parameters
        ----------
        limit : ndarray, shape (N,), or float
            Draws of what it may be, or the one value that it is, in the unit of the quantity.

        Returns
        -------
        worst : ndarray, shape (N,)
            Of the worst flute, in parts.
        mean : ndarray, shape (N,)
            Of the mean of the flutes, the same.
        """
        worst, mean = (_first(self.t, self.shape, (limit - self.new) / by) for by in (self.worst, self.mean))
        return worst * self.life, mean * self.life

    def values_at(self, parts: Array) -> tuple[Array, Array]:
        """Each draw's value of the worst flute, and of the mean of the flutes.

        Parameters
        ----------
        parts : ndarray, shape (P,)

        Returns
        -------
        worst : ndarray, shape (N, P)
            In the quantity's unit, from 0 to `ceiling`.
        mean : ndarray, shape (N, P)
            The same.
        """
        parts = np.asarray(parts, float)
        at = np.minimum(parts / self.life[:, None], BEYOND)
        n = self.t.shape[1]
        # each row of `t` is `_T` with the looks among it, so that a place in it is the sum of those in both
        after = np.searchsorted(_T, at) + np.searchsorted(self.looks, parts)
        after = np.clip(after, 1, n - 1) + n * np.arange(len(at))[:, None]
        t, curve = self.t.ravel(), self.shape.ravel()
        low, high = curve.take(after - 1), curve.take(after)
        shape = low + (high - low) * _part(at, t.take(after - 1), t.take(after))
        worst, mean = (
            np.clip(self.new[:, None] + by[:, None] * shape, 0.0, self.ceiling)
            for by in (self.worst, self.mean)
        )
        return worst, mean

    def value_at(self, parts: Array, *, worst: bool) -> Array:
        """One of the two of `values_at`.

        Parameters
        ----------
        parts : ndarray, shape (P,)
        worst : bool
            Whether of the worst flute.

        Returns
        -------
        ndarray, shape (N, P)
        """
        return self.values_at(parts)[0 if worst else 1]


def paths(curve: WearCurve, points: Points, n_unseen: int, rng: np.random.Generator) -> Paths:
    """Draw how a bit may wear.

    Parameters
    ----------
    curve : WearCurve
    points : Points
        What the curve was fitted to.
    n_unseen : int
        Flutes of the bit that were not measured: they wear like the mean of the others, with the scatter
        between flutes.
    rng : Generator

    Returns
    -------
    Paths
    """
    n = len(curve.new)
    wear = curve.wear
    if n_unseen:
        unseen = wear.mean(axis=1, keepdims=True) * np.exp(FLUTE_SCATTER * rng.standard_normal((n, n_unseen)))
        wear = np.hstack([wear, unseen])
    new = curve.new - curve.scatters * rng.standard_normal(n)
    # a factor, so that wear which is hardly seen cannot be taken for wear that has passed the limit
    wear = wear * np.exp(-shared_error(points) * rng.standard_normal(n))[:, None]
    looked = curve.looks / curve.life[:, None]
    t = np.sort(np.hstack([np.broadcast_to(_T, (n, _T.size)), np.minimum(looked, BEYOND)]), axis=1)
    shape = _unevenly(t, curve.shape_at(t), looked, curve.uneven, rng)
    return Paths(curve.life, t, shape, wear.max(axis=1), wear.mean(axis=1), new, points.ceiling, curve.looks)


def _unevenly(t: Array, shape: Array, looked: Array, by: Array, rng: np.random.Generator) -> Array:
    """Draws of how wear went on between the checkpoints and goes on beyond the last, shape (N, T).

    A gamma process of the foretold mean (van Noortwijk, Reliab. Eng. Syst. Saf. 94 (2009) 2-21, from memory), held
    at the checkpoints: what came between two of them is known, but not when.
    """
    n, n_looks = looked.shape
    grown = np.diff(shape, axis=1)
    uneven = by[:, None] * rng.standard_gamma(np.maximum(grown, 0.0) / by[:, None])
    # where each row's looks lie among `t`, and where what grows until them begins when all rows are put in one line
    at = np.searchsorted(_T, np.minimum(looked, BEYOND)) + np.arange(n_looks)
    begins = np.hstack([np.zeros((n, 1), int), at])
    line = (begins + grown.shape[1] * np.arange(n)[:, None]).ravel()
    came, drawn = (np.add.reduceat(each.ravel(), line).reshape(n, -1)[:, :-1] for each in (grown, uneven))
    told = drawn > _NONE
    held = np.ones(begins.shape)  # nothing is known of what comes after the last look
    held[:, :-1] = np.divide(came, drawn, out=np.zeros_like(came), where=told)
    until = np.diff(begins, append=grown.shape[1])
    uneven *= np.repeat(held.ravel(), until.ravel()).reshape(grown.shape)
    if not told.all():
        smooth = np.hstack([~told, np.zeros((n, 1), bool)])
        uneven = np.where(np.repeat(smooth.ravel(), until.ravel()).reshape(grown.shape), grown, uneven)
    result: Array = np.cumsum(np.hstack([shape[:, :1], uneven]), axis=1)
    return result


def _first(t: Array, shape: Array, level: Array) -> Array:
    """First t at which each row of `shape` reaches its level, at most `BEYOND`."""
    below = np.sum(shape < level[:, None], axis=1)
    reached = below < t.shape[1]
    after = np.where(reached, below, t.shape[1] - 1)
    before = np.maximum(after - 1, 0)
    row = np.arange(len(level))
    part = _part(level, shape[row, before], shape[row, after])
    return np.where(reached, t[row, before] + part * (t[row, after] - t[row, before]), BEYOND)


def _part(value: Array, low: Array, high: Array) -> Array:
    """How far between two others a value lies, from 0 to 1."""
    wide = high - low
    return np.clip(np.divide(value - low, wide, out=np.zeros_like(value), where=wide > 0), 0.0, 1.0)


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
