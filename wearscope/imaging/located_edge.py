"""A photo with its cutting edge found: read, in linear light, straightened into a strip, traced."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, median_filter

from wearscope.errors import PhotoRefused
from wearscope.imaging.channels import ChannelShift, laid_over
from wearscope.imaging.edge_lines import Array, EdgeLine, offset_from
from wearscope.imaging.edge_selection import (
    Candidate,
    candidates,
    choose,
    drawn_line,
    guided_line,
    refine_line,
)
from wearscope.imaging.photo import Photo
from wearscope.imaging.quality import CLIPPED, Quality, strip_quality
from wearscope.imaging.strip import arc_length_px, cut_strip, points_on_photo
from wearscope.light.strip import Strip
from wearscope.wear.trace import GUIDE_COLUMNS, Trace, matched_trace, trace_edge

DEPTH_UM = (-160.0, 540.0)
SEARCH_UM = (-80.0, 100.0)  # about the smooth line: how far a worn edge may lie from it
FINE_ENOUGH_UM = 2.6  # blocks of pixels are averaged up to this size
BAND_ROWS = 64
MOST_BURNT = 0.35  # of the picture
BESIDE_EDGE_UM = 25.0  # of the edge, within which a patch to be ignored hides it
LEAST_SEEN, LEAST_COLUMNS = 0.35, 60  # of the edge; less cannot be followed


@dataclass(frozen=True)
class PhotoScale:
    """Microns per pixel of one photo.

    Attributes
    ----------
    um_per_px, u_um_per_px : float
    note : str
        What is to be said of it; "" when it comes from a graticule without doubts.
    """

    um_per_px: float
    u_um_per_px: float
    note: str


Polyline = tuple[tuple[float, float], ...]
"""Columns and rows in the photo's own pixels."""


@dataclass(frozen=True)
class Marks:
    """What a person has marked in a photo, in its own pixels.

    Attributes
    ----------
    near : polyline or None
        Within 100 px of the edge.
    drawn : polyline or None
        The edge itself.
    tool : {"left", "right"} or None
        Side of `drawn` on which the tool lies, for someone who goes along it.
    """

    near: Polyline | None = None
    drawn: Polyline | None = None
    tool: Literal["left", "right"] | None = None


NO_MARKS = Marks()


@dataclass(frozen=True, eq=False)
class OpenPhoto:
    """A photo read and in linear light, its edge not yet looked for.

    Attributes
    ----------
    light : ndarray, shape (H, W, 3)
        Averaged over blocks of `reduction` pixels where the photo is finer than any number needs.
    """

    photo: Photo
    light: NDArray[np.float32]
    reduction: int
    shifts: tuple[ChannelShift | None, ChannelShift | None] = (None, None)

    @cached_property
    def candidates(self) -> list[Candidate]:
        """Lines that could be the cutting edge."""
        return candidates(self.light)


@dataclass(frozen=True, eq=False)
class LocatedEdge:
    """A photo with its edge found.

    Attributes
    ----------
    light, reduction
        As of `OpenPhoto`.
    line : EdgeLine
        Smooth line along the edge, in pixels of `light`, as is `um_per_px`.
    u_scale : float
        Relative standard uncertainty of the scale.
    trace_um, steepness : ndarray, shape (S,)
        Of the edge along the strip; NaN where it is not seen.
    ignored : ndarray of float32, shape (H, W), or None
        1 where nothing is to be measured.
    """

    photo: Photo
    light: NDArray[np.float32]
    reduction: int
    line: EdgeLine
    um_per_px: float
    u_scale: float
    scale_note: str
    strip: Strip
    trace_um: Array
    steepness: Array
    quality: Quality
    ignored: NDArray[np.float32] | None = None

    @property
    def name(self) -> str:
        """File name, for messages."""
        return self.photo.path.name

    @property
    def photo_um_per_px(self) -> float:
        """Scale of the photo as it is in its file."""
        return self.um_per_px / self.reduction

    @cached_property
    def seen(self) -> NDArray[np.bool_]:
        """Where the edge is seen, shape (S,)."""
        return np.isfinite(self.trace_um)

    @cached_property
    def smooth_um(self) -> Array:
        """The trace without its fine noise, drawn on where the edge is not seen."""
        filled = np.where(self.seen, self.trace_um, np.nanmedian(self.trace_um))
        return np.asarray(median_filter(filled, size=31, mode="nearest"))

    @cached_property
    def bend_um(self) -> Array:
        """Offset of the line from its own straight frame, at each place of the strip."""
        fine = np.linspace(self.line.start_px, self.line.end_px, 1025)
        t_px = np.interp(self.strip.s_um, arc_length_px(self.line, fine) * self.um_per_px, fine)
        return np.asarray(polynomial.polyval(t_px, self.line.offset_px) * self.um_per_px)

    @property
    def offset_um(self) -> Array:
        """Where the traced edge lies in the line's straight frame."""
        return self.bend_um + self.trace_um

    @property
    def curvature_per_mm(self) -> float:
        """Curvature of the line in its middle."""
        second = polynomial.polyder(self.line.offset_px, 2)
        middle = 0.5 * (self.line.start_px + self.line.end_px)
        return float(abs(polynomial.polyval(middle, second)) / self.um_per_px * 1000.0)

    def strip_along(self, follow_um: Array, s_um: Array | None = None) -> Strip:
        """The strip cut again with d = 0 at `follow_um` from the line."""
        s_um = self.strip.s_um if s_um is None else s_um
        return _cut(self.light, self.line, self.um_per_px, self.ignored, s_um, follow_um)

    def matched(self, columns: NDArray[np.bool_]) -> LocatedEdge:
        """The same look with the trace of columns of one kind sharpened."""
        return replace(self, trace_um=matched_trace(self.strip, self.trace_um, columns))

    def rescaled(self, zoom: float, u_zoom: float, note: str) -> LocatedEdge:
        """The same look at a scale changed by a factor."""
        um_per_px = self.um_per_px * zoom
        strip = _cut(self.light, self.line, um_per_px, self.ignored)
        hidden = None if self.ignored is None else _hidden(strip, self.line, self.ignored)
        trace = _trace(strip, self.name, hidden)
        return replace(
            self,
            um_per_px=um_per_px,
            u_scale=float(np.hypot(self.u_scale, u_zoom)),
            scale_note="; ".join(filter(None, [self.scale_note, note])),
            strip=strip,
            trace_um=trace.d_um,
            steepness=trace.steepness,
        )

    def on_photo(self, s_um: float, d_um: float) -> tuple[float, float]:
        """Column and row, in the photo's own pixels, of a place on the strip."""
        (column, row), *_ = self.places_px(np.array([s_um]), np.array([d_um]))
        return float(column), float(row)

    def places_px(self, s_um: Array, d_um: Array) -> Array:
        """Columns and rows, in the photo's own pixels, of places on the strip, shape (N, 2)."""
        return (points_on_photo(self.line, self.um_per_px, s_um, d_um) + 0.5) * self.reduction - 0.5

    def on_strip(self, place_px: tuple[float, float]) -> tuple[float, float]:
        """Where on the strip, s and d in µm, a place in the photo's own pixels lies, for gentle curves."""
        place = (np.array([place_px], float) + 0.5) / self.reduction - 0.5
        t_px = (place - self.line.origin_px) @ self.line.direction
        d_um = offset_from(place, self.line) * self.um_per_px
        return float(arc_length_px(self.line, t_px)[0] * self.um_per_px), float(d_um[0])


def open_photo(photo: Photo, reduction: int) -> OpenPhoto:
    """The photo's light, averaged over blocks of `reduction` pixels."""
    light = working_light(photo, reduction)
    if photo.grey:
        return OpenPhoto(photo, light, reduction)
    light, shifts = laid_over(light)
    return OpenPhoto(photo, light, reduction, shifts)


def search_px(opened: OpenPhoto, scale: PhotoScale) -> int:
    """How far beside a line the edge is looked for, in pixels of `opened`."""
    # whole pixels: a scale put right by a little leaves the line where it is
    return max(10, int(np.ceil(60.0 / (scale.um_per_px * opened.reduction))))


def edge_line(
    opened: OpenPhoto, reach_px: int, marks: Marks = NO_MARKS, like: EdgeLine | None = None
) -> EdgeLine:
    """The line along the cutting edge of a photo, in pixels of `opened`.

    Parameters
    ----------
    opened : OpenPhoto
    reach_px : int
        As from `search_px`.
    marks : Marks
        What a person has marked in it.
    like : EdgeLine, optional
        The edge of the new-state photo of the same flute.

    Raises
    ------
    PhotoRefused
        When no line in it is clearly the cutting edge.
    """
    light, reduction = opened.light, opened.reduction
    if marks.drawn is not None:
        chosen: Candidate | None = drawn_line(light, _reduced(marks.drawn, reduction), marks.tool)
    elif marks.near is not None:
        chosen = guided_line(light, _reduced(marks.near, reduction), opened.candidates)
    else:
        chosen = choose(opened.candidates, like=like)
    if chosen is None:
        raise _no_edge(opened.photo.path, light, marks.drawn is not None or bool(opened.candidates))
    return refine_line(light, chosen.line, reach_px)


def look_along(opened: OpenPhoto, line: EdgeLine, scale: PhotoScale) -> LocatedEdge:
    """Straighten a photo along the line of its edge, and trace the edge.

    Raises
    ------
    PhotoRefused
        When the edge cannot be followed.
    """
    photo, um_per_px = opened.photo, scale.um_per_px * opened.reduction
    strip = _cut(opened.light, line, um_per_px, None)
    trace = _trace(strip, photo.path.name)
    return LocatedEdge(
        photo=photo,
        light=opened.light,
        reduction=opened.reduction,
        line=line,
        um_per_px=um_per_px,
        u_scale=scale.u_um_per_px / scale.um_per_px,
        scale_note="; ".join(filter(None, [scale.note, scale_in_file(photo, scale)])),
        strip=strip,
        trace_um=trace.d_um,
        steepness=trace.steepness,
        quality=strip_quality(strip),
    )


def hide(located: LocatedEdge, polygons: tuple[Polyline, ...]) -> LocatedEdge:
    """The same look without the places where nothing is to be measured, as if the photo did not reach there.

    Raises
    ------
    PhotoRefused
        When too little of the edge is left.
    """
    ignored = np.zeros(located.light.shape[:2], np.float32)
    for polygon in polygons:
        cv2.fillPoly(ignored, [np.round(_reduced(polygon, located.reduction)).astype(np.int32)], 1)
    hidden = _hidden(located.strip, located.line, ignored)
    strip = replace(located.strip, light=np.where(hidden[..., None], np.float32(np.nan), located.strip.light))
    trace = _trace(strip, located.name, hidden)
    return replace(
        located,
        strip=strip,
        trace_um=trace.d_um,
        steepness=trace.steepness,
        quality=strip_quality(strip),
        ignored=ignored,
    )


def _reduced(points_px: Polyline, reduction: int) -> Array:
    return np.asarray((np.array(points_px, float) + 0.5) / reduction - 0.5)


def _cut(
    light: NDArray[np.float32],
    line: EdgeLine,
    um_per_px: float,
    ignored: NDArray[np.float32] | None,
    s_um: Array | None = None,
    follow_um: Array | None = None,
) -> Strip:
    """Cut a strip, as if the photo did not reach where nothing is to be measured."""
    strip = cut_strip(light, line, um_per_px, depth_um=DEPTH_UM, s_um=s_um, follow_um=follow_um)
    if ignored is not None:
        strip.light[_hidden(strip, line, ignored, follow_um)] = np.nan
    return strip


def _hidden(
    strip: Strip, line: EdgeLine, ignored: NDArray[np.float32], follow_um: Array | None = None
) -> NDArray[np.bool_]:
    """Where the strip shows what is not to be measured, shape (D, S)."""
    depth_um = (float(strip.d_um[0]), float(strip.d_um[-1]))
    cut = cut_strip(ignored, line, strip.um_per_px, depth_um=depth_um, s_um=strip.s_um, follow_um=follow_um)
    return np.asarray(np.nan_to_num(cut.light[: len(strip.d_um)]) > 0.25)


def _trace(strip: Strip, name: str, hidden: NDArray[np.bool_] | None = None) -> Trace:
    """Trace the edge; where something hides it, it is not seen."""
    trace = trace_edge(strip, SEARCH_UM)
    if hidden is not None:
        trace = replace(trace, d_um=_beside_patches(strip, trace.d_um, hidden))
    seen = np.isfinite(trace.d_um)
    if seen.mean() < LEAST_SEEN or seen.sum() < LEAST_COLUMNS:
        raise PhotoRefused(
            f"{name}: the edge is too faint or too blurred to follow",
            "focus on the cutting edge, put a white card behind the flute and take it again",
        )
    return trace


def _beside_patches(strip: Strip, trace_um: Array, hidden: NDArray[np.bool_]) -> Array:
    """A trace without the columns in which a patch covers the edge."""
    search = (strip.d_um > SEARCH_UM[0]) & (strip.d_um < SEARCH_UM[1])
    clear = np.isfinite(trace_um) & ~hidden[search].any(axis=0)
    if not clear.any():
        return trace_um
    # a patch's own border is steep: where the edge lies, the clear columns beside it say
    columns = np.arange(len(clear))
    edge_um = np.interp(columns, columns[clear], trace_um[clear])
    beside = np.abs(strip.d_um[:, None] - edge_um[None, :]) < BESIDE_EDGE_UM
    # a column beside a patch is traced with what its neighbours show
    covered = binary_dilation(np.asarray((hidden & beside).any(axis=0)), iterations=GUIDE_COLUMNS)
    return np.where(covered, np.nan, trace_um)


def _no_edge(path: Path, light: NDArray[np.float32], some_lines: bool) -> PhotoRefused:
    burnt = float((light.max(axis=2) >= CLIPPED).mean())
    if burnt > MOST_BURNT:
        return PhotoRefused(
            f"{path.name}: {burnt:.0%} of the picture is burnt out by glare, the cutting edge is lost in it",
            "dim the lamp or shorten the exposure, put a diffuser over the lamp, and take it again",
        )
    if some_lines:
        return PhotoRefused(
            f"{path.name}: no line in it is clearly the cutting edge",
            "mark the edge with edge_near = [[column, row], [column, row]] in the trial file",
        )
    return PhotoRefused(
        f"{path.name}: no cutting edge is to be seen in it",
        "put a white card behind the flute and focus on the edge, or mark the edge with edge_near",
    )


def scale_in_file(photo: Photo, scale: PhotoScale) -> str:
    """Say that the file's own scale is another one, if it is."""
    if photo.embedded_um_per_px is None:
        return ""
    own = float(np.mean(photo.embedded_um_per_px))
    if abs(own / scale.um_per_px - 1.0) < 0.01:
        return ""
    return f"the file itself says {own:.4g} um per px ({photo.embedded_source}), which was not used"


def block_side(um_per_px: float) -> int:
    """Side, in pixels, of the blocks to average over where pixels are much finer than any number here."""
    return max(1, int(FINE_ENOUGH_UM / um_per_px))


def working_light(photo: Photo, reduction: int) -> NDArray[np.float32]:
    """Linear light, averaged over blocks of `reduction` pixels, shape (H, W, 3)."""
    if reduction == 1:
        return photo.linear()
    height, width = (side // reduction for side in photo.pixels.shape[:2])
    light = np.empty((height, width, 3), np.float32)
    # a band at a time: twelve million pixels as floats are more than a processor keeps at hand
    for first in range(0, height, BAND_ROWS):
        last = min(first + BAND_ROWS, height)
        whole = photo.linear(slice(first * reduction, last * reduction), slice(0, width * reduction))
        cv2.resize(whole, (width, last - first), dst=light[first:last], interpolation=cv2.INTER_AREA)
    return light
