"""The ring angle from the light across a round pin: a model of what a cylinder sends to the camera, and its fit.

A place of the pin at y from its axis has a normal that leans by φ, sin φ = y / R. A lamp at ring angle θ from the
view axis and azimuth a to the pin's axis is mirrored best where the normal comes nearest to the direction half-way
between view and lamp. Of that direction only the component square to the axis counts, so the place is
tan φ = tan(θ/2) sin a, and a ring of lamps gives two bright lines whose outer ends lie R sin(θ/2) from the axis. How
far the lamps at other azimuths fill the space between them depends on the roughness along the axis: the marks of
grinding run round a pin, so that it is rougher along its axis than round it.

What a place sends to the camera is a sum of the mirrored card (below the horizon, on each side its own), the
surroundings, the ring on each side, and light along the view axis, as in `wearscope.light.edge_light`. All
strengths are linear and solved for inside. Places count in radii of the pin: no scale is needed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares, nnls

from wearscope.light.arc import MIRROR_REFLECTANCE, lobe, mirrored_beyond, smith_g1
from wearscope.light.parameters import Packed

Array = NDArray[np.float64]

# from the pin's axis; the other half of the ring is the other side's
AZIMUTHS = (np.arange(24) + 0.5) / 24 * np.pi
MODEL_ERROR = 0.02  # of the light, by which the model misses rendered pins
RIM = 0.9  # of the radius; beyond it the card is mirrored next to the pin's foot, and facets hide each other
BURNT_OUT = 0.4  # standard uncertainty of light from which it says nothing


@dataclass(frozen=True)
class PinParameters(Packed):
    """What the light on a pin depends on, besides the strengths of its parts.

    Attributes
    ----------
    ring_angle : float
        Mean of both sides, radians.
    one_sidedness : float
        Half of the difference of the two sides' ring angles, radians.
    rough_round, longer : float
        Roughness round the pin, and how many times that along it.
    rough_axial : float
        Roughness for axial light.
    tail : float
        Of the lobe.
    card_angle : float
        From the view axis to where the card ends: a little below the horizon, radians.
    """

    ring_angle: float
    one_sidedness: float
    rough_round: float
    longer: float
    rough_axial: float
    tail: float
    card_angle: float


# What a pin may be, what is expected of it and how surely, and sensible sizes of change; chosen, no source
LOWER = PinParameters(np.radians(8.0), np.radians(-20.0), 0.01, 1.0, 0.01, 0.02, np.radians(60.0))
UPPER = PinParameters(np.radians(85.0), np.radians(20.0), 0.6, 5.0, 0.8, 0.9, np.radians(120.0))
EXPECTED = PinParameters(np.radians(42.0), 0.0, 0.1, 1.5, 0.15, 0.4, np.radians(95.0))
SPREAD = PinParameters(np.radians(30.0), np.radians(10.0), 0.1, 1.0, 0.15, 0.3, np.radians(8.0))
STEPS = PinParameters(0.02, 0.01, 0.02, 0.2, 0.03, 0.1, 0.02)


@dataclass(frozen=True)
class RingFit:
    """A fitted pin.

    Attributes
    ----------
    ring_angle, u_ring_angle : float
        Mean of both sides, radians; the uncertainty is that of the fit alone.
    one_sidedness : float
        Half of the difference of the two sides' ring angles, radians.
    roughness : float
        Round the pin: root-mean-square slope parameter of the lobe, the lamps' own size included.
    ring_light : (float, float)
        Greatest light of the ring on each side.
    card_light : float
        Light of the mirrored card, mean of both sides.
    misfit : float
        Root mean square of the relative residuals.
    """

    ring_angle: float
    u_ring_angle: float
    one_sidedness: float
    roughness: float
    ring_light: tuple[float, float]
    card_light: float
    misfit: float


def ring_light(lean: Array, ring_angle: float, rough: tuple[float, float], tail: float) -> Array:
    """Light from half a ring of lamps, the half on the side of positive φ.

    Parameters
    ----------
    lean : ndarray, shape (N,)
        φ of each place, radians, negative on the other side.
    ring_angle : float
    rough : (float, float)
        Round the pin and along it.
    tail : float
        Of the lobe.

    Returns
    -------
    ndarray, shape (N,)
    """
    half = ring_angle / 2.0
    sin, cos = np.sin(lean)[:, None], np.cos(lean)[:, None]
    across, along = np.sin(half) * np.sin(AZIMUTHS), np.sin(half) * np.cos(AZIMUTHS)
    normal = np.maximum(cos * np.cos(half) + sin * across, 1e-3)
    to_lamp = cos * np.cos(ring_angle) + sin * np.sin(ring_angle) * np.sin(AZIMUTHS)
    slope_round, slope_along = (cos * across - sin * np.cos(half)) / normal, along / normal
    facets = lobe((slope_round / rough[0]) ** 2 + (slope_along / rough[1]) ** 2, tail) / normal**4
    lit = np.where(to_lamp > 0.0, smith_g1(to_lamp, rough[0]), 0.0)
    cos_phi = np.cos(lean)
    return np.asarray((facets * lit).mean(axis=1) * smith_g1(cos_phi, rough[0]) / np.maximum(cos_phi, 1e-3))


def pin_parts(u: Array, parameters: PinParameters) -> Array:
    """The parts of the light on a pin, for unit strength.

    Parameters
    ----------
    u : ndarray, shape (N,)
        Places, in radii from the axis, -1 to 1.
    parameters : PinParameters

    Returns
    -------
    ndarray, shape (7, N)
        Ring on each side, mirrored card on each side, axial light, surroundings above and towards the horizon.
    """
    angle, one_sided, rough_round = parameters.ring_angle, parameters.one_sidedness, parameters.rough_round
    lean = np.arcsin(u)
    grazing = 1.0 + (1.0 / MIRROR_REFLECTANCE - 1.0) * (1.0 - np.cos(lean)) ** 5
    card = grazing * mirrored_beyond(np.abs(lean), parameters.card_angle, rough_round, parameters.tail)
    rough = (rough_round, parameters.longer * rough_round)
    rings = [
        ring_light(side * lean, angle + side * one_sided, rough, parameters.tail) for side in (-1.0, 1.0)
    ]
    axial = lobe((np.tan(np.clip(lean, -1.5, 1.5)) / parameters.rough_axial) ** 2, parameters.tail)
    sky = grazing - card
    return np.array(
        [
            *(ring / max(float(ring.max()), 1e-12) for ring in rings),
            card * (u < 0.0),
            card * (u >= 0.0),
            axial,
            sky,
            sky * np.abs(u),
        ]
    )


def fit_ring(u: Array, light: Array, u_light: Array, ring_angle: float) -> RingFit:
    """Fit the model to the mean light across a pin.

    Parameters
    ----------
    u : ndarray, shape (N,)
        Evenly spaced places across the pin, in radii from its axis.
    light, u_light : ndarray, shape (N,)
        Mean linear light and its standard uncertainty from noise; large where the photo is burnt out.
    ring_angle : float
        To start from.

    Returns
    -------
    RingFit
        From the linearised fit, neighbouring residuals counted as correlated.
    """
    u, light, u_light = (values[np.abs(u) < RIM] for values in (u, light, u_light))
    weight, known = 1.0 / np.hypot(u_light, MODEL_ERROR * light), u_light < BURNT_OUT

    lower, upper, steps = LOWER.packed(), UPPER.packed(), STEPS.packed()
    expected, spread = EXPECTED.packed(), SPREAD.packed()

    def solved(vector: Array) -> tuple[Array, Array]:
        parts = pin_parts(u, PinParameters.unpacked(vector))
        return parts, nnls((parts * weight).T, light * weight)[0]

    def residuals(vector: Array) -> Array:
        parts, strengths = solved(vector)
        return np.concatenate([(strengths @ parts - light) * weight, (vector - expected) / spread])

    start = replace(EXPECTED, ring_angle=ring_angle).packed()
    result = least_squares(
        residuals,
        np.clip(start, lower + 1e-6, upper - 1e-6),
        bounds=(lower, upper),
        x_scale=steps,
        diff_step=np.full(len(steps), 1e-3),
        ftol=1e-5,
        xtol=1e-5,
        max_nfev=60,
    )
    parts, strengths = solved(result.x)
    missed = result.fun[: len(u)]
    jacobian = np.asarray(result.jac, np.float64).copy()
    # the samples' rows only: what is known beforehand does not scatter
    jacobian[: len(u)] /= np.sqrt(max(1.0, float(np.mean(missed**2))) * _lumps(missed))
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    rings = strengths[:2, None] * parts[:2]
    best = PinParameters.unpacked(result.x)
    return RingFit(
        ring_angle=best.ring_angle,
        u_ring_angle=float(np.sqrt(covariance[0, 0])),
        one_sidedness=best.one_sidedness,
        roughness=best.rough_round,
        ring_light=(float(rings[0].max()), float(rings[1].max())),
        card_light=float(strengths[2:4].mean()),
        misfit=float(np.sqrt(np.mean(((strengths @ parts) / light - 1.0)[known] ** 2))),
    )


def _lumps(residuals: Array) -> float:
    """How many neighbouring residuals count as one: twice the sum of their correlations up to its first zero."""
    power = float(residuals @ residuals)
    total = 1.0
    for lag in range(1, len(residuals) // 4):
        correlation = float(residuals[lag:] @ residuals[:-lag]) / power
        if correlation <= 0.0:
            break
        total += 2.0 * correlation
    return total
