"""The mean light of each zone of an edge, and its fit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, median_filter, uniform_filter1d

from wearscope.light.edge_light import LightFit
from wearscope.light.strip import UNUSED, USED, Strip
from wearscope.light.zone_light import (
    LEAST_COLUMNS,
    Lighting,
    MeanLight,
    fit_unused,
    fit_used,
    mean_light,
    over_windows,
    with_unresolved,
)
from wearscope.metrology.uncertainty import Budget, Input
from wearscope.wear.datum import Datum
from wearscope.wear.measured import LEAST_DEPARTURE_UM, Edge, ZoneFits

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

WINDOW_UM = 300.0  # along the edge: before an uneven background, what one mean is taken over; chosen
FOLLOW_UM = 90.0  # wandering of the wear is followed over this length; chosen
FOCUS_COLUMNS = (
    61  # steepness is averaged over these before a zone's sharp part is told from its soft one; chosen
)
# of the steepness of the zone's sharpest part, and what quantile that is; chosen
SHARP_ENOUGH, SHARPEST = 0.88, 0.85
# Of a zone's middle steepness, below which something lies over the edge: at least 0.66 on path-traced edges and 0.52
# on those out of focus to one side, 0.07 to 0.4 under a finger; and how far beside it its soft border reaches, chosen
COVERED, BORDER_UM = 0.45, 150.0
LEAST_SHARP = 4  # a part of a zone, one over this, that must be in focus to stand for all of it; chosen


@dataclass(frozen=True, eq=False)
class ZoneLights:
    """What is known of a photo's zones before the light of the used one is fitted.

    Attributes
    ----------
    unused : LightFit or None
        Of this photo, else of the new-state photo.
    windows : tuple of (float, MeanLight)
        The used edge, each length of it with the mean depth of its trace; empty where too little of it is seen.
        Before an even background all of it is one, before an uneven one, which is not the same all along, several.
    fitted_um, zone_um : float
        Mean depth of the trace in the columns of all windows, and in the whole zone.
    line : Input or None
        How far the new-state line drawn on to the used zone may be off; None without an unused zone.
    lighting : Lighting
    coated : bool
        Whether the bit has a coating to lose.
    """

    unused: LightFit | None
    windows: tuple[tuple[float, MeanLight], ...]
    fitted_um: float
    zone_um: float
    line: Input | None
    lighting: Lighting
    coated: bool

    def fits(self, factor: Budget | None) -> ZoneFits:
        """Both fits, with silhouette and radius of the used one tied by `factor`, unless that is None.

        Parameters
        ----------
        factor : Budget or None
            Recession per radius.

        Returns
        -------
        ZoneFits
        """
        unused, used = self.unused, None
        if unused is not None and self.windows:
            fitted = [
                (fit, mean.columns)
                for trace_um, mean in self.windows
                if (fit := self._fit_used(mean, trace_um, unused, factor)) is not None
            ]
            used = over_windows(*map(list, zip(*fitted, strict=True))) if fitted else None
            if used is not None and self.line is not None:
                used = _for_whole_zone(used, unused, self.fitted_um, self.zone_um)
            used = None if used is None else with_unresolved(used, self.lighting, "used")
        if unused is not None:
            unused = with_unresolved(unused, self.lighting, "unused")
        return ZoneFits(unused, used)

    def _fit_used(
        self, mean: MeanLight, trace_um: float, unused: LightFit, factor: Budget | None
    ) -> LightFit | None:
        return fit_used(mean, trace_um, unused, self.lighting, factor, self.line, coated=self.coated)


def zone_lights(
    strip: Strip,
    labels: NDArray[np.int8],
    datum: Datum,
    sharpness: Array,
    edge: Edge,
    lighting: Lighting,
    new: LightFit | None,
) -> ZoneLights:
    """Fit the model of the light to the unused zone, and average the used one.

    Parameters
    ----------
    strip : Strip
        Cut along the new-state line.
    labels : ndarray of int8, shape (S,)
    datum : Datum
    sharpness : ndarray, shape (S,)
        Steepness of the edge; where it falls off, the edge is out of focus.
    edge : Edge
    lighting : Lighting
    new : LightFit or None
        Of the new-state photo: stands in where this photo shows no unused zone.

    Returns
    -------
    ZoneLights
    """
    departure_um = datum.departure_um
    follow = followed(departure_um, labels, float(strip.s_um[1] - strip.s_um[0]))
    unused = new
    columns = sharpest((labels == UNUSED) & np.isfinite(departure_um), sharpness)
    if columns.sum() >= LEAST_COLUMNS:
        mean = mean_light(strip, columns, np.zeros(len(columns)))
        unused = fit_unused(mean, lighting, edge.radius_um, strip.um_per_px)
    zone = (labels == USED) & np.isfinite(follow)
    columns = sharpest(zone, sharpness)
    if unused is None or columns.sum() < LEAST_COLUMNS:
        return ZoneLights(unused, (), np.nan, np.nan, None, lighting, edge.coated)
    fitted_um = float(follow[columns].mean())

    def mean_of(columns: NDArray[np.bool_]) -> tuple[float, MeanLight]:
        mean_um = float(follow[columns].mean())
        return mean_um, mean_light(strip, columns, np.where(np.isfinite(follow), follow - mean_um, 0.0))

    line = datum.line_error(columns) if (labels == UNUSED).any() else None
    lengths = [columns]
    if lighting.background == "mixed" and line is not None:
        lengths = _in_windows(columns, float(strip.s_um[1] - strip.s_um[0]))
    windows = tuple(mean_of(each) for each in lengths)
    zone_um = float(follow[zone].mean())
    return ZoneLights(unused, windows, fitted_um, zone_um, line, lighting, edge.coated)


def _in_windows(columns: NDArray[np.bool_], step_um: float) -> list[NDArray[np.bool_]]:
    """Some columns in lengths of about `WINDOW_UM`, each long enough to average over."""
    at = np.flatnonzero(columns)
    count = min(max(1, round(len(at) * step_um / WINDOW_UM)), len(at) // LEAST_COLUMNS)
    every = np.arange(len(columns))
    return [np.isin(every, part) for part in np.array_split(at, max(1, count))]


def _for_whole_zone(used: LightFit, unused: LightFit, fitted_um: float, zone_um: float) -> LightFit:
    """The fit of a zone's sharp columns carried over to all of it, by the depth of the trace.

    Trace, silhouette and radius move in proportion (see `measured.moved_along`).
    """
    if fitted_um <= LEAST_DEPARTURE_UM:
        return used
    share = zone_um / fitted_um
    silhouette_um = unused.silhouette_um + (used.silhouette_um - unused.silhouette_um) * share
    radius_um = unused.radius_um + (used.radius_um - unused.radius_um) * share
    return replace(
        used,
        silhouette=replace(used.silhouette, value=silhouette_um),
        radius=replace(used.radius, value=radius_um),
        bright_line_um=unused.silhouette_um + (used.bright_line_um - unused.silhouette_um) * share,
    )


def in_sight(labels: NDArray[np.int8], sharpness: Array, step_um: float) -> Mask:
    """Where nothing lies over the edge: a finger, a thread, a blob of resin in front of it hides its step of light.

    Parameters
    ----------
    labels : ndarray of int8, shape (S,)
    sharpness : ndarray, shape (S,)
        Steepness of the edge.
    step_um : float
        Along the edge.

    Returns
    -------
    ndarray of bool, shape (S,)
    """
    seen = np.ones(len(labels), bool)
    for zone in (UNUSED, USED):
        at = np.flatnonzero(labels == zone)
        if len(at) < LEAST_COLUMNS:
            continue
        smooth = median_filter(sharpness[at], min(FOCUS_COLUMNS, len(at)), mode="nearest")
        hidden = np.zeros(len(labels), bool)
        hidden[at] = smooth < COVERED * np.median(smooth)
        seen &= ~binary_dilation(hidden, iterations=max(1, round(BORDER_UM / step_um))) | (labels != zone)
    return seen


def sharpest(columns: Mask, sharpness: Array) -> Mask:
    """The columns of a zone where the edge is in focus: a blurred end would blur the whole mean.

    Parameters
    ----------
    columns : ndarray of bool, shape (S,)
    sharpness : ndarray, shape (S,)
        Steepness of the edge.

    Returns
    -------
    ndarray of bool, shape (S,)
    """
    at = np.flatnonzero(columns)
    if len(at) < LEAST_COLUMNS:
        return columns
    smooth = np.full(len(columns), np.nan)
    smooth[at] = uniform_filter1d(sharpness[at], min(FOCUS_COLUMNS, len(at)), mode="nearest")
    good = columns & (smooth >= SHARP_ENOUGH * np.nanquantile(smooth, SHARPEST))
    return good if good.sum() >= max(LEAST_COLUMNS, len(at) // LEAST_SHARP) else columns


def followed(departure_um: Array, labels: NDArray[np.int8], step_um: float) -> Array:
    """The departure smoothed along each zone, NaN outside the zones.

    Parameters
    ----------
    departure_um : ndarray, shape (S,)
        Depth of the trace; NaN where it is not seen.
    labels : ndarray of int8, shape (S,)
    step_um : float

    Returns
    -------
    ndarray, shape (S,)
    """
    out = np.full(len(departure_um), np.nan)
    for zone in (UNUSED, USED):
        at = np.flatnonzero((labels == zone) & np.isfinite(departure_um))
        if len(at) == 0:
            continue
        filled = np.interp(np.arange(at[0], at[-1] + 1), at, departure_um[at])
        width = max(3, round(FOLLOW_UM / step_um) | 1)
        smooth = uniform_filter1d(filled, width, mode="nearest")
        out[at] = smooth[at - at[0]]
    return out
