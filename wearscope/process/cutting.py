"""Cutting data of a router bit: what feed, speed and flutes make of one another."""

from __future__ import annotations

from math import pi


def chip_load_mm(feed_mm_per_min: float, spindle_rpm: float, flutes: int) -> float:
    """Feed per tooth, in mm: how far the work moves on from one flute's cut to the next.

    Feed over speed times flutes (Machinery's Handbook, from memory). It is the thickness of the chip only where
    the bit cuts its full width.

    Parameters
    ----------
    feed_mm_per_min, spindle_rpm : float
    flutes : int

    Returns
    -------
    float

    Examples
    --------
    >>> round(chip_load_mm(6000.0, 18000.0, 2), 3)
    0.167
    """
    return feed_mm_per_min / (spindle_rpm * flutes)


def feed_per_revolution_mm(feed_mm_per_min: float, spindle_rpm: float) -> float:
    """Feed per revolution, in mm.

    Parameters
    ----------
    feed_mm_per_min, spindle_rpm : float

    Returns
    -------
    float
    """
    return feed_mm_per_min / spindle_rpm


def surface_speed_m_per_min(diameter_mm: float, spindle_rpm: float) -> float:
    """Speed of the cutting edge, π D n, in m/min (Machinery's Handbook, from memory).

    Parameters
    ----------
    diameter_mm, spindle_rpm : float

    Returns
    -------
    float

    Examples
    --------
    >>> round(surface_speed_m_per_min(12.0, 18000.0))
    679
    """
    return pi * diameter_mm * spindle_rpm / 1000.0


def tooth_passing_hz(spindle_rpm: float, flutes: int) -> float:
    """How often a flute enters the cut, n z / 60, in Hz.

    Parameters
    ----------
    spindle_rpm : float
    flutes : int

    Returns
    -------
    float

    Examples
    --------
    >>> tooth_passing_hz(18000.0, 2)
    600.0
    """
    return spindle_rpm * flutes / 60.0
