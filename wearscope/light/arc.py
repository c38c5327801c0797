"""The light across an edge: a model of what a rounded edge sends to the camera.

Across an edge, from outside to inside, the camera sees the background, then the arc of radius r, whose
outermost part mirrors what lies behind and beside the tool, then the image of the lamp ring in the arc, then
the face. The normal of the arc at distance x inside the silhouette leans outward by φ with sin φ = 1 - x/r.
What that place sends to the camera is a sum of four parts with unknown strengths:

- the background card mirrored, where the mirrored ray (2 φ from the view axis) points below the face,
- the surroundings mirrored, elsewhere,
- the lamp ring at angle θ from the view axis, through the microfacet lobe of a rough conductor, summed over
  the ring's azimuths,
- light along the view axis through the same lobe,

followed by the face. The whole is blurred by the photo's point spread: on the arc by quadrature over φ, in which its
light is smooth; background and face are steps and ramps, whose blur is known in closed form.

The lobe is that of a microfacet surface with Smith shadowing (B. Walter et al., "Microfacet models for refraction
through rough surfaces", EGSR 2007, from memory). How far its tails reach decides how much of the lamps' light the
outermost arc still sends, which before a dark background is all that shows it: a Gaussian lobe has too little
there, and a fit would move silhouette and ring angle to make up for it. So the tail is a parameter (`lobe`).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, roots_legendre, stdtr

from wearscope.light.parameters import AT, SHAPES, LightParameters

Array = NDArray[np.float64]

MIRROR_REFLECTANCE, U_MIRROR_REFLECTANCE = 0.5, 0.15  # carbide and hard coatings, visible light
LEAST_PLACES = 40  # on the arc, to add its light up over; enough for the narrowest lobe
SHAPE_NAMES = ("line_um", "radius_um", "ring_angle", "roughness", "blur_um", "tail")
ROOT_2PI = np.sqrt(2.0 * np.pi)
LIGHT_STEPS = np.array([1e-3, 2e-4, 1e-3])  # of ring angle, roughness and tail, to take slopes by
AZIMUTHS = (np.arange(12) + 0.5) / 12 * np.pi  # half the ring; the other half mirrors it


def lobe(square: Array, tail: float | Array) -> Array:
    """Density of microfacets by their slope, but for a constant factor.

    Parameters
    ----------
    square : ndarray
        Squared slope from the mean surface over the squared roughness.
    tail : float
        κ in (1 + κ s²)^(-1/κ): towards 0 the Gaussian lobe of Beckmann, 0.5 that of Trowbridge and Reitz.

    Returns
    -------
    ndarray
    """
    return np.asarray((1.0 + tail * square) ** (-1.0 / tail))


def facets(cos_delta: Array, roughness: float | Array, tail: float | Array) -> Array:
    """Density of microfacet normals at angle delta from the surface normal, but for a constant factor.

    Parameters
    ----------
    cos_delta : ndarray
        Cosine of the angle from the surface normal.
    roughness : float or ndarray
    tail : float or ndarray
        Of the lobe.

    Returns
    -------
    ndarray
    """
    c2 = np.clip(cos_delta, 1e-3, 1.0) ** 2
    return np.asarray(lobe((1.0 - c2) / (c2 * roughness**2), tail) / c2**2)


def smith_g1(cosine: Array, roughness: float | Array) -> Array:
    """Share of microfacets not hidden in one direction (rational approximation of the same paper).

    Parameters
    ----------
    cosine : ndarray
        Of the angle to the surface normal.
    roughness : float or ndarray

    Returns
    -------
    ndarray
    """
    c = np.clip(cosine, 1e-6, 1.0 - 1e-12)
    a = c / np.sqrt(1.0 - c**2) / roughness
    return np.where(a < 1.6, (3.535 * a + 2.181 * a**2) / (1.0 + 2.276 * a + 2.577 * a**2), 1.0)


def arc_light(
    sin_phi: Array, ring_angle: float | Array, roughness: float | Array, tail: float | Array
) -> tuple[Array, Array, Array]:
    """Light from a place of the arc whose normal leans outward by φ.

    Parameters
    ----------
    sin_phi : ndarray, shape (N,) or (P, N)
    ring_angle : float or ndarray, shape (P, 1)
        Angle θ between view axis and lamps, radians; of several lights at once.
    roughness, tail : float or ndarray, shape (P, 1)
        Of the lobe.

    Returns
    -------
    ring : ndarray, shape (N,) or (P, N)
        From the lamp ring, for unit source strength; so are the others.
    axial : ndarray, shape (N,) or (P, N)
        From light along the view axis.
    card : ndarray, shape (N,) or (P, N)
        Share of the mirrored background; the rest mirrors the surroundings.
    """
    cos_phi = np.sqrt(np.clip(1.0 - sin_phi**2, 0.0, 1.0))
    to_camera = smith_g1(cos_phi, roughness)
    hidden = to_camera / (4.0 * np.maximum(cos_phi, 1e-3))
    lean = np.cos(AZIMUTHS)
    half, full, rough, reach = (
        np.asarray(each)[..., None] for each in (np.asarray(ring_angle) / 2.0, ring_angle, roughness, tail)
    )
    to_half = sin_phi[..., None] * np.sin(half) * lean + cos_phi[..., None] * np.cos(half)
    to_lamp = sin_phi[..., None] * np.sin(full) * lean + cos_phi[..., None] * np.cos(full)
    lit = smith_g1(to_lamp, rough) * (to_lamp > 0.0)
    ring = (facets(to_half, rough, reach) * lit).mean(axis=-1) * hidden
    axial = facets(cos_phi, roughness, tail) * to_camera * hidden
    # the mirrored ray falls below the face at 90°
    card = mirrored_beyond(np.arcsin(np.clip(sin_phi, 0.0, 1.0)), np.pi / 2.0, roughness, tail)
    return ring, axial, card


def mirrored_beyond(lean: Array, beyond: float, roughness: float | Array, tail: float | Array) -> Array:
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

    Returns
    -------
    ndarray
    """
    slope = np.tan(lean - beyond / 2.0)
    return np.asarray(stdtr(2.0 / tail - 2.0, slope * np.sqrt(2.0 - 2.0 * tail) / roughness))


@lru_cache(maxsize=8)
def _places(count: int) -> tuple[Array, Array, Array, Array]:
    """Places on the arc to add its light up over (Gauss and Legendre): sin φ, cos φ, weight; and how they mirror.

    The last begins with φ = 0: towards grazing every surface mirrors better (Schlick's form, relative to normal
    incidence).
    """
    at, weight = roots_legendre(count)
    phi = (at + 1.0) * np.pi / 4.0
    grazing = 1.0 + (1.0 / MIRROR_REFLECTANCE - 1.0) * (1.0 - np.cos(np.append(0.0, phi))) ** 5
    return np.sin(phi), np.cos(phi), weight * np.pi / 4.0, grazing


def light_parts(d_um: Array, parameters: LightParameters, face_scale_um: float) -> Array:
    """The parts of the light across an edge, each blurred, for unit strength.

    The lamp ring's part is 1 where the arc mirrors a lamp that lies square to the edge, φ = θ/2, the axial light's
    where the arc meets the face.

    Parameters
    ----------
    d_um : ndarray, shape (D,)
    parameters : LightParameters
        Its tints have no say here.
    face_scale_um : float
        Depth over which the face may change beyond the arc (ragged coating, vignetting).

    Returns
    -------
    ndarray, shape (9, D)
        Background level and slope; arc: card, surroundings, ring, axial; face: three departures beyond the arc.
    """
    return parts_and_slopes(d_um, parameters, face_scale_um)[0]


def parts_and_slopes(d_um: Array, parameters: LightParameters, face_scale_um: float) -> tuple[Array, Array]:
    """The parts as of `light_parts`, and their slopes with the parameters but the tints, shape (6, 9, D).

    How the light is spread over the edge is differentiated, how the arc sends it is stepped.

    Parameters
    ----------
    d_um : ndarray, shape (D,)
    parameters : LightParameters
    face_scale_um : float
        Depth over which the face may change beyond the arc.

    Returns
    -------
    parts : ndarray, shape (9, D)
    slopes : ndarray, shape (6, 9, D)
    """
    radius_um, ring_angle, blur_um = parameters.radius_um, parameters.ring_angle, parameters.blur_um
    sin_phi, cos_phi, weight, grazing = _places(max(LEAST_PLACES, int(np.ceil(3.0 * radius_um / blur_um))))
    lights = np.array([[ring_angle, parameters.roughness, parameters.tail]] * 4)
    lights[1:] += np.diag(LIGHT_STEPS)
    arc, *stepped = _arc_parts(sin_phi, grazing, lights)
    by_light = (np.array(stepped) - arc) / LIGHT_STEPS[:, None, None]  # ring angle, roughness, tail

    inside_um = d_um - parameters.silhouette_um
    lever = 1.0 - sin_phi  # a place of the arc lies r (1 - sin φ) inside the silhouette
    apart = (inside_um - radius_um * lever[:, None]) / blur_um
    spread = (radius_um / blur_um / ROOT_2PI * cos_phi * weight)[:, None] * np.exp(-0.5 * apart**2)
    deep_um = face_scale_um * np.array([1.0, 2.0, 4.0])
    # where the background ends, the arc ends, and each departure of the face is complete
    starts_um = np.array([0.0, radius_um, *(radius_um + deep_um)])
    z = (inside_um - starts_um[:, None]) / blur_um
    begun, bell = ndtr(z), np.exp(-0.5 * z**2) / ROOT_2PI
    ramp = blur_um * (z * begun + bell)  # max(x, 0), blurred

    def laid(light: Array) -> Array:
        return np.asarray(light[:, 1:] @ spread + light[:, :1] * begun[1])

    parts = np.empty((9, len(d_um)))
    parts[0], parts[1] = 1.0 - begun[0], (inside_um - ramp[0]) / face_scale_um
    parts[2:6] = laid(arc)
    parts[6:] = (ramp[1] - ramp[2:]) / deep_um[:, None]

    slopes = np.zeros((SHAPES, *parts.shape))
    line, radius, ring, rough, blur, tail = (slopes[AT[name]] for name in SHAPE_NAMES)
    inward = np.empty_like(parts)  # with the depth inside the silhouette
    inward[0], inward[1] = -bell[0] / blur_um, (1.0 - begun[0]) / face_scale_um
    inward[2:6] = -arc[:, 1:] @ (apart * spread) / blur_um + arc[:, :1] * bell[1] / blur_um
    inward[6:] = (begun[1] - begun[2:]) / deep_um[:, None]
    line[:] = -inward
    blur[0], blur[1] = z[0] * bell[0] / blur_um, -bell[0] / face_scale_um
    blur[2:6] = arc[:, 1:] @ ((apart**2 - 1.0) * spread) / blur_um - arc[:, :1] * z[1] * bell[1] / blur_um
    blur[6:] = (bell[1] - bell[2:]) / deep_um[:, None]
    radius[2:6] = arc[:, 1:] @ ((1.0 / radius_um + apart * lever[:, None] / blur_um) * spread)
    radius[2:6] -= arc[:, :1] * bell[1] / blur_um
    radius[6:] = -inward[6:]
    radius += parameters.lever * inward
    for slope, change in zip((ring, rough, tail), by_light, strict=True):
        slope[2:6] = laid(change)
    ring -= 0.5 * radius_um * np.cos(ring_angle / 2.0) * inward
    return parts, slopes


def _arc_parts(sin_phi: Array, grazing: Array, lights: Array) -> Array:
    """Card, surroundings, ring and axial light at φ = 0 and at some places of the arc.

    Parameters
    ----------
    sin_phi : ndarray, shape (N,)
    grazing : ndarray, shape (N + 1,)
        How they mirror, φ = 0 first.
    lights : ndarray, shape (P, 3)
        Ring angle, roughness, tail.

    Returns
    -------
    ndarray, shape (P, 4, N + 1)
    """
    ring_angle, roughness, tail = lights.T[..., None]
    at = np.zeros((len(lights), len(sin_phi) + 2))
    at[:, 1:-1], at[:, -1:] = sin_phi, np.sin(ring_angle / 2.0)
    ring, axial, card = arc_light(at, ring_angle, roughness, tail)
    parts = np.empty((len(lights), 4, len(grazing)))
    parts[:, 0] = card[:, :-1] * grazing
    parts[:, 1] = grazing - parts[:, 0]
    parts[:, 2], parts[:, 3] = ring[:, :-1] / ring[:, -1:], axial[:, :-1] / axial[:, :1]
    return parts
