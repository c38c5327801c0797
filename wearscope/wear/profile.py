"""The light across an edge: a model of what a rounded edge sends to the camera, and its fit.

Across an edge, from outside to inside, the camera sees the background, then the arc of radius r, whose
outermost part mirrors what lies behind and beside the tool, then the image of the lamp ring in the arc, then
the face. The normal of the arc at distance x inside the silhouette leans outward by φ with sin φ = 1 - x/r.
What that place sends to the camera is a sum of four parts with unknown strengths:

- the background card mirrored, where the mirrored ray (2 φ from the view axis) points below the face,
- the surroundings mirrored, elsewhere,
- the lamp ring at angle θ from the view axis, through the microfacet lobe of a rough conductor, summed over
  the ring's azimuths,
- light along the view axis through the same lobe,

followed by the face. The whole is blurred by the photo's point spread. The strengths are linear and solved for
inside (variable projection); silhouette, radius, ring angle, roughness and blur are fitted.

The lobe is that of a microfacet surface with Smith shadowing (B. Walter et al., "Microfacet models for refraction
through rough surfaces", EGSR 2007, from memory). How far its tails reach decides how much of the lamps' light the
outermost arc still sends, which before a dark background is all that shows it: a Gaussian lobe has too little
there, and the fit then moves silhouette and ring angle to make up for it. So the tail is fitted (`lobe`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, least_squares
from scipy.special import stdtr

from wearscope.wear.uncertainty import Budget, Estimate, Input, covariance, linear

Array = NDArray[np.float64]

STEPS = np.array([1.0, 2.0, 0.1, 0.02, 0.3, 0.1, 0.1, 0.1])  # sensible sizes of change in each parameter
SMALL = 0.01  # of those, to take slopes by
# Ground and polished metals scatter with tails about as long as the Trowbridge-Reitz lobe's, 0.5: Walter et al. as
# above, and B. Burley, "Physically based shading at Disney", SIGGRAPH course notes 2012, from memory.
LOBE_TAIL = (0.45, 0.15)
LEANS = np.sin(np.linspace(0.0, np.pi / 2, 361))
AZIMUTHS = (np.arange(12) + 0.5) / 12 * np.pi  # half the ring; the other half mirrors it
MIRROR_REFLECTANCE, U_MIRROR_REFLECTANCE = 0.5, 0.15  # carbide and hard coatings, visible light
U_MIRROR_MIXED = 0.4  # of what an uneven background mirrors, against what is seen of it
# Light against all light from the face, common practice, no source: the lamps outshine the room, and their image
# in the arc outshines the face.
SURROUNDINGS, U_SURROUNDINGS = 0.15, 0.08
LAMP_IMAGE, U_LAMP_IMAGE = 2.1, 0.7
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

    def u_um(self, radius_um: float) -> float:
        """Standard uncertainty of the tie at a radius."""
        grown_um = radius_um - self.radius.value
        return float(
            np.sqrt(
                self.silhouette.u**2
                + (self.factor.value * self.radius.u) ** 2
                + (grown_um * self.factor.u) ** 2
            )
        )

    def residual(self, silhouette_um: float, radius_um: float) -> float:
        """Departure of a silhouette and radius from the tie, over its standard uncertainty."""
        expected_um = self.silhouette.value + (radius_um - self.radius.value) * self.factor.value
        return (silhouette_um - expected_um) / self.u_um(radius_um)

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


def silhouette_from_line_um(parameters: Array) -> float:
    """The silhouette lies r (1 - sin(θ/2)) outside the lamp's image."""
    return float(parameters[0] - parameters[1] * (1.0 - np.sin(parameters[2] / 2.0)))


def lobe(square: Array, tail: float) -> Array:
    """Density of microfacets by their slope, but for a constant factor.

    Parameters
    ----------
    square : ndarray
        Squared slope from the mean surface over the squared roughness.
    tail : float
        κ in (1 + κ s²)^(-1/κ): towards 0 the Gaussian lobe of Beckmann, 0.5 that of Trowbridge and Reitz.
    """
    return np.asarray((1.0 + tail * square) ** (-1.0 / tail))


def facets(cos_delta: Array, roughness: float, tail: float) -> Array:
    """Density of microfacet normals at angle delta from the surface normal, but for a constant factor."""
    c2 = np.clip(cos_delta, 1e-3, 1.0) ** 2
    return np.asarray(lobe((1.0 - c2) / (c2 * roughness**2), tail) / c2**2)


def smith_g1(cosine: Array, roughness: float) -> Array:
    """Share of microfacets not hidden in one direction (rational approximation of the same paper)."""
    c = np.clip(cosine, 1e-6, 1.0 - 1e-12)
    a = c / np.sqrt(1.0 - c**2) / roughness
    return np.where(a < 1.6, (3.535 * a + 2.181 * a**2) / (1.0 + 2.276 * a + 2.577 * a**2), 1.0)


def arc_light(sin_phi: Array, ring_angle: float, roughness: float, tail: float) -> tuple[Array, Array, Array]:
    """Light from a place of the arc whose normal leans outward by φ.

    Parameters
    ----------
    sin_phi : ndarray, shape (N,)
    ring_angle : float
        Angle θ between view axis and lamps, radians.
    roughness, tail : float
        Of the lobe.

    Returns
    -------
    ring, axial, card : ndarray, shape (N,)
        From the lamp ring, from light along the view axis, and the share of the mirrored background (the rest
        mirrors the surroundings), each for unit source strength.
    """
    cos_phi = np.sqrt(np.clip(1.0 - sin_phi**2, 0.0, 1.0))
    hidden = smith_g1(cos_phi, roughness) / (4.0 * np.maximum(cos_phi, 1e-3))
    lean = np.cos(AZIMUTHS)
    half, full = ring_angle / 2.0, ring_angle
    to_half = sin_phi[:, None] * np.sin(half) * lean + cos_phi[:, None] * np.cos(half)
    to_lamp = sin_phi[:, None] * np.sin(full) * lean + cos_phi[:, None] * np.cos(full)
    lit = smith_g1(to_lamp, roughness) * (to_lamp > 0.0)
    ring = (facets(to_half, roughness, tail) * lit).mean(axis=1) * hidden
    axial = facets(cos_phi, roughness, tail) * smith_g1(cos_phi, roughness) * hidden
    # the mirrored ray falls below the face at 90°
    card = mirrored_beyond(np.arcsin(np.clip(sin_phi, 0.0, 1.0)), np.pi / 2.0, roughness, tail)
    return ring, axial, card


def mirrored_beyond(lean: Array, beyond: float, roughness: float, tail: float) -> Array:
    """Share of the facets of a leaning surface that mirror what lies beyond an angle from the view axis.

    A facet mirrors at twice its own lean. The slope of the lobe in one direction has the density
    (1 + κ s² / α²)^(1/2 - 1/κ): Student's t with 2/κ - 2 degrees of freedom, of s √(2 - 2κ) / α.

    Parameters
    ----------
    lean : ndarray
        Of the mean surface, radians.
    beyond : float
        Radians.
    roughness, tail : float
        Of the lobe.
    """
    slope = np.tan(lean - beyond / 2.0)
    return np.asarray(stdtr(2.0 / tail - 2.0, slope * np.sqrt(2.0 - 2.0 * tail) / roughness))


@lru_cache(maxsize=32)
def _lobes(ring_angle: float, roughness: float, tail: float) -> tuple[Array, Array, Array]:
    # the solver's steps in the other parameters leave these as they are
    return arc_light(LEANS, ring_angle, roughness, tail)


def profile_parts(d_um: Array, parameters: Array, face_scale_um: float) -> Array:
    """The parts of the light across an edge, each blurred, for unit strength.

    The lamp ring's part is 1 where its image is brightest, the axial light's where the arc meets the face.

    Parameters
    ----------
    d_um : ndarray, shape (D,)
    parameters : ndarray, shape (6,) or longer
        Nominal bright line (µm), radius (µm), ring angle (rad), roughness, blur (µm), tail.
    face_scale_um : float
        Depth over which the face may change beyond the arc (ragged coating, vignetting).

    Returns
    -------
    ndarray, shape (9, D)
        Background level and slope; arc: card, surroundings, ring, axial; face: three departures beyond the arc.
    """
    _, radius_um, ring_angle, roughness, blur_um, tail = parameters[:6]
    silhouette_um = silhouette_from_line_um(parameters)
    step_um = min(0.5, blur_um / 4.0, max(radius_um / 12.0, 0.1))
    margin_um = 4.0 * blur_um + step_um
    # samples keep their places on the arc, so that the light changes smoothly with every parameter
    first = int(np.floor((d_um[0] - margin_um - silhouette_um) / step_um))
    last = int(np.ceil((d_um[-1] + margin_um - silhouette_um) / step_um))
    inside_um = (np.arange(first, last) + 0.5) * step_um
    x = inside_um + silhouette_um
    inside = (inside_um > 0.0).astype(float)
    sin_phi = np.clip(1.0 - np.maximum(inside_um, 0.0) / radius_um, 0.0, 1.0)
    on_arc = slice(0, int(np.searchsorted(inside_um, radius_um)) + 2)
    ring, axial, card = (np.empty_like(x) for _ in range(3))
    lobes = _lobes(float(ring_angle), float(roughness), float(tail))
    for part, lobe, unit in zip((ring, axial, card), lobes, (lobes[0].max(), lobes[1][0], 1.0), strict=True):
        part[on_arc] = np.interp(sin_phi[on_arc], LEANS, lobe / unit)
    for part in (ring, axial, card):
        part[on_arc.stop :] = part[min(on_arc.stop, len(x)) - 1]
    # towards grazing every surface mirrors better (Schlick's form, relative to normal incidence)
    cos_phi = np.sqrt(1.0 - sin_phi**2)
    grazing = 1.0 + (1.0 / MIRROR_REFLECTANCE - 1.0) * (1.0 - cos_phi) ** 5
    beyond = np.maximum(inside_um - radius_um, 0.0) / face_scale_um
    parts = np.array(
        [
            1.0 - inside,
            (1.0 - inside) * inside_um / face_scale_um,
            inside * card * grazing,
            inside * (1.0 - card) * grazing,
            inside * ring,
            inside * axial,
            inside * np.minimum(beyond, 1.0),
            inside * np.minimum(beyond / 2.0, 1.0),
            inside * np.minimum(beyond / 4.0, 1.0),
        ]
    )
    return _blurred_at(parts, x, d_um, blur_um, step_um)


def _blurred_at(parts: Array, x: Array, d_um: Array, blur_um: float, step_um: float) -> Array:
    """Gaussian blur of each part, evaluated only where it is needed."""
    reach = int(np.ceil(4.0 * blur_um / step_um))
    nearest = np.clip(np.round((d_um - x[0]) / step_um).astype(int), reach, len(x) - reach - 1)
    taps = nearest[:, None] + np.arange(-reach, reach + 1)[None, :]
    weight = np.exp(-0.5 * ((x[taps] - d_um[:, None]) / blur_um) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    return np.asarray(np.einsum("pdk,dk->pd", parts[:, taps], weight))


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

    Returns
    -------
    ProfileFit
        The best of several starts; its budgets are those of the linearised fit.
    """
    means, spread = prior.means(), prior.uncertainties()
    outside = d_um < silhouette_from_line_um(means) - 0.3 * means[1] - 2.0 * means[4]
    background = light[outside].mean(axis=0) if outside.sum() >= 3 else light[:3].mean(axis=0)
    u_mirror = U_MIRROR_MIXED if mixed else U_MIRROR_REFLECTANCE

    @lru_cache(maxsize=8)
    def parts_of(shape: bytes) -> Array:
        # the tint does not move the parts: the solver's steps in it find here what was made before its other steps
        return profile_parts(d_um, np.frombuffer(shape), face_scale_um)

    def scene_of(parameters: Array) -> Scene:
        tint = prior.tint[1] * np.exp([parameters[6], 0.0, parameters[7]])
        return Scene(tint, background, u_mirror)

    def residuals(parameters: Array) -> Array:
        parts = parts_of(parameters[:6].tobytes())
        strengths, source_misfit = _strengths(parts, light, u_light, scene_of(parameters))
        misfit = ((parts.T @ strengths) - light) / u_light
        known = (parameters - means) / spread
        if tie is not None:
            known = np.append(known, tie.residual(silhouette_from_line_um(parameters), parameters[1]))
        return np.concatenate([misfit.ravel(), source_misfit, known])

    lower = np.array([d_um[0], 0.5, np.radians(8.0), 0.04, 0.2 * means[4], 0.02, -3.0, -3.0])
    upper = np.array([d_um[-1], 300.0, np.radians(85.0), 0.6, 5.0 * means[4], 0.9, 3.0, 3.0])

    def slopes(parameters: Array) -> Array:
        # by steps of a size of their own: a parameter may well be next to 0
        here = residuals(parameters)
        return np.column_stack([(residuals(parameters + step) - here) for step in np.diag(SMALL * STEPS)]) / (
            SMALL * STEPS
        )

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
    silhouette, radius = _budgets(best.x, to_pair, np.asarray(best.jac, np.float64), prior, tie)
    parts = parts_of(best.x[:6].tobytes())
    strengths, _ = _strengths(parts, light, u_light, scene_of(best.x))
    missed = np.where(u_light < 0.4, parts.T @ strengths - light, 0.0)
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


def _budgets(
    parameters: Array, to_pair: Array, jacobian: Array, prior: ProfilePrior, tie: WedgeTie | None
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
    prior : ProfilePrior
    tie : WedgeTie or None
    """
    gain = to_pair @ np.linalg.pinv(jacobian.T @ jacobian) @ jacobian.T
    first = len(jacobian) - len(parameters) - (tie is not None)
    line, radius, ring, roughness, blur, *tail_and_tint = range(first, first + len(parameters))
    strengths = list(range(first - STRENGTHS_KNOWN, first))
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
    values = (silhouette_from_line_um(parameters), float(parameters[1]))
    silhouette, radius_budget = (
        linear(value, [(float(slope[k]), estimate) for slope, estimate in parts], correlations)
        for k, value in enumerate(values)
    )
    return silhouette, radius_budget


def _known(name: str, estimate: tuple[float, float]) -> Input:
    return Input(name, float(estimate[0]), float(estimate[1]))


@dataclass(frozen=True)
class Scene:
    """What the strengths are measured against in one profile.

    Attributes
    ----------
    tint : ndarray, shape (3,)
        Light of the arc's material facing the camera. A conductor mirrors in its own colour, so lamps and
        surroundings share their strengths between the channels up to this factor; the card is mirrored by the
        outermost part of the arc, which may be bare where the rest is not.
    background : ndarray, shape (3,)
        Light of what lies behind.
    u_mirror : float
        Standard uncertainty of the share of it that the arc mirrors.
    """

    tint: Array
    background: Array
    u_mirror: float


def _strengths(parts: Array, light: Array, u_light: Array, scene: Scene) -> tuple[Array, Array]:
    """Least-squares strengths and the weighted misfits of the strengths' own priors.

    Parameters
    ----------
    parts : ndarray, shape (9, D)
    light, u_light : ndarray, shape (D, 3)
    scene : Scene

    Returns
    -------
    strengths : ndarray, shape (9, 3)
        Of each part in each channel; those of card, surroundings, ring and axial light are not negative.
    misfits : ndarray, shape (5,)
        Of the card in each channel, surroundings and lamp image, against what is known of them.
    """
    # per channel: background, its slope, mirrored card, three departures of the face; shared: the other sources
    own, shared = parts[[0, 1, 2, 6, 7, 8]], parts[3:6]
    n_own, n_shared = len(own), len(shared)
    size = 3 * n_own + n_shared
    card = np.arange(3) * n_own + 2
    sources = 3 * n_own + np.arange(n_shared)
    at_known = np.concatenate([card, sources[:2]])
    mirrored = MIRROR_REFLECTANCE * scene.tint / scene.tint.mean() * scene.background
    known = np.array([*mirrored, SURROUNDINGS, LAMP_IMAGE])
    u_known = np.array([*(scene.u_mirror * scene.background + 0.002), U_SURROUNDINGS, U_LAMP_IMAGE])
    normal, right = np.zeros((size, size)), np.zeros(size)
    weight = 1.0 / u_light.T
    tinted = shared * scene.tint[:, None, None]
    design = np.concatenate([np.broadcast_to(own, (3, *own.shape)), tinted], axis=1) * weight[:, None]
    gram, answer = design @ design.transpose(0, 2, 1), design @ (light.T * weight)[..., None]
    normal[3 * n_own :, 3 * n_own :] = gram[:, n_own:, n_own:].sum(axis=0)
    right[3 * n_own :] = answer[:, n_own:, 0].sum(axis=0)
    for channel in range(3):
        at = slice(channel * n_own, (channel + 1) * n_own)
        normal[at, at] = gram[channel, :n_own, :n_own]
        normal[at, 3 * n_own :] = gram[channel, :n_own, n_own:]
        normal[3 * n_own :, at] = gram[channel, n_own:, :n_own]
        right[at] = answer[channel, :n_own, 0]
    normal[at_known, at_known] += 1.0 / u_known**2
    right[at_known] += known / u_known**2
    source = np.zeros(size, bool)
    source[[*card, *sources]] = True
    use = np.ones(size, bool)
    solution = np.zeros(size)
    for _ in range(n_shared + 1):
        scale = 1.0 / np.sqrt(np.diag(normal)[use] + 1e-18)
        ridge = 1e-9 * np.eye(int(use.sum()))
        scaled = normal[np.ix_(use, use)] * np.outer(scale, scale) + ridge
        solution[:] = 0.0
        solution[use] = scale * np.linalg.solve(scaled, scale * right[use])
        negative = source & (solution < 0.0)
        if not negative.any():
            break
        use &= ~negative
    strengths = np.empty((9, 3))
    strengths[[0, 1, 2, 6, 7, 8]] = solution[: 3 * n_own].reshape(3, n_own).T
    strengths[3:6] = solution[sources, None] * scene.tint
    return strengths, (solution[at_known] - known) / u_known


def _bright_line_um(parameters: Array, strengths: Array) -> float:
    """Where the unblurred arc is brightest, all channels together."""
    _, radius_um, ring_angle, roughness, _, tail = parameters[:6]
    x = np.linspace(0.0, radius_um, 200)
    ring, axial, card = arc_light(1.0 - x / radius_um, ring_angle, roughness, tail)
    s = strengths.sum(axis=1)
    lobes = arc_light(LEANS, ring_angle, roughness, tail)
    level = s[2] * card + s[3] * (1.0 - card) + s[4] * ring / lobes[0].max() + s[5] * axial / lobes[1][0]
    peak = int(np.argmax(level))
    return float(silhouette_from_line_um(parameters) + x[peak]) if 0 < peak < len(x) - 1 else float("nan")
