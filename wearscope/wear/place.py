"""Where the depth-of-cut transition lies in the photo, and how much used edge the photo shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.metrology.findings import Finding, found, refused
from wearscope.metrology.uncertainty import Input, linear
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.measured import scale_error
from wearscope.wear.zones import Transition

Array = NDArray[np.float64]

PLACE_ROWS = ("transition_x_px", "transition_y_px", "used_length")
MUCH_DEEPER = (
    1.05  # times the programmed depth of cut; more used edge than this is doubted; chosen, no source
)

TWICE_AS_DEEP = 2.0  # times the programmed depth of cut, from which the scale is in doubt; chosen, no source


@dataclass(frozen=True)
class PlaceOnPhoto:
    """A place on the edge as the photo shows it.

    Attributes
    ----------
    at_px : (float, float)
        Column and row.
    along, inward : ndarray, shape (2,)
        Unit vectors along the edge and into the tool, as column and row.
    um_per_px : float
        Scale of the photo.
    """

    at_px: tuple[float, float]
    along: Array
    inward: Array
    um_per_px: float


def depth_at(s_um: Array, silhouette_um: Array, at_um: float) -> float:
    """Where the silhouette lies at one place along the edge, µm.

    Parameters
    ----------
    s_um, silhouette_um : ndarray, shape (S,)
        NaN where the silhouette is not seen.
    at_um : float

    Returns
    -------
    float
    """
    seen = np.isfinite(silhouette_um)
    return float(np.interp(at_um, s_um[seen], silhouette_um[seen]))


def no_place(absent: Reason | None, method: str) -> list[Finding]:
    """The rows of a photo without a transition.

    Parameters
    ----------
    absent : Reason or None
        Why there is none, where that is known.
    method : str

    Returns
    -------
    list of Finding
    """
    why = absent or reason("no-sign-of-wear")
    return [refused(quantity, "whole", why, method) for quantity in PLACE_ROWS]


def used_edge_mm(transition: Transition, visible_um: Array) -> float:
    """Length of used edge in a photo.

    Parameters
    ----------
    transition : Transition
    visible_um : ndarray
        Places along the edge at which its silhouette is seen, in order.

    Returns
    -------
    float
    """
    first_um, last_um = visible_um[0], visible_um[-1]
    used_um = last_um - transition.at_um if transition.used_side > 0 else transition.at_um - first_um
    return float(used_um / 1e3)


def cut_doubts(used_mm: float, depth_mm: float | None) -> tuple[Reason, ...]:
    """Why a scale that makes so much used edge is in doubt.

    Parameters
    ----------
    used_mm : float
        From `used_edge_mm`.
    depth_mm : float or None
        Programmed depth of cut; None if nobody has said.

    Returns
    -------
    tuple of Reason
        Empty where it is no more than may be a wrong depth.
    """
    if depth_mm is None or used_mm <= TWICE_AS_DEEP * depth_mm:
        return ()
    return (reason("scale-against-cut", depth_mm=depth_mm),)


def place_findings(
    transition: Transition,
    visible_um: Array,
    on_photo: PlaceOnPhoto,
    u_scale: float,
    depth_mm: float | None,
    method: str,
) -> list[Finding]:
    """Where the transition is in the photo, and how much used edge the photo shows.

    Parameters
    ----------
    transition : Transition
    visible_um : ndarray
        Places along the edge at which its silhouette is seen, in order.
    on_photo : PlaceOnPhoto
        Of the transition, on the silhouette.
    u_scale : float
        Relative standard uncertainty of the scale along the edge.
    depth_mm : float or None
        Programmed depth of cut; None if nobody has said.
    method : str
        The signs that show the transition included.

    Returns
    -------
    list of Finding
    """
    # of either side, where nothing tells which is used: the length itself is refused then
    used_mm = used_edge_mm(transition, visible_um)
    place = Input("place of the transition along the edge", 0.0, transition.u_at_um)
    depth = Input("depth of the edge at the transition", 0.0, on_photo.um_per_px)
    per_um = 1.0 / on_photo.um_per_px
    along, inward = np.abs(on_photo.along), np.abs(on_photo.inward)
    x, y = (
        linear(value, [(along[k] * per_um, place), (inward[k] * per_um, depth)])
        for k, value in enumerate(on_photo.at_px)
    )
    used_length = linear(used_mm, [(1e-3, place), (used_mm, scale_error(u_scale))])
    doubts: tuple[Reason, ...] = ()
    if depth_mm is not None and used_mm - 2.0 * used_length.u > MUCH_DEEPER * depth_mm:
        doubts = (reason("longer-than-the-cut", depth_mm=depth_mm),)
    column, row = on_photo.at_px
    return [
        found("transition_x_px", "whole", column, x, method),
        found("transition_y_px", "whole", row, y, method),
        found("used_length", "whole", used_mm, used_length, method, doubts=doubts)
        if transition.used_side
        else refused("used_length", "whole", reason("used-side-unknown"), method),
    ]
