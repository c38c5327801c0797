"""What a person says of a photo where the program is wrong: the edge, the transition, dirt, the scale.

Pixels are column and row of the upright photo; the centre of its top left pixel is (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import hypot, isfinite
from typing import Literal

from wearscope.errors import WearscopeError

Point = tuple[float, float]

POINTING_U_PX = 1.0  # how well a point is set by hand, per axis; common practice, no source
GRATICULE_U = 0.001  # relative, of the distance between two lines of a slide; common practice, no source


@dataclass(frozen=True)
class DrawnEdge:
    """The cutting edge as a person drew it.

    Attributes
    ----------
    points_px : tuple of (column, row)
        Polyline along the edge, at least two points.
    tool : {"left", "right"} or None
        On which side of it the tool lies, for someone who goes along it as the photo is seen; None leaves that to
        the program.
    """

    points_px: tuple[Point, ...]
    tool: Literal["left", "right"] | None = None

    def __post_init__(self) -> None:
        if len(set(self.points_px)) < 2:
            raise WearscopeError("the edge line has no length", "draw it with two points or more")


@dataclass(frozen=True)
class HandScale:
    """A scale that a person took from the photo itself.

    Attributes
    ----------
    um_per_px, u_um_per_px : float
    how : str
        What it was taken from, for people.
    """

    um_per_px: float
    u_um_per_px: float
    how: str

    def __post_init__(self) -> None:
        if not (0.01 <= self.um_per_px <= 500 and 0 <= self.u_um_per_px < self.um_per_px):
            raise WearscopeError(
                f"{self.um_per_px:g} µm per pixel, off by {self.u_um_per_px:g} is no scale of a microscope",
                "set both points again, and give their distance in µm",
            )


@dataclass(frozen=True)
class Correction:
    """All that a person has said of one photo; a field left as it is says nothing.

    Attributes
    ----------
    edge : DrawnEdge or None
        Taken as the edge line, to be refined within a few pixels; no other line is looked for.
    transition_px : (column, row) or None
        Where the used part of the edge begins.
    used_towards_px : two points or None
        An arrow along the edge from unused to used; only its direction counts.
    ignored_px : tuple of polygons
        Resin, glare and the like: nothing in there is measured.
    scale : HandScale or None
    """

    edge: DrawnEdge | None = None
    transition_px: Point | None = None
    used_towards_px: tuple[Point, Point] | None = None
    ignored_px: tuple[tuple[Point, ...], ...] = ()
    scale: HandScale | None = None

    def __post_init__(self) -> None:
        if any(len(set(polygon)) < 3 for polygon in self.ignored_px):
            raise WearscopeError("a patch to leave out has no area", "draw it with three points or more")

    @property
    def empty(self) -> bool:
        """Whether it says nothing."""
        return self == NOTHING


NOTHING = Correction()

KINDS = tuple(field.name for field in fields(Correction))
"""What may be corrected, one by one: the fields of `Correction`."""


def scale_between(a_px: Point, b_px: Point, distance_um: float) -> HandScale:
    """Scale from two points whose distance is known.

    Parameters
    ----------
    a_px, b_px : (column, row)
    distance_um : float

    Returns
    -------
    HandScale

    Raises
    ------
    WearscopeError
        The points are too near each other, or the distance is none.

    Notes
    -----
    The length in pixels has the standard uncertainty √2 `POINTING_U_PX`, for it has two ends; to that is added
    `GRATICULE_U` of the length, for what lies between them (JCGM 100:2008, 5.1.2).
    """
    length_px = hypot(b_px[0] - a_px[0], b_px[1] - a_px[1])
    if not (isfinite(distance_um) and distance_um > 0):
        raise WearscopeError(f"{distance_um:g} is no distance", "give the distance of the two points in µm")
    if length_px < 20 * POINTING_U_PX:
        raise WearscopeError(
            f"the two points are only {length_px:.0f} pixels apart",
            "set them as far apart as the photo allows",
        )
    um_per_px = distance_um / length_px
    u_um_per_px = um_per_px * hypot(2**0.5 * POINTING_U_PX / length_px, GRATICULE_U)
    return HandScale(um_per_px, u_um_per_px, f"two points {distance_um:g} µm apart, set by hand")
