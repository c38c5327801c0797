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

A line that was seen but is ragged, patchy, tinted or shaded is not for that nothing: its width is given, as doubtful.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import UNUSED
from wearscope.metrology.findings import COVERAGE_95, DETECTION, Finding, anything_up_to, found, refused
from wearscope.metrology.uncertainty import Budget, Input, linear
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.coating_map import CoatingMap
from wearscope.wear.grinding_marks import WINDOW_UM
from wearscope.wear.land_lines import SIDE_UM, LandSearch, LightLine, land_search, light_lines, relative_light
from wearscope.wear.measured import MeasuredStrip
from wearscope.wear.zones import GUARD_UM, runs

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Verdict = Literal["seen", "unsure", "none", "not looked for"]
Judged = Literal["seen", "unsure", "none", "would hide a flat"]

LAND_ROWS = ("wear_land", "wear_land_max")
LEAST_STEP = 0.04  # relative to the face's light; a change of light that the eye just sees, no source
LEAST_SIGNIFICANCE = 6.0  # of a step, in standard uncertainties; chosen: many places are looked at
LEAST_COVER = 0.7  # of the used edge that must show the step; chosen, no source
LEAST_PART = 0.4  # of the used edge: a line along less of it is no candidate; chosen, no source
KEPT_WHEN_NEW = 0.35  # of the step; more of it where nothing has cut, and it is not wear; chosen, no source
KEPT_MARKS = 0.5  # of those of the face: fewer, and a flat has worn them off; chosen: half-way
# A plane cut through a ground face rough by 0.7 µm (root mean square) ends within 0.7 µm / tan 12° of a line
# (derived; roughness and clearance angle are common practice, no source). A coating ends more raggedly.
STRAIGHT_UM = 3.5
PLATEAU = (
    0.5  # of the step, by which a flat's own light may change across it; a lamp's image fades faster; chosen
)
TINT = 0.3  # share of a step's light that is a change of colour; a flat of the same material has less; chosen
# Of a step, that sharpening, colour kept at half the resolution, and its own ragged course leave beside it at most:
# 0.12 to 0.47 on photos put through a cheap camera; and the cosine between both changes from which they are one
SHOULDER, SAME_COLOUR = 0.5, 0.97
FACE_REACH_UM = 150.0  # inside a flat, over which the face's own marks are read; chosen, no source
# share of the blur by which the inner end may be misplaced: it is a corner, not a step of paint; chosen, no source
UNRESOLVED = 0.3
U_BURNT = 0.5  # a burnt-out flat spreads by up to this share of the blur; chosen, no source
LONGEST_GAP_UM = 2.0 * WINDOW_UM  # along the edge; over a shorter one the flat is taken to go on
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
    doubts : tuple of Reason
        What else makes it unsure.
    inside_um : float
        How far inside of the outermost line in focus the edge was traced, the median over the used zone; NaN where
        that was not looked at.
    """

    verdict: Verdict
    why: Reason | None
    end_um: Array
    mean: Budget
    widest: Budget
    limit_um: float
    notch_um: float = float("nan")
    doubts: tuple[Reason, ...] = ()
    inside_um: float = float("nan")

    def confirmed(self, beyond_um: float, u_beyond_um: float) -> WearLand:
        """The same land, no longer unsure where the edge has moved back further than its rounding explains.

        Parameters
        ----------
        beyond_um, u_beyond_um : float
            Recession beyond that of the fitted rounding, and its standard uncertainty.

        Returns
        -------
        WearLand
        """
        if self.verdict == "unsure" and self.by_coating and beyond_um > DETECTION * u_beyond_um:
            return replace(self, verdict="seen", why=None)
        return self

    @property
    def by_coating(self) -> bool:
        """Whether it is unsure for being where the coating ends."""
        return self.why == COATING_MAY_END


def find_land(measured: MeasuredStrip, coating: CoatingMap | None = None) -> WearLand:
    """Look for a worn flat beside the used edge of a relief face.

    Parameters
    ----------
    measured : MeasuredStrip
    coating : CoatingMap, optional
        Where the coating is gone, if that could be read.

    Returns
    -------
    WearLand
    """
    columns = len(measured.labels)
    search = land_search(measured, coating)
    if search is None:
        return _no_land("not looked for", reason("zone-too-short"), columns)
    light = relative_light(search)
    if light is None or not search.used.any():
        return _no_land("not looked for", reason("face-out-of-frame"), columns)
    edge_um = float(np.mean(search.silhouette_um[search.used]))
    # a flat must show over so much beyond the rounding to be told from the lamps' image
    # (an edge that seems to stand proud of the original line hides no less for that)
    gone_um = max(0.0, edge_um - search.original_um)
    limit_um = gone_um + search.hidden_um + 2.0 * search.blur_um + SIDE_UM
    unsure: WearLand | None = None
    coat_ends: list[LightLine] = []
    for line in light_lines(search, light):
        bare = _bare_beside(search, line)
        verdict, why = _judged(search, light, line, limit_um, bare)
        if verdict == "none":
            coat_ends += [line] if _ends_coating(search, bare) else []
            continue
        shoulder = any(_shoulder_of(line, end, search.blur_um) for end in coat_ends)
        if verdict == "would hide a flat" or shoulder:
            limit_um = max(limit_um, float(np.nanmean(line.end_um)) - search.original_um)
            continue
        land = _measured(search, line, verdict, why, limit_um)
        if verdict == "seen" and measured.zones.transition is not None:
            return land
        if verdict == "seen":
            return replace(land, verdict="unsure", why=reason("original-edge-unseen"))
        unsure = unsure or land
    return unsure or _no_land("none", None, columns, limit_um)


def _no_land(verdict: Verdict, why: Reason | None, columns: int, limit_um: float = float("nan")) -> WearLand:
    """Where nothing was found, or looked for."""
    nothing = linear(float("nan"), [])
    return WearLand(verdict, why, np.full(columns, np.nan), nothing, nothing, limit_um)


def _judged(
    search: LandSearch,
    light: NDArray[np.float32],
    line: LightLine,
    limit_um: float,
    bare: tuple[float, float],
) -> tuple[Judged, Reason | None]:
    """Whether a line is the inner end of a worn flat, given the shares of it beside which the coating is gone."""
    height = float(np.linalg.norm(line.step))
    if height < LEAST_STEP or line.significance < LEAST_SIGNIFICANCE or line.cover < LEAST_PART:
        return "none", None
    if _there_when_new(search, light, line):
        return "none", None
    by_coating = search.measured.edge.coated and bare[1] <= LEAST_COVER
    if _ends_coating(search, bare):
        # what is seen is the end of the coating, whether or not there is a flat with it
        known = line.cover < LEAST_COVER or line.slope > PLATEAU or line.ragged_um > STRAIGHT_UM
        return ("none", None) if known else _by_marks(search, line)
    if abs(float(line.step.sum())) < LEAST_STEP * np.sqrt(3.0):
        # no brighter and no darker: colour that the camera has smeared, for a flat mirrors other light; one that
        # happens to mirror as much of it would be taken for that
        return "would hide a flat", None
    if line.cover < LEAST_COVER or line.slope > PLATEAU:
        # the lamps' image in the rounding is such a line, but reaches no further than the limit says
        if float(np.nanmean(line.end_um)) - search.original_um < limit_um:
            return "none", None
        patchy = line.cover < LEAST_COVER
        return "unsure", reason("patchy-flat", share=line.cover) if patchy else reason("shaded-flat")
    if line.ragged_um > STRAIGHT_UM:
        return "unsure", reason("ragged-flat")
    if by_coating:
        return _by_marks(search, line)
    if line.both_ways:
        return "unsure", reason("two-toned-flat")
    if line.tint > TINT and not line.burnt:
        return "unsure", reason("tinted-flat")
    return "seen", None


def _ends_coating(search: LandSearch, bare: tuple[float, float]) -> bool:
    """Whether the coating is gone outside of a line and there inside of it."""
    outside, inside = bare
    return search.measured.edge.coated and outside > LEAST_COVER and inside < 1.0 - LEAST_COVER


def _shoulder_of(line: LightLine, end: LightLine, blur_um: float) -> bool:
    """Whether a line is the same change of light as one beside it, far weaker: a halo or a smear of the camera's."""
    height, of_end = (float(np.linalg.norm(each.step)) for each in (line, end))
    alike = float(line.step @ end.step) > SAME_COLOUR * height * of_end
    apart_um = abs(float(np.nanmedian(line.end_um)) - float(np.nanmedian(end.end_um)))
    return alike and height < SHOULDER * of_end and apart_um < 2.0 * (SIDE_UM + blur_um)


def _there_when_new(search: LandSearch, light: NDArray[np.float32], line: LightLine) -> bool:
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


def _bare_beside(search: LandSearch, line: LightLine) -> tuple[float, float]:
    """Shares of the line outside and inside of which the coating is gone; 0 where that could not be read."""
    if search.bare is None:
        return 0.0, 0.0
    at = np.flatnonzero(search.used & np.isfinite(line.end_um))
    step_um, last = search.strip.um_per_px, len(search.strip.d_um) - 1
    reach_um = search.blur_um + SIDE_UM

    def share(off_um: float) -> float:
        rows = np.round((line.end_um[at] + off_um - search.strip.d_um[0]) / step_um).astype(int)
        assert search.bare is not None
        return float(search.bare[np.clip(rows, 0, last), at].mean())

    return share(-reach_um), share(reach_um)


def _by_marks(search: LandSearch, line: LightLine) -> tuple[Judged, Reason | None]:
    """Whether the grinding marks end where the coating does: a flat has lost them, a bare face has not."""
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


def _with_gaps(width: Array, step_um: float) -> tuple[Array, float]:
    """Widths over all of the used zone, 0 along gaps in which no flat is seen, and the share of those."""
    seen = np.isfinite(width)
    filled = np.interp(np.arange(len(width)), np.flatnonzero(seen), width[seen])
    gaps = np.zeros(len(width), bool)
    for first, last in runs(~seen):
        gaps[first : last + 1] = (last - first + 1) * step_um > LONGEST_GAP_UM
    return np.where(gaps, 0.0, filled), float(gaps.mean())


def _measured(
    search: LandSearch,
    line: LightLine,
    verdict: Literal["seen", "unsure"],
    why: Reason | None,
    limit_um: float,
) -> WearLand:
    """VB along the edge, its mean and its maximum."""
    measured, used = search.measured, search.used
    assert measured.datum is not None
    tilt = measured.edge.tilt.value
    width = (line.end_um - search.original_um) / np.cos(tilt)
    over_used, unseen = _with_gaps(width[used], search.strip.um_per_px)
    mean, widest = float(over_used.mean()), float(over_used.max())
    end = Input("inner end of the flat", 0.0, search.blur_um * (UNRESOLVED + U_BURNT * line.burnt))
    u_drawn_on = float(np.sqrt(np.mean(measured.datum.u_datum_um[used] ** 2)))
    drawn_on = Input("new-state line drawn on", 0.0, u_drawn_on)
    wandering = Input("wandering of the inner end", 0.0, line.u_noise_um, of=("mean",))
    # anything from none to all that the rounding hides
    gaps = Input("where no flat is seen", 0.0, unseen * limit_um / np.sqrt(3.0))
    ragged = Input("wandering of the inner end", 0.0, min(line.ragged_um, STRAIGHT_UM), of=("widest",))
    scale, tilted = Input("scale", 1.0, measured.u_scale), Input("view tilt", tilt, measured.edge.tilt.u)

    def budget(value: float, *own: Input) -> Budget:
        # of the tilt the second order counts too: square to the face the first is nothing
        by_tilt = value * float(np.tan(tilt) + 0.5 * measured.edge.tilt.u)
        parts = [
            *((1.0, one) for one in (end, search.original, drawn_on, *own)),
            (value, scale),
            (by_tilt, tilted),
        ]
        return linear(value, parts)

    notch, transition = float("nan"), measured.zones.transition
    if transition is not None:
        beyond = (search.strip.s_um - transition.at_um) * transition.used_side
        at_transition = width[(beyond > 0) & (beyond <= GUARD_UM) & np.isfinite(width)]
        notch = float(at_transition.max()) if len(at_transition) else notch
    both = budget(mean, wandering, gaps), budget(widest, ragged)
    return WearLand(verdict, why, line.end_um, *both, limit_um, notch)


def land_findings(land: WearLand, doubts: Sequence[Reason], method: str) -> list[Finding]:
    """The rows of the wear land: VB mean and VB maximum.

    Parameters
    ----------
    land : WearLand
    doubts : sequence of Reason
        Why they are doubtful whatever was seen.
    method : str

    Returns
    -------
    list of Finding
    """
    if land.verdict == "not looked for":
        why = land.why or reason("face-out-of-frame")
        return [refused(quantity, "used", why, method) for quantity in LAND_ROWS]
    hidden, limit_um = anything_up_to(land.limit_um, "what the rounding hides")
    if land.verdict == "none":
        return [
            found(quantity, "used", hidden.value, hidden, method, remarks=[reason("no-flat")], limit=limit_um)
            for quantity in LAND_ROWS
        ]
    doubts = (*(() if land.why is None else (land.why,)), *land.doubts, *doubts)
    wider = land.notch_um > land.widest.value + COVERAGE_95 * land.widest.u
    remarks = (reason("wider-at-transition", width_um=land.notch_um),) if wider else ()
    # a flat with gaps may be narrower on the mean than what can hide, and was seen for all that: hence the change
    return [
        found(
            quantity,
            "used",
            width.value,
            width,
            method,
            doubts=doubts,
            remarks=remarks,
            limit=limit_um,
            change=np.inf,
        )
        for quantity, width in zip(LAND_ROWS, (land.mean, land.widest), strict=True)
    ]
