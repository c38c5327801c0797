"""Shapes of wear: 0 for a new edge, 1 at the end of life, over the share of the life that is used up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

Array = NDArray[np.float64]

_MOST_LIVES = 1e2  # used up at a checkpoint, beyond which no curve need be worked out: it is worn out by far


def power(t: Array, exponent: Array) -> Array:
    """Give t to a power: slowing below an exponent of 1, quickening above.

    Parameters
    ----------
    t : ndarray
    exponent : ndarray
        Of a shape that goes with that of `t`.

    Returns
    -------
    ndarray
    """
    result: Array = t**exponent
    return result


def saturating(t: Array, rate: Array) -> Array:
    """Rise that dies away, (1 − exp(−rate t)) / (1 − exp(−rate)).

    Parameters
    ----------
    t : ndarray
    rate : ndarray
        Above 0, of a shape that goes with that of `t`.

    Returns
    -------
    ndarray
    """
    result: Array = np.expm1(-rate * t) / np.expm1(-rate)
    return result


def three_stage(t: Array, share: Array, settled: Array, onset: Array) -> Array:
    """Break-in, steady wear, acceleration.

    Parameters
    ----------
    t : ndarray
    share : ndarray
        Share of the wear at t = 1 that is break-in, 0 to 1.
    settled : ndarray
        t at which the break-in has done 63 % of it.
    onset : ndarray
        t at which the wear rate has grown to five times the steady one.

    Returns
    -------
    ndarray
    """
    steady = t * (1 + (t / onset) ** 3) / (1 + onset**-3)
    result: Array = share * saturating(t, 1 / settled) + (1 - share) * steady
    return result


def late(t: Array, before: Array, share: Array, onset: Array, exponent: Array) -> Array:
    """Wear as it began, and from some place on more of it, that nothing before foretold.

    Parameters
    ----------
    t : ndarray
    before : ndarray
        The wear as it began, 1 at t = 1.
    share : ndarray
        Share of the wear at t = 1 that comes late, 0 to 1.
    onset : ndarray
        t at which that begins, 0 to 1.
    exponent : ndarray
        How it grows: below 1 as a step, above 1 quickening.

    Returns
    -------
    ndarray
    """
    after = np.maximum((t - onset) / (1 - onset), 0.0) ** exponent
    result: Array = (1 - share) * before + share * after
    return result


UNEVEN = 0.06
"""How unevenly wear goes on between checkpoints and beyond the last: its increments are those of a gamma process
whose variance is this share of the limit times their mean. So it comes by fits and starts, and a small step may end
a life that is nearly over. Chosen so that ranges hold the published series of `tests/published`."""
STEPPED, STEPPED_SPREAD = 0.25, 0.6
"""The same where wear comes in large steps, and the standard deviation of its logarithm: eight steps of exponentially
distributed size in a life, three to twenty-five (95 %), as n such steps have a variance of 2 / n (compound Poisson
process). Common practice, no source."""


def _as_evenly(z: Array) -> Array:
    """Give how unevenly wear goes on along a smooth curve, for each draw.

    Parameters
    ----------
    z : ndarray, shape (..., n)

    Returns
    -------
    ndarray, shape (...)
    """
    return np.full(z.shape[:-1], UNEVEN)


@dataclass(frozen=True)
class Shape:
    """A family of curves over parameters that are standard normal before anything was measured.

    Attributes
    ----------
    name : str
    n : int
        Number of parameters.
    weight : float
        Its probability before anything was measured.
    of : callable
        From t, shape (T,) or (..., T), parameters, shape (..., n), and the t of the checkpoints, shape (..., J), to
        the curve, shape (..., T).
    per_look : bool
        Whether it has one more parameter for each checkpoint.
    uneven : callable
        From parameters to how unevenly wear goes on between checkpoints and beyond the last (`UNEVEN`), shape (...).
    """

    name: str
    n: int
    weight: float
    of: Callable[[Array, Array, Array], Array]
    per_look: bool = False
    uneven: Callable[[Array], Array] = _as_evenly

    def at_looks(self, z: Array, looks: Array) -> Array:
        """Give the curve at the checkpoints alone, which is all that a fit asks.

        Parameters
        ----------
        z : ndarray, shape (..., n)
        looks : ndarray, shape (..., J)
            As `of` takes them.

        Returns
        -------
        ndarray, shape (..., J)
        """
        if not self.per_look:
            return self.of(np.minimum(looks, _MOST_LIVES), z, looks)
        long, rate = _came(z, looks)
        return np.cumsum(rate * long, axis=-1)


def _column(z: Array, i: int) -> Array:
    return z[..., i, None]


def _factor(spread: float, z: Array) -> Array:
    """A positive parameter, log-normal about 1; held within 20 times either way, where no draw is likely any more."""
    result: Array = np.exp(np.clip(spread * z, -3.0, 3.0))
    return result


def _late(t: Array, before: Array, z: Array, first: int) -> Array:
    share, onset = expit(1.2 * _column(z, first)), 0.01 + 0.98 * expit(1.2 * _column(z, first + 1))
    return late(t, before, share, onset, _factor(0.5, _column(z, first + 2)))


def _broken_in(t: Array, z: Array) -> Array:
    share, settled = expit(1.5 * _column(z, 0) - 1.0), 0.15 * _factor(0.7, _column(z, 1))
    result: Array = share * saturating(t, 1 / settled) + (1 - share) * t
    return result


_FURTHEST = 50.0
"""Of an exponent, where no draw is: a fit on its way may try more, of which no number is left."""


def _unevenness(z: Array) -> Array:
    result: Array = STEPPED * np.exp(np.clip(STEPPED_SPREAD * z[..., 0], -_FURTHEST, _FURTHEST))
    return result


def _came(z: Array, looks: Array) -> tuple[Array, Array]:
    """Share of the life from each checkpoint to the next, and how many times the mean comes in it, shape (..., J)."""
    long = np.diff(looks, axis=-1, prepend=0.0)
    spread2 = np.log1p(_unevenness(z)[..., None] / long)
    rate: Array = np.exp(np.minimum(np.sqrt(spread2) * z[..., 1:] - 0.5 * spread2, _FURTHEST))
    return long, rate


def stepped(t: Array, z: Array, looks: Array) -> Array:
    """Wear that comes in steps: on the mean a line, of which each checkpoint shows what happened to come by then.

    What comes between two checkpoints is log-normal, of the mean and the variance that a gamma process has there.

    Parameters
    ----------
    t : ndarray, shape (..., T)
    z : ndarray, shape (..., 1 + J)
        How unevenly, then what comes until each checkpoint.
    looks : ndarray, shape (..., J)
        t of the checkpoints, ascending and above 0.

    Returns
    -------
    ndarray, shape (..., T)
        A line between two checkpoints, and beyond the last as on the mean.
    """
    long, rate = _came(z, looks)
    result = np.maximum(t - looks[..., -1, None], 0.0)
    for j in range(looks.shape[-1]):
        since = looks[..., j, None] - long[..., j, None]
        result += rate[..., j, None] * np.clip(t - since, 0.0, long[..., j, None])
    return result


# The spread of each parameter is wide enough for the wear of published tests, and no wider: exponents 0.45 to 2.2,
# a break-in of a twentieth to two thirds of the wear, acceleration from a third of the life on or hardly before its
# end (95 %). Half of the probability is with curves of which any share may come late, from a tenth of the life on or
# just before its end, as a step or quickening: nothing that was seen foretells it, so that it is always possible.
SHAPES = (
    Shape("line", 0, 0.125, lambda t, z, _: np.broadcast_to(t, (*z.shape[:-1], t.shape[-1]))),
    Shape("power law", 1, 0.125, lambda t, z, _: power(t, _factor(0.4, _column(z, 0)))),
    Shape("saturating", 1, 0.125, lambda t, z, _: saturating(t, _factor(0.8, _column(z, 0)))),
    Shape(
        "three-stage",
        3,
        0.125,
        lambda t, z, _: three_stage(
            t,
            expit(_column(z, 0) - 1.0),
            0.15 * _factor(0.7, _column(z, 1)),
            0.9 * _factor(0.5, _column(z, 2)),
        ),
    ),
    Shape(
        "power law, quicker late",
        4,
        0.25,
        lambda t, z, _: _late(t, power(t, _factor(0.5, _column(z, 0))), z, 1),
    ),
    Shape("breaking in, quicker late", 5, 0.25, lambda t, z, _: _late(t, _broken_in(t, z), z, 2)),
)
STEPS = Shape("in steps", 1, 0.0625, stepped, True, _unevenness)
"""Nothing else foretells a large step after the last checkpoint, nor a long pause; half as likely as each smooth kind
that does not quicken late. More of it holds steps hardly better, and the middle of the published series too often."""
