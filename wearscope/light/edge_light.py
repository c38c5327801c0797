"""The fit of the light across an edge: silhouette and radius from the model of `wearscope.light.arc`.

The strengths of the model's parts are linear and solved for inside (variable projection); silhouette, radius, ring
angle, roughness, tail, blur and tint are fitted, each with what is known of it beforehand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, least_squares

from wearscope.light.arc import U_MIRROR_REFLECTANCE, arc_light
from wearscope.light.fringes import EXPLAINS, MOST, SETTLED, Fringes, fringes, shown, without_fringes
from wearscope.light.known import LightPrior, WedgeTie
from wearscope.light.parameters import AT, LightParameters
from wearscope.light.projection import ARC_PARTS, STRENGTHS_KNOWN, Observed
from wearscope.metrology.uncertainty import Budget, Estimate, Input, covariance, linear

Array = NDArray[np.float64]

# sensible sizes of change in each parameter; chosen: they decide the way of the solver, not where it ends
STEPS = LightParameters(
    line_um=1.0,
    radius_um=2.0,
    ring_angle=0.1,
    roughness=0.02,
    blur_um=0.3,
    tail=0.1,
    red_tint=0.1,
    blue_tint=0.1,
).packed()
SMALL = 0.01  # of those, to take slopes of the tie by
U_MIRROR_MIXED = 0.4  # of what an uneven background mirrors, against what is seen of it
UNKNOWN = 0.4  # standard uncertainty from which light says nothing: burnt out
LEAST_SCATTER = 0.3  # of what is assumed of the light's errors, that they are at least; chosen, no source
# What the parameters may be: wider than any tool and lamp; blur in terms of that expected. Chosen, no source.
RADII_UM, RING_ANGLES, ROUGHNESSES = (0.5, 300.0), (np.radians(8.0), np.radians(85.0)), (0.04, 0.6)
BLURS, TAILS, LOG_TINTS = (0.2, 5.0), (0.02, 0.9), (-3.0, 3.0)
# so far outside the expected silhouette lies background alone; and so many samples make its light; chosen
SURELY_RADII, SURELY_BLURS, LEAST_OUTSIDE = 0.3, 2.0, 3
# relative change at which a descent ends: to tell basins, and to measure; chosen
ROUGHLY, FINELY = 1e-2, 1e-5
FRINGE_ROUNDS = 8  # a fit that has to suit all channels at once first sees too little of a shift; chosen
U_SHARP_UM = 0.02  # by which an edge without rounding is held to the least radius; chosen
MOST_PLACES = 64  # of all descents of a fit that are remembered; chosen: more than they take


@dataclass(frozen=True)
class LightFit:
    """The model fitted to the light across an edge.

    Attributes
    ----------
    silhouette, radius : Budget
        In µm, with what each of the things known beforehand and the light itself contribute.
    ring_angle, roughness, blur_um : float
    misfit : float
        Root mean square of the residuals over the light's own range: how far the model is from the photo.
    bright_line_um : float
        Where the modelled arc is brightest, unblurred; NaN when it has no lamp line.
    lamp_seen : bool
        Whether the light itself shows the lamp's image; only asked of edges that have moved.
    strain : float
        By how many standard uncertainties the light alone contradicts the tie; 0 without one.
    strained : bool
        Whether that is more than the model's own error does on circular edges.
    rounding_evidence : float
        By how much an edge without rounding suits the light worse, as a sum of squares over the light's own errors,
        whatever was known of the radius; infinite where that was not asked.
    """

    silhouette: Budget
    radius: Budget
    ring_angle: float
    roughness: float
    blur_um: float
    misfit: float
    bright_line_um: float
    lamp_seen: bool = True
    strain: float = 0.0
    strained: bool = False
    rounding_evidence: float = float("inf")

    @property
    def silhouette_um(self) -> float:
        """Depth of the silhouette."""
        return self.silhouette.value

    @property
    def radius_um(self) -> float:
        """Edge radius."""
        return self.radius.value

    @property
    def u_silhouette_um(self) -> float:
        """Standard uncertainty of the silhouette's depth."""
        return self.silhouette.u

    @property
    def u_radius_um(self) -> float:
        """Standard uncertainty of the radius."""
        return self.radius.u

    @property
    def correlation(self) -> float:
        """Between silhouette and radius."""
        return covariance(self.silhouette, self.radius) / (self.silhouette.u * self.radius.u)


def fit_light(
    d_um: Array,
    light: Array,
    u_light: Array,
    prior: LightPrior,
    *,
    starts: Sequence[tuple[float, float]] = (),
    mixed: bool = False,
    tie: WedgeTie | None = None,
    face_scale_um: float = 25.0,
    coat: Array | None = None,
    ask_rounding: bool = False,
) -> LightFit:
    """Fit the model to light averaged along an edge.

    Parameters
    ----------
    d_um : ndarray, shape (D,)
    light, u_light : ndarray, shape (D, 3)
        Mean linear light and its standard uncertainty, model error included.
    prior : LightPrior
    starts : sequence of (float, float)
        Bright lines and radii (µm) to start from besides those of the prior: the radius is the one parameter
        whose basin must be looked for.
    mixed : bool
        Whether the background is uneven, so that the arc may mirror something else than is seen beside it.
    tie : WedgeTie, optional
        For a used edge whose unused neighbour has been fitted.
    face_scale_um : float
        Depth over which the face may change beyond the arc.
    coat : ndarray, shape (D,), optional
        How much of the edge is coated at each depth, where that changes.
    ask_rounding : bool
        Whether to compare with an edge that is not rounded.

    Returns
    -------
    LightFit
        The best of several starts; its budgets are those of the linearised fit.
    """
    means = prior.means()
    u_mirror = U_MIRROR_MIXED if mixed else U_MIRROR_REFLECTANCE
    background = _background(d_um, light, means)
    observed = Observed(d_um, light, u_light, prior.tint[1], background, u_mirror, face_scale_um, coat)
    problem = _Problem(observed, means.packed(), prior.uncertainties().packed(), tie)
    # which basin is the deepest shows long before its bottom is reached
    tried = [
        problem.descended(replace(means, line_um=line_um, radius_um=radius_um), ROUGHLY)
        for line_um, radius_um in ((means.line_um, means.radius_um), *starts)
    ]
    near = min(tried, key=lambda result: result.cost).x
    best = problem.descended(LightParameters.unpacked(near), FINELY)
    end, problem, taken = _fringes_taken(best, problem)
    fit = _light_fit(end, problem, taken, prior)
    return replace(fit, rounding_evidence=_rounding_evidence(end, problem)) if ask_rounding else fit


def _rounding_evidence(best: OptimizeResult, problem: _Problem) -> float:
    """How much worse an edge of the least radius suits the light, over the scatter that the light shows.

    Twice the logarithm of the ratio of likelihoods (S. S. Wilks, Annals of Mathematical Statistics 9, 1938, from
    memory). What is known of the radius beforehand has no part in it, so that the photo alone decides.
    """
    at = LightParameters.unpacked(best.x)
    sharp = problem.held_to_radius(RADII_UM[0], U_SHARP_UM)
    starts = (at.silhouette_um, problem.means[AT["line_um"]])
    tried = [
        sharp.descended(replace(at, line_um=float(line_um), radius_um=RADII_UM[0]), FINELY)
        for line_um in starts
    ]
    worse = min(problem.misfit_but_radius(each.x) for each in tried) - problem.misfit_but_radius(best.x)
    scatter = max(1.0, _scatter_of_light(*_left_over(best, problem.observed)))
    return float(worse / scatter**2)


def _fringes_taken(
    best: OptimizeResult, problem: _Problem
) -> tuple[OptimizeResult, _Problem, Fringes | None]:
    """The end of a descent, gone on from once red and blue lie over green, if that is what was left over."""
    end, moved, taken = best, problem, Fringes()
    blur_um = LightParameters.unpacked(best.x).blur_um
    for _ in range(FRINGE_ROUNDS):
        left, known = _left_over(end, moved.observed)
        more, u_more = fringes(moved.observed, left, partial(_scatter_of_light, known=known))
        if taken.within(0.0) and not shown(more, u_more, blur_um):
            return best, problem, None
        if more.within(SETTLED * blur_um):
            break
        taken += more
        light = without_fringes(problem.observed.d_um, problem.observed.light, taken)
        moved = problem.on(replace(problem.observed, light=light))
        end = moved.descended(LightParameters.unpacked(end.x), FINELY)
    before, after = (
        np.sum(_left_over(*each)[0] ** 2) for each in ((best, problem.observed), (end, moved.observed))
    )
    explained = after < EXPLAINS * before and taken.within(MOST * blur_um)
    return (end, moved, taken) if explained else (best, problem, None)


def _left_over(best: OptimizeResult, observed: Observed) -> tuple[Array, NDArray[np.bool_]]:
    """Model less light over its uncertainty, shape (D, 3), 0 where the light says nothing; and where it does."""
    known = observed.u_light < UNKNOWN
    return np.where(known, best.fun[: known.size].reshape(known.shape), 0.0), known


def _light_fit(best: OptimizeResult, problem: _Problem, taken: Fringes | None, prior: LightPrior) -> LightFit:
    """What the end of a descent says."""
    light, tie = problem.observed.light, problem.tie
    at, jacobian = LightParameters.unpacked(best.x), np.asarray(best.jac, np.float64)
    residuals, known = _left_over(best, problem.observed)
    of_light = _scatter_of_light(residuals, known)
    silhouette, radius = _budgets(at, jacobian, of_light, prior, tie)
    if taken is not None:
        u_place = Input("fringes of colour", 0.0, taken.u_place_um, of=(_own(prior.zone, "silhouette"),))
        silhouette = linear(silhouette.value, [(1.0, silhouette), (1.0, u_place)])
    missed = residuals * problem.observed.u_light
    return LightFit(
        silhouette=silhouette,
        radius=radius,
        ring_angle=at.ring_angle,
        roughness=at.roughness,
        blur_um=at.blur_um,
        misfit=float(np.sqrt(np.mean(missed**2))) / max(float(np.ptp(light)), 1e-6),
        bright_line_um=_bright_line_um(at, problem.strengths(best.x)),
        strain=_strain(best.fun, jacobian) if tie is not None else 0.0,
    )


def _background(d_um: Array, light: Array, means: LightParameters) -> Array:
    """Mean light of what surely lies outside the edge, shape (3,)."""
    first_um = means.silhouette_um - SURELY_RADII * means.radius_um - SURELY_BLURS * means.blur_um
    outside = d_um < first_um
    return np.asarray(light[outside if outside.sum() >= LEAST_OUTSIDE else slice(LEAST_OUTSIDE)].mean(axis=0))


class _Problem:
    """The least squares of a fit: the light, what is known of the parameters, and the tie."""

    def __init__(self, observed: Observed, means: Array, spread: Array, tie: WedgeTie | None) -> None:
        self.observed, self.means, self.spread, self.tie = observed, means, spread, tie
        blur_um, depths_um = means[AT["blur_um"]], (observed.d_um[0], observed.d_um[-1])
        self.lower, self.upper = (
            LightParameters(
                line_um=float(depths_um[end]),
                radius_um=RADII_UM[end],
                ring_angle=RING_ANGLES[end],
                roughness=ROUGHNESSES[end],
                blur_um=float(BLURS[end] * blur_um),
                tail=TAILS[end],
                red_tint=LOG_TINTS[end],
                blue_tint=LOG_TINTS[end],
            ).packed()
            for end in (0, 1)
        )
        # a solver asks for residuals and slopes at the same place, and the last descent begins where another ended
        self._at = lru_cache(maxsize=MOST_PLACES)(self._worked_out)

    def on(self, observed: Observed) -> _Problem:
        """The same of other light."""
        return _Problem(observed, self.means, self.spread, self.tie)

    def held_to_radius(self, radius_um: float, u_um: float) -> _Problem:
        """The same with another radius known beforehand."""
        means, spread = self.means.copy(), self.spread.copy()
        means[AT["radius_um"]], spread[AT["radius_um"]] = radius_um, u_um
        return _Problem(self.observed, means, spread, self.tie)

    def misfit_but_radius(self, vector: Array) -> float:
        """Sum of squared residuals without that of the radius known beforehand."""
        residuals = self._residuals(vector)
        of_radius = len(residuals) - len(AT) - (self.tie is not None) + AT["radius_um"]
        return float((residuals**2).sum() - residuals[of_radius] ** 2)

    def _worked_out(self, place: bytes) -> tuple[Array, Array, Array]:
        """Residuals, their slopes, and the strengths of the light's parts."""
        vector = np.frombuffer(place)
        parameters = LightParameters.unpacked(vector)
        seen = self.observed.project(parameters)
        rows = [seen.residuals, (vector - self.means) / self.spread]
        by_parameter = [seen.slopes, np.diag(1.0 / self.spread)]
        if self.tie is not None:
            here = self.tie.residual(parameters.silhouette_um, parameters.radius_um)
            slopes = np.zeros((1, len(vector)))
            for name in ("line_um", "radius_um", "ring_angle"):  # the others have no say in it
                step = SMALL * STEPS[AT[name]]
                moved = replace(parameters, **{name: getattr(parameters, name) + step})
                slopes[0, AT[name]] = (self.tie.residual(moved.silhouette_um, moved.radius_um) - here) / step
            rows.append(here[None])
            by_parameter.append(slopes)
        return np.concatenate(rows), np.concatenate(by_parameter), seen.strengths

    def strengths(self, vector: Array) -> Array:
        """Of the light's parts, as of `Projection`."""
        return self._at(vector.tobytes())[2]

    def _residuals(self, vector: Array) -> Array:
        return self._at(vector.tobytes())[0]

    def _slopes(self, vector: Array) -> Array:
        return self._at(vector.tobytes())[1]

    def descended(self, start: LightParameters, tolerance: float) -> OptimizeResult:
        """The end of a descent from a start."""
        return least_squares(
            self._residuals,
            np.clip(start.packed(), self.lower + 1e-6, self.upper - 1e-6),
            jac=self._slopes,
            bounds=(self.lower, self.upper),
            x_scale=STEPS,
            ftol=tolerance,
            xtol=tolerance,
            max_nfev=60,
        )


def _strain(residuals: Array, jacobian: Array) -> float:
    """By how many standard uncertainties the light alone contradicts the tie, the last residual of a fit.

    The tie pulls the fit towards itself, so its residual looks small. Over √(1 - leverage) it is what a fit without
    the tie would have departed by, in units of the uncertainty of both: the deleted residual of linear regression
    (R. D. Cook and S. Weisberg, "Residuals and Influence in Regression", 1982, from memory).
    """
    row = jacobian[-1]
    leverage = float(row @ np.linalg.pinv(jacobian.T @ jacobian) @ row)
    return float(residuals[-1] / np.sqrt(max(1.0 - leverage, 1e-6)))


def _scatter_of_light(residuals: Array, known: NDArray[np.bool_]) -> float:
    """How large the light's errors are, over what was assumed of them, as the fit's residuals show.

    Model errors lie alike in neighbouring samples: as many of these count as one as their correlation says.

    Parameters
    ----------
    residuals : ndarray, shape (D, 3)
        Over their assumed standard uncertainties.
    known : ndarray of bool, shape (D, 3)
    """
    rest = np.where(known, residuals, 0.0)
    power = float((rest**2).sum())
    if power <= 0.0:
        return 1.0  # all burnt out: nothing was seen
    alike = 1.0
    for lag in range(1, len(rest) // 4):
        correlation = float((rest[lag:] * rest[:-lag]).sum()) / power
        if correlation <= 0.0:
            break
        alike += 2.0 * correlation
    return float(max(np.sqrt(power / known.sum() * alike), LEAST_SCATTER))


def _budgets(
    parameters: LightParameters,
    jacobian: Array,
    of_light: float,
    prior: LightPrior,
    tie: WedgeTie | None,
) -> tuple[Budget, Budget]:
    """What the silhouette and the radius of a fit owe to each thing that went into it.

    Near its end the fit is linear: with residuals in units of their standard uncertainties and Jacobian J, moving
    what was observed or known by δ of these units moves the parameters by (JᵀJ)⁻¹Jᵀδ. So each residual has its
    column of sensitivities, and the covariances of all together make up the (JᵀJ)⁻¹ of the whole fit. The strengths
    solved for inside do not change this: J is then orthogonal to what they can take up.

    Parameters
    ----------
    parameters : LightParameters
    jacobian : ndarray, shape (N, 8)
        Its rows as in `fit_light`: light, strengths, parameters known beforehand, the tie.
    of_light : float
        How large the light's errors are, over what the fit weighed it by.
    prior : LightPrior
    tie : WedgeTie or None
    """
    to_pair = np.array([parameters.silhouette_slopes, np.arange(len(AT)) == AT["radius_um"]])
    gain = to_pair @ np.linalg.pinv(jacobian.T @ jacobian) @ jacobian.T
    first = len(jacobian) - len(AT) - (tie is not None)
    row = {name: first + place for name, place in AT.items()}
    strengths = list(range(first - STRENGTHS_KNOWN, first))
    gain[:, : strengths[0]] *= of_light
    light = [*range(strengths[0]), row["line_um"]]  # where the line is was guessed from the light itself
    parts: list[tuple[Array, Estimate]] = [
        (gain[:, row["ring_angle"]] / prior.ring_angle[1], _known("ring angle", prior.ring_angle))
    ]
    if prior.radius_known:
        parts.append(
            (gain[:, row["radius_um"]] / prior.radius_um[1], _known("radius when new", prior.radius_um))
        )
    else:
        light.append(row["radius_um"])
    own = {
        "light across the edge": light,
        "lamps and mirrored background": strengths,
        "roughness and colour of the edge": [
            row[name] for name in ("roughness", "tail", "red_tint", "blue_tint")
        ],
        "blur": [row["blur_um"]],
    }
    of_own, correlations = _of_own({what: gain[:, rows] for what, rows in own.items()}, prior.zone)
    parts += of_own
    if tie is not None:
        by_tie = gain[:, -1] / tie.u_um(parameters.radius_um)
        parts += [(by_tie * slope, estimate) for slope, estimate in tie.parts(parameters.radius_um)]
    values = (parameters.silhouette_um, parameters.radius_um)
    silhouette, radius_budget = (
        linear(value, [(float(slope[k]), estimate) for slope, estimate in parts], correlations)
        for k, value in enumerate(values)
    )
    return silhouette, radius_budget


def _of_own(
    gains: Mapping[str, Array], zone: str
) -> tuple[list[tuple[Array, Estimate]], dict[tuple[str, str], float]]:
    """Inputs that one fit has to itself: each moves silhouette and radius, and both are correlated by it."""
    parts: list[tuple[Array, Estimate]] = []
    correlations = {}
    for what, gain in gains.items():
        spread = gain @ gain.T
        u = np.sqrt(np.diag(spread))
        pair = [
            Input(what, 0.0, float(u[k]), of=(_own(zone, result),))
            for k, result in enumerate(("silhouette", "radius"))
        ]
        parts += zip(np.eye(2), pair, strict=True)
        if u.all():
            correlations[pair[0].name, pair[1].name] = float(np.clip(spread[0, 1] / u.prod(), -1.0, 1.0))
    return parts, correlations


def _own(zone: str, result: str) -> str:
    """Whose an input is that one fit has to itself."""
    return f"{zone}, {result}"


def _known(name: str, estimate: tuple[float, float]) -> Input:
    return Input(name, float(estimate[0]), float(estimate[1]))


def _bright_line_um(parameters: LightParameters, strengths: Array) -> float:
    """Where the unblurred arc is brightest, all channels together."""
    lights = parameters.ring_angle, parameters.roughness, parameters.tail
    x = np.linspace(0.0, parameters.radius_um, 200)
    ring, axial, card = arc_light(1.0 - x / parameters.radius_um, *lights)
    lamp = arc_light(np.array([np.sin(parameters.ring_angle / 2.0)]), *lights)[0]
    of_card, of_surroundings, of_ring, of_axial = strengths.sum(axis=1)[ARC_PARTS]
    level = (
        of_card * card + of_surroundings * (1.0 - card) + of_ring * ring / lamp + of_axial * axial / axial[-1]
    )
    peak = int(np.argmax(level))
    return float(parameters.silhouette_um + x[peak]) if 0 < peak < len(x) - 1 else float("nan")
