"""Shapes of wear: 0 for a new edge, 1 at the end of life, over the share of the life that is used up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

Array = NDArray[np.float64]


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
        From t, shape (T,) or (..., T), and parameters, shape (..., n), to the curve, shape (..., T).
    """

    name: str
    n: int
    weight: float
    of: Callable[[Array, Array], Array]


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


# The spread of each parameter is wide enough for the wear of published tests, and no wider: exponents 0.45 to 2.2,
# a break-in of a twentieth to two thirds of the wear, acceleration from a third of the life on or hardly before its
# end (95 %). Half of the probability is with curves of which any share may come late, from a tenth of the life on or
# just before its end, as a step or quickening: nothing that was seen foretells it, so that it is always possible.
SHAPES = (
    Shape("line", 0, 0.125, lambda t, z: np.broadcast_to(t, (*z.shape[:-1], t.shape[-1]))),
    Shape("power law", 1, 0.125, lambda t, z: power(t, _factor(0.4, _column(z, 0)))),
    Shape("saturating", 1, 0.125, lambda t, z: saturating(t, _factor(0.8, _column(z, 0)))),
    Shape(
        "three-stage",
        3,
        0.125,
        lambda t, z: three_stage(
            t,
            expit(_column(z, 0) - 1.0),
            0.15 * _factor(0.7, _column(z, 1)),
            0.9 * _factor(0.5, _column(z, 2)),
        ),
    ),
    Shape(
        "power law, quicker late", 4, 0.25, lambda t, z: _late(t, power(t, _factor(0.5, _column(z, 0))), z, 1)
    ),
    Shape("breaking in, quicker late", 5, 0.25, lambda t, z: _late(t, _broken_in(t, z), z, 2)),
)
