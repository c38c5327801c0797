"""Wear curves: which shapes the measured points allow, and draws from all of them.

A flute's wear after a share t of the parts cut so far is a · exp(δ) · g(t): a is the bit's wear now, δ says how
much faster than the mean this flute wears, and the shape g is 0 for a new edge and 1 now. A few checkpoints
cannot tell the shapes apart. So each shape is fitted by weighted least squares in which weak prior knowledge
counts as further observations, weighed by how well it foretells the points (its evidence), and drawn from in that
proportion. Where the points say little, the draws spread as wide as the prior knowledge does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, log, pi

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, least_squares
from scipy.special import expit, gammaln

Array = NDArray[np.float64]

FLUTE_SCATTER = 0.3
"""Standard deviation of δ between the flutes of a bit, from run-out; common practice, no source."""
SHARED = 0.5
"""Share of the variance of a point that all photos of a bit have in common (wedge angle, light, scale), so that more
photos do not lessen it: it enters with the limit, not with the points. Common practice, no source."""
_AMPLITUDE_SCATTER = 1.5  # of ln a around the wear seen last: 20 times either way, so that the points decide
_LATE = 0.5  # share of the parts cut from which points say how worn the bit is now; where a search starts
_TAIL = 6.0  # degrees of freedom of the t distribution that proposes draws: longer tails than the posterior's
_FEW_DRAWS = 100.0  # effective draws below which the weighted draws say less than the normal approximation


@dataclass(frozen=True)
class Points:
    """What was measured of one quantity on one bit.

    Attributes
    ----------
    parts : ndarray, shape (n,)
        Parts cut when it was measured; at least one is above 0.
    flute : ndarray of int, shape (n,)
        Index into the flutes, from 0.
    value, u : ndarray, shape (n,)
        In the quantity's unit; `u` is a standard uncertainty and above 0.
    new, u_new : float
        Value of a new edge and its standard uncertainty: 0 and 0 for all that is wear by itself.
    ceiling : float
        The largest value that there can be.
    """

    parts: Array
    flute: NDArray[np.int_]
    value: Array
    u: Array
    new: float = 0.0
    u_new: float = 0.0
    ceiling: float = inf

    @property
    def parts_cut(self) -> float:
        """Parts cut at the last checkpoint."""
        return float(self.parts.max())

    @property
    def n_flutes(self) -> int:
        """Number of flutes with a place in `flute`."""
        return int(self.flute.max()) + 1


# --- Shapes, all 0 at t = 0 and 1 at t = 1


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


@dataclass(frozen=True)
class Shape:
    """A family of curves over parameters that are standard normal before anything was measured.

    Attributes
    ----------
    name : str
    n : int
        Number of parameters.
    of : callable
        From t, shape (T,), and parameters, shape (..., n), to the curve, shape (..., T).
    """

    name: str
    n: int
    of: Callable[[Array, Array], Array]


def _column(z: Array, i: int) -> Array:
    return z[..., i, None]


# The spread of each parameter is wide enough for the wear of published tests, and no wider: exponents 0.45 to 2.2,
# a break-in of a twentieth to two thirds of the wear, acceleration from half to five times the parts cut (95 %).
SHAPES = (
    Shape("line", 0, lambda t, z: np.broadcast_to(t, (*z.shape[:-1], t.size))),
    Shape("power law", 1, lambda t, z: power(t, np.exp(0.4 * _column(z, 0)))),
    Shape("saturating", 1, lambda t, z: saturating(t, np.exp(0.8 * _column(z, 0)))),
    Shape(
        "three-stage",
        3,
        lambda t, z: three_stage(
            t,
            expit(_column(z, 0) - 1.0),
            0.15 * np.exp(0.7 * _column(z, 1)),
            1.5 * np.exp(0.6 * _column(z, 2)),
        ),
    ),
)


# --- Least squares


@dataclass(frozen=True)
class Minimum:
    """Where a sum of squares is least.

    Attributes
    ----------
    at : ndarray, shape (k,)
    covariance : ndarray, shape (k, k)
        Inverse of JᵀJ: that of `at` when each residual has unit variance.
    sum_of_squares : float
    """

    at: Array
    covariance: Array
    sum_of_squares: float


def least_sum_of_squares(residuals: Callable[[Array], Array], start: Array) -> Minimum:
    """Minimise a sum of squared residuals.

    Parameters
    ----------
    residuals : callable
        From parameters, shape (k,), to residuals, shape (n,), each divided by its standard uncertainty.
    start : ndarray, shape (k,)

    Returns
    -------
    Minimum
    """
    found = least_squares(residuals, start, jac="3-point", x_scale="jac", xtol=1e-12, ftol=1e-12, gtol=1e-12)
    jacobian = np.asarray(found.jac, float)
    covariance = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True)
    return Minimum(found.x, covariance, float(2 * found.cost))


# --- Fit and draws


@dataclass(frozen=True)
class WearCurve:
    """Draws of what the wear curve of a bit may be, equally likely.

    Attributes
    ----------
    parts_cut : float
        Parts at t = 1.
    weights : dict of str to float
        Probability of each shape, given the points.
    scatter : float
        Scatter of the points beyond their uncertainty (standard deviation, in the quantity's unit): wear follows
        no smooth curve exactly.
    new : ndarray, shape (N,)
        Value of the new edge.
    wear : ndarray, shape (N, F)
        Wear of each flute at t = 1, a exp(δ).
    shape_of, shape_z : tuples
        The shapes and, for each, the parameters of its draws, shape (N_i, n); the N_i add up to N.
    ceiling : float
    """

    parts_cut: float
    weights: dict[str, float]
    scatter: float
    new: Array
    wear: Array
    shape_of: tuple[Shape, ...]
    shape_z: tuple[Array, ...]
    ceiling: float

    def shape_at(self, t: Array) -> Array:
        """Each draw's g(t), shape (N, T).

        Parameters
        ----------
        t : ndarray, shape (T,)
            Parts over `parts_cut`.

        Returns
        -------
        ndarray
        """
        return np.concatenate([shape.of(t, z) for shape, z in zip(self.shape_of, self.shape_z, strict=True)])

    def value_at(self, parts: Array, *, worst: bool) -> Array:
        """Each draw's value of the worst flute, or of the mean of the flutes, shape (N, T).

        Parameters
        ----------
        parts : ndarray, shape (T,)
        worst : bool
            Whether of the worst flute.

        Returns
        -------
        ndarray
            In the quantity's unit, at most `ceiling`.
        """
        wear = self.wear.max(axis=1) if worst else self.wear.mean(axis=1)
        value: Array = self.new[:, None] + wear[:, None] * self.shape_at(np.asarray(parts) / self.parts_cut)
        return np.minimum(value, self.ceiling)


@dataclass(frozen=True)
class _Problem:
    """Points to be fitted: z holds amplitude, new value, one δ per flute, then the shape's parameters."""

    points: Points
    t: Array
    log_amplitude: float

    def split(self, z: Array) -> tuple[Array, Array, Array]:
        """Value when new, wear of each flute at t = 1, and shape parameters; z has shape (..., k)."""
        n = 2 + self.points.n_flutes
        new = self.points.new + self.points.u_new * z[..., 1]
        log_wear = self.log_amplitude + _AMPLITUDE_SCATTER * z[..., :1] + FLUTE_SCATTER * z[..., 2:n]
        return new, np.exp(log_wear), z[..., n:]

    def predicted(self, shape: Shape, z: Array) -> Array:
        """Value at each point, shape (..., n)."""
        new, wear, of_shape = self.split(z)
        value: Array = new[..., None] + wear[..., self.points.flute] * shape.of(self.t, of_shape)
        return np.minimum(value, self.points.ceiling)

    def residuals(self, shape: Shape, s: Array) -> Callable[[Array], Array]:
        def of(z: Array) -> Array:
            return np.concatenate([(self.points.value - self.predicted(shape, z)) / s, z])

        return of

    def fit(self, shape: Shape, s: Array) -> Minimum:
        start = np.zeros(2 + self.points.n_flutes + shape.n)
        return least_sum_of_squares(self.residuals(shape, s), start)


def wear_curve(points: Points, rng: np.random.Generator, n_draws: int = 4000) -> WearCurve:
    """Fit all shapes to the points and draw curves from them.

    Parameters
    ----------
    points : Points
    rng : Generator
    n_draws : int

    Returns
    -------
    WearCurve
    """
    t = points.parts / points.parts_cut
    worn = points.value - points.new
    late = t > _LATE * t.max()
    problem = _Problem(
        points, t, log(max(float(worn[late].mean()), float(np.hypot(points.u, points.u_new).min())))
    )
    u = np.sqrt(1 - SHARED) * points.u
    fits = [problem.fit(shape, u) for shape in SHAPES]
    scatter = _scatter(problem, fits, u)
    s = np.hypot(u, scatter)
    if scatter:
        fits = [problem.fit(shape, s) for shape in SHAPES]

    draws, evidence = [], []
    for shape, fit in zip(SHAPES, fits, strict=True):
        z, log_evidence = _draws(problem, shape, fit, s, n_draws, rng)
        draws.append(z)
        evidence.append(log_evidence)
    weights = np.exp(np.array(evidence) - max(evidence))
    weights /= weights.sum()
    counts = np.floor(weights * n_draws + 0.5).astype(int)
    counts[np.argmax(weights)] += n_draws - counts.sum()
    parts = [problem.split(z[:count]) for z, count in zip(draws, counts, strict=True)]
    return WearCurve(
        points.parts_cut,
        {shape.name: float(weight) for shape, weight in zip(SHAPES, weights, strict=True)},
        scatter,
        np.concatenate([new for new, _, _ in parts]),
        np.concatenate([wear for _, wear, _ in parts]),
        SHAPES,
        tuple(of_shape for _, _, of_shape in parts),
        points.ceiling,
    )


def _scatter(problem: _Problem, fits: Sequence[Minimum], u: Array) -> float:
    """Scatter that brings the best shape's sum of squares down to what it should be.

    As by Paule & Mandel, J. Res. NBS 87 (1982) 377-385 (from memory). As every parameter's prior counts as an
    observation, the sum of squares should be the number of points. The scatter is the same for all points and not in
    proportion to the wear: readings of a wear land scatter alike early and late, and the break-in, which scatters
    most in proportion, would blur what follows.
    """
    points = problem.points
    shape, best = min(zip(SHAPES, fits, strict=True), key=lambda fitted: fitted[1].sum_of_squares)
    scatter = 0.0
    for _ in range(4):
        residual2 = (points.value - problem.predicted(shape, best.at)) ** 2
        should = len(u) - float(best.at @ best.at)
        if should <= 0 or np.sum(residual2 / u**2) <= should:
            break
        most = float(np.sqrt(residual2.sum() / should))  # enough even if u were 0
        scatter = float(brentq(_excess, 0.0, most, args=(residual2, u, should), xtol=1e-3 * most))
        best = problem.fit(shape, np.hypot(u, scatter))
    return scatter


def _excess(scatter: float, residual2: Array, u: Array, should: float) -> float:
    return float(np.sum(residual2 / (u**2 + scatter**2))) - should


def _draws(
    problem: _Problem, shape: Shape, fit: Minimum, s: Array, n: int, rng: np.random.Generator
) -> tuple[Array, float]:
    """Draws of z from the posterior, shape (n, k), and the logarithm of the evidence.

    Importance sampling from a multivariate t distribution about the minimum.
    """
    k = len(fit.at)
    root = np.linalg.cholesky(fit.covariance + 1e-12 * np.eye(k))
    normal = rng.standard_normal((n, k))
    stretch = np.sqrt(_TAIL / rng.chisquare(_TAIL, n))
    z = fit.at + (normal * stretch[:, None]) @ root.T
    misfit = (problem.points.value - problem.predicted(shape, z)) / s
    log_target = -0.5 * (np.sum(misfit**2, axis=1) + np.sum(z**2, axis=1)) - 0.5 * k * log(2 * pi)
    distance2 = np.sum(normal**2, axis=1) * stretch**2
    log_proposal = (
        float(gammaln((_TAIL + k) / 2) - gammaln(_TAIL / 2))
        - 0.5 * k * log(_TAIL * pi)
        - float(np.sum(np.log(np.diag(root))))
        - 0.5 * (_TAIL + k) * np.log1p(distance2 / _TAIL)
    )
    log_weight = log_target - log_proposal
    highest = float(log_weight.max())
    weight = np.exp(log_weight - highest)
    log_evidence = highest + log(float(weight.mean()))
    if weight.sum() ** 2 / np.sum(weight**2) < _FEW_DRAWS:
        return fit.at + normal @ root.T, log_evidence
    return z[rng.choice(n, n, p=weight / weight.sum())], log_evidence
