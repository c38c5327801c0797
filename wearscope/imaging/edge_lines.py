"""Find the cutting edge: which of the lines in a photo it is, and on which side of it the tool lies.

Pixel convention everywhere: the centre of the top left pixel is (0, 0), x is the column, y the row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray

from wearscope.imaging.edge_line import Array, EdgeLine, offset_from
from wearscope.light.strip import over_channels
from wearscope.wear.trace import steepest_path

DISPLAY_GAMMA = 2.2  # about that of sRGB: weighs dark and bright edges as an eye does
PEDESTAL = 0.03  # of full light: keeps the gamma from blowing up the noise of the dark
WORK_SIDE_PX = 1000  # lines are judged on a photo reduced to this longer side; the strip uses every pixel
SEARCH_SIDE_PX = 500  # and sought on one reduced to this
SAMPLE = 3  # every so many pixels and rows tell the noise of all
MAX_DIRECTIONS = 3  # an edge, a corner's other edge, and one stray
MAX_PATHS = 4  # in one direction: edge, heel, far side, and one stray
# Limits without another ground are chosen, no source; tests/imaging/test_edge_lines.py holds what they must find
# Times the median gradient, and quantile of gradients, that vote for a direction
NOISE, STRONGEST = 3.0, 0.93
MOST_VOTES = 12.0  # of one pixel, in median gradients: glare must not outvote an edge
LEAST_VOTERS = 30  # pixels
BINS, SPREAD = 180, 4  # of direction, one degree each, and how many beside its own a pixel votes for
OFFSET_BIN_PX = 4.0
LEAST_TALLY = 0.25  # of the strongest line's votes
APART_DEG = 12  # between directions
MOST_STRENGTH = 25.0  # times the noise, of one pixel of a path
BEND = 0.6  # cost of a path's bend, as of `steepest_path`
LEAST_COLUMNS = 24  # of a path
# Times the noise, and share of the columns in which a path stands out that much
CLEAR, LEAST_COVERAGE = 4.0, 0.35
MASKED_PX = 7  # beside a path found
# Of refitting; medians off the line, and pixels that always count
ROUNDS, STRAY, NEVER_STRAY_PX = 6, 2.5, 2.0
REPEAT_PX = 6.0  # of the reduced photo, within which a line is one with a stronger one


@dataclass(frozen=True)
class TracedPath:
    """A path through the turned work image.

    Attributes
    ----------
    columns, rows : ndarray, shape (n,)
        One row for each column where the frame is visible.
    strength_ratio : float
        Mean strength along it.
    coverage : float
        Share of it that stands out from the noise.
    """

    columns: Array
    rows: Array
    strength_ratio: float
    coverage: float


def edge_lines(light: NDArray[np.float32]) -> list[EdgeLine]:
    """All long lines that could be the cutting edge, strongest first, tool side undecided.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
        Linear light of a photo reduced to at most about `WORK_SIDE_PX`.

    Returns
    -------
    list of EdgeLine
        Smooth curves in the pixels of `light`.
    """
    work = np.asarray(
        cv2.pow(np.clip(light, 0.0, 1.0) + np.float32(PEDESTAL), 1.0 / DISPLAY_GAMMA), np.float32
    )
    lines: list[tuple[float, EdgeLine]] = []
    for angle in line_directions(work):
        turned, back, inside = turn(work, angle)
        strength = across_strength(turned, inside)
        for path in strongest_paths(strength, inside):
            lines.append((path.strength_ratio * len(path.columns), _line_from_path(path, back)))
    strongest_first = sorted(lines, key=lambda item: -item[0])
    return _without_repeats([line for _, line in strongest_first])


def line_directions(work: NDArray[np.float32]) -> list[float]:
    """Find the directions of the strongest long lines: a Hough vote by gradient direction.

    Parameters
    ----------
    work : ndarray, shape (H, W, 3)

    Returns
    -------
    list of float
        Radians, 0 along x, strongest first.

    Notes
    -----
    The gradient is that in which the three channels together change most: S. Di Zenzo, "A note on the gradient of a
    multi-image", Comput. Vis. Graph. Image Process. 33 (1986) 116-125.
    """
    gx, gy = _gradients(work)
    gxx, gyy, gxy = (over_channels(a * b) for a, b in ((gx, gx), (gy, gy), (gx, gy)))
    half, twice = cv2.cartToPolar(gxx - gyy, 2 * gxy)
    magnitude = cv2.sqrt(np.maximum(0.5 * (gxx + gyy + half), 0))
    normal = 0.5 * twice
    margin = 6
    inner = magnitude[margin:-margin, margin:-margin]
    if inner.size == 0:
        return []
    sample = inner[::SAMPLE, ::SAMPLE]
    noise = float(np.median(sample)) + 1e-6
    rows, columns = np.nonzero(inner > max(NOISE * noise, float(np.quantile(sample, STRONGEST))))
    if len(rows) < LEAST_VOTERS:
        return []
    m = inner[rows, columns]
    votes = np.minimum(m / noise, MOST_VOTES)
    angles = normal[margin:-margin, margin:-margin][rows, columns]
    diagonal = float(np.hypot(*inner.shape))
    offsets_bins = int(np.ceil(2 * diagonal / OFFSET_BIN_PX)) + 2
    tally = np.zeros(BINS * offsets_bins)
    for spread in range(-SPREAD, SPREAD + 1):
        k = np.round(np.degrees(angles)).astype(int) + spread
        theta = np.radians(k)
        rho = columns * np.cos(theta) + rows * np.sin(theta)
        k_wrapped = np.mod(k, BINS)
        rho = np.where(np.mod(k // BINS, 2) == 1, -rho, rho)
        index = k_wrapped * offsets_bins + np.round((rho + diagonal) / OFFSET_BIN_PX).astype(int)
        tally += np.bincount(index, votes, minlength=len(tally))
    table = tally.reshape(BINS, offsets_bins)
    best_by_angle = table.max(axis=1)
    found: list[float] = []
    while len(found) < MAX_DIRECTIONS:
        k_best = int(np.argmax(best_by_angle))
        if best_by_angle[k_best] < LEAST_TALLY * table.max():
            break
        found.append(float(np.radians(k_best)) - np.pi / 2)
        away = np.abs((np.arange(BINS) - k_best + BINS // 2) % BINS - BINS // 2)
        best_by_angle = np.where(away < APART_DEG, 0.0, best_by_angle)
    return found


def _gradients(
    work: NDArray[np.float32], sigma: float = 1.2
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    smooth = cv2.GaussianBlur(work, (0, 0), sigma)
    return (
        cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3).astype(np.float32),
        cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3).astype(np.float32),
    )


def turn(work: NDArray[np.float32], angle: float) -> tuple[NDArray[np.float32], Array, NDArray[np.bool_]]:
    """Turn the work image so that lines along an angle lie along its rows.

    Parameters
    ----------
    work : ndarray, shape (H, W, 3)
    angle : float
        Radians, 0 along x.

    Returns
    -------
    turned : ndarray, shape (h, w, 3)
    back : ndarray, shape (2, 3)
        Affine map from turned pixels to work pixels.
    inside : ndarray of bool, shape (h, w)
        Where the turned image shows the photo.
    """
    height, width = work.shape[:2]
    c, s = np.cos(angle), np.sin(angle)
    w = int(np.ceil(abs(width * c) + abs(height * s)))
    h = int(np.ceil(abs(width * s) + abs(height * c)))
    centre, middle = np.array([(width - 1) / 2, (height - 1) / 2]), np.array([(w - 1) / 2, (h - 1) / 2])
    rotation = np.array([[c, -s], [s, c]])
    back = np.column_stack([rotation, centre - rotation @ middle])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    turned = cv2.warpAffine(work, back, (w, h), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.warpAffine(np.ones((height, width), np.uint8), back, (w, h), flags=flags) > 0
    inside = cv2.erode(inside.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0) > 0
    return turned.astype(np.float32), back, inside


def across_strength(turned: NDArray[np.float32], inside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Measure how strongly a picture changes from row to row, all channels together.

    Parameters
    ----------
    turned : ndarray, shape (h, w, 3)
    inside : ndarray of bool, shape (h, w)
        Where it shows the photo.

    Returns
    -------
    ndarray of float32, shape (h, w)
        Over the noise; 0 outside.
    """
    smooth = cv2.GaussianBlur(turned, (0, 0), sigmaX=3.0, sigmaY=1.0)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
    strength = cv2.sqrt(over_channels(gy * gy))
    strength[~inside] = 0
    sample = strength[::SAMPLE, ::SAMPLE][inside[::SAMPLE, ::SAMPLE]]
    noise = float(np.median(sample)) if len(sample) else 1.0
    return np.asarray(strength / (noise + 1e-6), np.float32)


def strongest_paths(strength: NDArray[np.float32], inside: NDArray[np.bool_]) -> list[TracedPath]:
    """Find the strongest left-to-right paths, each by dynamic programming, then masked out.

    Parameters
    ----------
    strength : ndarray, shape (h, w)
        From `across_strength`.
    inside : ndarray of bool, shape (h, w)

    Returns
    -------
    list of TracedPath
        Strongest first.
    """
    gain = np.minimum(strength, MOST_STRENGTH).astype(np.float32)
    paths: list[TracedPath] = []
    for _ in range(MAX_PATHS):
        columns = np.arange(gain.shape[1])
        rows = np.repeat(steepest_path(gain[:, ::2], bend=BEND), 2)[: len(columns)]
        seen = inside[rows, columns]
        if seen.sum() < LEAST_COLUMNS:
            break
        along = strength[rows, columns][seen]
        coverage = float(np.mean(along > CLEAR))
        if coverage < LEAST_COVERAGE:
            break
        paths.append(
            TracedPath(columns[seen].astype(float), rows[seen].astype(float), float(along.mean()), coverage)
        )
        near = np.clip(rows[None, :] + np.arange(-MASKED_PX, MASKED_PX + 1)[:, None], 0, gain.shape[0] - 1)
        gain[near, columns[None, :]] = 0
    return paths


def _line_from_path(path: TracedPath, back: Array) -> EdgeLine:
    x = back[0, 0] * path.columns + back[0, 1] * path.rows + back[0, 2]
    y = back[1, 0] * path.columns + back[1, 1] * path.rows + back[1, 2]
    return line_through(np.column_stack([x, y]), coverage=path.coverage)


def line_through(points_px: Array, *, degree: int = 2, coverage: float = 1.0) -> EdgeLine:
    """A smooth curve through points in order along an edge, robust against stray points.

    Parameters
    ----------
    points_px : ndarray, shape (N, 2)
        Column and row.
    degree : int
        Highest power of the offset; two points give a straight line whatever it says.
    coverage : float
        To be kept with the line.

    Returns
    -------
    EdgeLine
        The tool to the right of the way along the points.
    """
    origin = points_px.mean(axis=0)
    direction = points_px[-max(1, len(points_px) // 20) :].mean(axis=0)
    direction = direction - points_px[: max(1, len(points_px) // 20)].mean(axis=0)
    direction = direction / np.hypot(*direction)
    inward = np.array([-direction[1], direction[0]])
    t, o = (points_px - origin) @ direction, (points_px - origin) @ inward
    span = max(float(np.ptp(t)), 1.0)
    keep = np.ones(len(t), bool)
    coefficients = np.zeros(1)
    for _ in range(ROUNDS):
        coefficients = polynomial.polyfit(t[keep] / span, o[keep], min(degree, int(keep.sum()) - 1))
        residual = np.abs(o - polynomial.polyval(t / span, coefficients))
        keep = residual <= max(NEVER_STRAY_PX, STRAY * float(np.median(residual)))
    coefficients = coefficients / span ** np.arange(len(coefficients))
    return EdgeLine(origin, direction, inward, coefficients, float(t.min()), float(t.max()), coverage)


def _without_repeats(lines: Sequence[EdgeLine]) -> list[EdgeLine]:
    kept: list[EdgeLine] = []
    for line in lines:
        t = np.linspace(line.start_px, line.end_px, 21)
        mine = np.column_stack(line.points_px(t))
        # two edges of a tool do not cross; a line that touches a stronger one is a stray path beside it
        if all(np.quantile(np.abs(offset_from(mine, other)), 0.1) > REPEAT_PX for other in kept):
            kept.append(line)
    return kept
