"""Break-outs of the top layer along the edge of a cut part: how deep, and along how much of the edge.

A worn bit tears where a sharp one cuts. The photo looks square on the part's face, a plain ground beside it. In each
column the top layer begins, coming from the ground, where the light has come half of the way to that of the face;
where the layer has broken out, what lies under it shows instead, or the ground. The cut line is drawn through the
places that are whole, and a break-out is as deep as the top layer begins inside of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter, minimum_filter1d

from wearscope.light.strip import Strip, dark_unseen, median_of_seen, over_channels
from wearscope.metrology.findings import COVERAGE_95, Finding, detection_limit, found, refused
from wearscope.metrology.robust import NORMAL_CONSISTENCY
from wearscope.metrology.uncertainty import Budget, Input, linear
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.measured import scale_error
from wearscope.wear.zones import runs

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

TEAR_OUT_ROWS = ("tear_out_max", "tear_out_share")
# The stated limit, the same for every photo so that shares can be compared: what a sealed edge still shows (common
# practice, no source)
TEAR_OUT_UM = 100.0
SHORTEST_UM = 100.0  # along the edge: less is a fibre, dust or noise; chosen, no source
GROUND_UM = (-1000.0, -250.0)  # of the line, where the ground is read; chosen, no source
LEAST_FACE_UM = 1500.0  # of the line, that must be seen of the face; chosen, no source
REACH_UM = 250.0  # outside the line, from where on the top layer is sought; chosen, no source
DEEPEST_SHARE = 0.5  # of what is seen of the face: deeper in, its light is read; a break-out must end before
STEADY_UM = 40.0  # across the edge, that must look like the face: less is a fibre; chosen, no source
ROWS_BLURRED = 0.8
LEVEL = 0.5  # of the way from the face's light to the ground's
LEVELS = (
    0.35,
    0.65,
)  # between them the answer must not change: else what lies under the layer is like it; chosen
ALONG_UM = (
    1500.0  # over which the light of face and ground is smoothed along the edge; chosen: grain is shorter
)
CLEAR = 3.0  # scatters of the face's own light, that half of its contrast to the ground must be; chosen, no source
LEAST_READ, LEAST_WHOLE = 0.8, 0.3  # of the edge, that is read, and that is not broken out; chosen, no source
MOST_WANDER_UM = (
    0.25 * TEAR_OUT_UM
)  # of the cut line: what wanders more is not what was cut; chosen, no source
LEAST_LENGTH_UM = 2000.0  # of edge: less says nothing of a part; chosen, no source
ROUNDS, STRAY = 15, 2.5  # of fitting the cut line; standard deviations off it
INDEPENDENT_UM = 50.0  # along the edge: a fibre's width; chosen, no source


@dataclass(frozen=True, eq=False)
class TearOut:
    """The top layer along a cut edge.

    Attributes
    ----------
    depth_um : ndarray, shape (S,)
        How far inside the cut line it begins; NaN where that cannot be read.
    line_um : ndarray, shape (S,)
        Depth of the cut line on the strip.
    broken_um : tuple of (float, float)
        Where along the edge it has broken out deeper than the stated limit.
    deepest_um : float
    u_apex_um : float
        By how much less that is where three columns are taken together.
    wander_um : float
        Standard deviation of the cut line where it is whole.
    u_level_um : float
        Standard uncertainty of where half of the way between the lights lies.
    length_um : float
        Of the edge that was read.
    alike : bool
        Whether something lies along it that may be the top layer or not.
    """

    depth_um: Array
    line_um: Array
    broken_um: tuple[tuple[float, float], ...]
    deepest_um: float
    u_apex_um: float
    wander_um: float
    u_level_um: float
    length_um: float
    alike: bool

    @property
    def share(self) -> float:
        """Of the edge, with break-outs deeper than the stated limit."""
        return sum(end - start for start, end in self.broken_um) / self.length_um


def find_tear_out(strip: Strip) -> TearOut | Reason:
    """Look for break-outs of the top layer.

    Parameters
    ----------
    strip : Strip
        Along the cut edge, the ground at negative d.

    Returns
    -------
    TearOut or Reason
        Why not, where the cut edge cannot be followed.
    """
    departure = _departure(strip)
    if departure is None:
        return reason("cut-edge-unclear")
    step_um = float(strip.s_um[1] - strip.s_um[0])
    deepest_um = DEEPEST_SHARE * float(strip.d_um[-1])
    begins_um = _begins(departure, strip.d_um, LEVEL, deepest_um)
    read = np.isfinite(begins_um)
    seen = np.isfinite(strip.light[..., 0]).any(axis=0)
    if read.sum() * step_um < LEAST_LENGTH_UM or read.sum() < LEAST_READ * seen.sum():
        return reason("cut-edge-unclear")
    fitted = _cut_line(strip.s_um, begins_um)
    if fitted is None:
        return reason("little-whole-edge")
    line_um, whole = fitted
    depth_um = begins_um - line_um
    wander_um = float(np.std(depth_um[whole]))
    if wander_um > MOST_WANDER_UM:
        return reason("little-whole-edge")
    steady_um = _three_together(depth_um)
    broken = _broken(steady_um, TEAR_OUT_UM, step_um)
    inner, outer = (_begins(departure, strip.d_um, level, deepest_um) for level in LEVELS)
    between_um = np.abs(inner - outer)
    usual_um = float(np.nanmedian(between_um[whole]))
    # where a level is not reached at all, the layer is no surer
    unsure = np.where(read, np.nan_to_num(between_um, nan=np.inf), 0.0) > usual_um + 0.5 * TEAR_OUT_UM
    alike = any((b - a + 1) * step_um >= SHORTEST_UM for a, b in runs(unsure))
    places = np.zeros(len(depth_um), bool)
    for first, last in broken:
        places[first : last + 1] = True
    deepest, raw = _deepest(steady_um, depth_um, places, step_um)
    half = 0.5 * step_um
    return TearOut(
        depth_um,
        line_um,
        tuple((float(strip.s_um[a] - half), float(strip.s_um[b] + half)) for a, b in broken),
        deepest,
        max(raw - deepest, 0.0),
        wander_um,
        float(usual_um / np.sqrt(12.0)),
        float(read.sum() * step_um),
        alike,
    )


def _departure(strip: Strip) -> NDArray[np.float32] | None:
    """How far each place is from the face's light, as a share of the ground's; None where these are too alike."""
    ground_rows = (strip.d_um > GROUND_UM[0]) & (strip.d_um < GROUND_UM[1])
    face_rows = strip.d_um > max(DEEPEST_SHARE * strip.d_um[-1], LEAST_FACE_UM / 2.0)
    step_um = float(strip.s_um[1] - strip.s_um[0])
    lights = [
        _along(median_of_seen(np.moveaxis(strip.light[rows], 0, 1)), ALONG_UM / step_um)
        for rows in (ground_rows, face_rows)
    ]
    if not all(np.isfinite(light).all() for light in lights):
        return None
    ground, face = lights
    contrast = np.sqrt(((face - ground) ** 2).sum(axis=1))
    smooth = cv2.GaussianBlur(
        dark_unseen(strip.light), (0, 0), sigmaX=0.01, sigmaY=ROWS_BLURRED, borderType=cv2.BORDER_REPLICATE
    )
    away = smooth - face[None].astype(np.float32)
    departure = cv2.sqrt(over_channels(away * away)) / np.maximum(contrast, 1e-6)[None].astype(np.float32)
    unseen = np.isnan(strip.light[..., 0])
    departure[unseen] = np.nan
    own = departure[face_rows][~unseen[face_rows]]
    beyond = departure[ground_rows][~unseen[ground_rows]]
    if own.size == 0 or beyond.size == 0:
        return None
    # the face's own scatter about its light, and the ground's about its own
    scatters = float(np.sqrt(np.mean(own**2))), float(np.std(beyond))
    return departure if max(scatters) * CLEAR < LEVEL else None


def _along(light: Array, columns: float) -> Array:
    """Light of each column smoothed along the edge, drawn on where it is not seen."""
    seen = np.isfinite(light[:, 0])
    if not seen.any():
        return light
    index = np.arange(len(light))
    filled = np.column_stack([np.interp(index, index[seen], light[seen, k]) for k in range(light.shape[1])])
    return np.asarray(gaussian_filter1d(filled, columns / 2.0, axis=0, mode="nearest"))


def _begins(departure: NDArray[np.float32], d_um: Array, level: float, deepest_um: float) -> Array:
    """Depth at which the top layer begins in each column, coming from the ground; NaN where that is not seen."""
    step_um = float(d_um[1] - d_um[0])
    need = max(3, round(STEADY_UM / step_um))
    like = (departure < level).astype(np.uint8)  # NaN is not
    # true where a run of so many rows begins
    steady = minimum_filter1d(like, need, axis=0, origin=-(need // 2), mode="constant") > 0
    steady[(d_um < -REACH_UM) | (d_um > deepest_um)] = False
    first = np.argmax(steady, axis=0)
    columns = np.arange(departure.shape[1])
    before, after = departure[np.maximum(first - 1, 0), columns], departure[first, columns]
    part = np.clip((before - level) / np.maximum(before - after, 1e-6), 0.0, 1.0)
    at = d_um[first] - (1.0 - part) * step_um
    # a run that begins where the search does has no outside
    found_it = steady.any(axis=0) & np.isfinite(before) & (before > level)
    return np.where(found_it, at, np.nan)


def _cut_line(s_um: Array, begins_um: Array) -> tuple[Array, Mask] | None:
    """Gentle curve through the places where the edge is whole, and which they are; None where hardly any is."""
    read = np.isfinite(begins_um)
    x = (s_um - s_um[read].mean()) / max(float(np.ptp(s_um[read])), 1.0)
    base = np.vander(x, 3)
    line = np.full(len(s_um), float(np.nanquantile(begins_um, LEAST_WHOLE)))
    whole = read
    for _ in range(ROUNDS):
        residual = begins_um - line
        out = -residual[read & (residual < 0.0)]
        sd = NORMAL_CONSISTENCY * float(np.median(out)) if len(out) else 0.0
        # nothing breaks outwards: how far the line wanders shows on its outer side
        whole = read & (np.abs(residual) < STRAY * sd + 0.5 * float(s_um[1] - s_um[0]))
        if whole.sum() < LEAST_WHOLE * read.sum():
            return None
        line = base @ np.linalg.lstsq(base[whole], begins_um[whole], rcond=None)[0]
    return line, whole


def _three_together(depth_um: Array) -> Array:
    filled = np.nan_to_num(depth_um)
    return np.where(np.isfinite(depth_um), median_filter(filled, 3, mode="nearest"), np.nan)


def _broken(depth_um: Array, limit_um: float, step_um: float) -> list[tuple[int, int]]:
    """First and last column of each break-out deeper than a limit."""
    beyond = np.nan_to_num(depth_um) > limit_um
    return [(a, b) for a, b in runs(beyond) if (b - a + 1) * step_um >= SHORTEST_UM]


def _deepest(steady_um: Array, depth_um: Array, places: Mask, step_um: float) -> tuple[float, float]:
    """The deepest break-out, three columns together and one alone; without any, the deepest of what is as long."""
    if places.any():
        return float(np.nanmax(steady_um[places])), float(np.nanmax(depth_um[places]))
    length = max(3, round(SHORTEST_UM / step_um))
    together = minimum_filter1d(np.nan_to_num(steady_um), length, mode="nearest")
    deepest = max(float(together.max()), 0.0)
    return deepest, deepest


def tear_out_findings(seen: TearOut | Reason, u_scale: float, method: str) -> list[Finding]:
    """The rows of a part's edge.

    Parameters
    ----------
    seen : TearOut or Reason
    u_scale : float
        Relative standard uncertainty of the scale.
    method : str

    Returns
    -------
    list of Finding
    """
    if isinstance(seen, Reason):
        return [refused(row, "whole", seen, method) for row in TEAR_OUT_ROWS]
    doubts = (reason("layer-below-alike"),) if seen.alike else ()
    stated = (reason("what-a-tear-out-is", depth_um=TEAR_OUT_UM, length_um=SHORTEST_UM),)
    deepest = _depth_budget(seen, seen.deepest_um, seen.u_apex_um, u_scale)
    share = _share_budget(seen, u_scale)
    limits = [
        detection_limit(budget.u)
        for budget in (_depth_budget(seen, 0.0, 0.0, u_scale), linear(0.0, [(1.0, _ends(seen, 1))]))
    ]
    return [
        found(row, "whole", budget.value, budget, method, doubts=doubts, remarks=stated, limit=limit)
        for row, budget, limit in zip(TEAR_OUT_ROWS, (deepest, share), limits, strict=True)
    ]


def _depth_budget(seen: TearOut, deepest_um: float, u_apex_um: float, u_scale: float) -> Budget:
    shallow_um = 0.0 if seen.broken_um else deepest_um  # then anything from none to it
    # of so many independent places the deepest lies so many standard deviations out, where nothing has broken
    many = np.sqrt(2.0 * np.log(max(seen.length_um / INDEPENDENT_UM, 2.0)))
    return linear(
        deepest_um,
        [
            (1.0, Input("scatter of the trace", 0.0, seen.wander_um * many / COVERAGE_95)),
            (1.0, Input("rim of the notch", 0.0, seen.u_level_um)),
            (1.0, Input("what the blur hides", 0.0, u_apex_um)),
            (1.0, Input("what is too shallow to show", 0.0, shallow_um / np.sqrt(3.0))),
            (deepest_um, scale_error(u_scale)),
        ],
    )


def _share_budget(seen: TearOut, u_scale: float) -> Budget:
    u_um = float(np.hypot(np.hypot(seen.wander_um, seen.u_level_um), u_scale * TEAR_OUT_UM))
    read = np.isfinite(seen.depth_um)
    shares = [float(np.mean(seen.depth_um[read] > TEAR_OUT_UM + side * u_um)) for side in (-1.0, 1.0)]
    near = Input("notches near the limit", 0.0, 0.5 * abs(shares[0] - shares[1]))
    return linear(seen.share, [(1.0, near), (1.0, _ends(seen, max(len(seen.broken_um), 1)))])


def _ends(seen: TearOut, count: int) -> Input:
    """Both ends of so many break-outs, each unsure within the shortest that counts."""
    u_end_um = SHORTEST_UM / np.sqrt(12.0)
    return Input("ends of the notches", 0.0, float(np.sqrt(2.0 * count) * u_end_um / seen.length_um))
