"""The wear land: the flat that the cut wears on the relief face, and its width VB along the edge.

VB is the distance from the original edge line, square to it and in the relief face, to the inner end of the flat
(ISO 3685:1993 clause 8 and ISO 8688-2:1989 clause 7, from memory). The original line is the new-state line drawn on
from the unused zone, not today's edge, which has moved back.

The flat lies along the cut, so it leans against the relief face by the clearance angle. The camera sees it brighter
or darker than the face, without the face's grinding marks, and it ends inside in a line. Three other things look like
it and are kept apart:

- the image of the lamps in the rounding: it lies within the radius of the silhouette, where nothing is looked for;
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
from wearscope.light.edge_light import LightFit
from wearscope.light.strip import UNUSED, USED, Strip, over_channels
from wearscope.metrology.findings import COVERAGE_95, DETECTION, Finding, found, refused
from wearscope.metrology.uncertainty import Budget, Input, linear
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.coating_map import CoatingMap
from wearscope.wear.grinding_marks import MARK_LENGTH_UM, MARK_UM, WINDOW_UM, Marks, marks_of
from wearscope.wear.measured import OUTSIDE_UM, MeasuredStrip
from wearscope.wear.trace import steepest_path
from wearscope.wear.zones import GUARD_UM

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Verdict = Literal["seen", "unsure", "none", "not looked for"]

LAND_ROWS = ("wear_land", "wear_land_max")
SIDE_UM = 14.0  # across the edge: what is averaged on each side of a step; chosen, no source
CANDIDATES = 3  # a flat, the end of the coating, and one more
LEAST_STEP = 0.04  # relative to the face's light; a change of light that the eye just sees, no source
LEAST_SIGNIFICANCE = 6.0  # of a step, in standard uncertainties; chosen: many places are looked at
LEAST_COVER = 0.7  # of the used edge that must show the step; chosen, no source
SHOWN = 0.5  # of the mean step, from which on it is there at a place; chosen, no source
MOST_BURNT = 0.2  # of the light outside a line that may be burnt out; chosen, no source
KEPT_WHEN_NEW = 0.35  # of the step; more of it where nothing has cut, and it is not wear; chosen, no source
KEPT_MARKS = 0.5  # of those of the face: fewer, and a flat has worn them off; chosen: half-way
# A plane cut through a ground face rough by 0.7 µm (root mean square) ends within 0.7 µm / tan 12° of a line
# (derived; roughness and clearance angle are common practice, no source). A coating ends more raggedly.
STRAIGHT_UM, STRAIGHT_OVER_UM = 3.5, 60.0
PLATEAU = (
    0.5  # of the step, by which a flat's own light may change across it; a lamp's image fades faster; chosen
)
TINT = 0.3  # share of a step's light that is a change of colour; a flat of the same material has less; chosen
LEAST_DEPTH_UM = 40.0  # of face that must be in the frame beyond the rounding; chosen, no source
FACE_REACH_UM = 150.0  # inside a flat, over which the face's own marks are read; chosen, no source
# share of the blur by which the inner end may be misplaced: it is a corner, not a step of paint; chosen, no source
UNRESOLVED = 0.3
U_BURNT = 0.5  # a burnt-out flat spreads by up to this share of the blur; chosen, no source
COATING_MAY_END = reason("coating-may-end")


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


@dataclass(frozen=True, eq=False)
class _Search:
    """What is known of a strip before a flat is looked for.

    `strip` and `new` are the rows from a little outside the edge on, `bare` where there the coating is gone, None
    where that could not be read; `original` is where the silhouette was when new.
    """

    measured: MeasuredStrip
    fit: LightFit
    original: Input
    original_um: float
    strip: Strip
    new: Strip | None
    bare: Mask | None

    @property
    def silhouette_um(self) -> Array:
        return self.measured.silhouette_um

    @property
    def blur_um(self) -> float:
        return self.fit.blur_um

    @property
    def hidden_um(self) -> float:
        """Depth below the silhouette that the rounding and its blur take up."""
        return self.fit.radius_um + 2.0 * self.fit.blur_um

    @cached_property
    def used(self) -> Mask:
        """Columns of the used zone in which the silhouette is seen."""
        return self.measured.columns("used") & np.isfinite(self.silhouette_um)

    @cached_property
    def marks(self) -> Marks | None:
        """The grinding marks of the used zone, or None without a new-state photo to match."""
        used = np.flatnonzero(self.used)
        if self.new is None or len(used) == 0:
            return None
        first_um = float(np.nanmin(self.silhouette_um)) - 4.0 * MARK_LENGTH_UM
        beside = round(4.0 * MARK_UM[1] / self.strip.um_per_px)
        columns = slice(max(0, int(used[0]) - beside), int(used[-1]) + beside)
        return marks_of(self.strip.between(first_um, np.inf), self.new.between(first_um, np.inf), columns)


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


def find_land(measured: MeasuredStrip, coating: CoatingMap | None) -> WearLand:
    """Look for a worn flat beside the used edge of a relief face.

    Parameters
    ----------
    measured : MeasuredStrip
    coating : CoatingMap or None
        Where the coating is gone; None where that could not be read.

    Returns
    -------
    WearLand
    """
    columns = len(measured.labels)
    search = _search(measured, coating)
    if search is None:
        return _no_land("not looked for", reason("zone-too-short"), columns)
    light = _relative_light(search)
    if light is None or not search.used.any():
        return _no_land("not looked for", reason("face-out-of-frame"), columns)
    edge_um = float(np.mean(search.silhouette_um[search.used]))
    # a flat must show over so much beyond the rounding to be told from the lamps' image
    limit_um = edge_um + search.hidden_um + 2.0 * search.blur_um + SIDE_UM - search.original_um
    unsure: WearLand | None = None
    for line in _lines(search, light):
        verdict, why = _judged(search, light, line)
        if verdict == "none":
            continue
        land = _measured(search, line, verdict, why, limit_um)
        if verdict == "seen" and measured.zones.transition is not None:
            return land
        if verdict == "seen":
            return replace(land, verdict="unsure", why=reason("original-edge-unseen"))
        unsure = unsure or land
    return unsure or _no_land("none", None, columns, limit_um)


def _search(measured: MeasuredStrip, coating: CoatingMap | None) -> _Search | None:
    used, unused, factor = measured.fits.used, measured.fits.unused, measured.edge.factor
    if used is None or unused is None:
        return None
    original, u_original = unused.silhouette_um, unused.u_silhouette_um
    if measured.zones.transition is None:
        # the new-state line is not in the photo; only the rounding says how far the edge has moved
        per_radius = factor.value if factor is not None else 1.0
        original = used.silhouette_um - per_radius * (used.radius_um - unused.radius_um)
        u_radii = float(np.hypot(used.u_radius_um, unused.u_radius_um))
        u_original = float(np.hypot(used.u_silhouette_um, per_radius * u_radii))
    # what lies well outside the edge has no say
    first_um = float(np.nanmin(measured.silhouette_um)) - OUTSIDE_UM
    inside = measured.strip.between(first_um, np.inf)
    return _Search(
        measured,
        used,
        Input("silhouette when new", 0.0, u_original),
        original,
        inside,
        None if measured.new is None else measured.new.between(first_um, np.inf),
        None if coating is None else coating.substrate[len(coating.substrate) - len(inside.d_um) :],
    )


def _no_land(verdict: Verdict, why: Reason | None, columns: int, limit_um: float = float("nan")) -> WearLand:
    """Where nothing was found, or looked for."""
    nothing = linear(float("nan"), [])
    return WearLand(verdict, why, np.full(columns, np.nan), nothing, nothing, limit_um)


def _relative_light(search: _Search) -> NDArray[np.float32] | None:
    """Light over that of the face deep inside, shape (D, S, 3); None where too little face is seen."""
    d_um, light = search.strip.d_um, search.strip.light
    columns = np.isin(search.measured.labels, (USED, UNUSED))
    edge_um = float(np.nanmean(search.silhouette_um[search.measured.labels == USED])) + search.fit.radius_um
    seen = np.isfinite(light[..., 0][:, columns]).mean(axis=1) > 0.8
    deep = seen & (d_um > edge_um + 2.0 * search.blur_um + LEAST_DEPTH_UM)
    if deep.sum() * search.strip.um_per_px < LEAST_DEPTH_UM:
        return None
    # every ninth place along the edge tells the level of all
    level = np.nanmedian(light[deep][:, np.flatnonzero(columns)[::9]], axis=(0, 1))
    return np.asarray(light * (1.0 / np.maximum(level, 1e-3)), np.float32)


def _lines(search: _Search, light: NDArray[np.float32]) -> Iterator[_Line]:
    """Lines along the used edge where the light changes, strongest first."""
    strip, step_um = search.strip, search.strip.um_per_px
    columns = _reaching(search)
    here = light[:, columns]
    gap, side = _samples(search.blur_um, step_um), _samples(SIDE_UM, step_um)
    width = max(3, round(WINDOW_UM / step_um) | 1)
    unseen = ~np.isfinite(here[..., 0])
    # averaged over so many columns, every third one says it all
    mean = cv2.blur(np.nan_to_num(here), (width, side), borderType=cv2.BORDER_REPLICATE)[:, ::3]
    reach = gap + side // 2
    outer, inner = np.roll(mean, reach, axis=0), np.roll(mean, -reach, axis=0)
    change = np.asarray(cv2.sqrt(over_channels((outer - inner) ** 2)), np.float32)
    silhouette = np.interp(
        strip.s_um[columns][::3], strip.s_um[search.used], search.silhouette_um[search.used]
    )
    into_um = strip.d_um[:, None] - silhouette[None, :]
    near_border = cv2.dilate(unseen.astype(np.uint8), np.ones((2 * (reach + side) + 1, 3), np.uint8))[:, ::3]
    rows = np.arange(len(strip.d_um))[:, None]
    out_of_reach = (rows < reach + side) | (rows >= len(strip.d_um) - reach - side)
    change[(into_um < search.hidden_um + (gap + side // 2) * step_um) | (near_border > 0) | out_of_reach] = (
        0.0
    )
    for _ in range(CANDIDATES):
        if not change.any():
            return
        path = steepest_path(change, bend=0.5 * float(np.median(change[change > 0])))
        line = _refined(search, here, columns, np.repeat(path, 3)[: len(columns)])
        if line is not None:
            yield line
        beside = np.clip(
            path[None, :] + np.arange(-2 * gap - side, 2 * gap + side + 1)[:, None], 0, len(change) - 1
        )
        change[beside, np.arange(len(path))] = 0.0


def _samples(length_um: float, step_um: float) -> int:
    return max(2, round(length_um / step_um))


def _reaching(search: _Search) -> NDArray[np.intp]:
    """The columns of the used zone, and on to the transition."""
    s_um, at = search.strip.s_um, np.flatnonzero(search.used)
    first, last = float(s_um[at[0]]), float(s_um[at[-1]])
    transition = search.measured.zones.transition
    if transition is not None:
        first, last = min(first, transition.at_um), max(last, transition.at_um)
    return np.flatnonzero((s_um >= first) & (s_um <= last))


def _refined(
    search: _Search, here: NDArray[np.float32], columns: NDArray[np.intp], path: NDArray[np.intp]
) -> _Line | None:
    """The line along a path to a part of a sample, or None where hardly anything changes there."""
    step_um = search.strip.um_per_px
    gap, side = _samples(search.blur_um, step_um), _samples(SIDE_UM, step_um)
    half = 2 * gap + side
    offsets = np.arange(-half, half + 1)
    rows = np.clip(path[None, :] + offsets[:, None], 0, len(here) - 1)
    around = here[rows, np.arange(len(path))]
    inside_used = search.used[columns] & np.isfinite(around[..., 0]).all(axis=0)
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
    shown = height > max(SHOWN * whole, 1e-6)
    # the area under the step says where it is, whatever the blur, as long as that is even
    share = (along - inside) / np.where(shown, height, np.nan)
    end = search.strip.d_um[path] + (share.sum(axis=0) - half - 0.5) * step_um
    end[~shown | ~np.isfinite(around[..., 0]).all(axis=0)] = np.nan
    good = inside_used & np.isfinite(end)
    if good.sum() * step_um < 2 * WINDOW_UM:
        return None
    filled = np.interp(np.arange(len(end)), np.flatnonzero(np.isfinite(end)), end[np.isfinite(end)])
    rest = (filled - gaussian_filter1d(filled, STRAIGHT_OVER_UM / step_um, mode="nearest"))[good]
    lit = search.strip.light[rows, columns[None, :]][offsets < -2 * gap][:, inside_used]
    ratio = np.mean(outer[inside_used], axis=0) / np.mean(inner[inside_used], axis=0) - 1.0
    outermost = offsets < -2 * gap - side // 2
    nearer = (offsets < -2 * gap) & ~outermost
    level = [float(np.mean(along[part][:, inside_used])) for part in (outermost, nearer)]
    end_um = np.full(len(search.used), np.nan)
    end_um[columns] = end
    return _Line(
        end_um,
        step,
        whole / max(u, 1e-9),
        float(good.sum() / inside_used.sum()),
        float(np.sqrt(np.mean(rest**2))),
        float(np.std(rest)) / np.sqrt(max(good.sum() * step_um / WINDOW_UM, 1.0)),
        bool((lit.max(axis=-1) >= NEARLY_CLIPPED).mean() > MOST_BURNT),
        float(np.linalg.norm(ratio - ratio.mean()) / max(float(np.linalg.norm(ratio)), 1e-9)),
        abs(level[0] - level[1]) / max(abs(whole), 1e-9),
    )


def _judged(search: _Search, light: NDArray[np.float32], line: _Line) -> tuple[Verdict, Reason | None]:
    """Whether a line is the inner end of a worn flat."""
    height = float(np.linalg.norm(line.step))
    if height < LEAST_STEP or line.significance < LEAST_SIGNIFICANCE or line.cover < LEAST_COVER:
        return "none", None
    if line.slope > PLATEAU or _there_when_new(search, light, line):
        return "none", None
    if search.measured.edge.coated and not _inside_bare(search, line):
        return _by_marks(search, line)
    if line.ragged_um > STRAIGHT_UM:
        return "unsure", reason("ragged-flat")
    if line.tint > TINT and not line.burnt:
        return "unsure", reason("tinted-flat")
    return "seen", None


def _there_when_new(search: _Search, light: NDArray[np.float32], line: _Line) -> bool:
    """Whether the same change of light is there where nothing has cut."""
    unused = search.measured.labels == UNUSED
    depth_um = float(np.nanmedian(line.end_um))
    if unused.any():
        where, columns = replace(search.strip, light=light), unused
    elif search.new is not None:
        level = np.nanmedian(search.new.light[search.new.d_um > depth_um + 3 * SIDE_UM], axis=(0, 1))
        relative = np.asarray(search.new.light / np.maximum(level, 1e-3), np.float32)
        where, columns = replace(search.new, light=relative), np.ones(len(search.new.s_um), bool)
    else:
        return False
    outer, inner = (
        where.between(
            *sorted(depth_um + side * (search.blur_um + far_um) for far_um in (0.0, 2 * SIDE_UM))
        ).light[:, columns]
        for side in (-1, 1)
    )
    if outer.size == 0 or inner.size == 0 or not np.isfinite(outer).any() or not np.isfinite(inner).any():
        return False
    change = np.nanmean(outer, axis=(0, 1)) - np.nanmean(inner, axis=(0, 1))
    return bool(change @ line.step > KEPT_WHEN_NEW * float(line.step @ line.step))


def _inside_bare(search: _Search, line: _Line) -> bool:
    """Whether the coating is gone on both sides of a line, so that it is not where the coating ends."""
    if search.bare is None:
        return False
    at = np.flatnonzero(search.used & np.isfinite(line.end_um))
    step_um = search.strip.um_per_px
    rows = np.round((line.end_um[at] + search.blur_um + SIDE_UM - search.strip.d_um[0]) / step_um).astype(int)
    return bool(search.bare[np.clip(rows, 0, len(search.strip.d_um) - 1), at].mean() > LEAST_COVER)


def _by_marks(search: _Search, line: _Line) -> tuple[Verdict, Reason | None]:
    """Whether the grinding marks end where the coating does: a flat has lost them, a bare face has not."""
    if line.ragged_um > STRAIGHT_UM:
        return "none", None
    if search.new is None:
        return "unsure", COATING_MAY_END
    hidden = search.silhouette_um + search.hidden_um
    inside = line.end_um + 2.0 * search.blur_um
    places = ((hidden, line.end_um - 2.0 * search.blur_um), (inside, inside + FACE_REACH_UM))
    band, face = search.marks.kept(places, search.used) if search.marks is not None else (None, None)
    if band is None or face is None or face[0] < DETECTION * face[1]:
        return "unsure", COATING_MAY_END
    if band[0] + COVERAGE_95 * band[1] < KEPT_MARKS * face[0]:
        return "seen", None
    if band[0] - COVERAGE_95 * band[1] > KEPT_MARKS * face[0]:
        return "none", None
    return "unsure", COATING_MAY_END


def _measured(
    search: _Search, line: _Line, verdict: Verdict, why: Reason | None, limit_um: float
) -> WearLand:
    """VB along the edge, its mean and its maximum."""
    measured, used = search.measured, search.used
    assert measured.datum is not None
    tilt = measured.edge.tilt.value
    width = (line.end_um - search.original_um) / np.cos(tilt)
    counted = width[used & np.isfinite(width)]
    mean, widest = float(counted.mean()), float(counted.max())
    end = Input("inner end of the flat", 0.0, search.blur_um * (UNRESOLVED + U_BURNT * line.burnt))
    u_drawn_on = float(np.sqrt(np.mean(measured.datum.u_datum_um[used] ** 2)))
    drawn_on = Input("new-state line drawn on", 0.0, u_drawn_on)
    wandering = Input("wandering of the inner end (mean)", 0.0, line.u_noise_um)
    ragged = Input("wandering of the inner end (widest)", 0.0, min(line.ragged_um, STRAIGHT_UM))
    scale, tilted = Input("scale", 1.0, measured.u_scale), Input("view tilt", tilt, measured.edge.tilt.u)

    def budget(value: float, own: Input) -> Budget:
        # of the tilt the second order counts too: square to the face the first is nothing
        by_tilt = value * float(np.tan(tilt) + 0.5 * measured.edge.tilt.u)
        parts = [
            *((1.0, one) for one in (end, search.original, drawn_on, own)),
            (value, scale),
            (by_tilt, tilted),
        ]
        return linear(value, parts)

    notch, transition = float("nan"), measured.zones.transition
    if transition is not None:
        beyond = (search.strip.s_um - transition.at_um) * transition.used_side
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
