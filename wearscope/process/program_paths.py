"""Moves of a part program, and how long the path of one is."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

Position = tuple[float | None, float | None, float | None]
"""X, Y and Z in mm; None where the program has not said yet."""


@dataclass(frozen=True)
class Move:
    """One move at feed rate.

    Attributes
    ----------
    line : int
        Line of the file, counted from 1.
    start_mm, end_mm : tuple of float or None
        X, Y and Z, in mm; None for an axis whose place is not known.
    length_mm : float
        Length of its path, in mm.
    upright : bool
        It goes along Z alone.
    feed_mm_per_min : float or None
        None if the program gives no feed.
    spindle_rpm : float or None
        Spindle speed last asked for; None if the program asks for none.
    """

    line: int
    start_mm: Position
    end_mm: Position
    length_mm: float
    upright: bool
    feed_mm_per_min: float | None
    spindle_rpm: float | None


def arc_length(radius_start: float, radius_end: float, turned: float, rise: float) -> float:
    """Length of a helical arc.

    Parameters
    ----------
    radius_start, radius_end : float
        Distance from the centre at both ends; what rounding makes them differ is spread over the arc.
    turned : float
        Angle swept, in radians.
    rise : float
        Travel along the axis, in the unit of the radii.

    Returns
    -------
    float
        In the unit of the radii.
    """
    return sqrt(
        (0.5 * (radius_start + radius_end) * turned) ** 2 + (radius_end - radius_start) ** 2 + rise**2
    )
