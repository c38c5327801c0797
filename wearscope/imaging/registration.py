"""Lay a photo over the new-state photo of the same flute, by what has not worn.

Grind marks cross the edge, so they say how far one photo is shifted and zoomed along the edge against the
other; the edge line of the unused zone says the rest (see `wearscope.pipeline.inspect`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import gaussian_filter1d

from wearscope.errors import PhotoRefused
from wearscope.imaging.edge_selection import DEGREE
from wearscope.imaging.located_edge import LocatedEdge
from wearscope.light.clipping import CLIPPED
from wearscope.light.strip import Strip, grey
from wearscope.metrology.robust import scatter
from wearscope.quantities.reasons import reason

Array = NDArray[np.float64]

MARKS_UM = (130.0, 520.0)  # below the coating band, where wear has left the grind marks alone
LARGEST_SHIFT = 0.4  # share of the shorter strip that may lie beyond the longer one
ZOOMS = np.arange(-0.05, 0.0501, 0.0025)  # from 1, that are tried: a zoom ring set again by hand; no source
# And where none of these fits: another mark of the ring. Half a step of it moves the ends of a strip by less
# than a mark is wide
WIDE_ZOOMS = np.geomspace(0.66, 1.52, 335) - 1.0
SURE_ZOOM = 5.0  # standard uncertainties by which a zoom must differ from 1 to count
LEAST_ZOOM = 0.004  # from 1: less is within what a scale is good to; chosen, no source
# Difference of log colour ratios of two faces, against what lies behind, that no change of lamp makes
OTHER_COLOUR = 0.25
# Limits without another ground are chosen, no source; tests/imaging/test_registration.py holds what must be told by
# them and what must not.
LEAST_COLUMNS = 64  # of a strip that says anything
LEAST_ROWS = 4  # of each of the two parts of a face whose marks are compared
NO_LIGHT = 1e-9  # of scatter: a face burnt out or black all over, and rounding
LEAST_FILLED = 0.6  # of a column of the face
# Standard deviations: of what is light, no mark, and of a mark's own width
SLOW_COLUMNS, FINE_COLUMNS = 12.0, 0.8
MOST_CONTRAST = 4.0  # robust standard deviations of the marks: a speck of glare must not decide
EVERY_LAG = 4  # of the correlation tells its scatter
EXPECTED, LEAST_CORRELATION = 0.6, 0.4  # share of what these marks should reach, and at least this
MISSED = 0.55  # share of what clear marks should reach, below which they are others
ROUNDS, MOST_STEP_PX, MOST_ZOOM_STEP = 8, 1.0, 2e-3  # of the refinement, and how far it goes in each
CORRELATED = 8.0  # columns that blur and smoothing make one reading
COLOUR_COLUMNS = 3  # every so many tell the colour of all
BEHIND_UM = (-150.0, -60.0)  # from the line: what lies behind the tool
LEAST_LIT, MOST_BURNT = (
    0.05,
    0.1,
)  # of full light, and share of burnt-out pixels, for a colour that says something
CERTAIN = 6.0  # peak over the scatter of the correlation that chance does not reach in these many trials
LIKELY = 3.5  # enough when the peak is also as high as these marks should reach
CLEAR = 0.47  # expected correlation from which the marks of the same flute cannot be missed


@dataclass(frozen=True)
class MarkMatch:
    """How the grind marks of two photos of a flute lie over each other.

    A place at s (µm at the stated scale) in this photo is at ``shift_um + s * zoom`` in the new-state photo.

    Attributes
    ----------
    verdict : {"same", "other", "unclear"}
        "other": the marks are clear in both photos and are not the same marks; "unclear": they are too faint to
        tell, and shift and zoom are not known (0 and 1).
    shift_um : float
        As deep as the marks were read, the middle of `MARKS_UM`: where wear has tilted one of the lines against the
        other, other depths lie beside it by their distance times that tilt. Within 2.5 µm on rendered pairs
        there; it has no uncertainty of its own, because 4 µm more or less move no row by a tenth of its u.
    zoom, u_zoom : float
    correlation : float
        Of the marks at the best place.
    expected : float
        What two photos of the same marks should reach, from each photo's own repeatability.
    """

    verdict: Literal["same", "other", "unclear"]
    shift_um: float
    zoom: float
    u_zoom: float
    correlation: float
    expected: float


def match_marks(now: Strip, new: Strip) -> MarkMatch:
    """Compare the grind marks of two strips of (supposedly) the same flute.

    Parameters
    ----------
    now, new : Strip
        Each cut along its own edge.

    Returns
    -------
    MarkMatch
    """
    a, a_repeat = mark_signal(now)
    b, b_repeat = mark_signal(new)
    expected = float(np.sqrt(a_repeat * b_repeat))
    unclear = MarkMatch("unclear", 0.0, 1.0, float("inf"), 0.0, expected)
    if min(len(a), len(b)) < LEAST_COLUMNS:
        return unclear
    step_um = float(now.s_um[1] - now.s_um[0])
    new_s_um = np.arange(new.s_um[0], new.s_um[-1], step_um)
    b = np.interp(new_s_um, new.s_um, b)
    best = _best_lag(a, b, ZOOMS)
    if best.sureness < (LIKELY if best.reaches(expected) else CERTAIN):
        wide = _best_lag(a, b, WIDE_ZOOMS)
        if wide.sureness < CERTAIN or not wide.reaches(expected):
            missed = expected > CLEAR and max(best.correlation, wide.correlation) < MISSED * expected
            verdict: Literal["other", "unclear"] = "other" if missed else "unclear"
            return MarkMatch(verdict, 0.0, 1.0, float("inf"), best.correlation, expected)
        best = wide
    lag, zoom, u_zoom = _refine(a, b, best.lag, best.zoom)
    middle = 0.5 * (len(a) - 1)
    s_middle = float(now.s_um[0]) + middle * step_um
    # column i of a lies at middle + (i - middle)(1 + zoom) + lag in b
    shift_um = float(new.s_um[0]) + (middle + lag) * step_um - s_middle * (1.0 + zoom)
    return MarkMatch("same", shift_um, 1.0 + zoom, u_zoom, best.correlation, expected)


@dataclass(frozen=True)
class _Lag:
    """Where one signal lies best on another, its zoom from 1; `sureness` in standard deviations of chance."""

    correlation: float
    lag: float
    zoom: float
    sureness: float

    def reaches(self, expected: float) -> bool:
        """Whether it is as high as these marks should reach."""
        return self.correlation > max(EXPECTED * expected, LEAST_CORRELATION)


def _best_lag(a: Array, b: Array, zooms: Array) -> _Lag:
    """The best of all zooms and lags."""
    middle = 0.5 * (len(a) - 1)
    # sample a so that its columns are those of b; what lies beyond its ends is not seen
    at = middle + (np.arange(len(a)) - middle) / (1.0 + zooms[:, None])
    moved = np.interp(at, np.arange(len(a)), a, left=0.0, right=0.0)
    correlation, lags = _correlate(moved, b)
    noise = scatter(correlation[:, ::EVERY_LAG], about=0.0) + 1e-9
    which, place = np.unravel_index(int(np.argmax(correlation)), correlation.shape)
    best = float(correlation[which, place])
    return _Lag(best, float(lags[place]), float(zooms[which]), best / noise)


def mark_signal(strip: Strip) -> tuple[Array, float]:
    """Brightness along the edge averaged down the grind marks, and how repeatable it is.

    Parameters
    ----------
    strip : Strip

    Returns
    -------
    signal : ndarray, shape (S,)
        Relative brightness, slow changes of light taken out; 0 where the face is not seen.
    repeatability : float
        Reliability of the signal, 0 to 1: the correlation of its upper and its lower part, stepped up to the
        whole (Spearman-Brown).
    """
    rows = (strip.d_um > MARKS_UM[0]) & (strip.d_um < MARKS_UM[1])
    face = grey(strip.light[rows])
    part = len(face) // 5 * 2
    if part < LEAST_ROWS:
        return np.zeros(0), 0.0
    # the two parts lie apart, so that blur and grain shared by neighbouring rows do not pass for marks
    near, far = _flattened(_column_mean(face[:part])), _flattened(_column_mean(face[-part:]))
    whole = _flattened(_column_mean(face))
    use = (near != 0) & (far != 0)
    if use.sum() < LEAST_COLUMNS or min(near[use].std(), far[use].std()) < NO_LIGHT:
        return np.zeros(0), 0.0
    r = max(0.0, float(np.corrcoef(near[use], far[use])[0, 1]))
    longer = len(face) / part
    return whole, longer * r / (1.0 + (longer - 1.0) * r)


def _column_mean(face: NDArray[np.float32]) -> Array:
    seen = np.isfinite(face)
    count = seen.sum(axis=0)
    total = np.where(seen, face, 0.0).sum(axis=0)
    return np.where(count > LEAST_FILLED * len(face), total / np.maximum(count, 1), np.nan)


def _flattened(level: Array) -> Array:
    seen = np.isfinite(level)
    if seen.sum() < LEAST_COLUMNS // 2:
        return np.zeros_like(level)
    filled = np.interp(np.arange(len(level)), np.flatnonzero(seen), level[seen])
    slow = gaussian_filter1d(filled, SLOW_COLUMNS, mode="nearest")
    relative = gaussian_filter1d(filled, FINE_COLUMNS, mode="nearest") / np.maximum(slow, 1e-4) - 1.0
    limit = MOST_CONTRAST * scatter(relative[seen], about=0.0) + 1e-6
    return np.where(seen, np.clip(relative, -limit, limit), 0.0)


def _correlate(a: Array, b: Array) -> tuple[Array, Array]:
    """Correlation coefficient of each row of a against b at each lag (b[i + lag] over a[i])."""
    of_a, of_b = a.shape[1], len(b)
    lags = np.arange(1 - of_a, of_b)
    # a shorter strip may lie anywhere along the longer one
    reach = 0.5 * abs(of_b - of_a) + LARGEST_SHIFT * min(of_a, of_b)
    lags = lags[np.abs(lags - 0.5 * (of_b - of_a)) <= reach]
    size = next_fast_len(of_a + of_b - 1, real=True)
    top = irfft(rfft(b, size) * np.conj(rfft(a, size, axis=1)), size, axis=1)[:, lags % size]
    # energy of each where the two overlap
    sum_a, sum_b = (np.cumsum(np.insert(x**2, 0, 0.0, axis=-1), axis=-1) for x in (a, b))
    energy_a = sum_a[:, np.minimum(of_a, of_b - lags)] - sum_a[:, np.maximum(0, -lags)]
    energy_b = sum_b[np.minimum(of_b, of_a + lags)] - sum_b[np.maximum(0, lags)]
    return top / np.sqrt(np.maximum(energy_a * energy_b, 1e-18)), lags.astype(float)


def _refine(a: Array, b: Array, lag: float, zoom: float) -> tuple[float, float, float]:
    """Least-squares lag and zoom, starting from the coarse ones, and the zoom's standard uncertainty."""
    middle = 0.5 * (len(a) - 1)
    index = np.arange(len(a))
    slope = np.gradient(gaussian_filter1d(b, FINE_COLUMNS))
    u_zoom = float("inf")
    for _ in range(ROUNDS):
        at = middle + (index - middle) * (1.0 + zoom) + lag
        use = (at >= 1) & (at <= len(b) - 2) & (a != 0)
        there = np.interp(at[use], np.arange(len(b)), b)
        gradient = np.interp(at[use], np.arange(len(b)), slope)
        gain = float((there * a[use]).sum() / max((there**2).sum(), 1e-12))
        design = np.column_stack([gradient, gradient * (index[use] - middle), there]) * np.array(
            [gain, gain, 1.0]
        )
        target = a[use] - gain * there
        solution = np.linalg.lstsq(design, target, rcond=None)[0]
        lag += float(np.clip(solution[0], -MOST_STEP_PX, MOST_STEP_PX))
        zoom += float(np.clip(solution[1], -MOST_ZOOM_STEP, MOST_ZOOM_STEP))
        residual = target - design @ solution
        covariance = np.linalg.pinv(design.T @ design) * float((residual**2).mean()) * CORRELATED
        u_zoom = float(np.sqrt(covariance[1, 1]))
    return lag, zoom, u_zoom


def lay_over(now: LocatedEdge, new: LocatedEdge) -> tuple[LocatedEdge, MarkMatch]:
    """Compare the grind marks of two photos of a flute; mend the scale of this one if the zoom has changed.

    Parameters
    ----------
    now, new : LocatedEdge
        This photo and that of the new state.

    Returns
    -------
    now : LocatedEdge
        At the scale that follows from the new-state photo, if the zoom has changed.
    match : MarkMatch

    Raises
    ------
    PhotoRefused
        When the photos show different flutes or bits.
    """
    match = match_marks(now.strip, new.strip)
    cure = "check the file names in the trial file, or photograph the right flute, tilted no differently"
    if match.verdict == "other":
        raise PhotoRefused(
            f"{now.name}: its grind marks are not those of {new.name}; it shows another flute or bit",
            f"{cure}; where another line was taken for the edge, mark the edge with edge_near",
            "other-flute",
        )
    if match.verdict == "unclear" and colour_difference(now, new) > OTHER_COLOUR:
        raise PhotoRefused(
            f"{now.name}: its face has another colour than {new.name}, each against what lies behind; it shows "
            "another bit, or stands before something else",
            f"{cure}, before the same card",
            "other-colour",
        )
    if match.verdict == "same" and abs(match.zoom - 1.0) > max(LEAST_ZOOM, SURE_ZOOM * match.u_zoom):
        scale = now.photo_um_per_px * match.zoom
        remark = reason("zoom-of-new-state", zoom=match.zoom, um_per_px=scale)
        return now.rescaled(match.zoom, match.u_zoom, remark, new.scale_doubts), replace(match, zoom=1.0)
    return now, match


def colour_difference(now: LocatedEdge, new: LocatedEdge) -> float:
    """How far apart the colours of two faces are, each against what lies behind it in its own photo.

    A camera sets its white balance anew for every picture, so a face's colour says nothing by itself.

    Parameters
    ----------
    now, new : LocatedEdge

    Returns
    -------
    float
        Distance of the log ratios of red and blue to green; 0 when a photo is grey, or nothing behind the tool tells
        what its camera takes for white.
    """
    if now.photo.grey or new.photo.grey:
        return 0.0
    tints = [_tint(strip) for strip in (now.strip, new.strip)]
    return 0.0 if tints[0] is None or tints[1] is None else float(np.hypot(*(tints[0] - tints[1])))


def _tint(strip: Strip) -> Array | None:
    """Log ratios of red and blue to green of the face less those of what lies behind; None where that is unlit."""
    logs = []
    for first_um, last_um in (MARKS_UM, BEHIND_UM):
        rows = (strip.d_um > first_um) & (strip.d_um < last_um)
        light = strip.light[rows, ::COLOUR_COLUMNS].reshape(-1, 3)
        light = light[np.isfinite(light[:, 0])]
        mean = light.mean(axis=0, dtype=np.float64) if len(light) else np.zeros(3)
        if mean.min() < LEAST_LIT or (light.max(axis=1) >= CLIPPED).mean() > MOST_BURNT:
            return None
        logs.append(np.log(mean))
    against = logs[0] - logs[1]
    return np.asarray(against[[0, 2]] - against[1])


def new_offset_um(now: LocatedEdge, new: LocatedEdge, match: MarkMatch) -> Array:
    """The traced new-state edge at the places of this photo's strip.

    Parameters
    ----------
    now, new : LocatedEdge
    match : MarkMatch

    Returns
    -------
    ndarray, shape (S,)
        Offset in the new photo's straight frame.

    Notes
    -----
    Its small irregularities count only where the grind marks say that the photos lie over each other; else a
    smooth curve through it stands for it. Beyond the new photo's frame that curve goes on.
    """
    s_um = new.strip.s_um
    sure = match.verdict == "same"
    places = match.shift_um + now.strip.s_um * match.zoom if sure else now.strip.s_um
    offset = new.bend_um + new.smooth_um
    # the line that the strip was cut along was laid through a first, rough trace
    curve = polynomial.Polynomial.fit(s_um[new.seen], offset[new.seen], min(DEGREE, len(new.line.offset_px)))
    within = (places >= s_um[0]) & (places <= s_um[-1]) & sure
    return np.where(within, np.interp(places, s_um, offset), curve(places))


def new_strip_at(now: LocatedEdge, new: LocatedEdge, match: MarkMatch, across: float = 1.0) -> Strip:
    """The new-state photo's strip on the axes of this photo's strip.

    Parameters
    ----------
    now, new : LocatedEdge
    match : MarkMatch
    across : float
        Depth of a place on the face in the new-state photo over that in this one: the cosine of its tilt over this
        one's.

    Returns
    -------
    Strip
        d = 0 on its edge.
    """
    places = now.strip.s_um * match.zoom + match.shift_um
    strip = new.strip_along(np.interp(places, new.strip.s_um, new.smooth_um), s_um=places)
    light = strip.light
    if across != 1.0 or not np.array_equal(strip.d_um, now.strip.d_um):
        rows = (now.strip.d_um * across - strip.d_um[0]) / strip.um_per_px
        at, deep = (one.astype(np.float32) for one in np.meshgrid(np.arange(len(places)), rows))
        unseen = (np.nan,) * 4
        light = np.asarray(
            cv2.remap(light, at, deep, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=unseen),
            np.float32,
        )
    return replace(
        strip, light=light, s_um=now.strip.s_um, d_um=now.strip.d_um, um_per_px=now.strip.um_per_px
    )


def new_onto_now(
    now: LocatedEdge, new: LocatedEdge, match: MarkMatch, drift_um: Array, across: float = 1.0
) -> Array:
    """Where the new-state photo lies on this one.

    Parameters
    ----------
    now, new : LocatedEdge
    match : MarkMatch
    drift_um : ndarray, shape (S,)
        Offset of the unused edge from the new-state line at the places of this photo's strip, in straight frames;
        nearly a straight line.
    across : float
        As for `new_strip_at`.

    Returns
    -------
    ndarray, shape (2, 3)
        Affine map of its columns and rows.
    """
    s_um, known = now.strip.s_um[[0, -1]], np.isfinite(drift_um)
    drift = np.interp(s_um, now.strip.s_um[known], drift_um[known])
    turn = (drift[1] - drift[0]) / (s_um[1] - s_um[0])
    # three places, in the straight frame of the edge of this photo and of the new-state photo; the two are turned
    # against each other, so the shift is that of the depth at which the marks were read
    deep = 0.5 * sum(MARKS_UM)
    ours = np.array([[s_um[0], drift[0]], [s_um[1], drift[1]], [s_um[0] - 1000.0 * turn, drift[0] + 1000.0]])
    ours[:, 1] += deep
    along = s_um * match.zoom + match.shift_um
    theirs = np.array([[along[0], deep], [along[1], deep], [along[0], deep + 1000.0]]) * [1.0, across]
    design = np.column_stack([_frame_px(new, theirs), np.ones(3)])
    return np.asarray(np.linalg.solve(design, _frame_px(now, ours)).T)


def _frame_px(located: LocatedEdge, places_um: Array) -> Array:
    """Columns and rows in the photo's own pixels of places in the straight frame of its edge line."""
    t, o = places_um.T / located.um_per_px
    work = located.line.straight_px(t, o)
    return np.asarray((work + 0.5) * located.reduction - 0.5)
