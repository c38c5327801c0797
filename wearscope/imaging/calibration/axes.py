"""From divisions per pixel across one or two directions of lines to the length of a pixel along both axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wearscope.imaging.calibration.picture import Array
from wearscope.imaging.calibration.ruling import Ruling
from wearscope.quantities.reasons import Reason, reason

SQUARE_PIXEL_STD = 1e-3
"""Relative standard uncertainty of "a pixel is as high as it is wide", where only one axis was seen: common practice,
no source."""

RIGHT_ANGLE_STD_RAD = 5e-4
"""Standard uncertainty of the right angle between the two rulings of a crossed graticule: common practice, no
source."""


@dataclass(frozen=True)
class Axes:
    """Length of a pixel along x and y.

    Attributes
    ----------
    value : ndarray, shape (2,)
        In divisions.
    cov : ndarray, shape (2, 2)
        Its covariance.
    how : Reason
        What was measured and what assumed.
    """

    value: Array
    cov: Array
    how: Reason


def axes_from_one(ruling: Ruling) -> Axes:
    """Take both axes from lines of one direction, pixels being square.

    Parameters
    ----------
    ruling : Ruling

    Returns
    -------
    Axes
    """
    s = ruling.density_px
    n = ruling.gradient / s
    # x longer by e (n_y)² and y shorter by e (n_x)² leave the pitch as it was seen
    along = np.array([-(n[1] ** 2), n[0] ** 2])
    cov = s**2 * (ruling.u_density**2 * np.ones((2, 2)) + SQUARE_PIXEL_STD**2 * np.outer(along, along))
    return Axes(np.array([s, s]), cov, reason("axes-of-one-direction", u_share=SQUARE_PIXEL_STD))


def axes_from_cross(first: Ruling, second: Ruling) -> Axes:
    """Solve for both axes: two divisions and the right angle between their normals.

    Parameters
    ----------
    first, second : Ruling

    Returns
    -------
    Axes
    """
    seen = np.concatenate([first.gradient, second.gradient, [1.0, 1.0, 0.0]])
    cov = np.zeros((7, 7))
    cov[:2, :2], cov[2:4, 2:4] = first.cov, second.cov
    cov[4:, 4:] = np.diag([first.u_own**2, second.u_own**2, RIGHT_ANGLE_STD_RAD**2])
    u_angle = np.sqrt(RIGHT_ANGLE_STD_RAD**2 + first.u_angle_rad**2 + second.u_angle_rad**2)
    trust = np.array([2 * first.u_density, 2 * second.u_density, u_angle])
    value = _solve_axes(seen, trust)
    step = 1e-6 * np.concatenate([np.full(4, first.density_px), np.ones(3)])
    jacobian = np.stack(
        [
            (_solve_axes(seen + d, trust) - _solve_axes(seen - d, trust)) / (2 * d.sum())
            for d in np.diag(step)
        ],
        axis=1,
    )
    return Axes(value, jacobian @ cov @ jacobian.T, reason("axes-of-two-directions"))


def _solve_axes(seen: Array, trust: Array) -> Array:
    """Least squares for 1 / s² of both axes; `seen` ends in the two divisions and the cosine between them."""
    (ax, ay, bx, by), division = seen[:4], seen[4:]
    size = (ax**2 + ay**2 + bx**2 + by**2) / 2
    left = np.array([[ax * ax, ay * ay], [bx * bx, by * by], [ax * bx, ay * by]]) / size
    right = np.array([1 / division[0] ** 2, 1 / division[1] ** 2, division[2]])
    inverse_square = np.linalg.lstsq(left / trust[:, None], right / trust, rcond=None)[0]
    return np.asarray(np.sqrt(size / inverse_square))
