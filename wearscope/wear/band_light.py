"""The light of the band along an edge: where it changes at once, and on which side of a place it is worn.

On a photograph of a real flute the place where contact ended catches the eye: from the edge inward the light changes
there from one column to the next, while each side of it wanders slowly. Neither the edge line, which a flute out of
focus behind it disturbs, nor a colour need show it. So the course of the light across the band, a profile of several
depths, is compared on both sides of every place; and the used side is the one whose band differs more from the face.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import Strip, grey
from wearscope.metrology.robust import scatter

Array = NDArray[np.float64]

# From the trace, in µm: the depths of the band, and those of the face that it is held against
BAND_UM = (4.0, 12.0, 20.0, 30.0, 42.0, 56.0, 72.0, 90.0)
FACE_UM = (110.0, 210.0)
INNER = (
    4  # of the band's depths, from 30 um on: a photo out of focus is dark at the edge where nothing has cut
)
BLOCK_UM = 12.0  # along the edge, averaged; the place is known no better
WINDOW_UM, GAP_UM = (
    200.0,
    8.0,
)  # compared on each side of a place, and left out between them; chosen, no source
LEAST_SEEN = 0.85  # of a window
LEAST_LIGHT = 2e-3  # of full light; below, there is but noise
QUIET = 0.12  # of the logarithm of light: grain of a face counts as so much at least
# On 35 flanks of end mills the ends of contact have 2.0 to 9.9; the strongest other place that meets the two shares
# below has 2.3, but for one by a corner with 4.6
LEAST_CHANGE = 2.5
# of pairs of places of the two sides, which the one taken for used must win: in the windows, and over all of the edge
SURE_NEARBY, SURE_ALL = 0.95, 0.75
# And that alone contradict other signs: 0.88 on an insert whose worn end stands proud; against the truth at most 0.76
# on 32 path-traced photos
PLAIN_ALL = 0.85
LEAST_SIDE_UM = (
    400.0  # seen on each side; chosen: two of 22 inserts seemed worn within 240 um of their corner
)
PLATEAU = 0.9  # of the greatest change
RIVAL = 1.5  # times the change of another such place; less does not tell which of them it is
APART_UM = 250.0  # between two places, from which they are two: a change is felt over a window
U_PLACE_UM = 70.0  # root mean square on 24 of these flanks, the hand-drawn marks' own error included


@dataclass(frozen=True, eq=False)
class BandLight:
    """The light of the band along an edge, in blocks.

    Attributes
    ----------
    s_um : ndarray, shape (N,)
        Places along the edge.
    band : ndarray, shape (K, N)
        Logarithm of the light at each depth less that of the face, NaN where not seen.
    """

    s_um: Array
    band: Array

    @cached_property
    def departs(self) -> Array:
        """How far the band's light differs from the face's: mean of absolute log ratios, NaN where not seen."""
        return np.asarray(np.abs(self.band).mean(axis=0))

    @cached_property
    def departs_inside(self) -> Array:
        """The same of the inner part of the band alone, which what lies behind does not blur into."""
        return np.asarray(np.abs(self.band[-INNER:]).mean(axis=0))

    @cached_property
    def change(self) -> Array:
        """How much the band differs between the two sides of each place, in standard deviations; NaN near the ends.

        The root mean square over the depths of the difference of the medians of both windows over their scatter.
        """
        return _changes(self.s_um, self.band)

    def used_side(self, at_um: float) -> int | None:
        """On which side of a place the band is worn.

        Parameters
        ----------
        at_um : float

        Returns
        -------
        int or None
            +1 for larger s; None where both sides are alike, or nearby and all along the edge say different things.
        """
        for side in (1, -1):
            nearby, overall = (self._share(at_um, side, reach) for reach in (GAP_UM + WINDOW_UM, np.inf))
            if nearby >= SURE_NEARBY and overall >= SURE_ALL:
                return side
        return None

    def leans_to(self, at_um: float) -> int | None:
        """On which side of a place the band is worn, plainly and by all of the edge, whatever lies nearby.

        Parameters
        ----------
        at_um : float

        Returns
        -------
        int or None
        """
        for side in (1, -1):
            if self._share(at_um, side, np.inf, self.departs_inside) >= PLAIN_ALL:
                return side
        return None

    def _share(self, at_um: float, side: int, reach_um: float, departs: Array | None = None) -> float:
        """Share of pairs of places on both sides in which that on one side differs more from the face."""
        departs = self.departs if departs is None else departs
        beyond_um = side * (self.s_um - at_um)
        within = np.abs(beyond_um) < reach_um
        return _share_above(departs[within & (beyond_um > GAP_UM)], departs[within & (beyond_um < -GAP_UM)])

    def end(self, used_side: int | None = None) -> tuple[float, int] | None:
        """The place where the band changes at once and is worn on one side.

        Parameters
        ----------
        used_side : int, optional
            As stated by a person.

        Returns
        -------
        (float, int) or None
            Place along the edge, known to `U_PLACE_UM`, and the used side. None where no place stands out, or
            several do.
        """
        ends: list[tuple[float, float, int]] = []
        for k in np.argsort(-np.nan_to_num(self.change, nan=-1.0)):
            if not self.change[k] >= LEAST_CHANGE / RIVAL:
                break
            side = self.used_side(float(self.s_um[k]))
            if side is None or side != (used_side or side) or not self._room(float(self.s_um[k])):
                continue
            # about a place that changes much the change falls off over a window
            if all(abs(float(self.s_um[k]) - at_um) > APART_UM for at_um, *_ in ends):
                ends.append((float(self.s_um[k]), float(self.change[k]), side))
        if not ends or ends[0][1] < LEAST_CHANGE or (len(ends) > 1 and ends[0][1] < RIVAL * ends[1][1]):
            return None
        return self._middle_um(ends[0][0]), ends[0][2]

    def _room(self, at_um: float) -> bool:
        """Whether enough of the edge is seen on both sides of a place: corners change the light too."""
        seen_um = self.s_um[np.isfinite(self.departs)]
        return bool(min(at_um - seen_um[0], seen_um[-1] - at_um) > LEAST_SIDE_UM)

    def _middle_um(self, at_um: float) -> float:
        """The middle of the places nearby that change nearly as much: medians make a plateau of a clean step."""
        near = np.abs(self.s_um - at_um) < 0.5 * WINDOW_UM
        change = np.where(near, np.nan_to_num(self.change), 0.0)
        return float(self.s_um[change >= PLATEAU * change.max()].mean())


def band_light(strip: Strip, trace_um: Array) -> BandLight:
    """Read the light of the band along an edge.

    Parameters
    ----------
    strip : Strip
    trace_um : ndarray, shape (S,)
        Of the edge; NaN where it is not seen.

    Returns
    -------
    BandLight

    Notes
    -----
    At each depth the logarithm of the light, less that of the face deeper in at the same place, which takes a lamp's
    uneven light out.
    """
    light = grey(strip.light)
    per_block = max(1, round(BLOCK_UM / float(strip.s_um[1] - strip.s_um[0])))
    blocks = len(strip.s_um) // per_block
    bounds = [*pairwise(BAND_UM), FACE_UM]
    rows = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # columns that are not seen
        shallowest_um, deepest_um = np.nanmin(trace_um), np.nanmax(trace_um)
        for first_um, last_um in bounds:
            reach_um = [shallowest_um + first_um - 1.0, deepest_um + last_um + 1.0]
            near = slice(*np.searchsorted(strip.d_um, reach_um))
            inward_um = strip.d_um[near, None] - trace_um[None, :]
            within = (inward_um >= first_um) & (inward_um < last_um)
            here = np.where(within, light[near].astype(np.float64), np.nan)
            column = np.nanmean(here, axis=0)[: blocks * per_block]
            rows.append(np.nanmean(column.reshape(blocks, per_block), axis=1))
    logs = np.log(np.maximum(np.array(rows), LEAST_LIGHT))
    s_um = strip.s_um[: blocks * per_block].reshape(blocks, per_block).mean(axis=1)
    return BandLight(s_um, logs[:-1] - logs[-1])


def _changes(s_um: Array, band: Array) -> Array:
    """How much the profile across the band changes at each place, in standard deviations; NaN near the ends."""
    block_um = float(s_um[1] - s_um[0]) if len(s_um) > 1 else BLOCK_UM
    gap, window = round(GAP_UM / block_um), round(WINDOW_UM / block_um)
    change = np.full(len(s_um), np.nan)
    seen = np.asarray(np.isfinite(band).all(axis=0), bool)
    for k in range(window + gap, len(s_um) - window - gap):
        before, after = slice(k - gap - window, k - gap), slice(k + gap + 1, k + gap + 1 + window)
        if min(seen[before].mean(), seen[after].mean()) < LEAST_SEEN:
            continue
        left, right = band[:, before][:, seen[before]], band[:, after][:, seen[after]]
        noise = [scatter(side, axis=1) for side in (left, right)]
        apart = np.median(right, axis=1) - np.median(left, axis=1)
        change[k] = np.sqrt(np.mean(apart**2 / (noise[0] ** 2 + noise[1] ** 2 + QUIET**2)))
    return change


def _share_above(values: Array, others: Array) -> float:
    """Share of pairs in which the value is above the other one (Mann and Whitney 1947, from memory)."""
    values, others = values[np.isfinite(values)], others[np.isfinite(others)]
    if len(values) == 0 or len(others) == 0:
        return 0.0
    return float((values[:, None] > others[None, :]).mean())
