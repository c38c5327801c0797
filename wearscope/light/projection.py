"""What the model of `wearscope.light.arc` leaves over of the light once the strengths of its parts are solved for.

The strengths are linear, so a fit need only look for the other parameters (variable projection; G. H. Golub and
V. Pereyra, SIAM Journal on Numerical Analysis 10, 1973, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dposv

from wearscope.light.arc import MIRROR_REFLECTANCE, parts_and_slopes
from wearscope.light.parameters import AT, SHAPES, LightParameters

Array = NDArray[np.float64]
Index = NDArray[np.intp]

# Light against all light from the face, common practice, no source: the lamps outshine the room, and their image
# in the arc outshines the face.
SURROUNDINGS, U_SURROUNDINGS = 0.15, 0.08
LAMP_IMAGE, U_LAMP_IMAGE = 2.1, 0.7
CARD, SHARED = 2, [3, 4, 5]  # parts: the mirrored card; those with one strength for all channels
ARC_PARTS = slice(2, 6)  # card, surroundings, ring, axial light
STRENGTHS_KNOWN = 5  # the mirrored card in each channel, surroundings, lamp image
TINTS = ((AT["red_tint"], 0), (AT["blue_tint"], 2))  # each tint's place, and its channel
REGULAR = 1e-9  # relative, added to the diagonal of normal equations


@dataclass(frozen=True, eq=False)
class Projection:
    """The light across an edge against the model at one set of parameters.

    Attributes
    ----------
    residuals : ndarray, shape (N,)
        Model less light in each sample and channel, then strengths less what is known of them, each over its standard
        uncertainty; N = 3 D + `STRENGTHS_KNOWN`.
    slopes : ndarray, shape (N, 8)
        Of the residuals with the parameters, the strengths following.
    strengths : ndarray, shape (9 or 10, 3)
        Of each part in each channel; those of card, surroundings, ring and axial light are not negative.
    """

    residuals: Array
    slopes: Array
    strengths: Array


@dataclass(frozen=True, eq=False)
class Observed:
    """The light across an edge, and what its parts' strengths are measured against.

    A conductor mirrors in its own colour, so lamps and surroundings share their strengths between the channels up to
    the arc's tint; the card is mirrored by the outermost part of the arc, which may be bare where the rest is not.

    Attributes
    ----------
    d_um : ndarray, shape (D,)
    light, u_light : ndarray, shape (D, 3)
    level : float
        Green light of the arc's material facing the camera; the tints are relative to it.
    background : ndarray, shape (3,)
        Light of what lies behind.
    u_mirror : float
        Standard uncertainty of the share of it that the arc mirrors.
    face_scale_um : float
        Depth over which the face may change beyond the arc.
    coat : ndarray, shape (D,), or None
        How much of the edge is coated at each depth, where that changes.
    """

    d_um: Array
    light: Array
    u_light: Array
    level: float
    background: Array
    u_mirror: float
    face_scale_um: float
    coat: Array | None = None

    def project(self, parameters: LightParameters) -> Projection:
        """Compare with the model, at the strengths that suit best.

        Parameters
        ----------
        parameters : LightParameters

        Returns
        -------
        Projection

        Notes
        -----
        With A the weighted parts, c the strengths and r = A c - y the residuals, the strengths follow a parameter by
        c' = -(AᵀA)⁻¹ (Aᵀ A' c - Aᵀ y' + A'ᵀ r), and the residuals by r' = A' c - y' + A c'. Strengths left out, for
        they would be negative, stay out: across the place where one comes in, slopes are those of neither side.
        """
        parts, by_shape = parts_and_slopes(self.d_um, parameters, self.face_scale_um)
        if self.coat is not None:
            parts = np.vstack([parts, self.coat])
            by_shape = np.pad(by_shape, ((0, 0), (0, 1), (0, 0)))
        tint = self.level * np.exp([parameters.red_tint, 0.0, parameters.blue_tint])
        its_own = [part for part in range(len(parts)) if part not in SHARED]
        n_own, samples = len(its_own), self.light.size
        first_shared = 3 * n_own
        size = first_shared + len(SHARED)
        card, shared = np.arange(3) * n_own + its_own.index(CARD), np.arange(first_shared, size)
        weight = 1.0 / self.u_light

        mirrored = MIRROR_REFLECTANCE * self.background * tint / tint.mean()
        u_known = np.array([*(self.u_mirror * self.background + 0.002), U_SURROUNDINGS, U_LAMP_IMAGE])
        design = np.zeros((samples + STRENGTHS_KNOWN, size))
        of_light = design[:samples].reshape(*self.light.shape, size)
        for channel in range(3):
            of_light[:, channel, channel * n_own : (channel + 1) * n_own] = parts[its_own].T
        of_light[:, :, first_shared:] = parts[SHARED].T[:, None] * tint[:, None]
        of_light *= weight[..., None]
        design[samples + np.arange(STRENGTHS_KNOWN), [*card, *shared[:2]]] = 1.0 / u_known
        known = np.array([*mirrored, SURROUNDINGS, LAMP_IMAGE]) / u_known
        seen = np.concatenate([(self.light * weight).ravel(), known])

        normal = design.T @ design
        solution, use = not_negative(normal, design.T @ seen, np.concatenate([card, shared]))
        residuals = design @ solution - seen
        strengths = np.empty((len(parts), 3))
        strengths[its_own] = solution[:first_shared].reshape(3, n_own).T
        strengths[SHARED] = solution[shared][:, None] * tint

        # A' c - y' and A'ᵀ r of each parameter
        moved, pulled = np.zeros((len(AT), len(design))), np.zeros((len(AT), size))
        pull = residuals[:samples].reshape(self.light.shape) * weight
        moved[:SHAPES, :samples] = (by_shape.swapaxes(1, 2) @ strengths * weight).reshape(SHAPES, -1)
        back = by_shape @ pull
        pulled[:SHAPES, :first_shared] = back[:, its_own].swapaxes(1, 2).reshape(SHAPES, -1)
        pulled[:SHAPES, first_shared:] = (back[:, SHARED] * tint).sum(axis=2)
        by_sources = parts[SHARED].T @ strengths[SHARED] * weight
        for at, channel in TINTS:
            moved[at, channel:samples:3] = by_sources[:, channel]
            pulled[at, first_shared:] = parts[SHARED] @ pull[:, channel] * tint[channel]
            by_tint = mirrored * ((np.arange(3) == channel) - tint[channel] / tint.sum())
            moved[at, samples : samples + 3] = -by_tint / u_known[:3]
        following = np.zeros((size, len(AT)))
        following[use] = -solved(normal, design.T @ moved.T + pulled.T, use)
        return Projection(residuals, moved.T + design @ following, strengths)


def not_negative(normal: Array, right: Array, which: Index) -> tuple[Array, Index]:
    """Solve normal equations some of whose unknowns must not be negative.

    Parameters
    ----------
    normal : ndarray, shape (K, K)
    right : ndarray, shape (K,)
    which : ndarray of int
        An unknown of these that comes out negative is left out, and the others are solved for again.

    Returns
    -------
    solution : ndarray, shape (K,)
        0 where left out.
    use : ndarray of int
        Which are not left out.
    """
    may_be_left = np.zeros(len(right), bool)
    may_be_left[which] = True
    use = np.arange(len(right))
    while True:
        found = solved(normal, right[:, None], use)[:, 0]
        negative = may_be_left[use] & (found < 0.0)
        if not negative.any():
            break
        use = use[~negative]
    solution = np.zeros(len(right))
    solution[use] = found
    return solution, use


def solved(normal: Array, right: Array, use: Index) -> Array:
    """Some unknowns of several normal equations with one matrix, the others being 0; `right` of shape (K, M).

    Parameters
    ----------
    normal : ndarray, shape (K, K)
    right : ndarray, shape (K, M)
    use : ndarray of int
        Places of the unknowns that are not 0.

    Returns
    -------
    ndarray, shape (len(use), M)
    """
    scale = 1.0 / np.sqrt(normal[use, use] + 1e-18)
    scaled = normal[use[:, None], use] * (scale[:, None] * scale) + REGULAR * np.eye(len(use))
    # numpy's and scipy's own solvers take several times as long about so few unknowns as LAPACK, which can fail only
    # where a matrix is not positive definite: with the diagonal raised it is
    _, solution, failed = dposv(scaled, scale[:, None] * right[use])
    assert not failed
    return np.asarray(scale[:, None] * solution)
