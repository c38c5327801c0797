"""Wear curves: which lives and shapes the measured points allow, and draws from all of them.

The worst flute of a bit that lasts about L parts has worn about a · g(p / L) after p parts: a is the wear that ends
its life, and the shape g is 0 for a new edge and 1 at the end. Each flute wears by exp(δ) more or less, by the
scatter between flutes; L holds for as bad a flute as the worst of so many is in the mean. So what is drawn is a life,
and what is taken of it beforehand is the same for every bit (`prior.py`). A few checkpoints cannot tell the shapes
apart. So each shape is fitted, weighed by how well it foretells the points (its evidence), and drawn from in that
proportion. Where the points say little, the draws spread as wide as the prior does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from itertools import chain
from math import inf, log, pi

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from wearscope.economics.prior import LifePrior
from wearscope.economics.proposals import proposed
from wearscope.economics.shapes import SHAPES, STEPS, Shape

Array = NDArray[np.float64]

FLUTE_SCATTER = 0.3
"""Standard deviation of δ between the flutes of a bit, from run-out; common practice, no source."""
SHARED = 0.5
"""Share of the variance of a point that all photos of a bit have in common (wedge angle, light, scale), so that more
photos do not lessen it: it enters with the limit, not with the points. Common practice, no source."""
DOUBTFUL_WIDER, DOUBTFUL_SHARE = 2.0, 0.2
"""A doubtful point counts with so many times its uncertainty, and with that share of its value besides; chosen, no
source. A row is doubtful because a worn edge is no longer a clean arc as often as because the photo is bad."""
_DOUBTFUL_TAIL = 3.0  # degrees of freedom of the t distribution of a doubtful point: a wild one is outvoted
_LEAST_PROPOSED = 500  # by which a shape is weighed; half as many as draws are asked of all, if that is more
_SAME_SCATTER = 2e-3  # relative, within which it is found
_LEAST_SHOULD = 0.5  # of the points, that a sum of squares should come to
_FITTED = 1e-6  # relative, to which a minimum is found: draws are only proposed about it
# Where a fit may begin: lives and bends as thought of beforehand, of which the best are followed to their minima.
# A shape with an onset has several, parted by the checkpoints. From one start alone every fifth fit ended in a wrong
# one, mostly so far off that the shape was as good as ruled out.
_STARTS, _FOLLOWED = 128, 3
_STEP = 1e-5  # of a parameter, for slopes: all are standard normal beforehand
_LEAST_WEAR = 0.05  # of the limit, that is left to wear if the value when new all but reaches it


FAMILIES = (SHAPES, (STEPS,))
"""Shapes that are asked together how much the points scatter about them: steps bend to every point, curves do not."""


@dataclass(frozen=True, eq=False)
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
    doubtful : ndarray of bool, shape (n,)
        Points that count less (`DOUBTFUL_WIDER`); empty for none.
    """

    parts: Array
    flute: NDArray[np.int_]
    value: Array
    u: Array
    new: float = 0.0
    u_new: float = 0.0
    ceiling: float = inf
    doubtful: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, bool))

    @property
    def parts_cut(self) -> float:
        """Parts cut at the last checkpoint."""
        return float(self.parts.max())

    @property
    def n_flutes(self) -> int:
        """Number of flutes with a place in `flute`."""
        return int(self.flute.max()) + 1

    @property
    def is_doubtful(self) -> NDArray[np.bool_]:
        """Whether each point is doubtful, shape (n,)."""
        return self.doubtful if self.doubtful.size else np.zeros(self.parts.size, bool)


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


def least_sum_of_squares(
    residuals: Callable[[Array], Array],
    start: Array,
    slopes: Callable[[Array], Array],
    sure: float = 1e-10,
) -> Minimum:
    """Minimise a sum of squared residuals.

    Parameters
    ----------
    residuals : callable
        From parameters, shape (k,), to residuals, shape (n,), each divided by its standard uncertainty; at least as
        many as parameters.
    start : ndarray, shape (k,)
    slopes : callable
        From parameters to the slopes of the residuals, shape (n, k).
    sure : float
        Relative change of the parameters or of the sum below which the search ends.

    Returns
    -------
    Minimum
    """
    from scipy.optimize import least_squares  # here, for it takes 0.2 s and most curves are kept

    found = least_squares(
        residuals, start, jac=slopes, x_scale="jac", xtol=sure, ftol=sure, gtol=sure, method="lm"
    )
    jacobian = np.asarray(found.jac, float)
    covariance = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True)
    return Minimum(found.x, covariance, float(2 * found.cost))


# --- Fit and draws


@dataclass(frozen=True)
class WearCurve:
    """Draws of what the wear curve of a bit may be, equally likely.

    Attributes
    ----------
    looks : ndarray, shape (J,)
        Parts at the checkpoints.
    weights : dict of str to float
        Probability of each shape, given the points.
    scatters : ndarray, shape (N,)
        Scatter of the points beyond their uncertainty that each draw goes with (standard deviation, in the
        quantity's unit): wear follows no curve exactly.
    life : ndarray, shape (N,)
        Parts at which as bad a flute as the worst of so many is in the mean reaches the limit, at its nominal value.
    new : ndarray, shape (N,)
        Value of the new edge.
    wear : ndarray, shape (N, F)
        Wear of each flute at that life.
    shape_of, shape_z : tuples
        The shapes and, for each, the parameters of its draws, shape (N_i, n); the N_i add up to N.
    ceiling : float
    """

    looks: Array
    weights: dict[str, float]
    scatters: Array
    life: Array
    new: Array
    wear: Array
    shape_of: tuple[Shape, ...]
    shape_z: tuple[Array, ...]
    ceiling: float

    @property
    def parts_cut(self) -> float:
        """Parts at the last checkpoint."""
        return float(self.looks[-1])

    @property
    def scatter(self) -> float:
        """Scatter of the points beyond their uncertainty, on the mean of the draws."""
        return float(self.scatters.mean())

    @property
    def uneven(self) -> Array:
        """How unevenly wear goes on in each draw (`Shape.uneven`), shape (N,)."""
        return np.concatenate([shape.uneven(z) for shape, z in zip(self.shape_of, self.shape_z, strict=True)])

    def shape_at(self, t: Array) -> Array:
        """Each draw's g(t), shape (N, T).

        Parameters
        ----------
        t : ndarray, shape (T,) or (N, T)
            Parts over `life`.

        Returns
        -------
        ndarray
        """
        t = np.broadcast_to(t, (self.life.size, t.shape[-1]))
        looks = self.looks / self.life[:, None]
        ends = np.cumsum([0] + [len(z) for z in self.shape_z])
        return np.concatenate(
            [
                shape.of(t[a:b], z, looks[a:b])
                for shape, z, a, b in zip(self.shape_of, self.shape_z, ends, ends[1:], strict=False)
            ]
        )

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
        t = np.asarray(parts, float) / self.life[:, None]
        value: Array = self.new[:, None] + wear[:, None] * self.shape_at(t)
        return np.minimum(value, self.ceiling)


@dataclass(frozen=True)
class _Problem:
    """Points to be fitted: z holds life, value when new, one δ per flute, then the shape's parameters."""

    points: Points
    limit: float
    prior: LifePrior

    @cached_property
    def looks(self) -> Array:
        return np.unique(self.points.parts)

    @cached_property
    def at_look(self) -> NDArray[np.int_]:
        """Which of the looks each point is of, shape (n,)."""
        return np.searchsorted(self.looks, self.points.parts)

    @cached_property
    def is_doubtful(self) -> NDArray[np.bool_] | None:
        """Which points are doubtful; None if none is."""
        return self.points.is_doubtful if self.points.is_doubtful.any() else None

    def split(self, z: Array) -> tuple[Array, Array, Array, Array]:
        """Life, value when new, wear of each flute by then, and shape parameters; z has shape (..., k)."""
        n = 2 + self.points.n_flutes
        new = self.points.new + self.points.u_new * z[..., 1]
        # against the mean, as the largest has a kink where flutes wear alike, and no minimum is found over it
        slower = z[..., 2:n] - z[..., 2:n].mean(axis=-1, keepdims=True) - _largest(self.points.n_flutes)
        worn = np.maximum(self.limit - new, _LEAST_WEAR * self.limit)
        return self.prior.life(z[..., 0]), new, worn[..., None] * np.exp(FLUTE_SCATTER * slower), z[..., n:]

    def predicted(self, shape: Shape, z: Array) -> Array:
        """Value at each point, shape (..., n)."""
        life, new, wear, of_shape = self.split(z)
        grown = shape.at_looks(of_shape, self.looks / life[..., None])
        value: Array = new[..., None] + wear[..., self.points.flute] * grown[..., self.at_look]
        return np.minimum(value, self.points.ceiling)

    def misfit(self, shape: Shape, z: Array, s: Array) -> Array:
        """What is left over at each point, in units of `s`; that of doubtful points grows ever more slowly."""
        left: Array = np.clip((self.points.value - self.predicted(shape, z)) / s, -1e6, 1e6)
        if (doubtful := self.is_doubtful) is not None:
            of = left[..., doubtful]
            left[..., doubtful] = np.sign(of) * np.sqrt(
                (_DOUBTFUL_TAIL + 1) * np.log1p(of**2 / _DOUBTFUL_TAIL)
            )
        return left

    def log_density(self, shape: Shape, s: Array, z: Array) -> Array:
        """How likely z is, but for the points' own uncertainties; shape (...)."""
        far = np.sum(self.misfit(shape, z, s) ** 2, axis=-1) + np.sum(z**2, axis=-1)
        result: Array = -0.5 * (far + z.shape[-1] * log(2 * pi))
        return result

    def fit(self, shape: Shape, s: Array, near: Minimum | None = None) -> Minimum:
        """Where a shape fits best; `near` is where it does so with another `s`."""

        def residuals(z: Array) -> Array:
            return np.concatenate([self.misfit(shape, z, s), z], axis=-1)

        first = 2 + self.points.n_flutes
        drawn = np.random.default_rng(_STARTS).standard_normal((_STARTS, 1 + shape.n))
        starts = np.zeros((_STARTS, first + shape.n + shape.per_look * self.looks.size))
        starts[:, 0], starts[:, first : first + shape.n] = drawn[:, 0], drawn[:, 1:]
        followed = min(1 + shape.n, _FOLLOWED)
        if near:
            starts, followed = np.vstack([starts, near.at]), 1
        step = _STEP * np.eye(starts.shape[1])
        steps = np.concatenate([step, -step])

        def slopes(z: Array) -> Array:
            # all at once: the arrays are small, and a call takes longer than its sums
            above, below = np.split(residuals(z + steps), 2)
            result: Array = ((above - below) / (2 * _STEP)).T
            return result

        sums = np.sum(residuals(starts) ** 2, axis=1)
        found = [
            least_sum_of_squares(residuals, starts[k], slopes, _FITTED) for k in np.argsort(sums)[:followed]
        ]
        return min(found, key=lambda minimum: minimum.sum_of_squares)


def _largest(n: int) -> float:
    """About what the largest of n standard normal variables is (Blom, 1958, from memory; 0.03 off at most)."""
    return float(ndtri((n - 0.375) / (n + 0.25)))


def wear_curve(
    points: Points, limit: float, prior: LifePrior, rng: np.random.Generator, n_draws: int = 4000
) -> WearCurve:
    """Fit all shapes to the points and draw curves from them.

    Parameters
    ----------
    points : Points
    limit : float
        Value at which the life ends; above that when new.
    prior : LifePrior
    rng : Generator
    n_draws : int

    Returns
    -------
    WearCurve
    """
    problem = _Problem(points, limit, prior)
    u = np.sqrt(1 - SHARED) * points.u
    u = np.where(points.is_doubtful, np.hypot(DOUBTFUL_WIDER * u, DOUBTFUL_SHARE * points.value), u)
    proposals, evidence, scatters = [], [], []
    for family in FAMILIES:
        fits, s, scatter = _fits(problem, family, u)
        for shape, fit in zip(family, fits, strict=True):
            found = proposed(
                partial(problem.log_density, shape, s),
                fit.at,
                fit.covariance,
                max(n_draws // 2, _LEAST_PROPOSED),
                rng,
            )
            proposals.append(found)
            evidence.append(found.log_evidence - float(np.log(s).sum()) + log(shape.weight))
            scatters.append(scatter)
    weights = np.exp(np.array(evidence) - max(evidence))
    weights /= weights.sum()
    counts = np.floor(weights * n_draws + 0.5).astype(int)
    counts[np.argmax(weights)] += n_draws - counts.sum()
    parts = [problem.split(found.drawn(count, rng)) for found, count in zip(proposals, counts, strict=True)]
    life, new, wear = (np.concatenate([part[i] for part in parts]) for i in range(3))
    shapes = tuple(chain(*FAMILIES))
    return WearCurve(
        problem.looks,
        {shape.name: float(weight) for shape, weight in zip(shapes, weights, strict=True)},
        np.repeat(scatters, counts),
        life,
        new,
        wear,
        shapes,
        tuple(part[3] for part in parts),
        points.ceiling,
    )


def _fits(problem: _Problem, shapes: Sequence[Shape], u: Array) -> tuple[list[Minimum], Array, float]:
    """Where each shape fits best, the points' uncertainty with the scatter that they need, and that scatter."""
    fits, s, scatter = [problem.fit(shape, u) for shape in shapes], u, 0.0
    for _ in range(2):  # a shape that bends to every point looks best as long as no scatter is allowed
        before, scatter = scatter, _scatter(problem, shapes, fits, u, scatter)
        if abs(scatter - before) <= _SAME_SCATTER * before:
            break
        s = np.hypot(u, scatter)
        fits = [problem.fit(shape, s, fit) for shape, fit in zip(shapes, fits, strict=True)]
    return fits, s, scatter


def _scatter(
    problem: _Problem, shapes: Sequence[Shape], fits: Sequence[Minimum], u: Array, before: float
) -> float:
    """Scatter that brings the best shape's sum of squares down to what it should be.

    As by Paule & Mandel, J. Res. NBS 87 (1982) 377-385 (from memory). As every parameter's prior counts as an
    observation, the sum of squares should be the number of points. The scatter is the same for all points and not in
    proportion to the wear: readings of a wear land scatter alike early and late, and the break-in, which scatters
    most in proportion, would blur what follows. Doubtful points have no say in it. The fits are those with the
    scatter that was found before.
    """
    from scipy.optimize import brentq

    points, sure = problem.points, ~problem.points.is_doubtful
    shape, best = min(zip(shapes, fits, strict=True), key=lambda fitted: fitted[1].sum_of_squares)
    scatter = 0.0
    for _ in range(4):
        residual2 = (points.value - problem.predicted(shape, best.at))[sure] ** 2
        # a curve that was bent to points held too sure is far from what was thought of it; half of them at most
        should = max(int(sure.sum()) - float(best.at @ best.at), _LEAST_SHOULD * int(sure.sum()))
        if should <= 0 or np.sum(residual2 / u[sure] ** 2) <= should:
            break
        most = float(np.sqrt(residual2.sum() / should))  # enough even if u were 0
        scatter = float(brentq(_excess, 0.0, most, args=(residual2, u[sure], should), xtol=1e-3 * most))
        if abs(scatter - before) <= _SAME_SCATTER * before:
            break
        before, best = scatter, problem.fit(shape, np.hypot(u, scatter), best)
    return scatter


def _excess(scatter: float, residual2: Array, u: Array, should: float) -> float:
    return float(np.sum(residual2 / (u**2 + scatter**2))) - should
