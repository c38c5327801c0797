"""The wear land: the flat that the cut wears on the relief face, and its width VB along the edge.

VB is the distance from the original edge line, square to it and in the relief face, to the inner end of the flat
(ISO 3685:1993 clause 8 and ISO 8688-2:1989 clause 7, from memory). The original line is the new-state line drawn on
from the unused zone, not today's edge, which has moved back.

The flat lies along the cut, so it leans against the relief face by the clearance angle. The camera sees it brighter
or darker than the face, without the face's grinding marks, and it ends inside in a line. Three other things look like
it and are kept apart:

- the image of the lamps in the rounding: it lies within the radius of the silhouette, where
  nothing is looked for;
- the place where the coating ends: a change of colour with no flat. It is taken for a flat only where the grinding
  marks end with it;
- what the tool had when new (a ground facet): it does not end at the transition.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from wearscope.light.clipping import NEARLY_CLIPPED
from wearscope.light.strip import UNUSED, USED, Strip, grey, over_channels
from wearscope.metrology.findings import COVERAGE_95, DETECTION, Finding, found, refused
from wearscope.metrology.uncertainty import Budget, Input, linear
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.trace import steepest_path
from wearscope.wear.zones import GUARD_UM

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Verdict = Literal["seen", "unsure", "none", "not looked for"]

LAND_ROWS = ("wear_land", "wear_land_max")
WINDOW_UM = 60.0  # along the edge: what is averaged for one place
SIDE_UM = 14.0  # across the edge: what is averaged on each side of a step
CANDIDATES = 3  # a flat, the end of the coating, and one more
LEAST_STEP = 0.04  # relative to the face's light; a change of light that the eye just sees, no source
LEAST_SIGNIFICANCE = 6.0
LEAST_COVER = 0.7  # of the used edge that must show the step
KEPT_WHEN_NEW = 0.35  # of the step; more of it where nothing has cut, and it is not wear
# A plane cut through a ground face rough by 0.7 µm (root mean square) ends within 0.7 µm / tan 12° of a line
# (derived; roughness and clearance angle are common practice, no source). A coating ends more raggedly.
STRAIGHT_UM, STRAIGHT_OVER_UM = 3.5, 60.0
PLATEAU = 0.5  # of the step, by which a flat's own light may change across it; a lamp's image fades faster
TINT = 0.3  # share of a step's light that is a change of colour; a flat of the same material has less
MARK_UM, MARK_LENGTH_UM = (4.0, 40.0), 15.0  # grinding marks: widths kept, and averaged over this depth
TINY = np.float32(1e-6)
LEAST_DEPTH_UM = 40.0  # of face that must be in the frame beyond the rounding
UNRESOLVED = (
    0.3  # share of the blur by which the inner end may be misplaced: it is a corner, not a step of paint
)
U_BURNT = 0.5  # a burnt-out flat spreads by up to this share of the blur
COATING_MAY_END = reason("coating-may-end")


@dataclass(frozen=True)
class Scene:
    """What is known of a strip before a flat is looked for.

    Attributes
    ----------
    strip : Strip
        Cut along the new-state line.
    silhouette_um : ndarray, shape (S,)
        NaN where it is not seen.
    labels : ndarray of int8, shape (S,)
    radius_um, blur_um : float
        Of the used edge's rounding, and of the photo.
    original_um, u_original_um : float
        Where the silhouette was when new, on the strip, and its standard uncertainty.
    u_datum_um : ndarray, shape (S,)
        Of the new-state line drawn on.
    u_scale : float
        Relative.
    tilt, u_tilt : float
        Of the view, radians.
    transition_um : float or None
    used_side : int
        +1 when the used zone lies at larger s.
    coated : bool
    bare : ndarray of bool, shape (D, S), or None
        Where the coating is gone; None where that could not be read.
    new : Strip or None
        The new-state photo's, on the same axis.
    """

    strip: Strip
    silhouette_um: Array
    labels: NDArray[np.int8]
    radius_um: float
    blur_um: float
    original_um: float
    u_original_um: float
    u_datum_um: Array
    u_scale: float
    tilt: float
    u_tilt: float
    transition_um: float | None
    used_side: int
    coated: bool
    bare: Mask | None
    new: Strip | None

    @cached_property
    def marks(self) -> Marks | None:
        """The grinding marks of the used zone, or None without a new-state photo to match."""
        used = np.flatnonzero((self.labels == USED) & np.isfinite(self.silhouette_um))
        if self.new is None or len(used) == 0:
            return None
        first_um = float(np.nanmin(self.silhouette_um)) - 4.0 * MARK_LENGTH_UM
        beside = round(4.0 * MARK_UM[1] / self.strip.um_per_px)
        columns = slice(max(0, int(used[0]) - beside), int(used[-1]) + beside)
        return marks_of(self.strip.between(first_um, np.inf), self.new.between(first_um, np.inf), columns)


@dataclass(frozen=True)
class WearLand:
    """The wear land of one photo.

    Attributes
    ----------
    verdict : str
        `seen`; `unsure` when it may be something else, `why` says what; `none`; `not looked for`.
    why : Reason or None
    end_um : ndarray, shape (S,)
        Inner end of the flat on the strip, NaN where there is none.
    mean, widest : Budget
        VB over the used zone, µm, its mean and its maximum; NaN without a flat.
    limit_um : float
        VB that the rounding hides.
    notch_um : float
        Greatest VB within the guard of the transition, which the others leave out; NaN where it was not read.
    """

    verdict: Verdict
    why: Reason | None
    end_um: Array
    mean: Budget
    widest: Budget
    limit_um: float
    notch_um: float = float("nan")

    def confirmed(self, beyond_um: float, u_beyond_um: float) -> WearLand:
        """The same land, no longer unsure where the edge has moved back further than its rounding explains.

        Parameters
        ----------
        beyond_um, u_beyond_um : float
            Recession beyond that of the fitted rounding, and its standard uncertainty.
        """
        if self.verdict == "unsure" and self.by_coating and beyond_um > DETECTION * u_beyond_um:
            return replace(self, verdict="seen", why=None)
        return self

    @property
    def by_coating(self) -> bool:
        """Whether it is unsure for being where the coating ends."""
        return self.why == COATING_MAY_END


@dataclass(frozen=True)
class _Line:
    """A line along the edge where the light changes.

    `step` is the change outward over the face's light, `tint` how much of it is a change of colour, `slope` how much
    the light outside the line itself changes, as a share of the step.
    """

    end_um: Array
    step: Array
    significance: float
    cover: float
    ragged_um: float
    u_noise_um: float
    burnt: bool
    tint: float
    slope: float


def find_land(scene: Scene) -> WearLand:
    """Look for a worn flat beside the used edge.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    WearLand
    """
    used = (scene.labels == USED) & np.isfinite(scene.silhouette_um)
    hidden_um = scene.radius_um + 2.0 * scene.blur_um
    edge_um = float(np.mean(scene.silhouette_um[used])) if used.any() else np.nan
    # a flat must show over so much beyond the rounding to be told from the lamps' image
    limit = edge_um + hidden_um + 2.0 * scene.blur_um + SIDE_UM - scene.original_um
    light = _relative_light(scene)
    if light is None or not used.any():
        return no_land("not looked for", reason("face-out-of-frame"), len(used))
    unsure: WearLand | None = None
    for line in _lines(scene, light, used, hidden_um):
        verdict, why = _judged(scene, light, line, used)
        if verdict == "none":
            continue
        land = _measured(scene, line, used, verdict, why, limit)
        if verdict == "seen":
            return land
        unsure = unsure or land
    return unsure or no_land("none", None, len(used), limit)


def no_land(verdict: Verdict, why: Reason | None, columns: int, limit_um: float = float("nan")) -> WearLand:
    """Where nothing was found, or looked for."""
    nothing = linear(float("nan"), [])
    return WearLand(verdict, why, np.full(columns, np.nan), nothing, nothing, limit_um)


def _relative_light(scene: Scene) -> NDArray[np.float32] | None:
    """Light over that of the face deep inside, shape (D, S, 3); None where too little face is seen."""
    d_um, light = scene.strip.d_um, scene.strip.light
    columns = np.isin(scene.labels, (USED, UNUSED))
    edge_um = float(np.nanmean(scene.silhouette_um[scene.labels == USED])) + scene.radius_um
    seen = np.isfinite(light[..., 0][:, columns]).mean(axis=1) > 0.8
    deep = seen & (d_um > edge_um + 2.0 * scene.blur_um + LEAST_DEPTH_UM)
    if deep.sum() * scene.strip.um_per_px < LEAST_DEPTH_UM:
        return None
    # every ninth place along the edge tells the level of all
    level = np.nanmedian(light[deep][:, np.flatnonzero(columns)[::9]], axis=(0, 1))
    return np.asarray(light * (1.0 / np.maximum(level, 1e-3)), np.float32)


def _lines(scene: Scene, light: NDArray[np.float32], used: Mask, hidden_um: float) -> Iterator[_Line]:
    """Lines along the used edge where the light changes, strongest first."""
    strip, step_um = scene.strip, scene.strip.um_per_px
    columns = _reaching(scene, used)
    here = light[:, columns]
    gap, side = _samples(scene.blur_um, step_um), _samples(SIDE_UM, step_um)
    width = max(3, round(WINDOW_UM / step_um) | 1)
    unseen = ~np.isfinite(here[..., 0])
    # averaged over so many columns, every third one says it all
    mean = cv2.blur(np.nan_to_num(here), (width, side), borderType=cv2.BORDER_REPLICATE)[:, ::3]
    reach = gap + side // 2
    outer, inner = np.roll(mean, reach, axis=0), np.roll(mean, -reach, axis=0)
    change = np.asarray(cv2.sqrt(over_channels((outer - inner) ** 2)), np.float32)
    silhouette = np.interp(strip.s_um[columns][::3], strip.s_um[used], scene.silhouette_um[used])
    into_um = strip.d_um[:, None] - silhouette[None, :]
    near_border = cv2.dilate(unseen.astype(np.uint8), np.ones((2 * (reach + side) + 1, 3), np.uint8))[:, ::3]
    rows = np.arange(len(strip.d_um))[:, None]
    out_of_reach = (rows < reach + side) | (rows >= len(strip.d_um) - reach - side)
    change[(into_um < hidden_um + (gap + side // 2) * step_um) | (near_border > 0) | out_of_reach] = 0.0
    for _ in range(CANDIDATES):
        if not change.any():
            return
        path = steepest_path(change, bend=0.5 * float(np.median(change[change > 0])))
        line = _refined(scene, here, columns, np.repeat(path, 3)[: len(columns)], used)
        if line is not None:
            yield line
        beside = np.clip(
            path[None, :] + np.arange(-2 * gap - side, 2 * gap + side + 1)[:, None], 0, len(change) - 1
        )
        change[beside, np.arange(len(path))] = 0.0


def _samples(length_um: float, step_um: float) -> int:
    return max(2, round(length_um / step_um))


def _reaching(scene: Scene, used: Mask) -> NDArray[np.intp]:
    """The columns of the used zone, and on to the transition."""
    s_um, at = scene.strip.s_um, np.flatnonzero(used)
    first, last = float(s_um[at[0]]), float(s_um[at[-1]])
    if scene.transition_um is not None:
        first, last = min(first, scene.transition_um), max(last, scene.transition_um)
    return np.flatnonzero((s_um >= first) & (s_um <= last))


def _refined(
    scene: Scene, here: NDArray[np.float32], columns: NDArray[np.intp], path: NDArray[np.intp], used: Mask
) -> _Line | None:
    """The line along a path to a part of a sample, or None where hardly anything changes there."""
    step_um = scene.strip.um_per_px
    gap, side = _samples(scene.blur_um, step_um), _samples(SIDE_UM, step_um)
    half = 2 * gap + side
    offsets = np.arange(-half, half + 1)
    rows = np.clip(path[None, :] + offsets[:, None], 0, len(here) - 1)
    around = here[rows, np.arange(len(path))]
    inside_used = used[columns] & np.isfinite(around[..., 0]).all(axis=0)
    if inside_used.sum() * step_um < 2 * WINDOW_UM:
        return None
    outer = around[offsets < -2 * gap].mean(axis=0)
    inner = around[offsets > 2 * gap].mean(axis=0)
    step = np.mean((outer - inner)[inside_used], axis=0)
    direction = step / max(float(np.linalg.norm(step)), 1e-9)
    width = max(3, round(WINDOW_UM / step_um) | 1)
    along = uniform_filter1d(np.nan_to_num(around @ direction), width, axis=1, mode="nearest")
    outside = along[offsets < -2 * gap].mean(axis=0)
    inside = along[offsets > 2 * gap].mean(axis=0)
    height = outside - inside
    whole = float(np.mean(height[inside_used]))
    # neighbouring places share their window, so only every window counts once
    u = float(np.std(height[inside_used])) / np.sqrt(inside_used.sum() * step_um / WINDOW_UM)
    shown = height > max(0.5 * whole, 1e-6)
    # the area under the step says where it is, whatever the blur, as long as that is even
    share = (along - inside) / np.where(shown, height, np.nan)
    end = scene.strip.d_um[path] + (share.sum(axis=0) - half - 0.5) * step_um
    end[~shown | ~np.isfinite(around[..., 0]).all(axis=0)] = np.nan
    good = inside_used & np.isfinite(end)
    if good.sum() * step_um < 2 * WINDOW_UM:
        return None
    filled = np.interp(np.arange(len(end)), np.flatnonzero(np.isfinite(end)), end[np.isfinite(end)])
    rest = (filled - gaussian_filter1d(filled, STRAIGHT_OVER_UM / step_um, mode="nearest"))[good]
    lit = scene.strip.light[rows, columns[None, :]][offsets < -2 * gap][:, inside_used]
    ratio = np.mean(outer[inside_used], axis=0) / np.mean(inner[inside_used], axis=0) - 1.0
    outermost = offsets < -2 * gap - side // 2
    nearer = (offsets < -2 * gap) & ~outermost
    level = [float(np.mean(along[part][:, inside_used])) for part in (outermost, nearer)]
    end_um = np.full(len(used), np.nan)
    end_um[columns] = end
    return _Line(
        end_um,
        step,
        whole / max(u, 1e-9),
        float(good.sum() / inside_used.sum()),
        float(np.sqrt(np.mean(rest**2))),
        float(np.std(rest)) / np.sqrt(max(good.sum() * step_um / WINDOW_UM, 1.0)),
        bool((lit.max(axis=-1) >= NEARLY_CLIPPED).mean() > 0.2),
        float(np.linalg.norm(ratio - ratio.mean()) / max(float(np.linalg.norm(ratio)), 1e-9)),
        abs(level[0] - level[1]) / max(abs(whole), 1e-9),
    )


def _judged(
    scene: Scene, light: NDArray[np.float32], line: _Line, used: Mask
) -> tuple[Verdict, Reason | None]:
    """Whether a line is the inner end of a worn flat."""
    height = float(np.linalg.norm(line.step))
    if height < LEAST_STEP or line.significance < LEAST_SIGNIFICANCE or line.cover < LEAST_COVER:
        return "none", None
    if line.slope > PLATEAU or _there_when_new(scene, light, line):
        return "none", None
    if scene.coated and not _inside_bare(scene, line, used):
        return _by_marks(scene, line, used)
    if line.ragged_um > STRAIGHT_UM:
        return "unsure", reason("ragged-flat")
    if line.tint > TINT and not line.burnt:
        return "unsure", reason("tinted-flat")
    return "seen", None


def _there_when_new(scene: Scene, light: NDArray[np.float32], line: _Line) -> bool:
    """Whether the same change of light is there where nothing has cut."""
    unused = scene.labels == UNUSED
    depth_um = float(np.nanmedian(line.end_um))
    if unused.any():
        where, columns = replace(scene.strip, light=light), unused
    elif scene.new is not None:
        level = np.nanmedian(scene.new.light[scene.new.d_um > depth_um + 3 * SIDE_UM], axis=(0, 1))
        relative = np.asarray(scene.new.light / np.maximum(level, 1e-3), np.float32)
        where, columns = replace(scene.new, light=relative), np.ones(len(scene.new.s_um), bool)
    else:
        return False
    outer, inner = (
        where.between(
            *sorted(depth_um + side * (scene.blur_um + far_um) for far_um in (0.0, 2 * SIDE_UM))
        ).light[:, columns]
        for side in (-1, 1)
    )
    if outer.size == 0 or inner.size == 0 or not np.isfinite(outer).any() or not np.isfinite(inner).any():
        return False
    change = np.nanmean(outer, axis=(0, 1)) - np.nanmean(inner, axis=(0, 1))
    return bool(change @ line.step > KEPT_WHEN_NEW * float(line.step @ line.step))


def _inside_bare(scene: Scene, line: _Line, used: Mask) -> bool:
    """Whether the coating is gone on both sides of a line, so that it is not where the coating ends."""
    if scene.bare is None:
        return False
    at = np.flatnonzero(used & np.isfinite(line.end_um))
    step_um = scene.strip.um_per_px
    rows = np.round((line.end_um[at] + scene.blur_um + SIDE_UM - scene.strip.d_um[0]) / step_um).astype(int)
    return bool(scene.bare[np.clip(rows, 0, len(scene.strip.d_um) - 1), at].mean() > LEAST_COVER)


def _by_marks(scene: Scene, line: _Line, used: Mask) -> tuple[Verdict, Reason | None]:
    """Whether the grinding marks end where the coating does: a flat has lost them, a bare face has not."""
    if line.ragged_um > STRAIGHT_UM:
        return "none", None
    if scene.new is None:
        return "unsure", COATING_MAY_END
    hidden = scene.silhouette_um + scene.radius_um + 2.0 * scene.blur_um
    inside = line.end_um + 2.0 * scene.blur_um
    places = ((hidden, line.end_um - 2.0 * scene.blur_um), (inside, inside + 150.0))
    band, face = scene.marks.kept(places, used) if scene.marks is not None else (None, None)
    if band is None or face is None or face[0] < DETECTION * face[1]:
        return "unsure", COATING_MAY_END
    if band[0] + COVERAGE_95 * band[1] < 0.5 * face[0]:
        return "seen", None
    if band[0] - COVERAGE_95 * band[1] > 0.5 * face[0]:
        return "none", None
    return "unsure", COATING_MAY_END


@dataclass(frozen=True)
class Marks:
    """The grinding marks of a strip and of the new-state photo's, as `_texture` shows them.

    Attributes
    ----------
    now, new : ndarray, shape (D, columns)
    d_um : ndarray, shape (D,)
    step_um : float
    columns : slice
        Of the strips.
    """

    now: NDArray[np.float32]
    new: NDArray[np.float32]
    d_um: Array
    step_um: float
    columns: slice

    def kept(self, places: Sequence[tuple[Array, Array]], columns: Mask) -> list[tuple[float, float] | None]:
        """How much of the new-state marks is still there, by regression of one texture on the other.

        Parameters
        ----------
        places : sequence of (ndarray, ndarray), shape (S,) each
            Depths between which to look.
        columns : ndarray of bool, shape (S,)

        Returns
        -------
        list of (float, float) or None
            For each place: slope, 1 where the marks are as they were and 0 where they are gone, and its standard
            uncertainty from leaving out one `WINDOW_UM` after the other; None where too little is seen. Noise in the
            new-state photo lowers the slope, so it is to be compared with that of another depth.
        """
        known = np.isfinite(self.now) & np.isfinite(self.new) & columns[None, self.columns]
        deep = self.d_um[:, None]
        places = [(from_um[self.columns], to_um[self.columns]) for from_um, to_um in places]
        return [
            _slope(
                self.now, self.new, known & (deep > from_um[None, :]) & (deep < to_um[None, :]), self.step_um
            )
            for from_um, to_um in places
        ]


def marks_of(now: Strip, new: Strip, columns: slice = slice(None)) -> Marks | None:
    """The marks in some columns of two strips, or None when they do not lie on the same axes."""
    depth = min(len(now.d_um), len(new.d_um))
    if now.d_um[0] != new.d_um[0] or now.light.shape[1] != new.light.shape[1]:
        return None
    ours, theirs = (_texture(strip.light[:depth, columns], now.um_per_px) for strip in (now, new))
    return Marks(ours, theirs, now.d_um[:depth], now.um_per_px, columns)


def _slope(
    ours: NDArray[np.float32], theirs: NDArray[np.float32], between: Mask, step_um: float
) -> tuple[float, float] | None:
    both = np.where(between, ours * theirs, 0.0).sum(axis=0, dtype=np.float64)
    square = np.where(between, theirs**2, 0.0).sum(axis=0, dtype=np.float64)
    at = np.flatnonzero(between.any(axis=0))
    per = max(1, round(WINDOW_UM / step_um))
    if len(at) < 8 * per:
        return None
    edges = np.arange(0, len(at), per)
    both, square = np.add.reduceat(both[at], edges), np.add.reduceat(square[at], edges)
    slope = float(both.sum() / square.sum())
    without = (both.sum() - both) / (square.sum() - square)
    u = float(np.sqrt((len(edges) - 1) / len(edges) * ((without - without.mean()) ** 2).sum()))
    return slope, u


def _texture(light: NDArray[np.float32], step_um: float) -> NDArray[np.float32]:
    """Relative light without its slow changes along the edge; NaN where the photo does not reach."""
    level = np.log(np.maximum(grey(light), 2e-3))
    seen = np.isfinite(level)
    filled = np.where(seen, level, np.float32(0.0))
    fine, wide = ((one / step_um) for one in MARK_UM)

    def smooth(picture: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        narrow = np.asarray(
            cv2.GaussianBlur(
                picture, (0, 0), fine, sigmaY=MARK_LENGTH_UM / step_um, borderType=cv2.BORDER_REPLICATE
            ),
            np.float32,
        )
        return narrow, boxes(narrow, wide)

    pictures = smooth(filled)
    if not seen.all():
        shares = smooth(seen.astype(np.float32))
        pictures = pictures[0] / (shares[0] + TINY), pictures[1] / (shares[1] + TINY)
    return np.where(seen, pictures[0] - pictures[1], np.float32(np.nan))


def boxes(picture: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Smoothed along the rows by three moving means, of the same variance as a Gaussian and far quicker."""
    width = max(3, round(np.sqrt(4.0 * sigma**2 + 1.0)) | 1)
    for _ in range(3):
        picture = np.asarray(cv2.blur(picture, (width, 1), borderType=cv2.BORDER_REPLICATE), np.float32)
    return picture


def _measured(
    scene: Scene, line: _Line, used: Mask, verdict: Verdict, why: Reason | None, limit_um: float
) -> WearLand:
    """VB along the edge, its mean and its maximum."""
    width = (line.end_um - scene.original_um) / np.cos(scene.tilt)
    counted = width[used & np.isfinite(width)]
    mean, widest = float(counted.mean()), float(counted.max())
    end = Input("inner end of the flat", 0.0, scene.blur_um * (UNRESOLVED + U_BURNT * line.burnt))
    original = Input("silhouette when new", 0.0, scene.u_original_um)
    drawn_on = Input("new-state line drawn on", 0.0, float(np.sqrt(np.mean(scene.u_datum_um[used] ** 2))))
    wandering = Input("wandering of the inner end (mean)", 0.0, line.u_noise_um)
    ragged = Input("wandering of the inner end (widest)", 0.0, min(line.ragged_um, STRAIGHT_UM))
    scale, tilt = Input("scale", 1.0, scene.u_scale), Input("view tilt", scene.tilt, scene.u_tilt)

    def budget(value: float, own: Input) -> Budget:
        # of the tilt the second order counts too: square to the face the first is nothing
        by_tilt = value * float(np.tan(scene.tilt) + 0.5 * scene.u_tilt)
        parts = [*((1.0, one) for one in (end, original, drawn_on, own)), (value, scale), (by_tilt, tilt)]
        return linear(value, parts)

    notch = float("nan")
    if scene.transition_um is not None:
        beyond = (scene.strip.s_um - scene.transition_um) * scene.used_side
        at_transition = width[(beyond > 0) & (beyond <= GUARD_UM) & np.isfinite(width)]
        notch = float(at_transition.max()) if len(at_transition) else notch
    both = budget(mean, wandering), budget(widest, ragged)
    return WearLand(verdict, why, line.end_um, *both, limit_um, notch)


def land_findings(land: WearLand, doubts: Sequence[Reason], method: str) -> list[Finding]:
    """The rows of the wear land: VB mean and VB maximum.

    Parameters
    ----------
    land : WearLand
    doubts : sequence of Reason
        Why they are doubtful whatever was seen.
    method : str
    """
    if land.verdict == "not looked for":
        why = land.why or reason("face-out-of-frame")
        return [refused(quantity, "used", why, method) for quantity in LAND_ROWS]
    if land.verdict == "none":
        # anything from none to all
        hidden = Input("what the rounding hides", 0.0, land.limit_um / np.sqrt(3.0))
        nothing = linear(0.0, [(1.0, hidden)])
        no_flat = reason("no-flat")
        return [
            found(quantity, "used", 0.0, nothing, method, remarks=[no_flat], limit=land.limit_um)
            for quantity in LAND_ROWS
        ]
    doubts = doubts if land.why is None else (land.why, *doubts)
    wider = land.notch_um > land.widest.value + COVERAGE_95 * land.widest.u
    remarks = (reason("wider-at-transition", width_um=land.notch_um),) if wider else ()
    return [
        found(quantity, "used", width.value, width, method, doubts=doubts, remarks=remarks)
        for quantity, width in zip(LAND_ROWS, (land.mean, land.widest), strict=True)
    ]
