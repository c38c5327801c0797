"""Draws from a density that is known but for its height, by proposing where it may be and weighing what was proposed.

Adaptive multiple importance sampling (Cornuet et al., Scand. J. Stat. 39 (2012) 798-812, from memory): each round
proposes about where the weights of all earlier ones are, and all rounds count together, each proposal as if any of
them could have made it. As rounds are placed by what was proposed before, that counts a little too little: the
integral of a density with long arms comes out up to a tenth too small.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import log, pi

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, logsumexp

Array = NDArray[np.float64]
Log = Callable[[Array], Array]

_TAIL = 4.0  # degrees of freedom of the t distributions that propose: longer tails than what is looked for
_BEFOREHAND = (
    0.25  # share of the proposals that are standard normal, so that no place that is likely is left out
)
_PROPOSED = 3  # times as many proposals as draws
_ROUNDS = 6  # at most
_EFFECTIVE = 0.2  # of the proposals of a round, that are to count when all rounds are taken together
_PER_PARAMETER = 20  # proposals that are to count where the next round goes
_LEAST_POWER = 0.05  # of the weights, to which they are evened out for that


@dataclass(frozen=True, eq=False)
class Place:
    """A t distribution that proposes.

    Attributes
    ----------
    centre : ndarray, shape (k,)
    root : ndarray, shape (k, k)
        Lower root of its covariance, but for the tails.
    """

    centre: Array
    root: Array

    @cached_property
    def _inverse(self) -> Array:
        result: Array = np.asarray(np.linalg.inv(self.root), float).T
        return result

    def log_of(self, z: Array) -> Array:
        """Logarithm of its density.

        Parameters
        ----------
        z : ndarray, shape (m, k)

        Returns
        -------
        ndarray, shape (m,)
        """
        k = len(self.centre)
        away = (z - self.centre) @ self._inverse
        at_centre = (
            float(gammaln((_TAIL + k) / 2) - gammaln(_TAIL / 2))
            - 0.5 * k * log(_TAIL * pi)
            - float(np.sum(np.log(np.diag(self.root))))
        )
        far = np.log1p(np.einsum("ij,ij->i", away, away) / _TAIL)
        result: Array = at_centre - 0.5 * (_TAIL + k) * far
        return result

    def drawn(self, normal: Array, rng: np.random.Generator) -> Array:
        """Draws, of as many standard normal ones.

        Parameters
        ----------
        normal : ndarray, shape (m, k)
        rng : Generator

        Returns
        -------
        ndarray, shape (m, k)
        """
        result: Array = (
            self.centre + (normal * np.sqrt(_TAIL / rng.chisquare(_TAIL, len(normal)))[:, None]) @ self.root.T
        )
        return result


@dataclass(frozen=True, eq=False)
class Proposals:
    """What was proposed by some places and the standard normal distribution together, and what is known of it.

    Attributes
    ----------
    log_density : callable
        From z, shape (m, k), to the logarithm of the density that is looked for, shape (m,).
    places : tuple of Place
    z : ndarray, shape (m, k)
    log_weight : ndarray, shape (m,)
        Logarithm of how likely each is over how likely it was to be proposed.
    """

    log_density: Log
    places: tuple[Place, ...]
    z: Array
    log_weight: Array

    @property
    def log_evidence(self) -> float:
        """Logarithm of the integral of the density."""
        return float(logsumexp(self.log_weight)) - log(len(self.z))

    def drawn(self, n: int, rng: np.random.Generator) -> Array:
        """Draw from the density, after more proposals if there are too few of them.

        Parameters
        ----------
        n : int
        rng : Generator

        Returns
        -------
        ndarray, shape (n, k)
        """
        z, log_weight, missing = self.z, self.log_weight, _PROPOSED * n - len(self.z)
        if missing > 0:
            more = _drawn(self.places, missing, rng)
            log_proposed = _log_proposed(more, _log_near(more, self.places) - log(len(self.places)))
            z = np.concatenate([z, more])
            log_weight = np.concatenate([log_weight, self.log_density(more) - log_proposed])
        return z[rng.choice(len(z), n, p=_shares(log_weight))]


def proposed(
    log_density: Log, centre: Array, covariance: Array, m: int, rng: np.random.Generator
) -> Proposals:
    """Propose about some place, and then where the weights are, until enough proposals count.

    Parameters
    ----------
    log_density : callable
        From z, shape (m, k), to the logarithm of a density, shape (m,), in parameters that are standard normal as far
        as nothing more is known of them.
    centre : ndarray, shape (k,)
        About where the density is highest.
    covariance : ndarray, shape (k, k)
        About its covariance.
    m : int
        Proposals of a round.
    rng : Generator

    Returns
    -------
    Proposals
    """
    place, places = _place(centre, covariance), []
    z, log_target, log_near = np.empty((0, len(centre))), np.empty(0), np.empty(0)
    while True:
        more = _drawn([place], m, rng)
        places.append(place)
        log_near = np.concatenate([np.logaddexp(log_near, place.log_of(z)), _log_near(more, places)])
        z = np.concatenate([z, more])
        log_target = np.concatenate([log_target, log_density(more)])
        log_weight = log_target - _log_proposed(z, log_near - log(len(places)))
        if _effective(_shares(log_weight)) > _EFFECTIVE * m or len(places) == _ROUNDS:
            return Proposals(log_density, tuple(places), z, log_weight)
        mean, spread = _moments(z, log_weight)
        place = _place(mean, spread + 1e-4 * covariance)


def _place(centre: Array, covariance: Array) -> Place:
    return Place(centre, np.asarray(np.linalg.cholesky(covariance + 1e-9 * np.eye(len(centre))), float))


def _drawn(places: Sequence[Place], m: int, rng: np.random.Generator) -> Array:
    """Proposals of all places, as many of each, and standard normal ones; shape (m, k)."""
    z = rng.standard_normal((m, len(places[0].centre)))
    ends = np.linspace(0, m - round(_BEFOREHAND * m), len(places) + 1).astype(int)
    for place, a, b in zip(places, ends, ends[1:], strict=False):
        z[a:b] = place.drawn(z[a:b], rng)
    return z


def _log_near(z: Array, places: Sequence[Place]) -> Array:
    """Logarithm of the sum of the densities of all places, shape (m,)."""
    result: Array = np.logaddexp.reduce([place.log_of(z) for place in places])
    return result


def _log_proposed(z: Array, log_near: Array) -> Array:
    """Logarithm of the density of all proposals; `log_near` is that of the t distributions. Shape (m,)."""
    k = z.shape[1]
    beforehand = log(_BEFOREHAND) - 0.5 * (k * log(2 * pi) + np.einsum("ij,ij->i", z, z))
    result: Array = np.logaddexp(log(1 - _BEFOREHAND) + log_near, beforehand)
    return result


def _moments(z: Array, log_weight: Array) -> tuple[Array, Array]:
    """Mean and covariance, by weights that are evened out until enough of them count."""
    power, weight = 1.0, _shares(log_weight)
    while _effective(weight) < _PER_PARAMETER * z.shape[1] and power > _LEAST_POWER:
        power *= 0.8
        weight = _shares(power * log_weight)
    centre = np.asarray(weight @ z, float)
    away = z - centre
    return centre, away.T @ (weight[:, None] * away)


def _shares(log_weight: Array) -> Array:
    weight = np.exp(np.maximum(log_weight - log_weight.max(), -700.0))
    result: Array = weight / weight.sum()
    return result


def _effective(share: Array) -> float:
    """How many equal shares would tell as much."""
    return 1.0 / float(np.sum(share**2))
