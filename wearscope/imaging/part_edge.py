"""Find the edge of a cut part in a photo: the straight line on which plain ground ends.

Break-outs take the border of the ground off that line, so it is the line on which most of the border lies, not one
that follows all of it.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.edge_line import Array, EdgeLine, offset_from
from wearscope.imaging.edge_lines import line_through
from wearscope.imaging.edge_search import Polyline, reduced_px
from wearscope.imaging.edge_selection import along_polyline
from wearscope.imaging.prepared_photo import PreparedPhoto
from wearscope.imaging.strip import cut_strip
from wearscope.light.strip import Strip, grey
from wearscope.metrology.robust import scatter

Mask = NDArray[np.bool_]

DEPTH_UM = (
    -1000.0,
    6000.0,
)  # of the strip, ground first: what a break-out of a veneer may take, and twice that
WORK_SIDE_PX = 700  # of the reduced photo in which the ground is sought
# Of the reduced photo; chosen, no source. tests/pipeline/test_part_view.py holds what they must find and refuse
PLAINER = 2.0  # times: how much less the ground must scatter than the part
LEAST_CONTRAST = 0.08  # of linear light, between ground and part
LEAST_GROUND, SECOND_GROUND = (
    0.05,
    0.2,
)  # of the frame, and of the largest piece of ground, from which it counts
LEAST_POINTS = 30  # of the border, and pixels between two
ON_LINE_PX, NEAR_PX = 1.5, 30.0  # of the line, and of a marked one
SHORT_OF = 0.85  # of the way to the part's other edge: so far its face is read
TRIES = 400  # lines through two places of the border each
LEAST_ON_LINE = 0.3  # of the line's length in the frame, along which the ground ends on it
EVEN_PX = 3  # over which noise is evened out before ground and part are told apart


def part_strip(
    prepared: PreparedPhoto, um_per_px: float, near_px: Polyline | None, part_at: tuple[float, float] | None
) -> Strip:
    """The strip along the edge of a part.

    Parameters
    ----------
    prepared : PreparedPhoto
    um_per_px : float
        Of its pixels.
    near_px : polyline or None
        Where a person has marked the edge, in the photo's own pixels.
    part_at : (column, row) or None
        A place on the part.

    Returns
    -------
    Strip
        The ground at negative d.

    Raises
    ------
    PhotoRefused
        No line is clearly the edge of a part, or it is not plain on which side the part lies.
    """
    light, name = prepared.light, prepared.photo.path.name
    factor = max(1.0, max(light.shape[:2]) / WORK_SIDE_PX)
    size = (round(light.shape[1] / factor), round(light.shape[0] / factor))
    small = np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32)
    at_px = None if part_at is None else reduced_px((part_at,), prepared.reduction)[0] / factor
    pieces = _ground_pieces(small, at_px)
    near = None
    if near_px is not None:
        near = line_through(along_polyline(reduced_px(near_px, prepared.reduction) / factor), degree=1)
    every = [line for line in (_edge_of(piece, None) for piece in pieces) if line is not None]
    lines = every
    if near is not None:
        lines = [line for line in (_edge_of(piece, near) for piece in pieces) if line is not None]
    if not lines:
        raise PhotoRefused(
            f"{name}: nothing in it is the straight edge of a part beside plain ground",
            "lay a plain card, much darker or brighter than the part, beside its edge; if the part is as plain as "
            "the card, give a place on it with tool_at",
            "no-part-edge",
        )
    if len(lines) > 1:
        raise PhotoRefused(
            f"{name}: more than one line may be the edge of the part",
            "show one edge alone, or mark it with edge_near",
            "part-edge-disputed",
        )
    beyond_px = min((_beyond_px(lines[0], other) for other in every), default=np.inf)
    depth_um = DEPTH_UM[0], min(DEPTH_UM[1], SHORT_OF * beyond_px * factor * um_per_px)
    return cut_strip(light, lines[0].scaled(factor), um_per_px, depth_um=depth_um)


def _beyond_px(line: EdgeLine, other: EdgeLine) -> float:
    """How far inside a line another edge of the part begins; infinite where it does not."""
    ends = np.column_stack(other.points_px(np.array([other.start_px, other.end_px])))
    nearest = float(offset_from(ends, line).min())
    return nearest if nearest > ON_LINE_PX * 2.0 else np.inf


def _ground_pieces(light: NDArray[np.float32], part_at: Array | None) -> list[Mask]:
    """Pieces of plain ground, the largest first; none where nothing tells ground and part apart."""
    level = cv2.blur(grey(light), (EVEN_PX, EVEN_PX))
    low, high = float(level.min()), float(level.max())
    coded = np.round(255.0 * (level - low) / max(high - low, 1e-6)).astype(np.uint8)
    bright = cv2.threshold(coded, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[1] > 0
    inner = cv2.morphologyEx(bright.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((9, 9), np.uint8)) == 0
    classes = [level[side & inner] for side in (bright, ~bright)]
    if min(map(len, classes)) < LEAST_GROUND * level.size:
        return []
    (bright_level, bright_rough), (dark_level, dark_rough) = (
        (float(np.median(each)), scatter(each) + 1e-3) for each in classes
    )
    if bright_level - dark_level < LEAST_CONTRAST:
        return []
    if part_at is not None:
        column, row = (
            int(np.clip(each, 0, side - 1)) for each, side in zip(part_at, level.shape[::-1], strict=True)
        )
        ground = bright if not bright[row, column] else ~bright
    elif bright_rough > PLAINER * dark_rough:
        ground = ~bright
    elif dark_rough > PLAINER * bright_rough:
        ground = bright
    else:
        return []
    count, labels, stats, _ = cv2.connectedComponentsWithStats(ground.astype(np.uint8))
    areas = stats[:, cv2.CC_STAT_AREA]
    order = sorted(range(1, count), key=lambda k: -areas[k])
    least = max(SECOND_GROUND * areas[order[0]], LEAST_GROUND * level.size) if order else 0.0
    return [labels == k for k in order if areas[k] >= least]


def _edge_of(ground: Mask, near: EdgeLine | None) -> EdgeLine | None:
    """The straight line on which most of a piece of ground ends, the part on its inward side; None without one."""
    border = ground & (cv2.erode(ground.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
    rows, columns = np.nonzero(border[2:-2, 2:-2])
    points = np.column_stack([columns, rows]).astype(np.float64) + 2.0
    if near is not None:
        points = points[np.abs(offset_from(points, near)) < NEAR_PX]
    if len(points) < LEAST_POINTS:
        return None
    pairs = points[np.random.default_rng(0).integers(0, len(points), (TRIES, 2))]
    along = pairs[:, 1] - pairs[:, 0]
    length = np.hypot(along[:, 0], along[:, 1])
    pairs, along = (
        pairs[length > LEAST_POINTS],
        (along / np.maximum(length, 1.0)[:, None])[length > LEAST_POINTS],
    )
    if len(pairs) == 0:
        return None
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    off = np.abs(points @ normal.T - (pairs[:, 0] * normal).sum(axis=1))
    best = int(np.argmax((off < ON_LINE_PX).sum(axis=0)))
    on_line = points[off[:, best] < ON_LINE_PX]
    on_line = on_line[np.argsort(on_line @ along[best])]
    line = line_through(on_line, degree=1)
    if len(on_line) < LEAST_ON_LINE * (line.end_px - line.start_px):
        return None
    middle = np.argwhere(ground).mean(axis=0)[::-1]
    line = line if offset_from(middle[None], line)[0] < 0.0 else line.turned()
    return _through_frame(line, ground.shape)


def _through_frame(line: EdgeLine, shape: tuple[int, ...]) -> EdgeLine:
    """The line from one side of the frame to the other."""
    t_px = np.arange(-2.0 * max(shape), 2.0 * max(shape))
    columns, rows = line.points_px(t_px)
    inside = (columns >= 0.0) & (columns <= shape[1] - 1.0) & (rows >= 0.0) & (rows <= shape[0] - 1.0)
    return replace(line, start_px=float(t_px[inside][0]), end_px=float(t_px[inside][-1]))
