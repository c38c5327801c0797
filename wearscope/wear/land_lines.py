"""Lines along a used edge where the light on the relief face changes: the inner end of a flat is one of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from wearscope.light.clipping import NEARLY_CLIPPED
from wearscope.light.edge_light import LightFit
from wearscope.light.strip import UNUSED, USED, Strip, dark_unseen, over_channels
from wearscope.metrology.uncertainty import Input
from wearscope.wear.coating_map import CoatingMap
from wearscope.wear.grinding_marks import MARK_LENGTH_UM, MARK_UM, WINDOW_UM, Marks, marks_of
from wearscope.wear.measured import OUTSIDE_UM, MeasuredStrip
from wearscope.wear.trace import steepest_path

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SIDE_UM = 14.0  # across the edge: what is averaged on each side of a step; chosen, no source
CANDIDATES = 3  # a flat, the end of the coating, and one more
SHOWN = 0.5  # of the mean step, from which on it is there at a place; chosen, no source
MOST_BURNT = 0.2  # of the light outside a line that may be burnt out; chosen, no source
STRAIGHT_OVER_UM = (
    60.0  # along the edge, over which a line is smoothed to tell how ragged it is; chosen, no source
)
BOTH_WAYS = 0.2  # of the used edge, along which a line must be a step the other way; chosen, no source
LEAST_TURN_WINDOWS = 5  # `WINDOW_UM` along the edge, over which it must go one way; chosen, no source
LEAST_DEPTH_UM = 40.0  # of face that must be in the frame beyond the rounding; chosen, no source


@dataclass(frozen=True, eq=False)
class LandSearch:
    """What is known of a strip before a flat is looked for.

    Attributes
    ----------
    measured : MeasuredStrip
    fit : LightFit
        Of the used edge.
    original : Input
        Error of where the silhouette was when new, µm.
    original_um : float
        Where it was.
    strip : Strip
        The rows from a little outside the edge on.
    new : Strip or None
        The same of the new-state photo.
    bare : ndarray of bool, shape (D, S), or None
        Where on `strip` the coating is gone; None where that could not be read.
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
        """Of the measured strip, shape (S,)."""
        return self.measured.silhouette_um

    @property
    def blur_um(self) -> float:
        """Of the photo."""
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
class LightLine:
    """A line along the edge where the light changes.

    Attributes
    ----------
    end_um : ndarray, shape (S,)
        Its depth; NaN where it is not seen.
    step : ndarray, shape (3,)
        Change of light outward, over the face's light.
    significance : float
        Of the mean step, in standard uncertainties.
    cover : float
        Share of the used edge that shows it.
    ragged_um, u_noise_um : float
        How it strays from a smooth line, and what that makes of its mean depth.
    burnt : bool
        Whether the light outside is burnt out.
    tint : float
        Share of the step that is a change of colour.
    slope : float
        By how much the light outside the line itself changes, as a share of the step.
    both_ways : bool
        Whether it is brighter outside along one part of the edge and darker along another.
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
    both_ways: bool = False


def land_search(measured: MeasuredStrip, coating: CoatingMap | None) -> LandSearch | None:
    """Prepare to look for a flat.

    Parameters
    ----------
    measured : MeasuredStrip
    coating : CoatingMap or None

    Returns
    -------
    LandSearch or None
        None where the light of a zone could not be fitted.
    """
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
    return LandSearch(
        measured,
        used,
        Input("silhouette when new", 0.0, u_original),
        original,
        inside,
        None if measured.new is None else measured.new.between(first_um, np.inf),
        None if coating is None else coating.substrate[len(coating.substrate) - len(inside.d_um) :],
    )


def relative_light(search: LandSearch) -> NDArray[np.float32] | None:
    """Light over that of the face deep inside.

    Parameters
    ----------
    search : LandSearch

    Returns
    -------
    ndarray of float32, shape (D, S, 3), or None
        None where too little face is seen.
    """
    d_um, light = search.strip.d_um, search.strip.light
    columns = np.isin(search.measured.labels, (USED, UNUSED))
    edge_um = float(np.nanmean(search.silhouette_um[search.measured.labels == USED])) + search.fit.radius_um
    seen = np.isfinite(light[..., 0][:, columns]).mean(axis=1) > 0.8
    deep = seen & (d_um > edge_um + 2.0 * search.blur_um + LEAST_DEPTH_UM)
    if deep.sum() * search.strip.um_per_px < LEAST_DEPTH_UM:
        return None
    # every ninth place along the edge tells the level of all
    level = np.nanmedian(light[deep][:, np.flatnonzero(columns)[::9]], axis=(0, 1))
    # numpy takes ten times as long over so short an axis
    return np.asarray(cv2.transform(light, np.diag(1.0 / np.maximum(level, 1e-3)).astype(np.float32)))


def light_lines(search: LandSearch, light: NDArray[np.float32]) -> Iterator[LightLine]:
    """Lines along the used edge where the light changes, strongest first.

    Parameters
    ----------
    search : LandSearch
    light : ndarray of float32, shape (D, S, 3)
        From `relative_light`.

    Yields
    ------
    LightLine
    """
    strip, step_um = search.strip, search.strip.um_per_px
    columns = _reaching(search)
    here = light[:, columns]
    gap, side = _samples(search.blur_um, step_um), _samples(SIDE_UM, step_um)
    width = max(3, round(WINDOW_UM / step_um) | 1)
    unseen = ~np.isfinite(here[..., 0])
    # averaged over so many columns, every third one says it all
    mean = cv2.blur(dark_unseen(here), (width, side), borderType=cv2.BORDER_REPLICATE)[:, ::3]
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


def _reaching(search: LandSearch) -> NDArray[np.intp]:
    """The columns of the used zone, and on to the transition."""
    s_um, at = search.strip.s_um, np.flatnonzero(search.used)
    first, last = float(s_um[at[0]]), float(s_um[at[-1]])
    transition = search.measured.zones.transition
    if transition is not None:
        first, last = min(first, transition.at_um), max(last, transition.at_um)
    return np.flatnonzero((s_um >= first) & (s_um <= last))


def _turned(step: NDArray[np.float32], used: Mask, width: int) -> NDArray[np.float32] | None:
    """Sign of a step at each place, shape (S,), where it is up along one part of the edge and down along another."""
    *_, axes = np.linalg.svd(step[used], full_matrices=False)
    along = uniform_filter1d(np.nan_to_num(step @ axes[0]), width, mode="nearest")
    upward = along[used] > 0
    up = float(upward.mean())
    ends = np.flatnonzero(np.diff(upward.astype(int), prepend=2, append=2))
    # noise goes up and down from one window to the next; a flat that turns does so over long parts
    if min(up, 1.0 - up) < BOTH_WAYS or np.diff(ends).min() < LEAST_TURN_WINDOWS * width:
        return None
    # the sign by which the most places show it, as of a flat that is brighter than the face
    return np.where(along > 0, 1.0, -1.0).astype(np.float32) * np.float32(1.0 if up >= 0.5 else -1.0)


def _refined(
    search: LandSearch, here: NDArray[np.float32], columns: NDArray[np.intp], path: NDArray[np.intp]
) -> LightLine | None:
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
    width = max(3, round(WINDOW_UM / step_um) | 1)
    turned = _turned(outer - inner, inside_used, width)
    if turned is not None:
        around = around * turned[None, :, None]
        step = np.mean(((outer - inner) * turned[:, None])[inside_used], axis=0)
    direction = step / max(float(np.linalg.norm(step)), 1e-9)
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
    return LightLine(
        end_um,
        step,
        whole / max(u, 1e-9),
        float(good.sum() / inside_used.sum()),
        float(np.sqrt(np.mean(rest**2))),
        float(np.std(rest)) / np.sqrt(max(good.sum() * step_um / WINDOW_UM, 1.0)),
        bool((lit.max(axis=-1) >= NEARLY_CLIPPED).mean() > MOST_BURNT),
        float(np.linalg.norm(ratio - ratio.mean()) / max(float(np.linalg.norm(ratio)), 1e-9)),
        abs(level[0] - level[1]) / max(abs(whole), 1e-9),
        turned is not None,
    )
