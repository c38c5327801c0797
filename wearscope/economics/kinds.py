"""From the bits of a kind that were tried to the next one that is bought."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from wearscope.economics.curve import Array
from wearscope.economics.prior import LifePrior

KIND_SPREAD = 0.9
"""Standard deviation of the logarithm of the life of one kind against those tried beside it. They cut the same parts,
so that what makes lives long or short in one trial they mostly have in common: 95 % lie within six times either way.
A coat or another maker makes two to three times, a tip of diamond ten and more. Common practice, no source."""
_SCATTER_SPREAD = (
    0.7  # of the logarithm of the scatter between bits, beforehand: four times either way; chosen
)
SUDDEN_SHAPE = 2.0
"""Shape of the Weibull distribution of the time to a chip: chance, but likelier on a worn edge. Chosen, no source."""
_FAR = 6.0  # standard deviations of the prior, beyond which no draw is
_NODES = 61  # scatters that are tried


def next_lives(
    lives: Array, bit_to_bit: float, prior: LifePrior, rng: np.random.Generator
) -> tuple[Array, Array, NDArray[np.int_]]:
    """Draw the life of the next bit of a kind.

    The logarithms of the lives of a kind scatter normally about that of the kind, whose prior is that of a life. With
    one bit the scatter is taken as stated; with more it is estimated, beginning at what is stated. The draws of each
    bit were made as if it were the only one, so that those count more which agree with each other.

    Parameters
    ----------
    lives : ndarray, shape (B, N)
        Draws of the lives of the bits that were tried, in parts, independent of each other.
    bit_to_bit : float
        Standard deviation of the logarithm of a life from bit to bit.
    prior : LifePrior
        That each of `lives` was drawn with.
    rng : Generator

    Returns
    -------
    life : ndarray, shape (N,)
        Of the next bit.
    level : ndarray, shape (N,)
        Of the kind: the middle of its bits.
    picked : ndarray of int, shape (N,)
        Which draw of `lives` each goes with.
    """
    m, n = lives.shape
    log_life = np.log(lives)
    of_kind = prior.spread**2
    middle = np.log(prior.middle)
    picked = np.arange(n)
    scatter = np.full(n, bit_to_bit)
    if m > 1:
        node = np.linspace(-2.5, 3.5, _NODES)
        tried = bit_to_bit * np.exp(_SCATTER_SPREAD * node)
        log_weight = -0.5 * node**2 + _log_density(log_life - middle, tried, of_kind)
        log_weight += 0.5 * np.sum((log_life - middle) ** 2, axis=0)[:, None] / of_kind
        weight = np.exp(log_weight - log_weight.max())
        of_draw = weight.sum(axis=1)
        picked = np.sort(rng.choice(n, n, p=of_draw / of_draw.sum()))
        share = np.cumsum(weight[picked], axis=1)
        at = np.sum(share < rng.uniform(size=(n, 1)) * share[:, -1:], axis=1)
        scatter = tried[at]
    ours = log_life[:, picked]
    precision = m / scatter**2 + 1 / of_kind
    of_the_kind = (ours.sum(axis=0) / scatter**2 + middle / of_kind) / precision
    of_the_kind += rng.standard_normal(n) / np.sqrt(precision)
    return np.exp(of_the_kind + scatter * rng.standard_normal(n)), np.exp(of_the_kind), picked


def side_by_side(
    levels: Array, strata: NDArray[np.int_], prior: LifePrior, rng: np.random.Generator
) -> NDArray[np.int_]:
    """Put draws of kinds that were tried in one trial side by side.

    The logarithm of a kind's life is the sum of what all kinds of the trial have in common and of what is its own
    (`KIND_SPREAD`); together they spread as the prior of a life. The draws of each kind were made as if it were the
    only one, so that those count more which go with the others. Without it, of two bits of which little is known the
    one that looks better would be trusted too much.

    Parameters
    ----------
    levels : ndarray, shape (K, N)
        Draws of the life of each kind, in parts, independent of each other.
    strata : ndarray of int, shape (K, N)
        Where in its spread the limit lies that each was made with, from 0: it is the same limit for all kinds, so
        that only draws of one stratum are put side by side.
    prior : LifePrior
        That each of `levels` was drawn with.
    rng : Generator

    Returns
    -------
    ndarray of int, shape (K, N)
        Which draw of each kind goes with the others.
    """
    off = np.log(levels) - np.log(prior.middle)
    node = np.linspace(-3.5, 3.5, _NODES)
    common = node * np.sqrt(prior.spread**2 - KIND_SPREAD**2)
    n_strata = int(strata.max()) + 1
    inside = [[np.flatnonzero(of_kind == stratum) for of_kind in strata] for stratum in range(n_strata)]
    # of one kind after the other: of hundreds at once they would fill the memory
    sums = [
        _sums(_beside(each[:, None], common, prior), ours)
        for each, ours in zip(off, zip(*inside, strict=True), strict=True)
    ]
    with np.errstate(divide="ignore"):  # a kind may have no draw in a stratum
        log_of = -0.5 * node**2 + np.sum(np.log(sums), axis=0)
    at = rng.choice(log_of.size, off.shape[1], p=np.exp(log_of - logsumexp(log_of)).ravel())
    picked = np.empty(strata.shape, int)
    for place in np.unique(at):
        stratum, i = divmod(int(place), node.size)
        here = at == place
        for kind, j in enumerate(inside[stratum]):
            weight = _beside(off[kind, j], common[i], prior)
            picked[kind, here] = rng.choice(j, int(np.sum(here)), p=weight / weight.sum())
    return picked


def _beside(off: Array, common: Array, prior: LifePrior) -> Array:
    """How much draws of a kind's life count beside what all kinds may have in common."""
    weight: Array = np.exp(
        -0.5 * ((off - common) / KIND_SPREAD) ** 2 + 0.5 * np.minimum(off / prior.spread, _FAR) ** 2
    )
    return weight


def _sums(weight: Array, ours: Sequence[NDArray[np.int_]]) -> list[Array]:
    """Of the draws of each stratum."""
    return [weight[j].sum(axis=0) for j in ours]


def next_sudden(seen: Array, cut: Array, rng: np.random.Generator) -> Array:
    """Draw the parts until a chip ends the life of the next bit of a kind.

    A Weibull distribution of known shape: its scale to that power goes as the sum of the times to that power over a
    gamma variable of as many as chipped. Where none did, none is foretold.

    Parameters
    ----------
    seen : ndarray, shape (B, N)
        Draws of the parts at which each bit that was tried chipped; infinite where it did not.
    cut : ndarray, shape (B, 1)
        Parts that each has cut.
    rng : Generator

    Returns
    -------
    ndarray, shape (N,)
        Infinite where no bit chipped.
    """
    chipped = np.isfinite(seen).sum(axis=0)
    together = np.sum(np.minimum(seen, cut) ** SUDDEN_SHAPE, axis=0)
    rate = rng.standard_gamma(np.maximum(chipped, 1)) / together
    times = (rng.standard_exponential(chipped.size) / rate) ** (1 / SUDDEN_SHAPE)
    return np.where(chipped > 0, times, np.inf)


def _log_density(off: Array, scatter: Array, of_kind: float) -> Array:
    """Log density of the lives of a kind's bits, for each draw and scatter, shape (N, S), but for a constant.

    A normal whose covariance is scatter² on the diagonal and the variance of the kind everywhere.
    """
    m = len(off)
    within = np.sum((off - off.mean(axis=0)) ** 2, axis=0)[:, None] / scatter**2
    together = scatter**2 + m * of_kind
    between = m * off.mean(axis=0)[:, None] ** 2 / together
    result: Array = -0.5 * (within + between) - (m - 1) * np.log(scatter) - 0.5 * np.log(together)
    return result
