"""Geometry of a wedge rounded by an arc tangent to both faces.

Angles in radians. β is the wedge angle, τ the view tilt (positive when the camera has moved from the face
normal towards the open side of the edge), r the edge radius.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wearscope.metrology.uncertainty import Budget, Input, Measurement, linear, propagate
from wearscope.quantities.reasons import Reason, reason

Array = NDArray[np.float64]


class NoRecessionError(ValueError):
    """A view in which rounding does not show as recession.

    Parameters
    ----------
    reason : Reason
        Why; kept as the attribute `reason`.
    """

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason.code)
        self.reason = reason


def apex_to_arc(radius_um: float, wedge_angle: float) -> float:
    """Distance from the apex to the arc along the bisector: r (1/sin(β/2) - 1).

    Parameters
    ----------
    radius_um : float
    wedge_angle : float
        Radians.

    Returns
    -------
    float

    Examples
    --------
    >>> round(apex_to_arc(20.0, np.radians(60.0)), 1)
    20.0
    """
    return float(radius_um * (1.0 / np.sin(wedge_angle / 2.0) - 1.0))


def apex_to_tangent(radius_um: float, wedge_angle: float) -> float:
    """Distance from the apex to each tangent point along its face: r / tan(β/2).

    Parameters
    ----------
    radius_um : float
    wedge_angle : float
        Radians.

    Returns
    -------
    float

    Examples
    --------
    >>> round(apex_to_tangent(20.0, np.radians(60.0)), 2)
    34.64
    """
    return float(radius_um / np.tan(wedge_angle / 2.0))


def chord(radius_um: float, wedge_angle: float) -> float:
    """Distance between the tangent points: 2 r cos(β/2).

    Parameters
    ----------
    radius_um : float
    wedge_angle : float
        Radians.

    Returns
    -------
    float

    Examples
    --------
    >>> round(chord(20.0, np.radians(60.0)), 2)
    34.64
    """
    return float(2.0 * radius_um * np.cos(wedge_angle / 2.0))


def arc_length(radius_um: float, wedge_angle: float) -> float:
    """Length of the arc: r (π - β).

    Parameters
    ----------
    radius_um : float
    wedge_angle : float
        Radians.

    Returns
    -------
    float

    Examples
    --------
    >>> round(arc_length(20.0, np.radians(60.0)), 2)
    41.89
    """
    return float(radius_um * (np.pi - wedge_angle))


def square_on(moved_um: float | Array, grown_um: float | Array, tilt: float | Array) -> Array:
    """How far the silhouette has moved back as seen along the face normal, from what a tilted camera sees.

    Parameters
    ----------
    moved_um : ndarray
        By how much the silhouette lies further into the tool in the picture.
    grown_um : ndarray
        By how much the radius of the arc that makes it is larger.
    tilt : ndarray
        Radians.

    Returns
    -------
    ndarray

    Notes
    -----
    In the section let the arc's centre lie a into the tool along the face and b below it. A camera tilted by τ
    sees it a cos τ - b sin τ into the tool, and the silhouette one radius outside that. The arc touches the face
    that is looked at, so b = r. Between two edges the silhouette has then moved by M = Δa cos τ - Δr sin τ - Δr
    in the picture, and by Δa - Δr for a camera square to the face, which is M / cos τ + Δr ((1 + sin τ) / cos τ -
    1). The wedge angle has no say: with Δa = Δr cot(β/2) these are the known factors cot(β/2) cos τ - sin τ - 1
    and cot(β/2) - 1.

    Examples
    --------
    An edge of 60° rounded by 20 µm more, seen from 10° towards the open side:

    >>> tilt = np.radians(10.0)
    >>> moved_um = 20.0 * factor_of(np.radians(60.0), tilt)
    >>> moved_um.round(2), square_on(moved_um, 20.0, tilt).round(2)
    (np.float64(10.64), np.float64(14.64))
    """
    nearer = (1.0 + np.sin(tilt)) / np.cos(tilt) - 1.0
    return np.asarray(moved_um / np.cos(tilt) + grown_um * nearer)


def square_factor(factor: Budget, tilt: float) -> Budget:
    """The factor that a camera square to the face would see, from that of a tilted one.

    Parameters
    ----------
    factor : Budget
        From `recession_factor`. What its tilt is uncertain by stays: the face normal is known no better.
    tilt : float
        Radians.

    Returns
    -------
    Budget
    """
    return linear(float(square_on(factor.value, 1.0, tilt)), [(float(1.0 / np.cos(tilt)), factor)])


def square_depth(depth_um: Array, radius_um: float, tilt: float) -> Array:
    """Depth of places below the silhouette as seen along the face normal, from that in a tilted camera's picture.

    Parameters
    ----------
    depth_um : ndarray
        Below the silhouette in the picture.
    radius_um : float
    tilt : float
        Radians.

    Returns
    -------
    ndarray
        0 on the part of the arc that is hidden from a camera square to the face.

    Notes
    -----
    Where the surface leans from the face normal by φ, it lies r (1 - sin φ) below the silhouette that a camera square
    to the face sees, and r (1 - sin(φ - τ)) below that of a tilted one. Beyond the arc lengths shrink by cos τ.

    Examples
    --------
    >>> square_depth(np.array([0.0, 30.0, 80.0]), 20.0, np.radians(10.0)).round(1)
    array([ 0. , 26.6, 77.4])
    """
    if tilt == 0.0:
        return depth_um
    lean = np.arcsin(np.clip(1.0 - depth_um / radius_um, -1.0, 1.0)) + tilt
    arc_um = radius_um * (1.0 - np.sin(np.clip(lean, 0.0, np.pi / 2.0)))
    end_um = radius_um * (1.0 + np.sin(tilt))
    beyond_um = radius_um + (depth_um - end_um) / np.cos(tilt)
    return np.where(depth_um < 0.0, depth_um / np.cos(tilt), np.where(depth_um < end_um, arc_um, beyond_um))


def view_tilt(tilt: float, u_tilt: float, u_turned: float = 0.0) -> Budget:
    """How far the view is from the face normal, radians.

    Parameters
    ----------
    tilt, u_tilt : float
        Of the camera.
    u_turned : float
        Standard uncertainty by which a helical flute turns the face away between the zones compared.

    Returns
    -------
    Budget
    """
    return linear(
        tilt, [(1.0, Input("view tilt", tilt, u_tilt)), (1.0, Input("turning of the helix", 0.0, u_turned))]
    )


def recession_factor(
    wedge_angle: float, u_wedge_angle: float, tilt: float = 0.0, u_tilt: float = 0.0, u_turned: float = 0.0
) -> Budget:
    """Recession seen in a face view per unit of radius: cot(β/2) cos τ - sin τ - 1.

    Parameters
    ----------
    wedge_angle, u_wedge_angle, tilt, u_tilt, u_turned : float
        Radians; the last three as in `view_tilt`.

    Returns
    -------
    Budget

    Raises
    ------
    NoRecessionError
        At β of 90° and more a face view does not see the rounding as recession; beyond τ = 90° - β the
        silhouette is no longer the arc's.

    Examples
    --------
    >>> factor = recession_factor(np.radians(60.0), np.radians(1.0))
    >>> round(factor.value, 3), round(factor.u, 3)
    (0.732, 0.035)
    >>> recession_factor(np.radians(90.0), np.radians(1.0))
    Traceback (most recent call last):
    wearscope.wear.wedge.NoRecessionError: wedge-too-blunt
    """
    if wedge_angle >= np.pi / 2:
        raise NoRecessionError(reason("wedge-too-blunt"))
    if tilt > np.pi / 2 - wedge_angle:
        raise NoRecessionError(reason("view-too-tilted"))
    inputs = (Input("wedge angle", wedge_angle, u_wedge_angle), view_tilt(tilt, u_tilt, u_turned))
    return propagate(Measurement(factor_of, inputs))


def factor_of(wedge_angle: float | Array, tilt: float | Array) -> Array:
    """The recession factor of many wedges and tilts, as long as the arc makes the silhouette.

    Parameters
    ----------
    wedge_angle : ndarray
        Radians.
    tilt : ndarray
        Radians.

    Returns
    -------
    ndarray

    Examples
    --------
    The blunter the wedge, the less of its rounding shows; a view tilted by 5° shows 13 % less of it:

    >>> factor_of(np.radians([60.0, 50.0]), np.zeros(2)).round(3)
    array([0.732, 1.145])
    >>> square, tilted = factor_of(np.radians([60.0, 60.0]), np.radians([0.0, 5.0]))
    >>> round(float(1.0 - tilted / square), 2)
    0.13
    """
    return np.asarray(np.cos(tilt) / np.tan(wedge_angle / 2.0) - np.sin(tilt) - 1.0)
