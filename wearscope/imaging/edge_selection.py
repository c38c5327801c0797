"""Which of the lines in a photo is the cutting edge, and on which side of it the tool lies.

The cutting edge is where the tool ends: on one side the tool, on the other what lies behind it. The heel of
the relief land is a line too, often a stronger one, but has the tool on both sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.edge_line import Array, EdgeLine, offset_from
from wearscope.imaging.edge_lines import SEARCH_SIDE_PX, WORK_SIDE_PX, edge_lines, line_through
from wearscope.imaging.strip import FINE, arc_length_px, cut_strip
from wearscope.light.clipping import NEARLY_CLIPPED
from wearscope.light.strip import Strip, grey
from wearscope.wear.trace import steepest_path, steepness, trace_edge

# Of the steepest edge beside a marked line: what a step sideways costs, half its width, how far it must stand out
# from what lies beside it, and the degree of its curve
BEND, RIDGE_PX, STANDS_OUT, GENTLE = 0.1, 5, 1.25, 3
SETTLED_SHARE = 0.95  # of a line
NEAR_PX = 100.0  # how far a hand-drawn polyline may lie from the edge
# Limits and weights without another ground are chosen, no source; tests/imaging/test_edge_selection.py holds what
# they must decide, and what they must not.
LEAST_COVERAGE = 0.6  # of a line that is a candidate
SIDE_PX = (9.0, 32.0)  # where, away from the edge in the reduced photo, the two sides are compared
MOST_LINES = 6  # strongest first; what is weaker is grain
SAME_PX = 5.0  # between two lines traced, within which they are one
LENGTHS = 8  # into which a line is cut to compare its sides
APART_PX = 20.0  # of the reduced photo, between lines that are not the flanks of one ridge
RIVAL, FACING = 0.6, 0.3  # of the best line's evidence, from which one beside it and one facing it is a rival
# The same of a line that runs along it: the two sides of a land are ground parallel, and clutter behind the cutting
# edge leaves it little evidence where plain dark behind the far side leaves that much
FACING_ALONG = 0.1
ALONG = np.cos(np.radians(4.0))
NARROWER = 0.8  # times the other's land: less of a difference does not decide
DECISIVE = 0.75  # log odds; less than that between two lines or two sides is not a decision
ALIKE = 0.5  # cosine of the turn between edges of one flute, as far as a bit is put back differently
LEAST_TRACED, LEAST_COLUMNS = 0.3, 20  # share of a line, and columns, on which an edge is seen beside it
# Of the reduced photo: how far beside a line its edge is sought, and how deep a strip is cut for its sides
REACH_PX, DEPTH_PX = 40.0, (-108.0, 80.0)
MARGIN_PX = 15  # of a strip beyond where the edge is sought in it
DEGREE = 4  # of the curve through a traced edge: a helix in perspective, no more
STEADY = 0.25  # of its distance, by which a parallel line may wander
SOLID = 0.85  # coverage of a line that may end a land
TEXTURE_PX = 4.0  # standard deviation of the smoothing that takes shading out of texture
GRAIN_FLOOR = 0.003  # of the light: the grain of a camera's own noise
# Weights of the evidence, in log odds
BY_COLOUR, BY_BURNT_CARD, BY_DARK_BEHIND, BY_LEVEL, BY_GRAIN = 10.0, 2.0, 3.0, 0.6, 1.2
LOST = 0.03  # of full light: a tool in the shadow of a card
NOTHING_BEHIND, MUCH_DARKER = 0.06, 0.35  # of full light, and of the other side
WHITE_CARD, COLOURLESS = 0.8, 0.1  # of full light, and saturation


@dataclass(frozen=True)
class Candidate:
    """A line that could be the cutting edge, tool inward.

    Attributes
    ----------
    line : EdgeLine
    evidence : float
        Log odds (common-sense weights, not calibrated) that one side is tool and the other background.
    land_px : float
        Distance to the next parallel line inside the tool; infinite when there is none.
    """

    line: EdgeLine
    evidence: float
    land_px: float


@dataclass(frozen=True)
class Side:
    """What one side of a line is like.

    Attributes
    ----------
    level : float
        Of light, 0 to 1.
    saturation : float
        Of colour, 0 to 1.
    grain, cross_grain : float
        Standard deviation of what is correlated between pixels along the line, and across it, over the level.
    """

    level: float
    saturation: float
    grain: float
    cross_grain: float = 0.0


def candidates(light: NDArray[np.float32]) -> list[Candidate]:
    """Lines that could be the cutting edge, best first.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
        Linear light, 0 to 1.

    Returns
    -------
    list of Candidate
    """
    small, reduction = _reduced(light, WORK_SIDE_PX)
    smaller, further = _reduced(small, SEARCH_SIDE_PX)
    lines = [line.scaled(further) for line in edge_lines(smaller) if line.coverage >= LEAST_COVERAGE][
        :MOST_LINES
    ]
    judged: list[tuple[float, EdgeLine]] = []
    for line in lines:
        beside = _beside(small, line)
        traced = _moved(line, beside)
        # a stray path beside an edge is traced on to that edge, and is no line of its own
        if all(_apart_px(traced, other) > SAME_PX for _, other in judged):
            judged.append((_odds_for_inward(beside), traced))
    lines = [line for _, line in judged]
    found = [
        Candidate(
            (line if odds > 0 else line.turned()).scaled(reduction),
            abs(odds) * line.coverage,
            reduction * _land_px(line if odds > 0 else line.turned(), lines),
        )
        for odds, line in judged
    ]
    return sorted(found, key=lambda c: -c.evidence)


def _apart_px(line: EdgeLine, other: EdgeLine) -> float:
    points = np.column_stack(line.points_px(np.linspace(line.start_px, line.end_px, 21)))
    return float(np.median(np.abs(offset_from(points, other))))


def _reduced(light: NDArray[np.float32], side_px: int) -> tuple[NDArray[np.float32], float]:
    """The photo with its longer side reduced to `side_px`, and by how much; smaller ones as they are."""
    reduction = max(1.0, max(light.shape[:2]) / side_px)
    if reduction == 1.0:
        return light, 1.0
    size = (max(2, round(light.shape[1] / reduction)), max(2, round(light.shape[0] / reduction)))
    return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32), reduction


def choose(found: Sequence[Candidate], *, like: EdgeLine | None = None) -> Candidate | None:
    """The cutting edge among candidates, or None when the evidence does not decide.

    Parameters
    ----------
    found : sequence of Candidate
    like : EdgeLine, optional
        The edge chosen in another photo of the same flute: the bit is put back much as it was, so the tool
        lies on the same side of the frame.

    Returns
    -------
    Candidate or None
    """
    usable = [c for c in found if c.evidence > DECISIVE]
    if like is not None:
        alike = [c for c in usable if float(c.line.inward @ like.inward) > ALIKE]
        usable = alike or usable
    if not usable:
        return None
    best = usable[0]
    beside = [
        c
        for c in usable
        if c.evidence > RIVAL * best.evidence and float(c.line.inward @ best.line.inward) > 0
    ]
    facing = [c for c in usable if c.evidence > _least_facing(c.line, best.line) * best.evidence]
    # the heel lies behind the edge, and has the whole body behind it, not the narrow land
    near = min(beside, key=lambda c: c.land_px)
    if not facing:
        return near
    # the far side of the tool ends in background as well; the cutting edge is the one with the narrow land
    far = min(facing, key=lambda c: c.land_px)
    narrow, wide = sorted((near, far), key=lambda c: c.land_px)
    if narrow.land_px < NARROWER * wide.land_px:
        return narrow
    return None if far.evidence > RIVAL * best.evidence else near


def _least_facing(line: EdgeLine, best: EdgeLine) -> float:
    """Share of the best line's evidence that makes another one, with the tool on its other side, a rival."""
    turned = -float(line.inward @ best.inward)
    if turned <= 0.0:
        return np.inf
    return FACING_ALONG if turned > ALONG else FACING


@dataclass(frozen=True, eq=False)
class Steepest:
    """The steepest edge beside a line.

    Attributes
    ----------
    line : EdgeLine
    steepness : float
        Of the light along it, the median; light from 0 to 1, per pixel.
    stands_out : bool
        Whether it is steeper than what lies beside it, as the path through mere grain is not.
    """

    line: EdgeLine
    steepness: float
    stands_out: bool


def steepest_beside(light: NDArray[np.float32], line: EdgeLine, reach_px: float) -> Steepest | None:
    """The steepest edge beside a line, the nearer the likelier.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    line : EdgeLine
    reach_px : float
        How far beside the line.

    Returns
    -------
    Steepest or None
        Facing as `line` does; None where the photo shows next to nothing of it.
    """
    strip = cut_strip(light, line, 1.0, depth_um=(-reach_px - MARGIN_PX, reach_px + MARGIN_PX))
    d_px = strip.d_um
    steep = steepness(strip)
    within = np.abs(d_px) <= reach_px
    steep[~within] = 0.0
    nearer = steep * np.exp(-0.5 * (d_px / (reach_px / 2.0)) ** 2).astype(np.float32)[:, None]
    rows = steepest_path(nearer, bend=BEND * float(np.median(nearer.max(axis=0))))
    columns = np.arange(len(rows))
    beside = np.where(np.abs(np.arange(len(d_px))[:, None] - rows) > RIDGE_PX, steep, 0.0).max(axis=0)
    along = steep[rows, columns]
    clear = along > 0.0
    if clear.sum() < LEAST_COLUMNS:
        return None
    # `steepness` has one column for three of the strip
    s_px = strip.s_um[np.minimum(3 * np.arange(len(rows)) + 1, len(strip.s_um) - 1)]
    fine = np.linspace(line.start_px, line.end_px, FINE)
    t_px = np.interp(s_px[clear], arc_length_px(line, fine), fine)
    points = np.column_stack(line.points_px(t_px, d_px[rows[clear]]))
    found = line_through(points, degree=GENTLE, coverage=line.coverage)
    strength = float(np.median(along))
    return Steepest(
        found if found.direction @ line.direction > 0 else found.turned(),
        strength,
        strength > STANDS_OUT * float(np.median(beside)),
    )


def refine_line(
    light: NDArray[np.float32], line: EdgeLine, reach_px: float, degree: int = DEGREE
) -> EdgeLine:
    """Move a line on to the edge traced beside it.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    line : EdgeLine
    reach_px : float
        How far beside the line.
    degree : int
        Of the curve through the traced edge.

    Returns
    -------
    EdgeLine
        The line itself where too little of an edge is seen.
    """
    strip = cut_strip(light, line, 1.0, depth_um=(-reach_px - MARGIN_PX, reach_px + MARGIN_PX))
    trace = trace_edge(strip, (-reach_px, reach_px))
    seen = np.isfinite(trace.d_um)
    if seen.sum() < LEAST_COLUMNS:
        return line
    fine = np.linspace(line.start_px, line.end_px, FINE)
    t_px = np.interp(strip.s_um[seen], arc_length_px(line, fine), fine)
    columns, rows = line.points_px(t_px, trace.d_um[seen])
    refined = line_through(np.column_stack([columns, rows]), degree=degree, coverage=line.coverage)
    return refined if refined.direction @ line.direction > 0 else refined.turned()


def settled_line(light: NDArray[np.float32], line: EdgeLine, reach_px: float) -> EdgeLine:
    """A line moved on to the edge traced beside it, unless the trace leads away from it.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    line : EdgeLine
    reach_px : float
        How far beside the line.

    Returns
    -------
    EdgeLine
        The line itself where the trace follows something else, such as what lies out of focus behind the edge.
    """
    refined = refine_line(light, line, reach_px)
    t_px = np.linspace(line.start_px, line.end_px, 41)
    away_px = np.abs(offset_from(np.column_stack(line.points_px(t_px)), refined))
    return refined if float(np.quantile(away_px, SETTLED_SHARE)) < 0.5 * reach_px else line


def along_polyline(near_px: Array) -> Array:
    """Points evenly along a polyline.

    Parameters
    ----------
    near_px : ndarray, shape (N, 2)
        Column and row of its corners.

    Returns
    -------
    ndarray, shape (101, 2)
    """
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(near_px, axis=0).T))])
    at = np.linspace(0.0, length[-1], 101)
    return np.column_stack([np.interp(at, length, near_px[:, k]) for k in (0, 1)])


def _land_px(line: EdgeLine, others: Sequence[EdgeLine]) -> float:
    """Distance from a line to the next parallel one inside the tool; `others` strongest first."""
    t = np.linspace(line.start_px, line.end_px, 21)
    inside: list[float] = []
    for other in others:
        if abs(float(other.direction @ line.direction)) < ALONG or other.coverage < SOLID:
            continue
        inward = offset_from(np.column_stack(other.points_px(t)), line)
        middle = float(np.median(inward))
        # a parallel line keeps its distance; the noise lines of a plain face do not. A ridge has two flanks: the
        # weaker one is not a line of its own
        steady = float(np.ptp(inward)) < STEADY * middle
        if middle > APART_PX and steady and all(abs(middle - known) > APART_PX for known in inside):
            inside.append(middle)
    return min(inside, default=float("inf"))


def judge(light: NDArray[np.float32], line: EdgeLine) -> tuple[float, EdgeLine]:
    """Log odds for the side of a line on which the tool lies.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    line : EdgeLine

    Returns
    -------
    odds : float
        For inward; negative for outward.
    traced : EdgeLine
        The line moved on to its trace.
    """
    beside = _beside(light, line)
    return _odds_for_inward(beside), _moved(line, beside)


def face_grain(light: NDArray[np.float32], line: EdgeLine) -> float:
    """How much grain the tool's face shows beside its edge: marks of grinding, a coating's texture, scratches.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    line : EdgeLine
        Tool inward.

    Returns
    -------
    float
        As a share of the light; a camera's own noise does not count. NaN where the face is not seen.

    Notes
    -----
    Sharpening draws a halo about whatever is fine, which takes from the likeness of pixels two apart. Marks of
    grinding are lines, alike along themselves all the same; so the direction that shows more of it says.
    """
    small, reduction = _reduced(light, WORK_SIDE_PX)
    beside = _beside(small, line.scaled(1.0 / reduction))
    inner = None if beside is None else _side(*beside, 1)
    return float("nan") if inner is None else max(inner.grain, inner.cross_grain)


def _beside(light: NDArray[np.float32], line: EdgeLine) -> tuple[Strip, Array] | None:
    """The light beside a line, and where its trace lies inward of it along the whole; None where it has none."""
    strip = cut_strip(light, line, 1.0, depth_um=DEPTH_PX)
    trace = trace_edge(strip, (-REACH_PX, REACH_PX))
    where = np.isfinite(trace.d_um)
    if where.mean() < LEAST_TRACED:
        return None
    return strip, np.interp(np.arange(len(where)), np.flatnonzero(where), trace.d_um[where])


def _moved(line: EdgeLine, beside: tuple[Strip, Array] | None) -> EdgeLine:
    """A line moved on to its trace, where it has one."""
    if beside is None:
        return line
    away_px = float(np.median(beside[1]))
    return replace(line, offset_px=line.offset_px + away_px * (np.arange(len(line.offset_px)) == 0))


def _odds_for_inward(beside: tuple[Strip, Array] | None) -> float:
    """Log odds for the tool on the inner side; 0 where a side is not seen."""
    outer, inner = (None, None) if beside is None else (_side(*beside, -1), _side(*beside, 1))
    return 0.0 if outer is None or inner is None else _odds(outer, inner)


def _side(strip: Strip, edge_px: Array, sign: int) -> Side | None:
    near, far = SIDE_PX
    first = int(np.round(near if sign > 0 else -far))
    rows = (
        np.round(edge_px - strip.d_um[0]).astype(int)[None, :] + (first + np.arange(int(far - near)))[:, None]
    )
    inside = (rows >= 0) & (rows < len(strip.d_um))
    rows = np.clip(rows, 0, len(strip.d_um) - 1)
    light = strip.light[rows, np.arange(len(edge_px))[None, :]]
    seen = inside & np.isfinite(light[..., 0])
    if seen.mean() < LEAST_TRACED:
        return None
    # where the traced line is off, the other side leaks in: the middle one of several lengths does not mind
    lengths = [
        part
        for part in np.array_split(np.arange(len(edge_px)), LENGTHS)
        if seen[:, part].mean() > LEAST_TRACED
    ]
    mean = np.median([light[:, part][seen[:, part]].mean(axis=0) for part in lengths], axis=0)
    level = float(mean.mean())
    # beyond the frame's border there is nothing, which is not texture
    fine = np.where(seen, grey(light), np.float32(level))
    fine = fine - cv2.GaussianBlur(fine, (0, 0), TEXTURE_PX)
    clear = cv2.erode(seen.astype(np.uint8), np.ones((1, 17), np.uint8), borderValue=1) > 0
    if not clear.any():
        return None
    # white noise is not correlated between pixels two apart, texture seen through a lens is
    parts = [part[:-2] for part in lengths]
    along = _likeness(fine[:, :-2] * fine[:, 2:], clear[:, 2:] & clear[:, :-2], parts)
    across = _likeness(fine[:-2] * fine[2:], clear[2:] & clear[:-2], parts)
    return Side(
        level=level,
        saturation=float((mean.max() - mean.min()) / max(mean.max(), 1e-3)),
        grain=along / max(level, 0.01),
        cross_grain=across / max(level, 0.01),
    )


def _likeness(
    product: NDArray[np.float32], known: NDArray[np.bool_], lengths: Sequence[NDArray[np.intp]]
) -> float:
    """Root of the covariance of pixels, the middle one of several lengths of a line; 0 where it is negative."""
    seen = [product[:, part][known[:, part]].mean() for part in lengths if known[:, part].any()]
    return float(np.sqrt(max(float(np.median(seen)), 0.0))) if seen else 0.0


def _odds(outer: Side, inner: Side) -> float:
    """Log odds for the tool on the inner side."""
    # cards, walls and blurred neighbours are grey; coatings and even bare carbide under warm lamps are not
    odds = BY_COLOUR * (inner.saturation - outer.saturation)
    dark, bright = sorted((outer, inner), key=lambda side: side.level)
    towards_bright = 1.0 if bright is inner else -1.0
    if bright.level > NEARLY_CLIPPED and dark.level < LOST:
        return 0.0  # a tool lost in glare, or one lost in the shadow before a card: there is nothing to go by
    if bright.level > WHITE_CARD and bright.saturation < COLOURLESS:
        odds -= BY_BURNT_CARD * towards_bright  # a burnt-out white card
    elif dark.level < NOTHING_BEHIND and dark.level < MUCH_DARKER * bright.level:
        odds += BY_DARK_BEHIND * towards_bright  # nothing behind the tool
    else:
        odds += BY_LEVEL * towards_bright * float(np.log(dark.level / bright.level))
    # the tool is in focus, what lies behind it is not
    return odds + BY_GRAIN * float(np.log((inner.grain + GRAIN_FLOOR) / (outer.grain + GRAIN_FLOOR)))
