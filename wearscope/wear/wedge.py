"""Geometry of a wedge rounded by an arc tangent to both faces.

Angles in radians. β is the wedge angle, τ the view tilt (positive when the camera has moved from the face
normal towards the open side of the edge), r the edge radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class RecessionFactor:
    """Recession seen in a face view per unit of radius, and its standard uncertainty."""

    value: float
    std_uncertainty: float


def apex_to_arc(radius_um: float, wedge_angle: float) -> float:
    """Distance from the apex to the arc along the bisector: r (1/sin(β/2) - 1)."""
    return float(radius_um * (1.0 / np.sin(wedge_angle / 2.0) - 1.0))


def apex_to_tangent(radius_um: float, wedge_angle: float) -> float:
    """Distance from the apex to each tangent point along its face: r / tan(β/2)."""
    return float(radius_um / np.tan(wedge_angle / 2.0))


def chord(radius_um: float, wedge_angle: float) -> float:
    """Distance between the tangent points: 2 r cos(β/2)."""
    return float(2.0 * radius_um * np.cos(wedge_angle / 2.0))


def arc_length(radius_um: float, wedge_angle: float) -> float:
    """Length of the arc: r (π - β)."""
    return float(radius_um * (np.pi - wedge_angle))


def area_removed(radius_um: float, wedge_angle: float) -> float:
    """Area between the sharp wedge and the arc: r² (1/tan(β/2) - (π - β)/2)."""
    return float(radius_um**2 * (1.0 / np.tan(wedge_angle / 2.0) - (np.pi - wedge_angle) / 2.0))


def recession_factor(
    wedge_angle: float, u_wedge_angle: float, tilt: float = 0.0, u_tilt: float = 0.0
) -> RecessionFactor:
    """Recession per radius in a face view, cot(β/2) cos τ - sin τ - 1, by first-order propagation.

    Parameters
    ----------
    wedge_angle, u_wedge_angle, tilt, u_tilt : float
        Radians.

    Raises
    ------
    ValueError
        At β of 90° and more a face view does not see the rounding as recession; beyond τ = 90° - β the
        silhouette is no longer the arc's.
    """
    if wedge_angle >= np.pi / 2:
        raise ValueError(
            "at a wedge angle of 90° or more a face view does not show the rounding as recession"
        )
    if tilt > np.pi / 2 - wedge_angle:
        raise ValueError("the view is tilted so far that the other face, not the arc, makes the silhouette")
    cot = 1.0 / np.tan(wedge_angle / 2.0)
    value = cot * np.cos(tilt) - np.sin(tilt) - 1.0
    by_wedge = -0.5 * np.cos(tilt) / np.sin(wedge_angle / 2.0) ** 2
    by_tilt = -cot * np.sin(tilt) - np.cos(tilt)
    return RecessionFactor(float(value), float(np.hypot(by_wedge * u_wedge_angle, by_tilt * u_tilt)))
