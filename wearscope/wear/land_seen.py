"""The wear land measured from today's edge, where the original edge line cannot be had.

VB is defined from the original edge line. Where neither an unused zone long enough to draw that line on from, nor a
new-state photo, is there, the width is read between the borders that the photograph shows (`land_borders`). It lacks
what the edge has moved back, which goes into the uncertainty, and it is never better than doubtful.

A flat is taken for seen only where the same reading is narrower beyond the end of contact: what runs along all of the
edge may be a ground facet, or the blur of the edge itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.metrology.uncertainty import Budget, Input, linear
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.coating_map import CoatingMap
from wearscope.wear.datum import CHIP_UM
from wearscope.wear.land_borders import ALONG_UM, LandBorders, land_borders
from wearscope.wear.measured import MeasuredStrip, scale_error
from wearscope.wear.wear_land import WearLand, find_land
from wearscope.wear.zones import END_SHARE, GUARD_UM, SHORTEST_ZONE_UM, chip_mask

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Standard uncertainty of a mean width by its borders alone: root mean square against lands drawn by hand on flanks of
# end mills where all readings agree, the hand's own error included
U_BORDERS_UM = 6.0
WIDER_UM, WIDER_UNPLACED_UM = 8.0, 15.0  # than beyond the end of contact: less is no flat; chosen
SHORTEST_BESIDE_UM = 100.0  # of edge beyond the end of contact that tells how narrow none is; chosen
# A flat that leans by α against the relief face moves the edge back by sin α cos β / sin(α + β) of its width (sines
# in the triangle of original edge and both ends of the flat); the greatest for α up to 12° and β from 50°
MOVED_BACK = 0.15
ROUNDED_UM = (
    40.0  # a band no wider may as well be a rounded edge; the radius at which edges are given up, practice
)
POOR_LINE_UM = 15.0  # uncertainty of the original line, from which on today's edge serves better; chosen
LEAST_AGREED = 2.0  # times what the readings scatter by, that a width must have; chosen
FROM_TODAY = reason("land-from-todays-edge")
MAY_BE_ROUNDING = reason("flat-or-rounding")
END_BY_LAND = reason("end-of-contact-by-land")


@dataclass(frozen=True)
class _Span:
    """Where along the edge a land is averaged, shape (S,).

    `elsewhere` is what else may be used, where nothing but the land tells where contact ends.
    """

    used: Mask
    elsewhere: Mask | None = None


def best_land(measured: MeasuredStrip, coating: CoatingMap | None = None) -> WearLand:
    """The wear land from the original edge line, or from today's edge where that line is known too poorly.

    Parameters
    ----------
    measured : MeasuredStrip
    coating : CoatingMap, optional
        Where the coating is gone, if that could be read.

    Returns
    -------
    WearLand
    """
    land = find_land(measured, coating)
    line = measured.line_error()
    if line is None or not line.u > POOR_LINE_UM:
        return land
    return land_as_seen(measured) or land


def land_as_seen(measured: MeasuredStrip) -> WearLand | None:
    """The wear land between the borders that the photograph shows.

    Parameters
    ----------
    measured : MeasuredStrip
        Needs no fits.

    Returns
    -------
    WearLand or None
        Unsure; None where no flat is seen, or not that it ends.
    """
    borders = land_borders(measured.strip, measured.departure_um)
    if borders is None:
        return None
    span = _span(measured, borders)
    if span is None:
        return None
    width = borders.width_um[:, span.used] / np.cos(measured.edge.tilt.value)
    end_um = np.where(span.used, borders.inner_um[0], np.nan)
    mean, widest = width.mean(axis=1), width.max(axis=1)
    if not mean[0] > LEAST_AGREED * mean.std(ddof=1):
        return None
    rounding = bool(mean[0] <= ROUNDED_UM)
    doubts = (*_if(END_BY_LAND, span.elsewhere is not None), *_if(MAY_BE_ROUNDING, rounding))
    over_all = mean[0] if span.elsewhere is None else borders.width_um[0, span.used | span.elsewhere].mean()
    own = [Input("where contact ends", 0.0, abs(float(mean[0] - over_all)))]
    both = (
        _budget(measured, float(mean[0]), float(mean.std(ddof=1)), own, rounding=rounding),
        _budget(measured, float(widest[0]), float(widest.std(ddof=1)), [], rounding=rounding),
    )
    inside_um = float(np.nanmedian((measured.departure_um - borders.outer_um)[span.used]))
    return WearLand("unsure", FROM_TODAY, end_um, *both, float("nan"), doubts=doubts, inside_um=inside_um)


def _if(doubt: Reason, so: bool) -> tuple[Reason, ...]:
    return (doubt,) if so else ()


def _budget(
    measured: MeasuredStrip, value: float, apart_um: float, own: list[Input], *, rounding: bool
) -> Budget:
    tilt = measured.edge.tilt
    parts = [
        *((1.0, each) for each in own),
        (1.0, Input("borders of the flat", 0.0, U_BORDERS_UM)),
        (1.0, Input("other readings of the inner end", 0.0, apart_um)),
        (1.0, Input("what the edge has moved back", 0.0, MOVED_BACK * value / np.sqrt(3.0))),
        (value, scale_error(measured.u_scale)),
        (value * float(np.tan(tilt.value) + 0.5 * tilt.u), Input("view tilt", tilt.value, tilt.u)),
    ]
    if rounding:
        # anything from none to all of it is a flat
        parts.append((1.0, Input("rounding taken for a flat", 0.0, value / np.sqrt(3.0))))
    return linear(value, parts)


def _span(measured: MeasuredStrip, borders: LandBorders) -> _Span | None:
    """Where the land is averaged; None where it is no wider there than beyond the end of contact."""
    s_um, place = measured.strip.s_um, measured.zones.place
    inner = _visible(s_um, measured.departure_um) & ~_chipped(s_um, borders.outer_um)
    width = borders.width_um.mean(axis=0)
    if place is None:
        return _divided(s_um, width, inner)
    for side in (place.used_side,) if place.used_side else (1, -1):
        beyond_um = (s_um - place.at_um) * side
        used, beside = inner & (beyond_um > GUARD_UM), inner & (beyond_um < -0.5 * ALONG_UM)
        if _wider(s_um, width, used, beside) > WIDER_UM:
            return _Span(used, None if place.used_side else np.zeros_like(used))
    return None


def _divided(s_um: Array, width: Array, inner: Mask) -> _Span | None:
    """The side of the place where the width falls off most, where one side is plainly wider.

    Contact ends at once, and the flat with it; towards the corner of the tool a flat tapers slowly.
    """
    best, span = 0.0, None
    step_um = float(s_um[1] - s_um[0])
    for at_um in s_um[inner][:: max(1, round(ALONG_UM / step_um))]:
        for side in (1, -1):
            beyond_um = (s_um - at_um) * side
            used, beside = inner & (beyond_um > 0.0), inner & (beyond_um < 0.0)
            kept, near = used & (beyond_um > GUARD_UM), np.abs(beyond_um) < GUARD_UM
            if not (used & near).any() or not (beside & near).any():
                continue  # nothing is seen on one side of the place, as beside a chip
            told = float(width[used & near].mean() - width[beside & near].mean())
            wider = _wider(s_um, width, used, beside)
            if wider > WIDER_UNPLACED_UM and told > best and kept.sum() * step_um > SHORTEST_ZONE_UM:
                best, span = told, _Span(kept, inner & ~kept)
    return span


def _wider(s_um: Array, width: Array, used: Mask, beside: Mask) -> float:
    """By how much the reading is wider in some columns than in others; -inf where either are too few."""
    step_um = float(s_um[1] - s_um[0])
    if used.sum() * step_um < SHORTEST_ZONE_UM or beside.sum() * step_um < SHORTEST_BESIDE_UM:
        return float("-inf")
    return float(width[used].mean() - width[beside].mean())


def _visible(s_um: Array, trace_um: Array) -> Mask:
    """From the first to the last place where the edge is seen, without its ends."""
    seen = s_um[np.isfinite(trace_um)]
    cut = END_SHARE * (seen[-1] - seen[0])
    return np.asarray((s_um >= seen[0] + cut) & (s_um <= seen[-1] - cut))


def _chipped(s_um: Array, edge_um: Array) -> Mask:
    return chip_mask(s_um, edge_um, CHIP_UM)[0]
