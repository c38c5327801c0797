"""Both borders of a worn flat as a photograph of a real flute shows them, without a model of the light.

Behind a real flute lies the next one, out of focus, and a flat may be as dark as that, or hold streaks of its own
that run along the edge and are brighter than anything else. Two things still tell it apart. What lies behind is
blurred: the outermost line that is in focus is the edge as it is today. And a flat is another surface than the
face: what it shows runs along the edge, for the cut has drawn it so, or it is smooth; the face has specks and
grinding marks that do not. So the inner end is not where the light first changes but where the face's own texture
begins. Both are followed from place to place (`trace.steepest_path`), so a flat may taper, be ragged, and be brighter
here and darker there than the face.

The inner end is read several times with other lengths and weights. Where the flat is plain all readings agree; how
far they are apart elsewhere says how sure it is.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
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
# of the threshold: more is not more sure; less does not count
MOST, COUNTS = 1.5, (0.6, 0.7)
NEARLY = 0.6  # of the steepest place, which counts as it
SLOPE_UM = 3.5  # across the edge, on each side of a place: over what its slope is taken
NEXT_UM = 12.0  # across the edge: lines nearer to each other are one
OUTER_BEND, INNER_BEND = 0.4, 1.0  # cost of moving by one row in a column
RIM_UM = 8.0  # inside the edge, where its own blur is
THIN = 3  # columns to one that is looked at inside the edge
SLANTS = (-0.3, -0.15, 0.0, 0.15, 0.3)  # of lines on a flat against the edge
SPECK_UM = 8.0  # along the edge: of a face's texture, about what is one reading
FAINT = 0.03  # of the logarithm of light: a fainter line is as good as none, however sure
USUAL = 75.0  # per cent of the face that is no more like a flat
UNLIKE = 3.0  # times the usual one, from which a place is not like the face
LEAST_USUAL = (1.0, 0.1)  # of a line over its chance, and of the logarithm of grain
LINE_UM = 10.0  # of flat, that a line right at its end is worth


@dataclass(frozen=True)
class Reading:
    """One way to read the inner end.

    Attributes
    ----------
    side_um : float
        Across the edge: what is averaged on each side of a step.
    even_share : float
        How unlike the face a place is that may as well be the one as the other; halfway between the two is about
        0.35 where lines lie close and 0.1 where a flat shows few.
    """

    side_um: float = 4.0
    even_share: float = 0.2


# The first is the one that is reported
READINGS = (Reading(), Reading(side_um=6.0), Reading(even_share=0.15), Reading(even_share=0.25))


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
    return LandBorders(outer_um, outer_um + np.array(face.inner_ends(READINGS)))


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
    """The logarithm of light below today's edge, shape (D, S)."""

    light: Picture
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
        return cls(np.asarray(np.nan_to_num(picture), np.float32), seen, deep_um, step_um)

    def inner_ends(self, readings: Sequence[Reading]) -> list[Array]:
        """Depth of the inner end below the edge by each reading, shape (S,)."""
        signs = {side_um: self._signs(side_um) for side_um in {each.side_um for each in readings}}
        every = np.arange(self.light.shape[1])
        return [
            np.interp(every, every[::THIN], self._end(signs[each.side_um], each.even_share))
            for each in readings
        ]

    def _end(self, signs: _Signs, even: float) -> Array:
        """Depth of the inner end, in every so many columns."""
        outside = (self.deep_um < RIM_UM)[:, None]
        flat = np.where(outside, np.float32(0.0), np.maximum(signs.lines, signs.smooth) - np.float32(even))
        # what is flat down to a place, and face beyond it
        gain = np.cumsum(flat, axis=0) * self.step_um + LINE_UM * signs.lines
        gain[self.deep_um < RIM_UM] = 0.0
        gain[self.deep_um > FARTHEST_UM] = gain.min() - MOST * FARTHEST_UM
        path = steepest_path(np.ascontiguousarray(gain, np.float32), INNER_BEND)
        return self._steepest(path, signs.change)

    def _signs(self, side_um: float) -> _Signs:
        """What tells a flat from the face."""
        side = max(2, round(side_um / self.step_um))
        no_face = _near_unseen(np.where(self.seen, self.light, np.float32(np.nan)), side + 3)[:, ::THIN]
        no_face |= (self.deep_um < RIM_UM)[:, None]
        change, sure = self._lines(side)
        lines = cv2.blur(
            self._unlike(sure, no_face, LEAST_USUAL[0]), (_odd(ALONG_UM, THIN * self.step_um), 1)
        )
        grain = self._grain(side)
        smooth = self._unlike(self._usual(grain, no_face, 50.0) - grain, no_face, LEAST_USUAL[1])
        return _Signs(change, np.asarray(lines, np.float32), smooth)

    def _lines(self, side: int) -> tuple[Picture, Picture]:
        """Steps of light along lines that run with the edge: how high, and over what specks make by chance."""
        width = _odd(ALONG_UM, THIN * self.step_um)
        step = _change(self.light, side, side % 2)
        square = cv2.blur(step * step, (_odd(ALONG_UM, self.step_um), 1))[:, ::THIN]
        step = np.ascontiguousarray(cv2.blur(step, (THIN, 1))[:, ::THIN])
        highest, surest = np.zeros_like(step), np.zeros_like(step)
        for slope in SLANTS:
            mean = np.abs(
                cv2.filter2D(step, -1, _slanted(width, THIN * slope), borderType=cv2.BORDER_REPLICATE)
            )
            chance = np.maximum(square - mean * mean, 0.0) * (SPECK_UM / ALONG_UM) + FAINT**2
            sure = mean / np.sqrt(chance)
            highest = np.where(sure > surest, mean, highest)
            surest = np.maximum(sure, surest)
        return np.asarray(highest, np.float32), np.asarray(surest, np.float32)

    def _grain(self, side: int) -> Picture:
        """The logarithm of how much the light changes along the edge from speck to speck, or mark to mark."""
        fine, wide = (cv2.GaussianBlur(self.light, (0, 0), sigmaX=x, sigmaY=0.6) for x in (1.0, 6.0))
        mean = cv2.blur(np.abs(fine - wide), (_odd(ALONG_UM, self.step_um), side))[:, ::THIN]
        return np.asarray(np.log(mean + np.float32(LEAST_LIGHT)), np.float32)

    def _unlike(self, sign: Picture, no_face: Mask, least: float) -> Picture:
        """How far a sign goes beyond what it is on the face, where it counts."""
        usual = self._usual(np.abs(sign), no_face, USUAL)
        share = np.clip(sign / (UNLIKE * np.maximum(usual, least)).astype(np.float32), 0.0, MOST)
        return np.where(no_face | (share < COUNTS[1]), np.float32(0.0), share).astype(np.float32)

    def _usual(self, sign: Picture, no_face: Mask, per_cent: float) -> Picture:
        """That percentile of a sign on the face, in every column."""
        on_face = (self.deep_um > FACE_UM[0]) & (self.deep_um < FACE_UM[1])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # columns that are not seen
            usual = np.nanpercentile(np.where(no_face, np.nan, sign)[on_face], per_cent, axis=0)
        known, every = np.isfinite(usual), np.arange(len(usual))
        level = np.interp(every, every[known], usual[known]) if known.any() else np.ones(len(usual))
        return np.asarray(
            median_filter(level, size=_odd(SLOW_UM, THIN * self.step_um), mode="nearest"), np.float32
        )

    def _steepest(self, path: NDArray[np.intp], change: Picture) -> Array:
        """Depth of the steepest places about a path, which keeps to where the step ends."""
        thin_um, columns = THIN * self.step_um, np.arange(len(path))
        step = cv2.blur(change, (_odd(ALONG_UM, thin_um), 1))
        step[self.deep_um < RIM_UM] = 0.0
        about = np.arange(-round(1.6 * NEXT_UM / self.step_um), round(SLOPE_UM / self.step_um) + 1)
        rows = np.clip(path[None, :] + about[:, None], 0, len(step) - 1)
        around = step[rows, columns]
        weight = np.maximum(around - NEARLY * around.max(axis=0), 0.0) + 1e-9
        place = (weight * rows).sum(axis=0) / weight.sum(axis=0)
        steady = median_filter(place, size=_odd(0.7 * ALONG_UM, thin_um), mode="nearest")
        smooth = gaussian_filter1d(steady, 0.2 * ALONG_UM / thin_um, mode="nearest")
        return np.asarray(np.interp(smooth, np.arange(len(self.deep_um)), self.deep_um))


@dataclass(frozen=True, eq=False)
class _Signs:
    """What tells a flat from the face, in every `THIN`th column, shape (D, S / THIN) each.

    `change`: height of a step of light along the edge. `lines`, `smooth`: how unlike the face a place is for lines
    that run with the edge, and for want of grain.
    """

    change: Picture
    lines: Picture
    smooth: Picture


def _slanted(width: int, slope: float) -> Picture:
    """A mean along a line of so many columns, shape (rows, width)."""
    along = np.arange(width) - width // 2
    reach = int(np.ceil(abs(slope) * (width // 2)))
    rows = np.arange(-reach, reach + 1)
    kernel = np.maximum(0.0, 1.0 - np.abs(rows[:, None] - slope * along))
    return np.asarray(kernel / kernel.sum(), np.float32)
