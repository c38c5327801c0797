"""Chips: local notches in the edge line, how many, how deep, how long.

The outline of the tool is read in each column by itself, half-way between what lies behind the edge and the face,
since a notch is too short for averages along the edge. Beside a notch that outline is not the silhouette: against a
dark background it is the image of the lamps in the rounding, further in. A chip's own edge is a fresh break, sharp,
and its outline is its silhouette. So a notch is as much deeper than it looks as the outline beside it lies inside the
fitted silhouette; and a notch that does not reach beyond the lamps' image is not seen at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_closing, median_filter, uniform_filter1d
from scipy.special import ndtr

from wearscope.light.strip import Strip, dark_unseen, grey, over_channels
from wearscope.metrology.findings import Finding, anything_up_to, detection_limit, found, refused
from wearscope.metrology.robust import scatter
from wearscope.metrology.uncertainty import Budget, Input, linear
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.measured import MeasuredStrip, scale_error
from wearscope.wear.trace import background_outside
from wearscope.wear.wedge import square_on
from wearscope.wear.zones import CHIP_LONGEST_UM, END_SHARE, GUARD_UM, runs

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

CHIP_ROWS = ("chip_count", "chip_depth_max", "chip_length")
# The stated limit: three pixels at 5 um per px, the coarsest scale tested, and more than three standard deviations of
# the wandering of a worn edge (derived). It is the same for every photo, so that counts can be compared.
CHIP_UM = 15.0
SHORTEST_UM = 20.0  # along the edge: less is dust or noise; chosen, no source
SCATTERS = 4.5  # of the outline, that a notch must exceed: one false chip in some hundred edges (normal)
FALSE_CHIPS = 0.01  # and so many for each edge
COLUMNS = 7  # averaged along the edge; chosen, no source
SEARCH_UM = (-30.0, 140.0)  # about the silhouette; chosen, no source
BEHIND_UM = (-60.0, -25.0)  # outside it: where what lies behind is read; chosen, no source
FACE_UM = (25.0, 90.0)  # inside what is searched for the rounding: where the face is read; chosen, no source
# below the silhouette: where the face's light is read against what lies behind; chosen
DEEP_FACE_UM = (120.0, 200.0)
LEAST_CONTRAST = (
    3.5  # times the noise, that half of the change from background to face must have; chosen, no source
)
LEAST_READ = 0.7  # of a zone's columns, whose outline must be read; chosen, no source
BESIDE_UM = 3.0  # by which the outline departs where a notch begins; chosen, no source
# of its depth, at which a notch begins, and where the edge beside it wanders; chosen
RIM, UPPER_RIM = 0.2, 0.5
# within which each side falls from a quarter to three quarters of the depth; wear wanders slower; chosen, no source
STEEP_UM, STEEP_FROM, STEEP_TO = 100.0, 0.25, 0.75
TRACED = 0.3  # of a notch's depth, that the trace of the edge must follow; chosen, no source
LOST = 0.2  # of a notch's columns without a trace, from which on it is too sudden for one; chosen, no source
BRIDGED_UM = 30.0  # a notch's rim may cross the line beside it; chosen, no source
BARE_RIM_UM = 10.0  # by which coating may flake off beside a break (assumed, no source)
BRIGHT = (
    0.5  # of the face's light: a background from which on bare carbide may melt into it; chosen, no source
)
U_BREAK = (
    0.5  # share of the blur by which the rim of a break may be misread: it need not face the camera; chosen
)
U_RIM = 2.0  # times the blur, by which the place where a notch begins may be misread; chosen, no source
HIDDEN_BY_LAMP = 1.5  # times the depth that the lamps' image hides, by which a chip looks too short; chosen


@dataclass(frozen=True)
class Chip:
    """One notch: where it is along the edge, and how deep below the silhouette beside it.

    Attributes
    ----------
    start_um, end_um : float
        Along the edge.
    depth_um, u_depth_um : float
    doubts : tuple of Reason
    """

    start_um: float
    end_um: float
    depth_um: float
    u_depth_um: float
    doubts: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class ZoneChips:
    """The notches of one zone.

    Attributes
    ----------
    notches : tuple of Chip
        All that stand out from the outline's scatter, those too shallow to count as chips too.
    shallowest_um : float
        Least depth that this photo shows.
    u_depth_um, u_end_um, u_length_um : float
        Standard uncertainty of a depth, of the place where a notch begins, and of a length, the same in all.
    u_scale_along : float
        Relative standard uncertainty of a length along the edge, by the scale.
    """

    notches: tuple[Chip, ...]
    shallowest_um: float
    u_depth_um: float
    u_end_um: float
    u_length_um: float
    u_scale_along: float = 0.0

    @property
    def chips(self) -> tuple[Chip, ...]:
        """Those deeper than the stated limit."""
        return tuple(notch for notch in self.notches if notch.depth_um > CHIP_UM)


def find_chips(measured: MeasuredStrip) -> list[tuple[Zone, ZoneChips | None]]:
    """Look for chips in each zone.

    Parameters
    ----------
    measured : MeasuredStrip

    Returns
    -------
    list of (str, ZoneChips or None)
        By zone; None where too little of the outline can be read.
    """
    strip, silhouette_um, fits = measured.strip, measured.silhouette_um, measured.fits
    fit = fits.used or fits.unused
    line_um = outline(strip, silhouette_um, fit.radius_um if fit is not None else 0.0)
    melts = measured.edge.coated and is_bright_behind(strip, silhouette_um)
    return [(zone, _zone_chips(measured, zone, columns, line_um, melts)) for zone, columns in sides(measured)]


def outline(strip: Strip, silhouette_um: Array, radius_um: float) -> Array:
    """Where the tool begins in each column, half-way from background to face; NaN where it cannot be told.

    Parameters
    ----------
    strip : Strip
    silhouette_um : ndarray, shape (S,)
        Rough; what is outermost near it is taken.
    radius_um : float
        Of the rounding, inside which the face is not read.

    Returns
    -------
    ndarray, shape (S,)
    """
    step_um = float(strip.d_um[1] - strip.d_um[0])
    seen = np.isfinite(silhouette_um)
    width = max(3, round(2.0 * CHIP_LONGEST_UM / step_um) | 1)
    guide = median_filter(np.interp(strip.s_um, strip.s_um[seen], silhouette_um[seen]), width, mode="nearest")
    reach_um = max(SEARCH_UM[1], radius_um + FACE_UM[1])
    wanted = (strip.d_um > guide.min() + BEHIND_UM[0] - 5.0) & (strip.d_um < guide.max() + reach_um + 5.0)
    strip = replace(strip, light=strip.light[wanted], d_um=strip.d_um[wanted])
    d_um = strip.d_um
    from_guide = d_um[:, None] - guide[None, :]
    light = cv2.blur(dark_unseen(strip.light), (COLUMNS, 1), borderType=cv2.BORDER_REPLICATE)
    light = cv2.GaussianBlur(light, (0, 0), sigmaX=0.01, sigmaY=0.8, borderType=cv2.BORDER_REPLICATE)
    background = background_outside(strip, from_guide)
    facing = (from_guide > radius_um + FACE_UM[0]) & (from_guide < radius_um + FACE_UM[1])
    facing &= np.isfinite(strip.light[..., 0])
    count = np.maximum(facing.sum(axis=0), 1)[:, None]
    lit = light.copy()
    lit[~facing] = 0.0
    face = cv2.reduce(lit, 0, cv2.REDUCE_SUM, dtype=cv2.CV_64F)[0] / count
    face = uniform_filter1d(face, width, axis=0, mode="nearest")
    away = light - background[None].astype(np.float32)
    change = cv2.sqrt(over_channels(away * away))
    behind = (from_guide < BEHIND_UM[1]) & (from_guide > BEHIND_UM[0]) & np.isfinite(strip.light[..., 0])
    noise = float(np.sqrt(np.mean(change[behind] ** 2))) if behind.any() else np.inf
    half = 0.5 * np.sqrt(((face - background) ** 2).sum(axis=1))
    beyond = (change > half[None, :]) & (from_guide > SEARCH_UM[0]) & (from_guide < SEARCH_UM[1])
    steady = beyond & np.vstack([beyond[1:], beyond[-1:]])
    first = np.argmax(steady, axis=0)
    columns = np.arange(len(guide))
    before = change[np.maximum(first - 1, 0), columns]
    part = np.clip((half - before) / np.maximum(change[first, columns] - before, 1e-9), 0.0, 1.0)
    at = d_um[first] - (1.0 - part) * step_um
    readable = steady.any(axis=0) & (first > 0) & (half > LEAST_CONTRAST * noise) & facing.any(axis=0)
    return np.where(readable, at, np.nan)


def is_bright_behind(strip: Strip, silhouette_um: Array) -> bool:
    """Whether what lies behind the edge is so bright that bare carbide may look like it.

    Parameters
    ----------
    strip : Strip
    silhouette_um : ndarray, shape (S,)

    Returns
    -------
    bool
    """
    from_edge = strip.d_um[:, None] - silhouette_um[None, :]
    light = grey(strip.light)
    behind, face = (
        light[(from_edge > first) & (from_edge < last)] for first, last in (BEHIND_UM, DEEP_FACE_UM)
    )
    if behind.size == 0 or face.size == 0:
        return False
    return bool(np.nanmedian(behind) > BRIGHT * np.nanmedian(face))


def sides(measured: MeasuredStrip) -> list[tuple[Zone, Mask]]:
    """The visible edge on each side of the transition, as zones leave out its ends and the transition itself.

    Parameters
    ----------
    measured : MeasuredStrip

    Returns
    -------
    list of (str, ndarray of bool, shape (S,))
        Zone and columns; chips are not left out. All of it is one zone without a transition.
    """
    s_um, transition = measured.strip.s_um, measured.zones.transition
    seen = s_um[np.isfinite(measured.silhouette_um)]
    cut = END_SHARE * float(np.ptp(seen))
    inner = (s_um >= seen[0] + cut) & (s_um <= seen[-1] - cut)
    if transition is None:
        return [(measured.whole, inner)]
    beyond = (s_um - transition.at_um) * transition.used_side
    return [("used", inner & (beyond > GUARD_UM)), ("unused", inner & (beyond < -GUARD_UM))]


@dataclass(frozen=True, eq=False)
class _Notches:
    """What is known of the outline of one zone while notches are judged one by one.

    `notch_um` is how deep the outline lies below the line beside it, from column `first` on; `inside_um` how far
    inside the silhouette it lies where nothing is broken, and `trace_inside_um` the trace; `radius_um` is the edge's.
    """

    measured: MeasuredStrip
    notch_um: Array
    first: int
    width: int
    wandering_um: float
    inside_um: float
    trace_inside_um: float
    u_depth_um: float
    melts: bool
    radius_um: float

    def square_on(self, depth_um: float) -> float:
        """A depth as seen along the face normal: the lip of a break is sharp, the edge beside it rounded.

        What is too shallow for a break has no such lip, and must not become one by the tilt.
        """
        tilt = self.measured.edge.tilt.value
        rounded, sharp = (float(square_on(depth_um, grown_um, tilt)) for grown_um in (0.0, -self.radius_um))
        return max(0.0, sharp if rounded > CHIP_UM else min(rounded, sharp))


def _zone_chips(
    measured: MeasuredStrip, zone: Zone, columns: Mask, outline_um: Array, melts: bool
) -> ZoneChips | None:
    """Notches along one side of the transition; None where too little of the outline can be read.

    `melts` says that the bare carbide of a break may be as bright as what lies behind it, and the face is not bare.
    """
    strip, fit = measured.strip, measured.fits.of(zone)
    if fit is None:
        return None
    step_um = float(strip.s_um[1] - strip.s_um[0])
    read = columns & np.isfinite(outline_um)
    known = measured.columns(zone) & np.isfinite(outline_um) & np.isfinite(measured.silhouette_um)
    if read.sum() < LEAST_READ * max(columns.sum(), 1) or known.sum() * step_um < CHIP_LONGEST_UM / 2.0:
        return None
    at = np.flatnonzero(columns)
    line = np.interp(np.arange(at[0], at[-1] + 1), np.flatnonzero(read), outline_um[read])
    width = max(3, round(2.0 * CHIP_LONGEST_UM / step_um) | 1)
    notch = line - median_filter(line, width, mode="nearest")
    wandering = scatter(notch, about=0.0)
    inside, trace_inside = (
        max(0.0, float(np.median((depth - measured.silhouette_um)[known])))
        for depth in (outline_um, measured.departure_um)
    )
    unclear = max(SCATTERS * wandering, SCATTERS * step_um / np.sqrt(12.0))
    u_depth = float(np.sqrt(fit.u_silhouette_um**2 + (U_BREAK * fit.blur_um) ** 2 + wandering**2))
    seen = _Notches(
        measured, notch, int(at[0]), width, wandering, inside, trace_inside, u_depth, melts, fit.radius_um
    )
    notches: list[Chip] = []
    # those a little too shallow too, for the count's uncertainty
    for lowest, highest in runs(notch > max(CHIP_UM - inside - 2.0 * u_depth, unclear)):
        chip = _chip(seen, lowest, highest, notches[-1].end_um if notches else -np.inf)
        if chip is not None:
            notches.append(chip)
    u_end = float(np.hypot(U_RIM * fit.blur_um, step_um))
    # where the lamps' image stops, the rim is seen further out than the line beside it, so chips look short
    shallowest = max(CHIP_UM, seen.square_on(inside + unclear))
    return ZoneChips(
        tuple(notches), shallowest, u_depth, u_end, HIDDEN_BY_LAMP * inside, measured.u_scale_along
    )


def _chip(seen: _Notches, lowest: int, highest: int, after_um: float) -> Chip | None:
    """The notch about the columns from `lowest` to `highest`; None where it is none, or the one before."""
    notch, strip = seen.notch_um, seen.measured.strip
    step_um = float(strip.s_um[1] - strip.s_um[0])
    peak = lowest + int(np.argmax(notch[lowest : highest + 1]))
    # beside a shallow notch the wandering of the edge may reach the rim; then only its deeper half is bounded
    for rim in (RIM, UPPER_RIM):
        rim_um = max(BESIDE_UM, 2.0 * seen.wandering_um, rim * float(notch[peak]))
        first, last = _extent(notch, peak, rim_um, step_um)
        if (last - first + 1) * step_um <= CHIP_LONGEST_UM:
            break
    if strip.s_um[seen.first + first] < after_um:
        return None  # two bottoms of one notch
    if (last - first + 1) * step_um > CHIP_LONGEST_UM or (highest - lowest + 1) * step_um < SHORTEST_UM:
        return None
    trace_um = seen.measured.departure_um
    run = slice(seen.first + first, seen.first + last + 1)
    near = trace_um[max(0, run.start - seen.width // 2) : run.stop + seen.width // 2]
    lost = bool(np.isnan(trace_um[run]).mean() > LOST)
    some = bool(np.isfinite(trace_um[run]).any())
    traced = float(np.nanmax(trace_um[run]) - np.nanmedian(near)) if some else 0.0
    # the outline alone may jump to a line inside
    if not _steep(notch, peak, step_um) or not (lost or traced > TRACED * float(notch[peak])):
        return None
    depth = float(notch[peak]) + seen.inside_um
    by_trace = traced + seen.trace_inside_um
    u = float(np.hypot(seen.u_depth_um, depth * seen.measured.u_scale))
    doubts: tuple[Reason, ...] = ()
    if not lost and depth - by_trace > 3.0 * u:
        depth, doubts = by_trace, (reason("break-melts"),)
    if seen.melts:
        depth = min(depth, by_trace) if some else depth
        u, doubts = float(np.hypot(u, BARE_RIM_UM)), (reason("break-melts"),)
    start, end = strip.s_um[run.start] - 0.5 * step_um, strip.s_um[run.stop - 1] + 0.5 * step_um
    return Chip(float(start), float(end), seen.square_on(depth), u, doubts)


def _extent(notch: Array, peak: int, rim_um: float, step_um: float) -> tuple[int, int]:
    """First and last column of the notch about a peak: where the line departs, either way."""
    bridge = np.ones(max(1, round(BRIDGED_UM / step_um)), bool)
    departs = binary_closing(np.pad(np.abs(notch) > rim_um, len(bridge)), bridge)[len(bridge) : -len(bridge)]
    return next(((a, b) for a, b in runs(departs) if a <= peak <= b), (peak, peak))


def _steep(notch: Array, peak: int, step_um: float) -> bool:
    """Whether both sides of a notch fall as a break's do."""
    reach = max(1, round(STEEP_UM / step_um))
    for side in (notch[peak::-1], notch[peak:]):
        below = np.flatnonzero(side < STEEP_FROM * side[0])
        if len(below) == 0 or (side[max(0, below[0] - reach) : below[0]] > STEEP_TO * side[0]).sum() == 0:
            return False
    return True


def chip_findings(zones: Sequence[tuple[Zone, ZoneChips | None]], method: str) -> list[Finding]:
    """The rows of each zone: how many chips, the deepest, and their length along the edge.

    Parameters
    ----------
    zones : sequence of (str, ZoneChips or None)
    method : str

    Returns
    -------
    list of Finding
    """
    out = []
    for zone, seen in zones:
        if seen is None:
            out += [refused(row, zone, reason("edge-line-unclear"), method) for row in CHIP_ROWS]
            continue
        hidden = seen.shallowest_um > CHIP_UM + 0.5
        doubts = next((chip.doubts for chip in seen.chips if chip.doubts), ())
        if hidden:
            doubts = (reason("shallow-chips-hidden", depth_um=seen.shallowest_um),)
        out += _chips_seen(zone, seen, doubts, method) if seen.chips else _no_chip(zone, seen, doubts, method)
    return out


def _chips_seen(zone: Zone, seen: ZoneChips, doubts: tuple[Reason, ...], method: str) -> list[Finding]:
    chips = seen.chips
    stated = (_stated(),)
    deepest = max(chips, key=lambda chip: chip.depth_um)
    depth = linear(deepest.depth_um, [(1.0, Input("rim of the notch", 0.0, deepest.u_depth_um))])
    both_ends = Input("ends of the notches", 0.0, seen.u_end_um)
    hidden = Input("what the lamps' image hides", 0.0, seen.u_length_um)
    length_um = sum(chip.end_um - chip.start_um for chip in chips)
    parts = [
        (np.sqrt(2.0 * len(chips)), both_ends),
        (float(len(chips)), hidden),
        (length_um, scale_error(seen.u_scale_along)),
    ]
    length = linear(length_um, parts)
    _, depth_limit_um = anything_up_to(*_too_shallow(seen))
    limits = {"chip_depth_max": depth_limit_um, "chip_length": detection_limit(seen.u_end_um)}
    return [
        found("chip_count", zone, len(chips), _counted(seen), method, doubts=doubts, remarks=stated),
        *(
            found(name, zone, size.value, size, method, doubts=why, remarks=stated, limit=limits[name])
            for name, size, why in (
                ("chip_depth_max", depth, deepest.doubts),
                ("chip_length", length, doubts),
            )
        ),
    ]


def _too_shallow(seen: ZoneChips) -> tuple[float, str, float]:
    """What of the depth of a notch may go unseen, or is not called a chip."""
    return max(CHIP_UM, seen.shallowest_um), "what is too shallow to show", seen.u_depth_um


def _no_chip(zone: Zone, seen: ZoneChips, doubts: tuple[Reason, ...], method: str) -> list[Finding]:
    shown_um, *_ = too_shallow = _too_shallow(seen)
    remarks = (reason("no-chip", depth_um=shown_um), _stated())
    depth, depth_limit_um = anything_up_to(*too_shallow)
    ends = linear(0.0, [(1.0, Input("ends of the notches", 0.0, seen.u_end_um))])
    length_limit_um = detection_limit(seen.u_end_um)
    return [
        found("chip_count", zone, 0, _counted(seen), method, doubts=doubts, remarks=remarks),
        found("chip_depth_max", zone, depth.value, depth, method, remarks=remarks, limit=depth_limit_um),
        found("chip_length", zone, 0.0, ends, method, remarks=remarks, limit=length_limit_um),
    ]


def _stated() -> Reason:
    return reason("what-a-chip-is", depth_um=CHIP_UM, length_um=CHIP_LONGEST_UM)


def _counted(seen: ZoneChips) -> Budget:
    """The count; a notch near the stated limit may lie on its other side."""
    beyond = np.array([ndtr((notch.depth_um - CHIP_UM) / notch.u_depth_um) for notch in seen.notches])
    near = Input("notches near the limit", 0.0, float(np.sqrt((beyond * (1.0 - beyond)).sum())))
    by_chance = Input("notches by chance", 0.0, np.sqrt(FALSE_CHIPS))
    return linear(len(seen.chips), [(1.0, near), (1.0, by_chance)])
