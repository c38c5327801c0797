"""Which bit is the cheapest: how likely, by what evidence, what a wrong choice costs, what a checkpoint saves."""

from __future__ import annotations

import numpy as np

from wearscope.economics.curve import Array

_TRIES = (
    400  # outcomes of the next checkpoint that are played through; more change its worth by under 1 %, chosen
)
_AT_ONCE = 20  # of them, that a processor's cache holds
_LEAST_LOG = -700.0
"""Of a weight beside the largest, 1: less adds nothing to a sum of doubles, and takes ten times as long to reckon."""
MOVED = 3.0
"""The photographs show which bit is the cheapest if they make it so many times likelier, or less likely, than the
price list alone (ratio of the odds; substantial by Jeffreys, Theory of Probability, appendix B, from memory)."""
NARROWED = 1 / 2
"""They show it too if they leave no more than this share of the spread of its cost against the others; chosen."""
_SURE = 1e-3  # chances are told from draws, and odds beyond this say no more


def chances(costs: Array) -> Array:
    """Probability that each bit is the cheapest.

    Parameters
    ----------
    costs : ndarray, shape (B, N)
        Draws of each bit's cost per part, independent between bits.

    Returns
    -------
    ndarray, shape (B,)
        Adds up to 1; bits of equal cost share.

    Examples
    --------
    >>> chances(np.array([[0.20, 0.22, 0.25], [0.24, 0.21, 0.25]]))
    array([0.5, 0.5])
    """
    cheapest = costs == costs.min(axis=0)
    result: Array = (cheapest / cheapest.sum(axis=0)).mean(axis=1)
    return result


def regrets(costs: Array) -> Array:
    """Expected extra cost of choosing each bit, against always knowing the cheapest.

    Parameters
    ----------
    costs : ndarray, shape (B, N)

    Returns
    -------
    ndarray, shape (B,)
        0 or more.

    Examples
    --------
    >>> regrets(np.array([[0.20, 0.24], [0.24, 0.22]])).round(3)
    array([0.01, 0.02])
    """
    result: Array = costs.mean(axis=1) - costs.min(axis=0).mean()
    return result


def shown(costs: Array, beforehand: Array) -> bool:
    """Whether it is the photographs, and not the price list alone, that say which bit is the cheapest.

    Parameters
    ----------
    costs : ndarray, shape (B, N)
        Draws of each bit's cost per part; two bits or more.
    beforehand : ndarray, shape (B, M)
        The same before anything was measured: by the prior of a life and the prices.

    Returns
    -------
    bool
        For the bit of the lowest expected cost.
    """
    best = int(np.argmin(costs.mean(axis=1)))
    now, before = (_odds(chances(draws)[best]) for draws in (costs, beforehand))
    if max(now / before, before / now) >= MOVED:
        return True
    return _spread(costs, best) <= NARROWED * _spread(beforehand, best)


def _odds(chance: float) -> float:
    held = min(max(chance, _SURE), 1 - _SURE)
    return held / (1 - held)


def _spread(costs: Array, best: int) -> float:
    """Standard deviation of how many times as much the bit costs as the cheapest of the others, as a logarithm."""
    return float(np.std(np.log(costs[best] / np.delete(costs, best, axis=0).min(axis=0))))


def cost_of_choosing_wrongly(costs: Array) -> float:
    """Expected loss per part from taking the bit that looks cheapest, against always knowing the cheapest.

    Parameters
    ----------
    costs : ndarray, shape (B, N)

    Returns
    -------
    float
        The expected value of perfect information; 0 or more.

    Examples
    --------
    Each of two bits is the cheaper one in half of the draws; knowing which would save 0.02 per part:

    >>> round(cost_of_choosing_wrongly(np.array([[0.20, 0.24], [0.24, 0.20]])), 3)
    0.02
    """
    return float(costs.mean(axis=1).min() - costs.min(axis=0).mean())


def expected_after(costs: Array, seen: Array, u: Array, rng: np.random.Generator) -> Array:
    """Cost to be expected of a bit after one more checkpoint, for outcomes as likely as they are.

    Each outcome is one of the draws seen with its measurement error; what is then to be expected is the mean over
    all draws, weighed by how likely they make that outcome.

    Parameters
    ----------
    costs : ndarray, shape (N,)
        Draws of its cost per part.
    seen : ndarray, shape (Q, N)
        What each draw would show at that checkpoint, in each quantity.
    u : ndarray, shape (Q,)
        Standard uncertainty of that measurement.
    rng : Generator

    Returns
    -------
    ndarray, shape (_TRIES,)
    """
    truth = seen[:, rng.integers(costs.size, size=_TRIES)]
    outcome = truth + u[:, None] * rng.standard_normal(truth.shape)
    weight = np.zeros((_TRIES, costs.size))
    for start in range(0, _TRIES, _AT_ONCE):
        some = weight[start : start + _AT_ONCE]
        for told, drawn, by in zip(outcome[:, start : start + _AT_ONCE], seen, u, strict=True):
            off = (told[:, None] - drawn) / by
            some -= 0.5 * np.square(off, out=off)
        some -= some.max(axis=1, keepdims=True)
        np.exp(np.maximum(some, _LEAST_LOG, out=some), out=some)
    # a product of matrices would keep all processors waiting busily for the few sums of one
    result: Array = np.einsum("tn,n->t", weight, costs) / weight.sum(axis=1)
    return result


def value_of_checkpoint(after: Array) -> float:
    """By how much one more checkpoint is expected to lower the cost per part of what is then chosen.

    Parameters
    ----------
    after : ndarray, shape (B, n)
        What is to be expected of each bit after it (`expected_after`), independent between bits.

    Returns
    -------
    float
        The expected value of sample information; 0 or more. Raiffa & Schlaifer, Applied Statistical Decision
        Theory (1961), from memory.
    """
    return float(after.mean(axis=1).min() - after.min(axis=0).mean())
