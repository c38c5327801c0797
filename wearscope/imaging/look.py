"""A photo with its cutting edge found: read, in linear light, straightened into a strip, traced."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from wearscope.errors import PhotoRefused
from wearscope.imaging.choice import Candidate, candidates, choose, guided_line, refine_line
from wearscope.imaging.edge import Array, EdgeLine
from wearscope.imaging.photo import Photo, read_photo
from wearscope.imaging.quality import CLIPPED, Quality, strip_quality
from wearscope.imaging.strip import arc_length_px, cut_strip, point_on_photo
from wearscope.wear.strip import Strip
from wearscope.wear.trace import matched_trace, trace_edge

DEPTH_UM = (-160.0, 540.0)
SEARCH_UM = (-80.0, 100.0)  # about the smooth line: how far a worn edge may lie from it
FINE_ENOUGH_UM = 2.6  # blocks of pixels are averaged up to this size
BAND_ROWS = 64
MOST_BURNT = 0.35  # of the picture
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


@dataclass(frozen=True)
class Look:
    """A photo with its edge found.

    Attributes
    ----------
    light : ndarray, shape (H, W, 3)
        Linear light, averaged over blocks of `reduction` pixels where the photo is finer than any number needs.
    line : EdgeLine
        Smooth line along the edge, in pixels of `light`, as is `um_per_px`.
    u_scale : float
        Relative standard uncertainty of the scale.
    trace_um, steepness : ndarray, shape (S,)
        Of the edge along the strip; NaN where it is not seen.
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
        return cut_strip(
            self.light, self.line, self.um_per_px, depth_um=DEPTH_UM, s_um=s_um, follow_um=follow_um
        )

    def matched(self, columns: NDArray[np.bool_]) -> Look:
        """The same look with the trace of columns of one kind sharpened."""
        return replace(self, trace_um=matched_trace(self.strip, self.trace_um, columns))

    def rescaled(self, zoom: float, u_zoom: float, note: str) -> Look:
        """The same look at a scale changed by a factor."""
        um_per_px = self.um_per_px * zoom
        strip = cut_strip(self.light, self.line, um_per_px, depth_um=DEPTH_UM)
        trace = trace_edge(strip, SEARCH_UM)
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
        column, row = point_on_photo(self.line, self.um_per_px, s_um, d_um)
        return (column + 0.5) * self.reduction - 0.5, (row + 0.5) * self.reduction - 0.5


def look_at(
    path: Path,
    scale: PhotoScale,
    *,
    near_px: Sequence[tuple[float, float]] | None = None,
    like: EdgeLine | None = None,
) -> Look:
    """Open a photo and find the cutting edge in it.

    Parameters
    ----------
    path : Path
    scale : PhotoScale
    near_px : sequence of (column, row), optional
        Hand-drawn polyline near the edge.
    like : EdgeLine, optional
        The edge of the new-state photo of the same flute.

    Raises
    ------
    PhotoRefused
        When the file is no photo, or no line in it is clearly the cutting edge.
    """
    photo = read_photo(path)
    light, reduction = working_light(photo, scale.um_per_px)
    um_per_px = scale.um_per_px * reduction
    possible = candidates(light)
    if near_px is not None:
        chosen: Candidate | None = guided_line(
            light, (np.array(near_px, float) + 0.5) / reduction - 0.5, possible
        )
    else:
        chosen = choose(possible, like=like)
    if chosen is None:
        raise _no_edge(path, light, bool(possible))
    line = refine_line(light, chosen.line, max(10.0, 60.0 / um_per_px))
    strip = cut_strip(light, line, um_per_px, depth_um=DEPTH_UM)
    trace = trace_edge(strip, SEARCH_UM)
    seen = np.isfinite(trace.d_um)
    if seen.mean() < LEAST_SEEN or seen.sum() < LEAST_COLUMNS:
        raise PhotoRefused(
            f"{path.name}: the edge is too faint or too blurred to follow",
            "focus on the cutting edge, put a white card behind the flute and take it again",
        )
    return Look(
        photo=photo,
        light=light,
        reduction=reduction,
        line=line,
        um_per_px=um_per_px,
        u_scale=scale.u_um_per_px / scale.um_per_px,
        scale_note="; ".join(filter(None, [scale.note, scale_in_file(photo, scale)])),
        strip=strip,
        trace_um=trace.d_um,
        steepness=trace.steepness,
        quality=strip_quality(strip),
    )


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


def working_light(photo: Photo, um_per_px: float) -> tuple[NDArray[np.float32], int]:
    """Linear light, averaged over blocks where pixels are much finer than any number here.

    Returns
    -------
    light : ndarray, shape (H, W, 3)
    reduction : int
        Side of the blocks, in pixels.
    """
    reduction = max(1, int(FINE_ENOUGH_UM / um_per_px))
    if reduction == 1:
        return photo.linear(), 1
    height, width = (side // reduction for side in photo.pixels.shape[:2])
    light = np.empty((height, width, 3), np.float32)
    # a band at a time: twelve million pixels as floats are more than a processor keeps at hand
    for first in range(0, height, BAND_ROWS):
        last = min(first + BAND_ROWS, height)
        whole = photo.linear(slice(first * reduction, last * reduction), slice(0, width * reduction))
        cv2.resize(whole, (width, last - first), dst=light[first:last], interpolation=cv2.INTER_AREA)
    return light, reduction
