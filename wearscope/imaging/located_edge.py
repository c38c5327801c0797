"""A photo with its cutting edge found: in linear light, straightened into a strip, traced."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, median_filter

from wearscope.errors import PhotoRefused
from wearscope.imaging.edge_line import Array, EdgeLine, offset_from
from wearscope.imaging.edge_search import Polyline, reduced_px
from wearscope.imaging.edge_verdict import FoundEdge
from wearscope.imaging.photo import Photo
from wearscope.imaging.prepared_photo import PhotoScale, PreparedPhoto, remarks_of_scale
from wearscope.imaging.quality import Quality, strip_quality
from wearscope.imaging.strip import FINE, arc_length_px, cut_strip, points_on_photo
from wearscope.light.strip import Strip
from wearscope.quantities.reasons import Reason
from wearscope.wear.trace import GUIDE_COLUMNS, OUTSIDE_UM, Trace, matched_trace, trace_edge

# Of a strip: the ground beside the edge, and the face as deep as grind marks are compared
DEPTH_UM = (-160.0, 540.0)
SEARCH_UM = (-80.0, 100.0)  # about the smooth line: how far a worn edge may lie from it
BESIDE_EDGE_UM = 25.0  # of the edge, within which a patch to be ignored hides it
LEAST_SEEN, LEAST_COLUMNS = 0.35, 60  # of the edge; less cannot be followed; chosen, no source
SMOOTH_COLUMNS = 31  # over which fine noise is taken out of a trace
COVERED = 0.25  # of a place on the strip, from which a patch hides it


@dataclass(frozen=True, eq=False)
class LocatedEdge:
    """A photo with its edge found.

    Attributes
    ----------
    photo : Photo
    light : ndarray, shape (H, W, 3)
    reduction : int
        These as of `PreparedPhoto`.
    line : EdgeLine
        Smooth line along the edge, in square pixels of the mean size of those of `light`, as is `um_per_px`, a lens's
        distortion taken out.
    um_per_px : float
    u_scale, u_scale_along : float
        Relative standard uncertainty of a length across the edge, and along it, by the scale.
    scale_remarks : tuple of Reason
        What is to be said of the scale.
    strip : Strip
        Along the line.
    trace_um, steepness : ndarray, shape (S,)
        Of the edge along the strip; NaN where it is not seen.
    quality : Quality
    doubts : tuple of Reason
        Why this may not be the cutting edge.
    ignored : ndarray of float32, shape (H, W), or None
        1 where nothing is to be measured.
    scale_doubts : tuple of Reason
        Why whatever is measured by the scale is doubtful.
    """

    photo: Photo
    light: NDArray[np.float32]
    reduction: int
    line: EdgeLine
    um_per_px: float
    u_scale: float
    u_scale_along: float
    scale_remarks: tuple[Reason, ...]
    strip: Strip
    trace_um: Array
    steepness: Array
    quality: Quality
    doubts: tuple[Reason, ...] = ()
    ignored: NDArray[np.float32] | None = None
    scale_doubts: tuple[Reason, ...] = ()

    @property
    def name(self) -> str:
        """File name, for messages."""
        return self.photo.path.name

    @property
    def photo_um_per_px(self) -> float:
        """Scale of the photo as it is in its file, the mean of both directions."""
        return self.um_per_px / self.reduction

    @cached_property
    def seen(self) -> NDArray[np.bool_]:
        """Where the edge is seen, shape (S,)."""
        return np.isfinite(self.trace_um)

    @cached_property
    def smooth_um(self) -> Array:
        """The trace without its fine noise, drawn on where the edge is not seen."""
        filled = np.where(self.seen, self.trace_um, np.nanmedian(self.trace_um))
        return np.asarray(median_filter(filled, size=SMOOTH_COLUMNS, mode="nearest"))

    @cached_property
    def bend_um(self) -> Array:
        """Offset of the line from its own straight frame, at each place of the strip."""
        fine = np.linspace(self.line.start_px, self.line.end_px, FINE)
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
        """The strip cut again along another line.

        Parameters
        ----------
        follow_um : ndarray, shape (S,)
            Distance of its d = 0 from the line.
        s_um : ndarray, shape (S,), optional
            Places along the line; those of the strip when not given.

        Returns
        -------
        Strip
        """
        s_um = self.strip.s_um if s_um is None else s_um
        return _cut(self.light, self.line, self.um_per_px, self.ignored, s_um, follow_um)

    def matched(self, columns: NDArray[np.bool_]) -> LocatedEdge:
        """The same edge, traced more sharply by what columns of one kind have in common.

        Parameters
        ----------
        columns : ndarray of bool, shape (S,)

        Returns
        -------
        LocatedEdge
        """
        return replace(self, trace_um=matched_trace(self.strip, self.trace_um, columns))

    def rescaled(
        self, zoom: float, u_zoom: float, remark: Reason, doubts: tuple[Reason, ...] = ()
    ) -> LocatedEdge:
        """The same edge at another scale.

        Parameters
        ----------
        zoom, u_zoom : float
            Factor on the scale, with its standard uncertainty.
        remark : Reason
            What is to be said of it.
        doubts : tuple of Reason
            Of the scale that the factor makes of this one.

        Returns
        -------
        LocatedEdge

        Raises
        ------
        PhotoRefused
            When the edge cannot be followed.
        """
        um_per_px = self.um_per_px * zoom
        strip = _cut(self.light, self.line, um_per_px, self.ignored)
        hidden = None if self.ignored is None else _hidden(strip, self.line, self.ignored)
        trace = _trace(strip, self.name, hidden)
        return replace(
            self,
            um_per_px=um_per_px,
            u_scale=float(np.hypot(self.u_scale, u_zoom)),
            u_scale_along=float(np.hypot(self.u_scale_along, u_zoom)),
            scale_doubts=tuple(dict.fromkeys((*self.scale_doubts, *doubts))),
            scale_remarks=(*self.scale_remarks, remark),
            strip=strip,
            trace_um=trace.d_um,
            steepness=trace.steepness,
        )

    def on_photo(self, s_um: float, d_um: float) -> tuple[float, float]:
        """Find one place on the strip in the photo.

        Parameters
        ----------
        s_um, d_um : float

        Returns
        -------
        column : float
            In the photo's own pixels.
        row : float
        """
        (column, row), *_ = self.places_px(np.array([s_um]), np.array([d_um]))
        return float(column), float(row)

    def places_px(self, s_um: Array, d_um: Array) -> Array:
        """Find places on the strip in the photo.

        Parameters
        ----------
        s_um, d_um : ndarray, shape (N,)

        Returns
        -------
        ndarray, shape (N, 2)
            Columns and rows in the photo's own pixels.
        """
        return (points_on_photo(self.line, self.um_per_px, s_um, d_um) + 0.5) * self.reduction - 0.5

    def on_strip(self, place_px: tuple[float, float]) -> tuple[float, float]:
        """Find a place in the photo on the strip, for gentle curves.

        Parameters
        ----------
        place_px : (float, float)
            Column and row in the photo's own pixels.

        Returns
        -------
        s_um : float
        d_um : float
        """
        place = (np.array([place_px], float) + 0.5) / self.reduction - 0.5
        t_px = (self.line.described_px(place) - self.line.origin_px) @ self.line.direction
        d_um = offset_from(place, self.line) * self.um_per_px
        return float(arc_length_px(self.line, t_px)[0] * self.um_per_px), float(d_um[0])


COARSEST_UM_PER_PX = (OUTSIDE_UM[1] - OUTSIDE_UM[0]) / 2
"""From which on fewer than two pixels are left between an edge and what is read of the ground beside it."""


def follow_edge(prepared: PreparedPhoto, found: FoundEdge, scale: PhotoScale) -> LocatedEdge:
    """Straighten a photo along the line of its edge, and trace the edge.

    Parameters
    ----------
    prepared : PreparedPhoto
    found : FoundEdge
        From `edge_line`.
    scale : PhotoScale

    Returns
    -------
    LocatedEdge

    Raises
    ------
    PhotoRefused
        When the edge cannot be followed.
    """
    photo, um_per_px = prepared.photo, scale.um_per_px * prepared.reduction
    if um_per_px > COARSEST_UM_PER_PX:
        raise PhotoRefused(
            f"{photo.path.name}: at {um_per_px:.3g} µm per pixel, as its scale says, no edge can be followed",
            "check the scale, or photograph the flute larger",
            "scale-too-coarse",
        )
    lens = scale.lens.on_blocks(prepared.reduction) if scale.lens is not None else None
    line = found.line.with_pixels(scale.aspect).with_lens(lens)
    strip = _cut(prepared.light, line, um_per_px, None)
    trace = _trace(strip, photo.path.name)
    return LocatedEdge(
        photo=photo,
        light=prepared.light,
        reduction=prepared.reduction,
        line=line,
        um_per_px=um_per_px,
        u_scale=scale.u_share_along(line.inward),
        u_scale_along=scale.u_share_along(line.direction),
        scale_doubts=scale.doubts,
        scale_remarks=remarks_of_scale(photo, scale),
        strip=strip,
        trace_um=trace.d_um,
        steepness=trace.steepness,
        quality=strip_quality(strip),
        doubts=found.doubts,
    )


def hide(located: LocatedEdge, polygons: tuple[Polyline, ...]) -> LocatedEdge:
    """Leave out the places where nothing is to be measured, as if the photo did not reach there.

    Parameters
    ----------
    located : LocatedEdge
    polygons : tuple of polyline
        About those places, in the photo's own pixels.

    Returns
    -------
    LocatedEdge

    Raises
    ------
    PhotoRefused
        When too little of the edge is left.
    """
    ignored = np.zeros(located.light.shape[:2], np.float32)
    for polygon in polygons:
        cv2.fillPoly(ignored, [np.round(reduced_px(polygon, located.reduction)).astype(np.int32)], 1)
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
    return np.asarray(np.nan_to_num(cut.light[: len(strip.d_um)]) > COVERED)


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
            "edge-too-faint",
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
