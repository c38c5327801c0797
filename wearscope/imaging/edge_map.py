"""Where a small trained net sees the cutting edge: it proposes lines and gives evidence, and measures nothing.

The net (`edge_map.onnx`, run by OpenCV) has seen drawn scenes only; `sample_images/scenes` has their maker and the
training. It tells tool from ground by texture and focus as well as by level and colour. Its map is coarse: what it
proposes lies within a few of its own pixels of the edge, which are ten of a large photo's.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Map = NDArray[np.float32]

# Longer sides of the photo as the net sees it, all merged; the first is the map's. A second one of 512 finds no more
# (table in sample_images/scenes/README.md) and takes twice as long again.
SIDES_PX = (384,)
MULTIPLE = 16  # the net halves four times
CODE_POWER = 1 / 2.2  # from linear light to what the net was trained on: pictures as cameras store them

WEAK = 0.1  # of the map, below which nothing counts
ANGLES, STEP_PX = 72, 3.0  # of the accumulator's directions and offsets
SPREAD_BINS = 2  # over which one place of the map votes
REACH_PX = 5.0  # of the map, from the line's course, within which the map belongs to it
ALIKE = 0.7  # cosine between the normal at a place and the line's
GAP = 0.08  # of the longer side, that a line may pass over unseen
MOST_LINES = 4
LEAST_LENGTH = 0.06  # of the longer side; what is shorter is no line
COURSE_POINTS = 9

# Little more than `NO_TOOL_EDGE` of `edge_verdict`: a line that is to stand alone must be seen more plainly; 0.30 and
# more on 88 of 89 real and rendered tools
TOOL_EDGE_SEEN = 0.28


@dataclass(frozen=True)
class EdgeMap:
    """What the net sees in a photo, reduced.

    Attributes
    ----------
    edge : ndarray, shape (H, W)
        0 to 1: the cutting edge runs here.
    inward : ndarray, shape (H, W, 2)
        Direction into the tool (columns, rows); its length, up to about 1, says how plain that is.
    tool : ndarray, shape (H, W)
        0 to 1: this is tool.
    reduction : tuple of float
        Pixels of the photo in one of the map, along columns and along rows.
    """

    edge: Map
    inward: Map
    tool: Map
    reduction: tuple[float, float]


@dataclass(frozen=True)
class ProposedLine:
    """A line that may be the cutting edge.

    Attributes
    ----------
    start_px, end_px : tuple of float
        Column and row in the photo, the tool on the right of someone who goes from start to end.
    inward : tuple of float
        Unit normal towards the tool (columns, rows).
    course_px : ndarray, shape (N, 2)
        Columns and rows along it from start to end, bent as the edge is.
    evidence : float
        Mean of the edge map along it, 0 to 1.
    span : float
        Its length as a share of the photo's longer side.
    side_evidence : float
        How plainly the tool lies on that side, -1 to 1: the mean of two measures, the directions along the
        line and the difference of tool between the two sides.
    """

    start_px: tuple[float, float]
    end_px: tuple[float, float]
    inward: tuple[float, float]
    course_px: Array
    evidence: float
    span: float
    side_evidence: float

    @property
    def tool_edge_seen(self) -> float:
        """Evidence times span: how much of a cutting edge is seen; from `TOOL_EDGE_SEEN` on there is one."""
        return self.evidence * self.span


def edge_map(picture: NDArray[Any], sides_px: Sequence[int] = SIDES_PX) -> EdgeMap:
    """Let the net look at a photo.

    Parameters
    ----------
    picture : ndarray, shape (H, W, 3)
        Codes as a camera stores them (8 or 16 bits), or linear light from 0 to 1 (floating point).
    sides_px : sequence of int
        Sizes at which it looks, as longer side of the reduced photo; the maps' mean is taken.

    Returns
    -------
    EdgeMap
        What it sees, on a grid coarser than the photo's pixels.
    """
    height, width = picture.shape[:2]
    looks = [_seen(picture, side_px) for side_px in sides_px]
    h, w = looks[0].shape[:2]
    maps = np.mean([cv2.resize(one, (w, h), interpolation=cv2.INTER_LINEAR) for one in looks], axis=0)
    return EdgeMap(maps[..., 0], maps[..., 1:3], maps[..., 3], (width / w, height / h))


def _seen(picture: NDArray[Any], side_px: int) -> Map:
    """Edge, normal and tool (H, W, 4) of the photo reduced to a longer side."""
    height, width = picture.shape[:2]
    reduction = max(height, width) / side_px
    w, h = (max(MULTIPLE, MULTIPLE * round(n / reduction / MULTIPLE)) for n in (width, height))
    shrinking = reduction > 1
    small = cv2.resize(picture, (w, h), interpolation=cv2.INTER_AREA if shrinking else cv2.INTER_LINEAR)
    values = small.astype(np.float32)
    if picture.dtype.kind == "f":
        values = np.power(np.clip(values, 0, 1), np.float32(CODE_POWER))
    else:
        values /= np.float32(np.iinfo(picture.dtype).max)
    net, lock = _net()
    with lock:  # a net of OpenCV holds its input and output
        net.setInput(np.ascontiguousarray(values.transpose(2, 0, 1)[None]))
        out = np.array(net.forward()[0], np.float32)
    out[[0, 3]] = 1 / (1 + np.exp(-np.clip(out[[0, 3]], -30, 30)))
    return np.ascontiguousarray(out.transpose(1, 2, 0))


@cache
def _net() -> tuple[cv2.dnn.Net, threading.Lock]:
    weights = (files("wearscope.imaging") / "edge_map.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8)), threading.Lock()


def proposed_lines(seen: EdgeMap) -> tuple[ProposedLine, ...]:
    """Lines along which the map is strong, the one with most of it first.

    Parameters
    ----------
    seen : EdgeMap

    Returns
    -------
    tuple of ProposedLine
        At most `MOST_LINES`.
    """
    rows, columns = np.nonzero(seen.edge > WEAK)
    points = np.column_stack([columns, rows]).astype(np.float64)
    normals = seen.inward[rows, columns].astype(np.float64)
    length = np.hypot(*normals.T)
    weights = seen.edge[rows, columns] * np.minimum(length, 1.0)
    normals /= np.maximum(length, 1e-6)[:, None]
    found: list[ProposedLine] = []
    for _ in range(2 * MOST_LINES):
        if weights.sum() < LEAST_LENGTH * max(seen.edge.shape) or len(found) == MOST_LINES:
            break
        angle, offset = _strongest(points, normals, weights, seen.edge.shape)
        line, taken = _followed(seen, points, normals, weights, angle, offset)
        if line is not None:
            found.append(line)
        weights = np.where(taken, 0.0, weights)
    return tuple(sorted(found, key=lambda line: -line.tool_edge_seen))


def _strongest(points: Array, normals: Array, weights: Array, shape: tuple[int, ...]) -> tuple[float, float]:
    """Direction of the normal and offset of the line that most of the map votes for (Hough 1962, with gradients)."""
    half = float(np.hypot(shape[0], shape[1])) / 2
    middle = np.array([shape[1], shape[0]]) / 2
    offsets = int(2 * half / STEP_PX) + 4
    votes = np.zeros((ANGLES, offsets), np.float32)
    own = np.rint(np.arctan2(normals[:, 1], normals[:, 0]) * ANGLES / (2 * np.pi)).astype(int)
    for turn in range(-SPREAD_BINS, SPREAD_BINS + 1):
        bins = (own + turn) % ANGLES
        turns = bins * 2 * np.pi / ANGLES
        across = ((points - middle) * np.column_stack([np.cos(turns), np.sin(turns)])).sum(axis=1)
        where = np.clip(np.rint((across + half) / STEP_PX).astype(int) + 1, 0, offsets - 1)
        np.add.at(votes, (bins, where), (weights * (1 - abs(turn) / (SPREAD_BINS + 1))).astype(np.float32))
    smooth = cv2.GaussianBlur(np.vstack([votes[-3:], votes, votes[:3]]), (5, 5), 0.8)[3:-3]
    best, place = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
    angle = float(best) * 2 * np.pi / ANGLES
    return angle, (int(place) - 1) * STEP_PX - half + float(middle @ (np.cos(angle), np.sin(angle)))


def _followed(
    seen: EdgeMap, points: Array, normals: Array, weights: Array, angle: float, offset: float
) -> tuple[ProposedLine | None, NDArray[np.bool_]]:
    """The line with its bend and ends, and which places of the map belong to it."""
    normal = np.array([np.cos(angle), np.sin(angle)])
    bend = np.array([0.0, 0.0, offset])
    for degree, reach in ((1, 2.5), (2, 1.5), (2, 1.0)):
        s, across = _along(points, normal)
        off = across - np.polyval(bend, s)
        inlier = (np.abs(off) < reach * REACH_PX) & (normals @ normal > ALIKE) & (weights > 0)
        if weights[inlier].sum() < 3 or np.ptp(s[inlier]) < 6:
            return None, inlier | ((np.abs(off) < REACH_PX) & (normals @ normal > 0))
        fit = np.polyfit(s[inlier], across[inlier], degree, w=np.sqrt(weights[inlier]))
        bend = np.concatenate([np.zeros(2 - degree), fit])
    s, across = _along(points, normal)
    near = np.abs(across - np.polyval(bend, s)) < REACH_PX
    inlier = near & (normals @ normal > ALIKE) & (weights > 0)
    taken = near & (normals @ normal > 0)
    return _line(seen, s[inlier], normals[inlier], weights[inlier], normal, bend), taken


def _along(points: Array, normal: Array) -> tuple[Array, Array]:
    """Place along a line, the tool to the right, and distance into the tool."""
    return points @ np.array([normal[1], -normal[0]]), points @ normal


def _line(
    seen: EdgeMap, s: Array, normals: Array, weights: Array, normal: Array, bend: Array
) -> ProposedLine | None:
    longer = max(seen.edge.shape)
    first = int(np.floor(s.min()))
    strength = np.zeros(int(np.ceil(s.max())) - first + 1)
    np.maximum.at(strength, np.rint(s).astype(int) - first, weights)
    start, stop = _longest_run(strength, round(GAP * longer))
    if stop - start < LEAST_LENGTH * longer:
        return None
    at = first + np.linspace(start, stop, COURSE_POINTS)
    forward = np.array([normal[1], -normal[0]])
    course = at[:, None] * forward + np.polyval(bend, at)[:, None] * normal
    scale = np.array(seen.reduction)
    course_px = (course + 0.5) * scale - 0.5
    chord = course_px[-1] - course_px[0]
    inward = np.array([-chord[1], chord[0]]) / max(float(np.hypot(*chord)), 1e-6)
    within = (s >= first + start) & (s <= first + stop)
    directions = float(np.average(normals[within] @ normal, weights=weights[within]))
    photo_px = max(np.array(seen.edge.shape[::-1]) * scale)
    return ProposedLine(
        (float(course_px[0, 0]), float(course_px[0, 1])),
        (float(course_px[-1, 0]), float(course_px[-1, 1])),
        (float(inward[0]), float(inward[1])),
        course_px,
        float(strength[start : stop + 1].mean()),
        float(np.hypot(*chord) / photo_px),
        0.5 * (directions + _tool_contrast(seen.tool, course, normal)),
    )


def _longest_run(strength: Array, gap: int) -> tuple[int, int]:
    """First and last place of the run with most strength, gaps of at most `gap` passed over."""
    at = np.flatnonzero(strength > min(WEAK, float(strength.max()) / 2))
    parts = np.split(at, np.flatnonzero(np.diff(at) > gap) + 1)
    best = max(parts, key=lambda part: float(strength[part].sum()))
    return int(best[0]), int(best[-1])


def _tool_contrast(tool: Map, course: Array, normal: Array, away_px: float = 6.0) -> float:
    """Share of tool on the inner side of a course less that on the outer one."""
    shares = []
    for side in (1, -1):
        columns, rows = np.rint(course + side * away_px * normal).astype(int).T
        inside = (columns >= 0) & (rows >= 0) & (columns < tool.shape[1]) & (rows < tool.shape[0])
        shares.append(float(tool[rows[inside], columns[inside]].mean()) if inside.any() else 0.5)
    return shares[0] - shares[1]
