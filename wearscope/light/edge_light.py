"""The fit of the light across an edge: silhouette and radius from the model of `wearscope.light.arc`.

The strengths of the model's parts are linear and solved for inside (variable projection); silhouette, radius, ring
angle, roughness, tail, blur and tint are fitted, each with what is known of it beforehand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, least_squares

from wearscope.light.arc import U_MIRROR_REFLECTANCE, arc_light, silhouette_from_line_um
from wearscope.light.projection import STRENGTHS_KNOWN, Observed
from wearscope.metrology.uncertainty import Budget, Estimate, Input, covariance, linear

Array = NDArray[np.float64]

STEPS = np.array([1.0, 2.0, 0.1, 0.02, 0.3, 0.1, 0.1, 0.1])  # sensible sizes of change in each parameter
SMALL = 0.01  # of those, to take slopes of the tie by
# Ground and polished metals scatter with tails about as long as the Trowbridge-Reitz lobe's, 0.5: Walter et al. as
# above, and B. Burley, "Physically based shading at Disney", SIGGRAPH course notes 2012, from memory.
LOBE_TAIL = (0.45, 0.15)
U_MIRROR_MIXED = 0.4  # of what an uneven background mirrors, against what is seen of it
UNKNOWN = 0.4  # standard uncertainty from which light says nothing: burnt out
LEAST_SCATTER = 0.3


@dataclass(frozen=True)
class LightPrior:
    """What is known of an edge before its light is looked at: estimate and standard uncertainty of each.

    Lengths in µm, angles in radians; `line_um` is where the lamp's image is, r (1 - sin(θ/2)) inside the
    silhouette: what the eye sees, and so the best place to start from. `tint`, shape (3,), is the light of
    the arc's own material facing the camera; its two ratios are fitted, with a prior of `u_log_tint`.
    `roughness` and `tail` are those of the lobe. `zone` says which edge it is.
    `radius_known` tells a radius known beforehand from one guessed from the very light that is fitted.
    """

    line_um: tuple[float, float]
    radius_um: tuple[float, float]
    ring_angle: tuple[float, float]
    roughness: tuple[float, float]
    blur_um: tuple[float, float]
    tint: Array
    u_log_tint: float
    tail: tuple[float, float] = LOBE_TAIL
    zone: str = "used"
    radius_known: bool = False

    def means(self) -> Array:
        """Estimates in the order of the fitted parameters."""
        known = (self.line_um, self.radius_um, self.ring_angle, self.roughness, self.blur_um, self.tail)
        log_tint = np.log(np.maximum(self.tint, 1e-3))
        return np.array([*(mean for mean, _ in known), log_tint[0] - log_tint[1], log_tint[2] - log_tint[1]])

    def uncertainties(self) -> Array:
        """Standard uncertainties in the same order."""
        known = (self.line_um, self.radius_um, self.ring_angle, self.roughness, self.blur_um, self.tail)
        return np.array([*(u for _, u in known), self.u_log_tint, self.u_log_tint])


@dataclass(frozen=True)
class WedgeTie:
    """What the wedge says of silhouette and radius together: both start from the unused edge.

    The silhouette lies (r - r₀) · factor inside the unused one, factor = cot(β/2) cos τ - sin τ - 1.

    Attributes
    ----------
    silhouette, radius : Budget
        Of the unused edge, µm; the silhouette as drawn on under the used one.
    factor : Budget
        From wedge angle and view tilt.
    """

    silhouette: Budget
    radius: Budget
    factor: Budget

    def u_um(self, radius_um: float | Array) -> Array:
        """Standard uncertainty of the tie at a radius."""
        grown_um = radius_um - self.radius.value
        return np.asarray(
            np.sqrt(
                self.silhouette.u**2
                + (self.factor.value * self.radius.u) ** 2
                + (grown_um * self.factor.u) ** 2
            )
        )

    def residual(self, silhouette_um: float | Array, radius_um: float | Array) -> Array:
        """Departure of a silhouette and radius from the tie, over its standard uncertainty."""
        expected_um = self.silhouette.value + (radius_um - self.radius.value) * self.factor.value
        return np.asarray((silhouette_um - expected_um) / self.u_um(radius_um))

    def parts(self, radius_um: float) -> list[tuple[float, Estimate]]:
        """Sensitivities of where the tie puts the silhouette, and to what."""
        grown_um = radius_um - self.radius.value
        return [(1.0, self.silhouette), (-self.factor.value, self.radius), (grown_um, self.factor)]


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

    Returns
    -------
    LightFit
        The best of several starts; its budgets are those of the linearised fit.
    """
    means, spread = prior.means(), prior.uncertainties()
    steps = np.vstack([np.zeros(len(means)), np.diag(SMALL * STEPS)])
    outside = d_um < silhouette_from_line_um(means) - 0.3 * means[1] - 2.0 * means[4]
    background = light[outside].mean(axis=0) if outside.sum() >= 3 else light[:3].mean(axis=0)
    u_mirror = U_MIRROR_MIXED if mixed else U_MIRROR_REFLECTANCE
    observed = Observed(d_um, light, u_light, prior.tint[1], background, u_mirror, face_scale_um, coat)

    @lru_cache(maxsize=2)
    def at(place: bytes) -> tuple[Array, Array, Array]:
        # residuals, slopes and strengths: a solver asks for residuals and slopes at the same place
        parameters = np.frombuffer(place)
        seen = observed.project(parameters)
        rows = [seen.residuals, (parameters - means) / spread]
        by_parameter = [seen.slopes, np.diag(1.0 / spread)]
        if tie is not None:
            stepped = parameters + steps
            here, *there = tie.residual(silhouette_from_line_um(stepped), stepped[:, 1])
            rows.append(here[None])
            by_parameter.append((there - here)[None] / (SMALL * STEPS))
        return np.concatenate(rows), np.concatenate(by_parameter), seen.strengths

    def residuals(parameters: Array) -> Array:
        return at(parameters.tobytes())[0]

    def slopes(parameters: Array) -> Array:
        return at(parameters.tobytes())[1]

    lower = np.array([d_um[0], 0.5, np.radians(8.0), 0.04, 0.2 * means[4], 0.02, -3.0, -3.0])
    upper = np.array([d_um[-1], 300.0, np.radians(85.0), 0.6, 5.0 * means[4], 0.9, 3.0, 3.0])

    def descend(start: Array, tolerance: float) -> OptimizeResult:
        return least_squares(
            residuals,
            np.clip(start, lower + 1e-6, upper - 1e-6),
            jac=slopes,
            bounds=(lower, upper),
            x_scale=STEPS,
            ftol=tolerance,
            xtol=tolerance,
            max_nfev=60,
        )

    # which basin is the deepest shows long before its bottom is reached
    tried = [descend(np.array([*pair, *means[2:]]), 1e-2) for pair in ((means[0], means[1]), *starts)]
    best = descend(min(tried, key=lambda result: result.cost).x, 1e-5)
    lever = 1.0 - np.sin(best.x[2] / 2.0)
    to_pair = np.array(
        [[1.0, -lever, 0.5 * best.x[1] * np.cos(best.x[2] / 2.0), *5 * [0.0]], [0.0, 1.0, *6 * [0.0]]]
    )
    of_light = _scatter_of_light(best.fun[: light.size].reshape(light.shape), u_light < UNKNOWN)
    silhouette, radius = _budgets(best.x, to_pair, np.asarray(best.jac, np.float64), of_light, prior, tie)
    missed = np.where(u_light < UNKNOWN, best.fun[: light.size].reshape(light.shape) * u_light, 0.0)
    misfit = float(np.sqrt(np.mean(missed**2))) / max(float(np.ptp(light)), 1e-6)
    return LightFit(
        silhouette=silhouette,
        radius=radius,
        ring_angle=float(best.x[2]),
        roughness=float(best.x[3]),
        blur_um=float(best.x[4]),
        misfit=misfit,
        bright_line_um=_bright_line_um(best.x, at(best.x.tobytes())[2]),
        strain=_strain(best.fun, best.jac) if tie is not None else 0.0,
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
    return float(np.clip(np.sqrt(power / known.sum() * alike), LEAST_SCATTER, 1.0))


def _budgets(
    parameters: Array,
    to_pair: Array,
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
    parameters : ndarray, shape (8,)
    to_pair : ndarray, shape (2, 8)
        Change of silhouette and radius with the parameters.
    jacobian : ndarray, shape (N, 8)
        Its rows as in `fit_light`: light, strengths, parameters known beforehand, the tie.
    of_light : float
        How large the light's errors are, over what the fit weighed it by.
    prior : LightPrior
    tie : WedgeTie or None
    """
    gain = to_pair @ np.linalg.pinv(jacobian.T @ jacobian) @ jacobian.T
    first = len(jacobian) - len(parameters) - (tie is not None)
    line, radius, ring, roughness, blur, *tail_and_tint = range(first, first + len(parameters))
    strengths = list(range(first - STRENGTHS_KNOWN, first))
    gain[:, : strengths[0]] *= of_light
    light = [*range(strengths[0]), line]  # where the line is was guessed from the light itself
    parts: list[tuple[Array, Estimate]] = [
        (gain[:, ring] / prior.ring_angle[1], _known("ring angle", prior.ring_angle))
    ]
    if prior.radius_known:
        parts.append((gain[:, radius] / prior.radius_um[1], _known("radius when new", prior.radius_um)))
    else:
        light.append(radius)
    own = {
        "light across the edge": light,
        "lamps and mirrored background": strengths,
        "roughness and colour of the edge": [roughness, *tail_and_tint],
        "blur": [blur],
    }
    correlations = {}
    for what, rows in own.items():
        spread = gain[:, rows] @ gain[:, rows].T
        u = np.sqrt(np.diag(spread))
        pair = [
            Input(f"{what} ({prior.zone}, {result})", 0.0, float(u[k]))
            for k, result in enumerate(("silhouette", "radius"))
        ]
        parts += zip(np.eye(2), pair, strict=True)
        if u.all():
            correlations[pair[0].name, pair[1].name] = float(np.clip(spread[0, 1] / u.prod(), -1.0, 1.0))
    if tie is not None:
        by_tie = gain[:, -1] / tie.u_um(parameters[1])
        parts += [(by_tie * slope, estimate) for slope, estimate in tie.parts(parameters[1])]
    values = (float(silhouette_from_line_um(parameters)), float(parameters[1]))
    silhouette, radius_budget = (
        linear(value, [(float(slope[k]), estimate) for slope, estimate in parts], correlations)
        for k, value in enumerate(values)
    )
    return silhouette, radius_budget


def _known(name: str, estimate: tuple[float, float]) -> Input:
    return Input(name, float(estimate[0]), float(estimate[1]))


def _bright_line_um(parameters: Array, strengths: Array) -> float:
    """Where the unblurred arc is brightest, all channels together."""
    radius_um, (ring_angle, roughness, tail) = parameters[1], parameters[[2, 3, 5]]
    x = np.linspace(0.0, radius_um, 200)
    ring, axial, card = arc_light(1.0 - x / radius_um, ring_angle, roughness, tail)
    s = strengths.sum(axis=1)
    lamp = arc_light(np.array([np.sin(ring_angle / 2.0)]), ring_angle, roughness, tail)[0]
    level = s[2] * card + s[3] * (1.0 - card) + s[4] * ring / lamp + s[5] * axial / axial[-1]
    peak = int(np.argmax(level))
    return float(silhouette_from_line_um(parameters) + x[peak]) if 0 < peak < len(x) - 1 else float("nan")
