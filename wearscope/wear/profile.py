"""The fit of the light across an edge: silhouette and radius from the model of `wearscope.wear.arc`.

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

from wearscope.wear.arc import (
    MIRROR_REFLECTANCE,
    U_MIRROR_REFLECTANCE,
    arc_light,
    distinct,
    profile_parts,
    silhouette_from_line_um,
)
from wearscope.wear.uncertainty import Budget, Estimate, Input, covariance, linear

Array = NDArray[np.float64]

STEPS = np.array([1.0, 2.0, 0.1, 0.02, 0.3, 0.1, 0.1, 0.1])  # sensible sizes of change in each parameter
SMALL = 0.01  # of those, to take slopes by
# Ground and polished metals scatter with tails about as long as the Trowbridge-Reitz lobe's, 0.5: Walter et al. as
# above, and B. Burley, "Physically based shading at Disney", SIGGRAPH course notes 2012, from memory.
LOBE_TAIL = (0.45, 0.15)
U_MIRROR_MIXED = 0.4  # of what an uneven background mirrors, against what is seen of it
# Light against all light from the face, common practice, no source: the lamps outshine the room, and their image
# in the arc outshines the face.
SURROUNDINGS, U_SURROUNDINGS = 0.15, 0.08
LAMP_IMAGE, U_LAMP_IMAGE = 2.1, 0.7
SHARED = [3, 4, 5]  # parts with one strength for all channels; the others have one in each
UNKNOWN = 0.4  # standard uncertainty from which light says nothing: burnt out
LEAST_SCATTER = 0.3
STRENGTHS_KNOWN = 5  # the mirrored card in each channel, surroundings, lamp image


@dataclass(frozen=True)
class ProfilePrior:
    """What is known of an edge before its profile is looked at: estimate and standard uncertainty of each.

    Lengths in µm, angles in radians; `line_um` is where the lamp's image is, r (1 - sin(θ/2)) inside the
    silhouette: what the eye sees, and so the best place to start from. `tint`, shape (3,), is the light of
    the arc's own material facing the camera; its two ratios are fitted, with a prior of `u_log_tint`.
    `roughness` and `tail` are those of the lobe. `zone` says which edge it is.
    `radius_known` tells a radius known beforehand from one guessed from the very profile that is fitted.
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
class ProfileFit:
    """A fitted profile.

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
        Whether the profile itself shows the lamp's image; only asked of edges that have moved.
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


def fit_profile(
    d_um: Array,
    light: Array,
    u_light: Array,
    prior: ProfilePrior,
    *,
    starts: Sequence[tuple[float, float]] = (),
    mixed: bool = False,
    tie: WedgeTie | None = None,
    face_scale_um: float = 25.0,
    coat: Array | None = None,
) -> ProfileFit:
    """Fit the model to a profile averaged along an edge.

    Parameters
    ----------
    d_um : ndarray, shape (D,)
    light, u_light : ndarray, shape (D, 3)
        Mean linear light and its standard uncertainty, model error included.
    prior : ProfilePrior
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
    ProfileFit
        The best of several starts; its budgets are those of the linearised fit.
    """
    means, spread = prior.means(), prior.uncertainties()
    outside = d_um < silhouette_from_line_um(means) - 0.3 * means[1] - 2.0 * means[4]
    background = light[outside].mean(axis=0) if outside.sum() >= 3 else light[:3].mean(axis=0)
    u_mirror = U_MIRROR_MIXED if mixed else U_MIRROR_REFLECTANCE

    def scenes_of(parameters: Array) -> Scenes:
        tint = prior.tint[1] * np.exp(np.insert(parameters[:, 6:], 1, 0.0, axis=1))
        return Scenes(tint, background, u_mirror)

    def parts_of(parameters: Array) -> Array:
        # the tint does not move them
        shapes, which = distinct(parameters[:, :6])
        parts = profile_parts(d_um, shapes, face_scale_um)
        if coat is not None:
            parts = np.insert(parts, parts.shape[1], coat, axis=1)
        return parts[which]

    def residuals_of(parameters: Array) -> Array:
        # shape (P, 8) to (P, N): of several sets of parameters at once
        parts = parts_of(parameters)
        strengths, source_misfit = _strengths(parts, light, u_light, scenes_of(parameters))
        misfit = (parts.swapaxes(1, 2) @ strengths - light) / u_light
        known = (parameters - means) / spread
        rows = [misfit.reshape(len(parameters), -1), source_misfit, known]
        if tie is not None:
            tied = tie.residual(silhouette_from_line_um(parameters), parameters[:, 1])
            rows.append(tied[:, None])
        return np.concatenate(rows, axis=1)

    steps = np.vstack([np.zeros(len(means)), np.diag(SMALL * STEPS)])

    @lru_cache(maxsize=2)
    def around(at: bytes) -> Array:
        # by steps of a size of their own: a parameter may well be next to 0
        return residuals_of(np.frombuffer(at) + steps)

    def residuals(parameters: Array) -> Array:
        return np.asarray(around(parameters.tobytes())[0])

    def slopes(parameters: Array) -> Array:
        here, *stepped = around(parameters.tobytes())
        return np.asarray((np.array(stepped) - here).T / (SMALL * STEPS))

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
    parts = parts_of(best.x[None])
    strengths = _strengths(parts, light, u_light, scenes_of(best.x[None]))[0][0]
    missed = np.where(u_light < UNKNOWN, parts[0].T @ strengths - light, 0.0)
    misfit = float(np.sqrt(np.mean(missed**2))) / max(float(np.ptp(light)), 1e-6)
    return ProfileFit(
        silhouette=silhouette,
        radius=radius,
        ring_angle=float(best.x[2]),
        roughness=float(best.x[3]),
        blur_um=float(best.x[4]),
        misfit=misfit,
        bright_line_um=_bright_line_um(best.x, strengths),
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
    prior: ProfilePrior,
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
        Its rows as in `fit_profile`: light, strengths, parameters known beforehand, the tie.
    of_light : float
        How large the light's errors are, over what the fit weighed it by.
    prior : ProfilePrior
    tie : WedgeTie or None
    """
    gain = to_pair @ np.linalg.pinv(jacobian.T @ jacobian) @ jacobian.T
    first = len(jacobian) - len(parameters) - (tie is not None)
    line, radius, ring, roughness, blur, *tail_and_tint = range(first, first + len(parameters))
    strengths = list(range(first - STRENGTHS_KNOWN, first))
    gain[:, : strengths[0]] *= of_light
    light = [*range(strengths[0]), line]  # where the line is was guessed from the profile itself
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


@dataclass(frozen=True)
class Scenes:
    """What the strengths are measured against in one profile.

    Attributes
    ----------
    tint : ndarray, shape (P, 3)
        Light of the arc's material facing the camera, as each set of parameters has it. A conductor mirrors in its
        own colour, so lamps and surroundings share their strengths between the channels up to this factor; the card
        is mirrored by the outermost part of the arc, which may be bare where the rest is not.
    background : ndarray, shape (3,)
        Light of what lies behind.
    u_mirror : float
        Standard uncertainty of the share of it that the arc mirrors.
    """

    tint: Array
    background: Array
    u_mirror: float


def _strengths(parts: Array, light: Array, u_light: Array, scenes: Scenes) -> tuple[Array, Array]:
    """Least-squares strengths and the weighted misfits of the strengths' own priors.

    Parameters
    ----------
    parts : ndarray, shape (P, 9 or 10, D)
    light, u_light : ndarray, shape (D, 3)
    scenes : Scenes

    Returns
    -------
    strengths : ndarray, shape (P, 9 or 10, 3)
        Of each part in each channel; those of card, surroundings, ring and axial light are not negative.
    misfits : ndarray, shape (P, 5)
        Of the card in each channel, surroundings and lamp image, against what is known of them.
    """
    # per channel: background, its slope, mirrored card, three departures of the face; shared: the other sources
    its_own = [part for part in range(parts.shape[1]) if part not in SHARED]
    own, shared = parts[:, its_own], parts[:, SHARED]
    n_sets, n_own, n_shared = len(parts), len(its_own), len(SHARED)
    size = 3 * n_own + n_shared
    card = np.arange(3) * n_own + its_own.index(2)
    sources = np.arange(3 * n_own, size)
    at_known = np.concatenate([card, sources[:2]])
    tint = scenes.tint
    mirrored = MIRROR_REFLECTANCE * tint / tint.mean(axis=1, keepdims=True) * scenes.background
    known = np.column_stack([mirrored, np.full((n_sets, 2), [SURROUNDINGS, LAMP_IMAGE])])
    u_known = np.array([*(scenes.u_mirror * scenes.background + 0.002), U_SURROUNDINGS, U_LAMP_IMAGE])
    weight = 1.0 / u_light.T
    tinted = shared[:, None] * tint[:, :, None, None]
    each = np.broadcast_to(own[:, None], (n_sets, 3, *own.shape[1:]))
    design = np.concatenate([each, tinted], axis=2) * weight[:, None]  # P, channel, part, D
    gram, answer = design @ design.swapaxes(2, 3), (design @ (light.T * weight)[..., None])[..., 0]
    normal, right = np.zeros((n_sets, size, size)), np.zeros((n_sets, size))
    for channel in range(3):
        at = slice(channel * n_own, (channel + 1) * n_own)
        normal[:, at, at] = gram[:, channel, :n_own, :n_own]
        normal[:, at, 3 * n_own :] = gram[:, channel, :n_own, n_own:]
        normal[:, 3 * n_own :, at] = gram[:, channel, n_own:, :n_own]
        right[:, at] = answer[:, channel, :n_own]
    normal[:, 3 * n_own :, 3 * n_own :] = gram[:, :, n_own:, n_own:].sum(axis=1)
    right[:, 3 * n_own :] = answer[:, :, n_own:].sum(axis=1)
    normal[:, at_known, at_known] += 1.0 / u_known**2
    right[:, at_known] += known / u_known**2
    solution = _solved(normal, right, np.concatenate([card, sources]))
    strengths = np.empty((n_sets, n_own + n_shared, 3))
    strengths[:, its_own] = solution[:, : 3 * n_own].reshape(n_sets, 3, n_own).swapaxes(1, 2)
    strengths[:, SHARED] = solution[:, sources, None] * tint[:, None]
    return strengths, (solution[:, at_known] - known) / u_known


def _solved(normal: Array, right: Array, not_negative: NDArray[np.intp]) -> Array:
    """Solutions of several systems of normal equations, some of whose unknowns must not be negative.

    The systems are steps about the first one: what is left out there is left out in all, for slopes taken across the
    place where an unknown comes in are those of neither side, and a solver that trusts them creeps.

    Parameters
    ----------
    normal : ndarray, shape (P, N, N)
    right : ndarray, shape (P, N)
    not_negative : ndarray of int
        An unknown of these that comes out negative in the first system is left out, and the others are solved for
        again.
    """
    scale = 1.0 / np.sqrt(np.diagonal(normal, axis1=1, axis2=2) + 1e-18)
    scaled = normal * (scale[:, :, None] * scale[:, None, :]) + 1e-9 * np.eye(right.shape[1])
    wanted = (scale * right)[..., None]
    may_be_left = np.zeros(right.shape[1], bool)
    may_be_left[not_negative] = True
    use = np.arange(right.shape[1])
    while True:
        found = np.linalg.solve(scaled[:, use[:, None], use], wanted[:, use])[..., 0]
        negative = may_be_left[use] & (found[0] < 0.0)
        if not negative.any():
            break
        use = use[~negative]
    solution = np.zeros(right.shape)
    solution[:, use] = found
    return scale * solution


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
