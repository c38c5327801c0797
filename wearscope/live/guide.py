"""What is still wrong with a frame: focus and light on the edge, and the way to where the new-state photo was taken.

The edge is followed from frame to frame by its last line, which takes milliseconds; to find it afresh takes a second
and is done beside. Nothing here says that a photo is good: that is for the judging of the still picture
(`wearscope.live.taking`), by the way that measuring goes.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.calibration.scale import Scale
from wearscope.imaging.edge_line import EdgeLine
from wearscope.imaging.edge_search import edge_line, search_px
from wearscope.imaging.edge_selection import refine_line
from wearscope.imaging.edge_verdict import FoundEdge
from wearscope.imaging.located_edge import LocatedEdge, follow_edge
from wearscope.imaging.photo import Photo
from wearscope.imaging.prepared_photo import PhotoScale, PreparedPhoto, block_side, working_light
from wearscope.imaging.quality import COARSE_PX, WORST_BLUR_PX, WORST_BLUR_UM
from wearscope.imaging.registration import CLEAR, MARKS_UM, mark_signal, match_marks
from wearscope.light.strip import Strip, grey
from wearscope.live.source import Frame
from wearscope.pipeline.sources import scale_of
from wearscope.trial.entries import PhotoEntry

Array = NDArray[np.float64]
Place = tuple[float, float]

LEAST_COVERED = 0.6  # of the frame's edge that must be seen for the line to count as followed; chosen
MOST_STEP_DEG = 6.0  # that the edge turns from one frame to the next; more is another line
BESIDE_UM = 30.0  # of the edge, where its blur is read
EVERY = 3  # columns, which tell the blur of all
OUTER = 0.2  # of the reading, where the background's level is read
FACE_UM = (40.0, 200.0)  # where the brightness of the tool is read
MOST_MARKS, DOTS_OF_MARK = (
    24,
    9,
)  # of the ghost: enough to lay one picture over another, and still see the picture


@dataclass(frozen=True)
class Pose:
    """What the tool must do in the picture to lie as in the new-state photo.

    Attributes
    ----------
    right_mm, down_mm : float
        To go; left and up where negative.
    turn_deg : float
        To turn, clockwise as the picture shows it.
    zoom : float
        Factor by which it must appear larger; 1 where the marks do not say.
    marks : {"same", "other", "unclear"}
        Whether the grinding marks are those of the new-state photo. Where they are not, `right_mm` and `down_mm`
        lead square to the edge only.
    """

    right_mm: float
    down_mm: float
    turn_deg: float
    zoom: float
    marks: Literal["same", "other", "unclear"]


@dataclass(frozen=True, eq=False)
class Look:
    """What a frame shows.

    Attributes
    ----------
    frame : Frame
    edge_px : ndarray, shape (N, 2)
        Columns and rows along the edge as found; empty where none is followed.
    blur_um, most_blur_um : float
        Of the edge as the Gaussian sigma, and what is refused; NaN without an edge.
    clipped_share : float
        Of the edge, burnt out; of the whole frame where it is `refused`.
    brightness : float
        Of the tool beside the edge, 0 to 1 in linear light.
    contrast : float
        Between the tool and what is behind it, 0 to 1.
    even : bool
        Whether what is behind the edge is plain.
    moved_um : float
        Since the frame before; infinite where there was none.
    pose : Pose or None
        None without a new-state photo.
    refused : str or None
        Why the photo would be refused, with the cure; "" where it would not; None where no frame is judged so.
    """

    frame: Frame
    edge_px: Array
    blur_um: float = np.nan
    most_blur_um: float = np.nan
    clipped_share: float = 0.0
    brightness: float = 0.0
    contrast: float = 0.0
    even: bool = True
    moved_um: float = np.inf
    pose: Pose | None = None
    refused: str | None = None

    @property
    def followed(self) -> bool:
        """Whether the edge is followed, or was found in a frame that is judged by itself."""
        return len(self.edge_px) > 0 or self.refused == ""


@dataclass(frozen=True, eq=False)
class Ghost:
    """Where things lay in the new-state photo; columns and rows, empty without one.

    Attributes
    ----------
    edge_px : ndarray, shape (N, 2)
        Places along its edge.
    marks_px : ndarray, shape (M, 2)
        Places along the grinding marks by which one photo is laid over the other, the clearest of them.
    """

    edge_px: Array
    marks_px: Array


NO_GHOST = Ghost(np.empty((0, 2)), np.empty((0, 2)))


class Guide:
    """Follows the edge of one flute from frame to frame. Not to be called from two threads at once.

    Parameters
    ----------
    entry : PhotoEntry
        What the photo will be.
    scales : mapping
        Scale by name.
    new : LocatedEdge or None
        The new-state photo's edge.
    """

    def __init__(
        self, entry: PhotoEntry, scales: Mapping[str, Scale], new: LocatedEdge | None = None
    ) -> None:
        self._entry, self._scales, self._new = entry, scales, new
        self._found: FoundEdge | None = None
        self._last: LocatedEdge | None = None
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="wearscope edge")
        self._search: Future[FoundEdge | None] | None = None
        self._shape: tuple[int, ...] = ()

    def close(self) -> None:
        """Search no more."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    @cached_property
    def ghost(self) -> Ghost:
        """Where edge and grinding marks lay in the new-state photo."""
        return NO_GHOST if self._new is None else Ghost(_edge_px(self._new), marks_px(self._new))

    def look(self, frame: Frame) -> Look:
        """See what a frame shows; takes milliseconds.

        Parameters
        ----------
        frame : Frame

        Returns
        -------
        Look

        Raises
        ------
        PhotoRefused
            There is no scale for it.
        """
        if frame.pixels.shape != self._shape:
            self._shape, self._found, self._last = frame.pixels.shape, None, None
        if self._found is None and self._search is not None and not self._search.done():
            self._last = None
            return Look(frame, np.empty((0, 2)))
        prepared, scale = self._prepared(frame)
        located = self._followed(prepared, scale)
        if located is None:
            self._found, before = None, self._last
            self._last = None
            self._seek(prepared, scale, None if before is None else before.line)
            return Look(frame, np.empty((0, 2)))
        before, self._last = self._last, located
        quality = located.quality
        um_per_px = scale.um_per_px
        return Look(
            frame,
            _edge_px(located),
            edge_blur_um(located.strip, located.trace_um),
            min(max(WORST_BLUR_UM, COARSE_PX * um_per_px), WORST_BLUR_PX * um_per_px),
            quality.clipped_share,
            brightness(located.strip),
            quality.contrast,
            quality.background != "mixed",
            np.inf if before is None else _moved_um(before, located),
            None if self._new is None else pose_of(located, self._new),
        )

    def _prepared(self, frame: Frame) -> tuple[PreparedPhoto, PhotoScale]:
        photo = photo_of(frame)
        scale = scale_of(self._entry, self._scales, photo=photo)
        reduction = block_side(scale.um_per_px)
        return PreparedPhoto(photo, working_light(photo, reduction), reduction), scale

    def _followed(self, prepared: PreparedPhoto, scale: PhotoScale) -> LocatedEdge | None:
        """The edge beside its line in the frame before, or as a search has found it; None if it is not there."""
        if self._found is None and self._search is not None and self._search.done():
            self._found, self._search = self._search.result(), None
        if self._found is None:
            return None
        before = self._found.line
        line = refine_line(prepared.light, before, search_px(prepared, scale))
        turned = np.degrees(np.arccos(np.clip(line.direction @ before.direction, -1.0, 1.0)))
        if turned > MOST_STEP_DEG:
            return None
        try:
            located = follow_edge(prepared, FoundEdge(line), scale)
        except PhotoRefused:
            return None
        if located.seen.mean() < LEAST_COVERED:
            return None
        self._found = FoundEdge(line)
        return located

    def _seek(self, prepared: PreparedPhoto, scale: PhotoScale, like: EdgeLine | None) -> None:
        """Look for the edge in the whole frame, beside."""
        if self._search is not None:
            return
        if like is None and self._new is not None:
            like = self._new.line.in_picture()
        self._search = self._pool.submit(_sought, prepared, search_px(prepared, scale), like)


def _sought(prepared: PreparedPhoto, reach_px: int, like: EdgeLine | None) -> FoundEdge | None:
    try:
        return edge_line(prepared, reach_px, like=like)
    except PhotoRefused:
        return None


def photo_of(frame: Frame) -> Photo:
    """A frame as if it had been read from a file.

    Parameters
    ----------
    frame : Frame

    Returns
    -------
    Photo
    """
    return Photo(Path("live"), "", frame.pixels, "srgb", False, 255, None, "", ())


def edge_blur_um(strip: Strip, trace_um: Array) -> float:
    """Blur of an edge as the Gaussian sigma, from the flank of its light alone.

    Parameters
    ----------
    strip : Strip
    trace_um : ndarray, shape (S,)
        Of the edge; NaN where it is not seen.

    Returns
    -------
    float
        NaN where no flank is seen.

    Notes
    -----
    A step of height h behind a Gaussian blur of sigma has the greatest slope h / (sigma sqrt(2 pi)). The flank goes
    from the background to the first turn of the light behind the edge, which may be the image of the lamp.
    """
    at_um = np.arange(-BESIDE_UM, BESIDE_UM + 0.5 * strip.um_per_px, strip.um_per_px / 2)
    columns = np.flatnonzero(np.isfinite(trace_um))[::EVERY]
    if not len(columns) or len(at_um) < 5:
        return np.nan
    light = grey(strip.light[:, columns])
    first, step = strip.d_um[0], strip.d_um[1] - strip.d_um[0]
    rows = (trace_um[columns][None, :] + at_um[:, None] - first) / step
    low = np.clip(rows.astype(int), 0, len(strip.d_um) - 2)
    part, across = rows - low, np.arange(len(columns))[None, :]
    values = (1.0 - part) * light[low, across] + part * light[low + 1, across]
    profile = np.nanmean(values, axis=1) if np.isfinite(values).any() else np.full(len(at_um), np.nan)
    if not np.isfinite(profile).all():
        return np.nan
    slope = np.gradient(profile, at_um)
    steepest = int(np.argmax(np.abs(slope)))
    sign = np.sign(slope[steepest])
    outside = float(profile[: max(1, int(OUTER * len(profile)))].mean())
    beyond = np.flatnonzero(sign * slope[steepest:] <= 0.0)
    inside = profile[steepest + beyond[0]] if len(beyond) else profile[-1]
    greatest = abs(float(slope[steepest]))
    return abs(float(inside) - outside) / (greatest * np.sqrt(2.0 * np.pi)) if greatest > 0 else np.nan


def pose_of(now: LocatedEdge, new: LocatedEdge) -> Pose:
    """Way from a frame to where the new-state photo was taken.

    Parameters
    ----------
    now, new : LocatedEdge

    Returns
    -------
    Pose
    """
    match = match_marks(now.strip, new.strip)
    sine = now.line.direction[0] * new.line.direction[1] - now.line.direction[1] * new.line.direction[0]
    turn_deg = float(np.degrees(np.arctan2(sine, now.line.direction @ new.line.direction)))
    s_um = 0.5 * (now.strip.s_um[0] + now.strip.s_um[-1])
    here = np.array(now.on_photo(s_um, float(np.interp(s_um, now.strip.s_um, now.smooth_um))))
    if match.verdict == "same":
        there_um = match.shift_um + s_um * match.zoom
        there = new.on_photo(there_um, float(np.interp(there_um, new.strip.s_um, new.smooth_um)))
        to_go = np.array(there) - here
    else:  # the way along the edge is not known: to the nearest place of the line
        away_um = new.on_strip((float(here[0]), float(here[1])))[1]
        to_go = -away_um / new.photo_um_per_px * new.line.inward
    right_mm, down_mm = to_go * now.photo_um_per_px / 1000.0
    return Pose(float(right_mm), float(down_mm), turn_deg, match.zoom, match.verdict)


def marks_px(new: LocatedEdge) -> Array:
    """Places along the clearest grinding marks of a photo, as far down the face as they are compared.

    Parameters
    ----------
    new : LocatedEdge

    Returns
    -------
    ndarray, shape (N, 2)
        Columns and rows; empty where the marks are too faint to be followed down the face.
    """
    from scipy.signal import find_peaks  # here, for it takes 0.3 s and not every process measures

    strip = new.strip
    signal, repeatability = mark_signal(strip)
    if repeatability < CLEAR:
        return np.empty((0, 2))
    at, seen = find_peaks(np.abs(signal), prominence=0.0)
    at = np.sort(at[np.argsort(seen["prominences"])[::-1][:MOST_MARKS]])
    d_um = np.linspace(*MARKS_UM, DOTS_OF_MARK)
    places = new.places_px(np.repeat(strip.s_um[at], len(d_um)), np.tile(d_um, len(at)))
    height, width = new.photo.pixels.shape[:2]
    return places[((places >= 0.0) & (places <= (width - 1, height - 1))).all(axis=1)]


def _edge_px(located: LocatedEdge) -> Array:
    s_um = located.strip.s_um[:: max(1, len(located.strip.s_um) // 60)]
    return located.places_px(s_um, np.interp(s_um, located.strip.s_um, located.smooth_um))


def brightness(strip: Strip) -> float:
    """How bright the tool is beside its edge.

    Parameters
    ----------
    strip : Strip

    Returns
    -------
    float
        0 to 1 in linear light.
    """
    face = strip.light[(strip.d_um > FACE_UM[0]) & (strip.d_um < FACE_UM[1]), ::EVERY]
    return float(np.nanmean(face)) if np.isfinite(face).any() else 0.0


def _moved_um(before: LocatedEdge, now: LocatedEdge) -> float:
    """How far the middle of the edge has moved: across by the lines, along by the light beside it."""
    s_um = 0.5 * (now.strip.s_um[0] + now.strip.s_um[-1])
    column, row = now.on_photo(s_um, float(np.interp(s_um, now.strip.s_um, now.smooth_um)))
    s_before, d_before = before.on_strip((column, row))
    across = abs(d_before - float(np.interp(s_before, before.strip.s_um, before.smooth_um)))
    return float(np.hypot(across, _along_um(before.strip, now.strip)))


def _along_um(before: Strip, now: Strip) -> float:
    """Shift along the edge by which what lies on the face repeats best, 0 where nothing does."""
    a, b = (
        grey(strip.light[(strip.d_um > FACE_UM[0]) & (strip.d_um < FACE_UM[1])]) for strip in (before, now)
    )
    a, b = (np.nan_to_num(np.nanmean(np.nan_to_num(part), axis=0)) for part in (a, b))
    n = min(len(a), len(b))
    if n < 32:
        return 0.0
    a, b = (np.diff(part[:n]) for part in (a, b))
    a, b = ((part - part.mean()) / (part.std() + 1e-9) for part in (a, b))
    most = min(40, n // 4)
    lags = np.arange(-most, most + 1)
    middle = a[most : len(a) - most]
    scores = np.array([(middle * b[most + lag : len(b) - most + lag]).mean() for lag in lags])
    best = int(np.argmax(scores))
    return abs(float(lags[best])) * float(now.s_um[1] - now.s_um[0]) if scores[best] > 0.3 else 0.0
