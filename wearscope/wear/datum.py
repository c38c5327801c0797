"""Lay the new-state edge line under a worn edge: what recession is measured against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from wearscope.light.strip import NEITHER, UNUSED, USED
from wearscope.metrology.robust import scatter
from wearscope.metrology.uncertainty import Input
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.band_light import U_PLACE_UM as U_PLACE_BAND_UM
from wearscope.wear.band_light import BandLight
from wearscope.wear.steps import drawn_on, independent_lengths
from wearscope.wear.zones import (
    SHORTEST_ZONE_UM,
    Sign,
    Transition,
    chip_mask,
    find_transition,
    marked_transition,
    zone_labels,
)

Array = NDArray[np.float64]

CHIP_UM = 12.0  # a notch deeper than this, and than six times the scatter, is a chip
SMOOTH_COLUMNS = (
    41  # of a trace, over which what is left is its scatter; chosen: longer than noise, shorter than wear
)
BAND_ALONE = ("band",)  # the signs of a place that nothing but the light of the band shows
SMALLEST_STEP_UM = 1.5  # of the edge line; less is not told from a bend in the edge


@dataclass(frozen=True)
class Zones:
    """Where along the edge the bit has cut.

    Attributes
    ----------
    transition : Transition or None
        With a zone to measure on each side of it.
    labels : ndarray of int8, shape (S,)
        Where there is no transition all that is, or may be, used is `USED`.
    chips_um : tuple of (float, float)
    absent : Reason or None
        Why there is no transition; None when there is one.
    place : Transition or None
        Where the used edge ends, also where a zone beside it is too short to measure.
    one_kind : bool
        Whether all that is `USED` is used alike, as far as the photo tells.
    """

    transition: Transition | None
    labels: NDArray[np.int8]
    chips_um: tuple[tuple[float, float], ...]
    absent: Reason | None
    place: Transition | None = None
    one_kind: bool = True

    @property
    def doubts(self) -> tuple[Reason, ...]:
        """Why the place, and all that is divided by it, is doubtful."""
        if self.place is None:
            return ()
        if self.place.signs == BAND_ALONE:
            return (reason("band-alone"),)
        return () if self.place.confirmed else (reason("place-unconfirmed"),)


@dataclass(frozen=True)
class Datum:
    """A worn edge against its new-state line.

    Attributes
    ----------
    departure_um : ndarray, shape (S,)
        How far the trace has moved from the new-state line, positive into the tool.
    errors_um : ndarray, shape (S, K)
        Of the new-state line at each place: independent columns of standard uncertainty 1, as from `drawn_on`.
    residual_um : float
        Root mean square of the departure over the unused zone.
    drift_um : ndarray, shape (S,)
        By how much the new-state line had to be moved to lie on the unused zone.
    dof : float
        Degrees of freedom of the line: independent lengths of edge less what was fitted to them.
    """

    departure_um: Array
    errors_um: Array
    residual_um: float
    drift_um: Array
    dof: float

    @property
    def u_datum_um(self) -> Array:
        """Standard uncertainty of the new-state line at each place, shape (S,)."""
        return np.asarray(np.linalg.norm(self.errors_um, axis=1))

    def line_error(self, columns: NDArray[np.bool_]) -> Input:
        """How far the new-state line may lie from where the edge was, in the mean over some columns, µm.

        Parameters
        ----------
        columns : ndarray of bool, shape (S,)

        Returns
        -------
        Input
        """
        u_um = float(np.linalg.norm(self.errors_um[columns].mean(axis=0)))
        return Input("new-state line drawn on", 0.0, u_um, self.dof)


def find_zones(
    s_um: Array,
    difference_um: Array,
    degree: int,
    other_signs: Sequence[Sign],
    used_side: int | None,
    reach_um: float = np.inf,
    marked_um: float | None = None,
    hidden: NDArray[np.bool_] | None = None,
    band: BandLight | None = None,
) -> Zones:
    """Find the transition and the zones on each side of it.

    Parameters
    ----------
    s_um : ndarray, shape (S,)
    difference_um : ndarray, shape (S,)
        Traced edge less the new-state edge, each in a straight frame; NaN where not seen.
    degree : int
        Power up to which the two may drift apart along the edge.
    other_signs : sequence of Sign
        What else shows wear.
    used_side : int, optional
        +1 or -1 when the person has said on which side the used zone lies.
    reach_um : float
        How far beyond the guard the zones go at most.
    marked_um : float, optional
        Where along the strip a person has set the transition.
    hidden : ndarray of bool, shape (S,), optional
        Where something lies on the edge; left out like chips.
    band : BandLight, optional
        Says which side is used where signs do not, and where the used edge ends where no sign tells.

    Returns
    -------
    Zones
    """
    seen = np.isfinite(difference_um)
    deepest = max(CHIP_UM, 6.0 * _scatter(difference_um))
    masked, chips = chip_mask(s_um, difference_um, deepest)
    proud, _ = chip_mask(s_um, -difference_um, deepest)  # what sticks to the edge is not the edge
    masked |= proud
    if hidden is not None:
        clean = seen & ~masked & ~hidden
        # with too little left there would be no number to call doubtful
        if clean.sum() * (s_um[1] - s_um[0]) >= 2.0 * SHORTEST_ZONE_UM:
            masked |= hidden
    signs = [
        Sign("edge-line", difference_um, degree, rises=True, smallest=SMALLEST_STEP_UM, u_place_um=0.0),
        *other_signs,
    ]
    if marked_um is not None:
        place: Transition | None = marked_transition(s_um, signs, masked, marked_um, used_side, band)
    else:
        place = find_transition(s_um, signs, masked, used_side=used_side, band=band)
        end = band.end(used_side) if place is None and band is not None else None
        place = place if end is None else Transition(end[0], U_PLACE_BAND_UM, end[1], BAND_ALONE)
    return _divided(s_um, seen, masked, place, chips, reach_um)


def _divided(
    s_um: Array,
    seen: NDArray[np.bool_],
    masked: NDArray[np.bool_],
    place: Transition | None,
    chips: tuple[tuple[float, float], ...],
    reach_um: float,
) -> Zones:
    """The zones about a place, as far as they are long enough to measure."""
    whole = zone_labels(s_um, seen, masked, None, USED)
    if place is None:
        return Zones(None, whole, chips, reason("no-sign-of-wear"))
    if place.used_side == 0:
        return Zones(None, whole, chips, reason("used-side-unknown"), place, one_kind=False)
    labels = zone_labels(s_um, seen, masked, place, USED, reach_um)
    step_um = float(s_um[1] - s_um[0])
    short = [zone for zone in (UNUSED, USED) if (labels == zone).sum() * step_um < SHORTEST_ZONE_UM]
    if not short:
        return Zones(place, labels, chips, None, place)
    absent = reason("zone-out-of-frame", zone="used" if USED in short else "unused")
    if USED in short:
        return Zones(None, whole, chips, absent, place, one_kind=False)
    used_alone = np.where(labels == UNUSED, np.int8(NEITHER), labels)
    return Zones(None, used_alone, chips, absent, place)


def lay_datum(s_um: Array, difference_um: Array, degree: int, zones: Zones) -> Datum:
    """Lay the new-state line through the unused zone.

    Parameters
    ----------
    s_um : ndarray, shape (S,)
    difference_um : ndarray, shape (S,)
        Traced edge less the new-state edge; NaN where not seen.
    degree : int
        Power up to which a drift is fitted along.
    zones : Zones

    Returns
    -------
    Datum

    Notes
    -----
    The straight frames of the two photos differ by a shift and a small turn, so the difference of the two
    edges is a straight line plus the recession; the straight line is fitted to the unused zone alone (to the
    whole edge when there is no transition: then only the shape is compared).
    """
    base = zones.labels == (UNUSED if zones.transition is not None else USED)
    line, errors = drawn_on(s_um, np.where(base, difference_um, np.nan), degree=degree)
    departure = difference_um - line
    residual = float(np.sqrt(np.nanmean(departure[base] ** 2))) if base.any() else float("nan")
    dof = independent_lengths(int(base.sum()), s_um) - (degree + 1.0)
    return Datum(departure, errors, residual, line, max(dof, 1.0))


def _scatter(value: Array) -> float:
    seen = np.isfinite(value)
    if seen.sum() < 16:
        return 0.0
    filled = np.interp(np.arange(len(value)), np.flatnonzero(seen), value[seen])
    return scatter(filled - median_filter(filled, size=SMOOTH_COLUMNS, mode="nearest"), about=0.0)
