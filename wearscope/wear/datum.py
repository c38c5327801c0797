"""Lay the new-state edge line under a worn edge: what recession is measured against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from wearscope.wear.strip import UNUSED, USED
from wearscope.wear.zones import (
    SHORTEST_ZONE_UM,
    Sign,
    Transition,
    chip_mask,
    drawn_on,
    find_transition,
    zone_labels,
)

Array = NDArray[np.float64]

CHIP_UM = 12.0  # a notch deeper than this, and than six times the scatter, is a chip
SMALLEST_STEP_UM = 1.5  # of the edge line; less is not told from a bend in the edge


@dataclass(frozen=True)
class Datum:
    """The edge of a worn photo against its new-state line.

    Attributes
    ----------
    transition : Transition or None
    labels : ndarray of int8, shape (S,)
    departure_um : ndarray, shape (S,)
        How far the trace has moved from the new-state line, positive into the tool.
    u_datum_um : ndarray, shape (S,)
        Standard uncertainty of the new-state line at each place.
    residual_um : float
        Root mean square of the departure over the unused zone.
    chips_um : tuple of (float, float)
    absent : str
        Why there is no transition; "" when there is one.
    """

    transition: Transition | None
    labels: NDArray[np.int8]
    departure_um: Array
    u_datum_um: Array
    residual_um: float
    chips_um: tuple[tuple[float, float], ...]
    absent: str


def lay_datum(
    s_um: Array,
    offset_um: Array,
    new_offset_um: Array | None,
    other_signs: Sequence[Sign],
    used_side: int | None,
) -> Datum:
    """Find the transition and lay the new-state line through the unused zone.

    Parameters
    ----------
    s_um : ndarray, shape (S,)
    offset_um : ndarray, shape (S,)
        The traced edge, in a straight frame; NaN where not seen.
    new_offset_um : ndarray, shape (S,), or None
        The traced edge of the new-state photo at the same places, in its own straight frame. Without it the
        unused zone is drawn on as a gentle curve.
    other_signs : sequence of Sign
        What else shows wear.
    used_side : int, optional
        +1 or -1 when the person has said on which side the used zone lies.

    Notes
    -----
    The two frames differ by a shift and a small turn, so the difference of the two lines is a straight line
    plus the recession; the straight line is fitted to the unused zone alone.
    """
    difference = offset_um - (new_offset_um if new_offset_um is not None else 0.0)
    degree = 1 if new_offset_um is not None else 2
    seen = np.isfinite(offset_um)
    scatter_um = _scatter(difference)
    masked, chips = chip_mask(s_um, difference, max(CHIP_UM, 6.0 * scatter_um))
    signs = [Sign("edge-line", difference, degree, rises=True, smallest=SMALLEST_STEP_UM), *other_signs]
    transition = find_transition(s_um, signs, masked, used_side=used_side)
    labels = zone_labels(s_um, seen, masked, transition, USED)
    step_um = float(s_um[1] - s_um[0])
    if transition is not None:
        for zone, word in ((UNUSED, "unused"), (USED, "used")):
            if (labels == zone).sum() * step_um < SHORTEST_ZONE_UM:
                reason = f"hardly any {word} edge is in the frame beside the transition"
                return _whole(s_um, difference, seen & ~masked, chips, degree, reason)
        line, u_line = drawn_on(s_um, np.where(labels == UNUSED, difference, np.nan), degree=degree)
        departure = difference - line
        residual = float(np.sqrt(np.nanmean(departure[labels == UNUSED] ** 2)))
        return Datum(transition, labels, departure, u_line, residual, chips, "")
    return _whole(s_um, difference, seen & ~masked, chips, degree, "no sign of wear begins or ends in this photo")


def _whole(
    s_um: Array,
    difference: Array,
    usable: NDArray[np.bool_],
    chips: tuple[tuple[float, float], ...],
    degree: int,
    absent: str,
) -> Datum:
    line, u_line = drawn_on(s_um, np.where(usable, difference, np.nan), degree=degree)
    departure = difference - line
    labels = zone_labels(s_um, np.isfinite(difference), ~usable, None, USED)
    residual = float(np.sqrt(np.nanmean(departure[usable] ** 2))) if usable.any() else float("nan")
    return Datum(None, labels, departure, u_line, residual, chips, absent)


def _scatter(value: Array) -> float:
    seen = np.isfinite(value)
    if seen.sum() < 16:
        return 0.0
    filled = np.interp(np.arange(len(value)), np.flatnonzero(seen), value[seen])
    return 1.4826 * float(np.median(np.abs(filled - median_filter(filled, size=41, mode="nearest"))))
