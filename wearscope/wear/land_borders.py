"""Both borders of a worn flat as a photograph of a real flute shows them, without a model of the light.

Behind a real flute lies the next one, out of focus, and a flat may be as dark as that, or hold streaks of its own
that run along the edge and are brighter than anything else. Two things still tell it apart. What lies behind is
blurred: the outermost line that is in focus is the edge as it is today. And the face is even beyond the flat: the
inner end is the last line along the edge, within reach, at which light or grain changes by more than they do on the
face itself. Each is followed from place to place (`trace.steepest_path`), so a flat may taper, be ragged, and be
brighter here and darker there than the face.

The inner end is read several times with other lengths and weights. Where the flat is plain all readings agree; how
far they are apart elsewhere says how sure it is.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from wearscope.light.strip import Strip, grey
from wearscope.wear.trace import steepest_path

Array = NDArray[np.float64]
Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

# All lengths were chosen on photographs of worn flanks of end mills, unless another ground is given
OUTSIDE_UM, INSIDE_UM = 150.0, 300.0  # of the trace: what is looked at
BACKGROUND_UM = 80.0  # outside the trace, from where on outward nothing but background lies
FARTHEST_UM, FACE_UM = (
    180.0,
    (100.0, 220.0),
)  # from the edge: the widest flat, and the face it is held against
STRAIGHT_UM = (300.0, 150.0)  # along the edge: the median, then the Gaussian, that make the trace a base line
ALONG_UM = 53.0  # along the edge: what is averaged for one place
SLOW_UM = 400.0  # along the edge, over which a level is taken for one
LEAST_LIGHT = 0.01  # of full light, added before the logarithm: below lies noise
SHARP, LEAST_SHARP = 5.0, 0.05  # times the background's slope, and of the logarithm of light: a line in focus
LEAST_CHANGE = 0.15  # of the logarithm of light or grain; a smaller one is no border
MOST, COUNTS = (
    1.5,
    (0.6, 0.7),
)  # of the threshold: more is not more sure; less does not count, at the edge and inside
NEARLY = 0.6  # of the steepest place, which counts as it
SLOPE_UM = 3.5  # across the edge, on each side of a place: over what its slope is taken
NEXT_UM = 12.0  # across the edge: lines nearer to each other are one
OUTER_BEND, INNER_BEND = 0.4, 0.3  # cost of moving by one row in a column
RIM_UM = 8.0  # inside the edge, where its own blur is


@dataclass(frozen=True)
class Reading:
    """One way to read the inner end.

    Attributes
    ----------
    side_um : float
        Across the edge: what is averaged on each side of a step.
    grain : float
        Weight of a change of grain against one of light.
    noise_factor : float
        How many times the face's own change a step must have.
    quiet_um : float
        How much face beyond the step must be even.
    cost_per_um : float
        Of depth: of two such lines the outer one.
    """

    side_um: float = 10.0
    grain: float = 0.7
    noise_factor: float = 2.0
    quiet_um: float = 120.0
    cost_per_um: float = 0.002


# The first is the one that is reported
READINGS = (
    Reading(),
    Reading(grain=1.0),
    Reading(side_um=14.0, grain=1.0, cost_per_um=0.003),
    Reading(side_um=14.0, grain=0.5, quiet_um=150.0),
)


@dataclass(frozen=True)
class LandBorders:
    """Where a flat begins and ends.

    Attributes
    ----------
    outer_um : ndarray, shape (S,)
        Depth on the strip of the edge as it is today.
    inner_um : ndarray, shape (R, S)
        Depth of the inner end, by each of `READINGS`.
    """

    outer_um: Array
    inner_um: Array

    @property
    def width_um(self) -> Array:
        """By each reading, shape (R, S)."""
        return np.maximum(self.inner_um - self.outer_um, 0.0)


def land_borders(strip: Strip, trace_um: Array) -> LandBorders | None:
    """Follow both borders of a flat along an edge.

    Parameters
    ----------
    strip : Strip
    trace_um : ndarray, shape (S,)
        Roughly where the edge lies; NaN where it is not seen.

    Returns
    -------
    LandBorders or None
        None where too little of the edge is seen.
    """
    if np.isfinite(trace_um).sum() * strip.um_per_px < SLOW_UM:
        return None
    step_um = strip.um_per_px
    light = np.log(np.maximum(grey(strip.light), 0.0) + np.float32(LEAST_LIGHT))
    base_um = _base(trace_um, step_um)
    deep_um = np.arange(-OUTSIDE_UM, INSIDE_UM, step_um)
    outer_um = base_um + _outer(_along(strip, light, base_um, deep_um), deep_um, step_um)
    deep_um = np.arange(-2.0 * NEXT_UM, FACE_UM[1] + 2.0 * NEXT_UM, step_um)
    picture = _along(strip, light, outer_um, deep_um)
    face = _Face.of(picture, deep_um, step_um)
    if face is None:
        return None
    read = [face.inner_end(reading) for reading in READINGS]
    return LandBorders(outer_um, np.array([outer_um + inner_um for inner_um in read]))


def _base(trace_um: Array, step_um: float) -> Array:
    """The trace as a smooth line."""
    every, seen = np.arange(len(trace_um)), np.isfinite(trace_um)
    filled = np.interp(every, every[seen], trace_um[seen])
    level = median_filter(filled, size=round(STRAIGHT_UM[0] / step_um) | 1, mode="nearest")
    return np.asarray(gaussian_filter1d(level, STRAIGHT_UM[1] / step_um, mode="nearest"))


def _along(strip: Strip, light: Picture, line_um: Array, deep_um: Array) -> Picture:
    """The light at depths below a line, shape (depths, S); NaN where the photo does not reach."""
    rows = (line_um[None, :] + deep_um[:, None] - strip.d_um[0]) / strip.um_per_px
    columns = np.broadcast_to(np.arange(len(line_um), dtype=np.float32), rows.shape)
    return np.asarray(
        cv2.remap(
            np.asarray(light, np.float32),
            np.ascontiguousarray(columns),
            rows.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        ),
        np.float32,
    )


def _odd(length_um: float, step_um: float) -> int:
    return max(3, round(length_um / step_um) | 1)


def _followed(gain: Picture, bend: float) -> NDArray[np.intp]:
    """The row of the best path in each column, every third of which says all."""
    path = steepest_path(np.ascontiguousarray(gain[:, ::3], np.float32), bend)
    return np.repeat(path, 3)[: gain.shape[1]]


def _change(picture: Picture, side: int, gap: int) -> Picture:
    """Difference of the means of so many rows on both sides of each row."""
    mean = cv2.blur(picture, (1, side), borderType=cv2.BORDER_REPLICATE)
    reach = side // 2 + gap
    change = np.roll(mean, reach, axis=0) - np.roll(mean, -reach, axis=0)
    change[: reach + side] = 0.0
    change[len(change) - reach - side :] = 0.0
    return np.asarray(change, np.float32)


def _near_unseen(picture: Picture, rows: int) -> Mask:
    unseen = np.asarray(~np.isfinite(picture), np.uint8)
    return np.asarray(cv2.dilate(unseen, np.ones((2 * rows + 1, 3), np.uint8)) > 0)


def _counting(change: Picture, threshold: Array, counts: float, width: int) -> Picture:
    """How far a change goes beyond a threshold, averaged along the edge."""
    share = np.clip(change / threshold[None, :].astype(np.float32), 0.0, MOST)
    return np.asarray(
        cv2.blur(np.where(share < counts, np.float32(0.0), share).astype(np.float32), (width, 1)), np.float32
    )


def _outer(picture: Picture, deep_um: Array, step_um: float) -> Array:
    """Depth of the outermost line in focus, shape (S,)."""
    half = _odd(0.5 * ALONG_UM, step_um)
    smooth = cv2.GaussianBlur(cv2.blur(np.nan_to_num(picture), (half, 1)), (0, 0), sigmaX=0.01, sigmaY=1.2)
    gap = max(1, round(SLOPE_UM / step_um))
    slope = np.abs(_change(np.asarray(smooth, np.float32), 1, gap))
    slope[_near_unseen(picture, 6)] = 0.0
    behind = np.median(slope[deep_um < -BACKGROUND_UM], axis=0)
    behind = median_filter(behind, size=_odd(SLOW_UM, step_um), mode="nearest")
    sharp = _counting(slope, np.maximum(SHARP * behind, LEAST_SHARP), COUNTS[0], half)
    next_to = round(NEXT_UM / step_um)
    further_out = np.maximum.accumulate(sharp, axis=0)
    further_out = np.vstack([np.zeros((next_to, sharp.shape[1]), np.float32), further_out[:-next_to]])
    path = _followed(sharp - further_out, OUTER_BEND)
    # the path keeps to where the line begins; the edge is the first of its steepest places
    rows = np.clip(
        path[None, :] + np.arange(-2, round(1.3 * NEXT_UM / step_um) + 1)[:, None], 0, len(deep_um) - 1
    )
    around = cv2.blur(slope, (half, 1))[rows, np.arange(len(path))]
    first = (around >= NEARLY * around.max(axis=0)).argmax(axis=0)
    every = np.arange(len(rows))[:, None]
    weight = np.where((every >= first) & (every <= first + 2 * gap), around, 0.0) + 1e-9
    place = (weight * rows).sum(axis=0) / weight.sum(axis=0)
    steady = median_filter(place, size=_odd(ALONG_UM, step_um), mode="nearest")
    return np.asarray(
        deep_um[0] + gaussian_filter1d(steady, ALONG_UM / 3.0 / step_um, mode="nearest") * step_um
    )


@dataclass(frozen=True, eq=False)
class _Face:
    """The logarithm of light, and of its grain, below today's edge, shape (D, S) each."""

    light: Picture
    grain: Picture
    seen: Mask
    deep_um: Array
    step_um: float

    @classmethod
    def of(cls, picture: Picture, deep_um: Array, step_um: float) -> _Face | None:
        """None where hardly any face is seen."""
        seen = np.isfinite(picture)
        reach = seen[(deep_um > FACE_UM[0]) & (deep_um < FACE_UM[1])].any(axis=0)
        if reach.sum() * step_um < SLOW_UM:
            return None
        filled = np.nan_to_num(picture)
        fine, wide = (cv2.GaussianBlur(filled, (0, 0), sigmaX=x, sigmaY=0.6) for x in (1.0, 6.0))
        width = _odd(ALONG_UM, step_um)
        grain = np.log(cv2.blur(np.abs(fine - wide), (width, 1)) + np.float32(LEAST_LIGHT))
        mean = np.asarray(cv2.blur(filled, (width, 1)), np.float32)
        return cls(mean, np.asarray(grain, np.float32), seen, deep_um, step_um)

    def _steps(self, side_um: float, grain: float) -> Picture:
        side = max(2, round(side_um / self.step_um))
        steps = np.hypot(_change(self.light, side, 1), np.float32(grain) * _change(self.grain, side, 1))
        return np.asarray(steps, np.float32)

    def inner_end(self, reading: Reading) -> Array:
        """Depth of the inner end below the edge, shape (S,)."""
        deep_um, step_um = self.deep_um, self.step_um
        side, width = max(2, round(reading.side_um / step_um)), _odd(ALONG_UM, step_um)
        step = self._steps(reading.side_um, reading.grain)
        unseen = _near_unseen(np.where(self.seen, self.light, np.float32(np.nan)), side + 3)
        step[unseen | (deep_um < RIM_UM)[:, None]] = 0.0
        share = _counting(step, reading.noise_factor * self._usual(step, unseen), COUNTS[1], width)
        next_to, quiet = round(NEXT_UM / step_um), max(1, round(reading.quiet_um / step_um))
        further_in = cv2.dilate(share, np.ones((quiet, 1), np.uint8), anchor=(0, 0))
        further_in = np.vstack([further_in[next_to:], np.zeros((next_to, share.shape[1]), np.float32)])
        gain = (
            share - further_in - (reading.cost_per_um * np.maximum(deep_um, 0.0)[:, None]).astype(np.float32)
        )
        gain[deep_um < RIM_UM] = 0.0
        gain[deep_um > FARTHEST_UM] = -10.0
        path = _followed(gain, INNER_BEND)
        return self._steepest(path, reading)

    def _usual(self, step: Picture, unseen: Mask) -> Array:
        """What the face itself changes by, shape (S,)."""
        on_face = (self.deep_um > FACE_UM[0]) & (self.deep_um < FACE_UM[1])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # columns that are not seen
            usual = np.nanpercentile(np.where(unseen, np.nan, step)[on_face], 75.0, axis=0)
        known, every = np.isfinite(usual), np.arange(len(usual))
        if not known.any():
            return np.full(len(usual), LEAST_CHANGE)
        level = np.interp(every, every[known], usual[known])
        return np.maximum(
            median_filter(level, size=_odd(SLOW_UM, self.step_um), mode="nearest"), LEAST_CHANGE / 2.0
        )

    def _steepest(self, path: NDArray[np.intp], reading: Reading) -> Array:
        """Depth of the steepest places about a path, which keeps to where the step ends."""
        step_um, columns = self.step_um, np.arange(len(path))
        width = _odd(ALONG_UM, step_um)
        step = np.asarray(cv2.blur(self._steps(7.0, reading.grain), (width, 1)))
        step[self.deep_um < RIM_UM] = 0.0
        rows = np.clip(
            path[None, :] + np.arange(-round(1.6 * NEXT_UM / step_um), 2)[:, None], 0, len(step) - 1
        )
        around = step[rows, columns]
        weight = np.maximum(around - NEARLY * around.max(axis=0), 0.0) + 1e-9
        place = (weight * rows).sum(axis=0) / weight.sum(axis=0)
        steady = median_filter(place, size=_odd(0.7 * ALONG_UM, step_um), mode="nearest")
        smooth = gaussian_filter1d(steady, 0.2 * ALONG_UM / step_um, mode="nearest")
        return np.asarray(np.interp(smooth, np.arange(len(self.deep_um)), self.deep_um))
