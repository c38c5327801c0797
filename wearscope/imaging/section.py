"""The outline of a wedge's cross-section in a photo: where its tip is, and its contour to a fraction of a pixel.

Pixel convention everywhere: the centre of the top left pixel is (0, 0), x is the column, y the row.

Notes
-----
Across a straight edge behind a Gaussian blur the light, as a share v between its two levels, is a normal distribution
function, so the probit of v is a straight line whose zero is the edge and whose slope is 1 / blur. The contour is
where that probit, read between neighbouring pixels, is zero. Before it is taken the photo is smoothed by a
Gaussian of `SMOOTH_PX`, which quietens the noise and only adds to the blur in squares. Near a curved tip the contour
is still that of half level, which lies inside the tip's own by about blur² / (2 radius): `wear.tip` fits that in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates
from scipy.spatial import cKDTree
from scipy.special import ndtri

from wearscope.errors import PhotoRefused
from wearscope.imaging.photo import Photo
from wearscope.imaging.quality import CLIPPED
from wearscope.quantities.reasons import Reason, reason

Array = NDArray[np.float64]

SMOOTH_PX = 1.0
WORK_SIDE_PX = 800  # the search runs on a photo reduced to this longer side
NEAR_PX = 100.0  # how far from the tip a hand-drawn mark may lie
LEAST_RUN_PX = 12.0  # of the reduced photo: a shorter run says nothing of a line
LEAST_FLANK_PX, LEAST_FLANK_SHARE = 20.0, 0.04  # the same for a face, and of the photo's longer side
TWO_LEVELS = 0.7  # share of the variance between bright and dark; noise alone has 2 / pi
WORST_BLUR_PX = 6.0
LEAST_CONTRAST = 0.06  # difference of the two levels over their sum
RIVAL = 0.5  # a second tip with faces this long against the first makes the choice unclear
BURNT = 0.2  # of the bright side at full light
UNEVEN_BLUR = 0.3  # between the two faces
LEVEL_REACH_PX = 60.0
TONE_SHARE = (
    0.06  # of the blur: where the camera's tone curve, which is not known, may shift the half level to
)
BLUR_SHARE = 0.05  # how far a lens's blur may be from the Gaussian of the same slope
_FAR = float(ndtri(0.98))


@dataclass(frozen=True)
class Section:
    """A wedge found in a photo.

    Attributes
    ----------
    photo : Photo
    points_px : ndarray, shape (N, 2)
        Column and row of the half-level contour of the smoothed photo, near the tip and along both faces.
    apex_px : ndarray, shape (2,)
        Roughly, where the faces would meet.
    bisector_angle, wedge_angle : float
        Roughly, in radians: direction from the apex into the tool, from +x towards +y; angle between the faces.
    blur_px : float
        Blur of the photo as the Gaussian sigma, read across both faces.
    contour_blur_px, u_contour_blur_px : float
        Blur that the contour was read behind, `SMOOTH_PX` included, and its standard uncertainty.
    noise_px : float
        Standard deviation of the points about straight faces.
    u_level_px : float
        Standard uncertainty of the half level, as a shift of the whole contour.
    contrast : float
        Difference between the levels of tool and background over their sum.
    clipped_share : float
        Of the bright side, the share at full light.
    dark_tool : bool
        The tool is darker than what is behind it.
    doubts : tuple of Reason
        Why the contour is not to be trusted; empty where it is.
    """

    photo: Photo
    points_px: Array
    apex_px: Array
    bisector_angle: float
    wedge_angle: float
    blur_px: float
    contour_blur_px: float
    u_contour_blur_px: float
    noise_px: float
    u_level_px: float
    contrast: float
    clipped_share: float
    dark_tool: bool
    doubts: tuple[Reason, ...]

    @property
    def name(self) -> str:
        """File name, for messages."""
        return self.photo.path.name


@dataclass(frozen=True)
class Corner:
    """Two straight pieces of an outline and the tip between them, in pixels of the picture searched.

    Attributes
    ----------
    apex_px : ndarray, shape (2,)
    flank_a, flank_b : ndarray, shape (2,)
        Unit vectors from the apex along the two faces; a is the left one when the tip points up.
    straight_px : float
        Length over which both are straight.
    departure_px : float
        Roughly, distance from the apex to where they leave the outline.
    piece_px : ndarray, shape (n, 2)
        The outline along both, from one end to the other.
    """

    apex_px: Array
    flank_a: Array
    flank_b: Array
    straight_px: float
    departure_px: float
    piece_px: Array

    @property
    def bisector(self) -> Array:
        """Unit vector from the apex into the tool."""
        both = self.flank_a + self.flank_b
        return np.asarray(both / np.hypot(*both))

    @property
    def wedge_angle(self) -> float:
        """Angle between the faces, radians."""
        return float(np.arccos(np.clip(self.flank_a @ self.flank_b, -1.0, 1.0)))


def find_section(photo: Photo, *, near_px: Sequence[tuple[float, float]] | None = None) -> Section:
    """Find the outline of the wedge in a photo.

    Parameters
    ----------
    photo : Photo
    near_px : sequence of (column, row), optional
        Hand-drawn points near the tip.

    Returns
    -------
    Section

    Raises
    ------
    PhotoRefused
        When it shows no wedge with its tip and two straight faces in focus.
    """
    name = photo.path.name
    work, reduction = _work_image(photo)
    pieces = _outlines(work)
    least = max(LEAST_FLANK_PX, LEAST_FLANK_SHARE * max(work.shape))
    corners = _corners(pieces, least)
    if not corners and _tip_beyond(pieces, work.shape):
        raise PhotoRefused(
            f"{name}: the tip of the wedge lies outside the frame",
            "bring the tip to the middle of the frame and take it again",
        )
    corner = _choose(name, corners, reduction, near_px)
    return _contour(photo, corner, reduction)


# --- Where the tip is: on a reduced photo


def _work_image(photo: Photo) -> tuple[NDArray[np.uint8], int]:
    """The photo in grey as coded, reduced, its specks and thin lines taken out, and the side of its blocks."""
    height, width = photo.pixels.shape[:2]
    reduction = max(1, round(max(height, width) / WORK_SIDE_PX))
    size = (width // reduction, height // reduction)
    whole = photo.pixels[: size[1] * reduction, : size[0] * reduction]
    small = cv2.resize(whole, size, interpolation=cv2.INTER_AREA).astype(np.float32).mean(axis=2)
    if photo.encoding == "linear":
        small = np.sqrt(small)
    low, high = np.quantile(small, [0.002, 0.998])
    grey = np.clip(255.0 * (small - low) / max(float(high - low), 1e-6), 0, 255).astype(np.uint8)
    return np.asarray(cv2.medianBlur(grey, 7), np.uint8), reduction


def _outlines(work: NDArray[np.uint8]) -> list[Array]:
    """The longest outlines between bright and dark, each a curve that does not run along the frame."""
    level, _ = cv2.threshold(work, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    bright = work > level
    if bright.all() or not bright.any():
        return []
    step = float(work[bright].mean() - work[~bright].mean())
    if bright.mean() * (1.0 - bright.mean()) * step**2 < TWO_LEVELS * float(work.var()):
        return []
    mask = cv2.copyMakeBorder(bright.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    longest = sorted(contours, key=len, reverse=True)[:8]
    return [
        piece
        for contour in longest
        for piece in _inner_pieces(contour[:, 0, :].astype(float) - 1.0, work.shape)
    ]


def _corners(pieces: list[Array], least_px: float) -> list[Corner]:
    """Every tip in the picture with faces of at least `least_px`, the one with the longest faces first."""
    found = [corner for piece in pieces for corner in _corners_of(piece) if corner.straight_px >= least_px]
    kept: list[Corner] = []
    for corner in sorted(found, key=lambda corner: -corner.straight_px):
        apart = [np.hypot(*(corner.apex_px - other.apex_px)) for other in kept]
        if all(gap > 12.0 + 0.5 * other.departure_px for gap, other in zip(apart, kept, strict=True)):
            kept.append(corner)
    return kept


def _tip_beyond(pieces: list[Array], shape: tuple[int, ...]) -> bool:
    """Whether two straight outlines would meet at a wedge's angle outside the frame."""
    lines = []
    for piece in pieces:
        centre = piece.mean(axis=0)
        _, spread, ways = np.linalg.svd(piece - centre, full_matrices=False)
        if len(piece) > 0.1 * max(shape) and spread[1] / np.sqrt(len(piece)) < 1.0:
            lines.append((centre, ways[0]))
    for k, (one, along) in enumerate(lines):
        for other, way in lines[:k]:
            if abs(along @ way) > np.cos(np.radians(15)):
                continue
            ahead = np.linalg.solve(np.column_stack([along, -way]), other - one)[0]
            meet = one + ahead * along
            if (meet < 0).any() or (meet > np.array(shape[::-1]) - 1).any():
                return True
    return False


def _inner_pieces(contour: Array, shape: tuple[int, ...]) -> list[Array]:
    """Pieces of a closed contour that do not run along the frame's border, smoothed, evenly spaced by 1."""
    height, width = shape
    border = (np.minimum(contour, np.array([width - 1, height - 1]) - contour) < 3.0).any(axis=1)
    if not border.any():
        pieces = [np.concatenate([contour, contour[: len(contour) // 2]])]
    else:
        first = int(np.argmax(border))
        rolled, at_border = np.roll(contour, -first, axis=0), np.roll(border, -first)
        change = np.flatnonzero(np.diff(np.concatenate([[1], at_border.astype(int), [1]])))
        pieces = [rolled[a:b] for a, b in zip(change[::2], change[1::2], strict=True)]
    even = []
    for piece in pieces:
        if len(piece) < 3 * LEAST_RUN_PX:
            continue
        smooth = gaussian_filter1d(piece, 1.5, axis=0, mode="nearest")
        length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(smooth, axis=0).T))])
        at = np.arange(0.0, length[-1], 1.0)
        even.append(np.column_stack([np.interp(at, length, smooth[:, k]) for k in (0, 1)]))
    return even


def _corners_of(piece: Array) -> list[Corner]:
    """Tips along one piece of outline: places between two straight runs that meet at a wedge's angle."""
    n = len(piece)
    centred = piece - piece.mean(axis=0)
    x, y = centred.T
    sums = np.concatenate([np.zeros((1, 5)), np.cumsum(np.column_stack([x, y, x * x, y * y, x * y]), axis=0)])
    found: list[tuple[float, int, int, int]] = []
    for reach in np.unique(np.geomspace(20.0, max((n - 1) / 2, 20.0), 24).astype(int)):
        middle = np.arange(reach, n - reach)
        if not len(middle):
            break
        for share in (0.05, 0.15, 0.3, 0.5, 0.7, 0.85):
            gap = int(share * reach)
            length = reach - gap
            if length < LEAST_RUN_PX:
                continue
            before, off_before = _runs(piece, sums, middle - reach, length)
            after, off_after = _runs(piece, sums, middle + gap, length)
            bound = (0.5 + 0.001 * length) ** 2
            cosine = np.einsum("ij,ij->i", before, after)
            turns = (cosine < np.cos(np.radians(35))) & (cosine > -np.cos(np.radians(15)))
            good = np.flatnonzero(turns & (off_before < bound) & (off_after < bound))
            if len(good):
                # of neighbouring places the middle one
                best = good[np.argmin(off_before[good] + off_after[good])]
                found.append((float(length), int(middle[best]), int(reach), gap))
    corners = [_corner(piece, *where) for where in sorted(found, reverse=True)[:12]]
    return [corner for corner in corners if corner is not None]


def _runs(piece: Array, sums: Array, start: NDArray[np.intp], length: int) -> tuple[Array, Array]:
    """Direction of, and mean square departure from, the line through each run of an outline."""
    mean = (sums[start + length] - sums[start]) / length
    xx, yy = mean[:, 2] - mean[:, 0] ** 2, mean[:, 3] - mean[:, 1] ** 2
    xy = mean[:, 4] - mean[:, 0] * mean[:, 1]
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    direction = np.column_stack([np.cos(angle), np.sin(angle)])
    chord = piece[start + length - 1] - piece[start]
    direction = direction * np.sign(np.einsum("ij,ij->i", direction, chord))[:, None]
    return direction, 0.5 * (xx + yy) - np.hypot(0.5 * (xx - yy), xy)


def _corner(piece: Array, length: float, middle: int, reach: int, gap: int) -> Corner | None:
    """The corner between two straight runs, if they meet in front of both."""
    runs = (piece[middle - reach : middle - gap], piece[middle + gap : middle + reach])
    centres = [run.mean(axis=0) for run in runs]
    lines = []
    for run, centre in zip(runs, centres, strict=True):
        direction = np.linalg.svd(run - centre, full_matrices=False)[2][0]
        lines.append(direction * np.sign(direction @ (run[-1] - run[0])))
    ahead = np.linalg.solve(np.column_stack([lines[0], -lines[1]]), centres[1] - centres[0])
    apex = centres[0] + ahead[0] * lines[0]
    if ahead[0] < 0.45 * length or ahead[1] > -0.45 * length:
        return None
    off = [np.abs((piece - apex) @ np.array([-line[1], line[0]])) for line in lines]
    first = _straight_until(off[0][: middle - reach][::-1])
    last = _straight_until(off[1][middle + reach :])
    leaves = [
        np.flatnonzero(off[0][middle - reach : middle] < 1.0),
        np.flatnonzero(off[1][middle : middle + reach][::-1] < 1.0),
    ]
    ends = (piece[middle - reach + leaves[0].max()], piece[middle + reach - 1 - leaves[1].max()])
    departure = float(max(np.hypot(*(end - apex)) for end in ends))
    whole = piece[middle - reach - first : middle + reach + last]
    flanks = [-lines[0], lines[1]]
    both = flanks[0] + flanks[1]
    left = np.array([-both[1], both[0]])  # of the way from the tool to the tip
    if flanks[0] @ left < flanks[1] @ left:
        flanks, whole = flanks[::-1], whole[::-1]
    return Corner(apex, flanks[0], flanks[1], length, departure, whole)


def _straight_until(off: Array) -> int:
    """How far a face goes on straight; a speck of dust on it does not end it."""
    bad = np.concatenate([[0], np.cumsum(off > 1.5)])
    ends = np.flatnonzero(bad[16:] - bad[:-16] == 16)
    return int(ends[0]) if len(ends) else len(off)


def _choose(
    name: str,
    corners: list[Corner],
    reduction: int,
    near_px: Sequence[tuple[float, float]] | None,
) -> Corner:
    """The tip to measure, or the refusal."""
    if near_px is not None:
        marks = (np.array(near_px, float) + 0.5) / reduction - 0.5
        reach = NEAR_PX / reduction
        corners = [
            corner for corner in corners if _nearest(marks, corner.apex_px) < reach + corner.departure_px
        ]
        if not corners:
            raise PhotoRefused(
                f"{name}: no tip of a wedge is seen near the marks",
                "set edge_near to points within 100 px of the tip, or focus on the section",
            )
    if not corners:
        raise PhotoRefused(
            f"{name}: no outline of a wedge with its tip is seen in it",
            "light the section from behind, focus on it, and bring the tip and both faces into the frame",
        )
    best = corners[0]
    rivals = [corner for corner in corners[1:] if corner.straight_px > RIVAL * best.straight_px]
    if near_px is not None:
        return min([best, *rivals], key=lambda corner: _nearest(marks, corner.apex_px))
    if rivals:
        at = ", ".join(
            f"[{x:.0f}, {y:.0f}]"
            for x, y in ((corner.apex_px + 0.5) * reduction - 0.5 for corner in (best, *rivals[:2]))
        )
        raise PhotoRefused(
            f"{name}: several corners in it could be the tip (near {at})",
            "mark the cutting edge's with edge_near = [[column, row], [column, row]]",
        )
    return best


def _nearest(line: Array, point: Array) -> float:
    """Distance of a point from a polyline."""
    start, along = line[:-1], np.diff(line, axis=0)
    length2 = np.maximum(np.einsum("ij,ij->i", along, along), 1e-12)
    t = np.clip(np.einsum("ij,ij->i", point - start, along) / length2, 0.0, 1.0)
    return float(np.hypot(*(start + t[:, None] * along - point).T).min())


# --- The contour: on the photo itself


@dataclass(frozen=True)
class _Cut:
    """The part of a photo around a tip: smoothed light, where its corner lies, and the outline in it."""

    light: NDArray[np.float32]
    origin: Array
    outline: Array
    outside: NDArray[np.bool_]
    away_px: NDArray[np.float32]


def _cut(photo: Photo, corner: Corner, reduction: int) -> _Cut:
    reach = 3.0 * corner.departure_px + 90.0 / reduction + 20.0
    near = np.hypot(*(corner.piece_px - corner.apex_px).T) < reach
    outline = (corner.piece_px[near] + 0.5) * reduction - 0.5
    margin = LEVEL_REACH_PX + 20.0
    low = np.maximum(np.floor(outline.min(axis=0) - margin), 0).astype(int)
    high = np.ceil(outline.max(axis=0) + margin).astype(int) + 1
    light = photo.linear(slice(low[1], high[1]), slice(low[0], high[0])).mean(axis=2)
    light = np.asarray(cv2.GaussianBlur(light, (0, 0), SMOOTH_PX), np.float32)
    # distance from the rough outline, and its side, on the grid of the light
    drawn = np.full(light.shape, 255, np.uint8)
    fixed = np.round((outline - low) * 16).astype(np.int32)
    cv2.polylines(drawn, [fixed[:, None, :]], False, 0, shift=4)
    away = cv2.distanceTransform(drawn, cv2.DIST_L2, cv2.DIST_MASK_5)
    apex = (corner.apex_px + 0.5) * reduction - 0.5
    far = 4.0 * max(light.shape)
    ends = (outline[0] + far * corner.flank_a, outline[-1] + far * corner.flank_b)
    closed = np.concatenate([outline, [ends[1], apex + far * corner.bisector, ends[0]]]) - low
    tool = np.zeros(light.shape, np.uint8)
    cv2.fillPoly(tool, [np.round(closed).astype(np.int32)[:, None, :]], 1)
    return _Cut(light, low.astype(float), outline - low, tool == 0, np.asarray(away, np.float32))


def _contour(photo: Photo, corner: Corner, reduction: int) -> Section:
    """Half-level contour along a corner's outline, and how good it is."""
    cut = _cut(photo, corner, reduction)
    apex = (corner.apex_px + 0.5) * reduction - 0.5
    faint = PhotoRefused(
        f"{photo.path.name}: the wedge hardly stands out from what is behind it",
        "light the section from behind, or put it before a plain ground of another brightness",
    )
    guard = max(8.0, 3.0 * reduction)
    while True:
        levels = _levels(cut, guard)
        if levels is None or levels.contrast < LEAST_CONTRAST:
            raise faint
        probit = _probit(cut.light, levels)
        points = _crossings(probit, cut, guard)
        faces = _faces(probit, points, apex - cut.origin, corner, reduction)
        if faces is None:
            raise PhotoRefused(
                f"{photo.path.name}: too little of a straight, sharp face is seen beside the tip",
                "bring the tip to the middle of the frame, focus on it, and clean the section",
            )
        if 4.0 * faces.blur_px <= guard or guard > LEVEL_REACH_PX:
            break
        guard = 4.0 * faces.blur_px + 2.0  # the levels are those beyond the blur
    blur = faces.blur_px
    own = float(np.sqrt(max(blur**2 - SMOOTH_PX**2, 0.0)))
    if own > WORST_BLUR_PX and own > 0.1 * corner.departure_px * reduction:
        raise PhotoRefused(
            f"{photo.path.name}: the section is out of focus (blur {own:.1f} pixels)",
            "focus on the section, steady the microscope, and take it again",
        )
    dark_tool = float(levels.tool.mean()) < float(levels.ground.mean())
    bright_side = cut.outside if dark_tool else ~cut.outside
    near = bright_side & (cut.away_px > guard) & (cut.away_px < guard + LEVEL_REACH_PX)
    clipped = float((cut.light[near] >= CLIPPED).mean())
    doubts = []
    if clipped > BURNT:
        doubts.append(reason("outline-burnt-out", share=clipped))
    if faces.unequal > UNEVEN_BLUR:
        doubts.append(reason("faces-unlike-sharp"))
    return Section(
        photo=photo,
        points_px=points + cut.origin,
        apex_px=apex,
        bisector_angle=float(np.arctan2(corner.bisector[1], corner.bisector[0])),
        wedge_angle=corner.wedge_angle,
        blur_px=own,
        contour_blur_px=blur,
        u_contour_blur_px=float(np.hypot(faces.u_blur_px, BLUR_SHARE * own)),
        noise_px=faces.noise_px,
        u_level_px=float(blur * np.hypot(TONE_SHARE, np.sqrt(2 * np.pi) * 0.5 * levels.unsure)),
        contrast=levels.contrast,
        clipped_share=clipped,
        dark_tool=dark_tool,
        doubts=tuple(doubts),
    )


@dataclass(frozen=True)
class _Levels:
    """Light of tool and background at each pixel, drawn on from beside the outline.

    `unsure` is the standard deviation of what these smooth levels leave over, patch by patch, over the contrast
    of the two; `contrast` their difference over their sum.
    """

    tool: NDArray[np.float32]
    ground: NDArray[np.float32]
    unsure: float
    contrast: float


def _levels(cut: _Cut, guard: float) -> _Levels | None:
    """Levels beyond `guard` from the outline; None where there is too little beside it to tell."""
    height, width = cut.light.shape
    y, x = np.linspace(-1.0, 1.0, height)[:, None], np.linspace(-1.0, 1.0, width)[None, :]
    step = max(1, int(np.sqrt(cut.light.size / 150_000)))
    thin = (slice(None, None, step), slice(None, None, step))
    away, outside, light = cut.away_px[thin], cut.outside[thin], cut.light[thin]
    beside = (away > guard) & (away < guard + LEVEL_REACH_PX)
    found, left_over = [], []
    for side in (~outside, outside):
        rows, columns = np.nonzero(beside & side)
        if len(rows) < 60:
            return None
        v, u = y[rows * step, 0], x[0, columns * step]
        terms = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])
        value = light[rows, columns].astype(float)
        keep = np.ones(len(value), bool)
        for _ in range(4):
            w = np.linalg.lstsq(terms[keep], value[keep], rcond=None)[0]
            off = value - terms @ w
            keep = np.abs(off) <= 3.0 * _spread(off) + 1e-6
        _, patch = np.unique((rows * step // 24) * 100_000 + columns * step // 24, return_inverse=True)
        size = np.bincount(patch, keep)
        means = np.bincount(patch, np.where(keep, off, 0.0)) / np.maximum(size, 1.0)
        left_over.append(float(means[size >= 5].std()) if (size >= 5).sum() > 2 else 0.0)
        level = (w[0] + w[2] * y + w[5] * y * y) + (w[1] + w[4] * y) * x + w[3] * x * x
        found.append(np.asarray(level, np.float32))
    difference = abs(float(np.median(found[0] - found[1]))) + 1e-9
    total = max(float(np.median(found[0] + found[1])), 1e-3)
    return _Levels(
        found[0], found[1], float(np.hypot(left_over[0], left_over[1])) / difference, difference / total
    )


def _probit(light: NDArray[np.float32], levels: _Levels) -> Array:
    """Probit of the share of tool in each pixel's light, held where noise would rule it."""
    span = levels.tool - levels.ground
    typical = float(np.median(span))
    share = (light - levels.ground) / np.where(span * np.sign(typical) < 0.1 * abs(typical), typical, span)
    probit = np.where(share > 0.5, _FAR, -_FAR)
    between = (share > 0.02) & (share < 0.98)
    probit[between] = ndtri(share[between])
    return probit


def _crossings(probit: Array, cut: _Cut, guard: float) -> Array:
    """Places where the probit is zero between neighbours along rows and columns, near the rough outline."""
    found = []
    for axis in (0, 1):
        first = probit[:-1] if axis == 0 else probit[:, :-1]
        second = probit[1:] if axis == 0 else probit[:, 1:]
        near = cut.away_px[:-1] if axis == 0 else cut.away_px[:, :-1]
        rows, columns = np.nonzero(((first > 0) != (second > 0)) & (near < guard))
        a, b = first[rows, columns], second[rows, columns]
        part = a / (a - b)
        found.append(
            np.column_stack([columns + part, rows] if axis else [columns, rows + part]).astype(float)
        )
    points = np.concatenate(found)
    tree = cKDTree(cut.outline)
    far, at = tree.query(points)
    # not beyond the ends of the faces, and not where the frame ends
    inner = (at > 2) & (at < len(cut.outline) - 3) & (far < guard)
    height, width = probit.shape
    border = (points > 2.0).all(axis=1) & (points < np.array([width - 3.0, height - 3.0])).all(axis=1)
    return np.asarray(points[inner & border])


@dataclass(frozen=True)
class _Faces:
    """What the contour is like along the two faces: blur, how far they differ in it, and scatter of the points."""

    blur_px: float
    u_blur_px: float
    unequal: float
    noise_px: float


def _faces(probit: Array, points: Array, apex: Array, corner: Corner, reduction: int) -> _Faces | None:
    """Read the blur across both faces; None where too little of one is seen."""
    blurs, errors, noises = [], [], []
    for flank, normal in (
        (corner.flank_a, corner.flank_b),
        (corner.flank_b, corner.flank_a),
    ):
        normal = normal - (normal @ flank) * flank  # into the tool
        normal = normal / np.hypot(*normal)
        along, off = (points - apex) @ flank, (points - apex) @ normal
        face = (along > 1.2 * corner.departure_px * reduction + 3.0) & (np.abs(off) < 5.0 * reduction)
        if face.sum() < 15:
            return None
        bend = np.polynomial.Polynomial.fit(along[face], off[face], 1)
        normal = normal - bend.deriv()(0.0) * flank
        normal = normal / np.hypot(*normal)
        noises.append(_spread(off[face] - bend(along[face])))
        columns, rows = points[face].T
        inward, outward = (
            map_coordinates(probit, [rows + way * normal[1], columns + way * normal[0]], order=1)
            for way in (1.0, -1.0)
        )
        slope = 0.5 * (inward - outward)
        usual = np.abs(slope - np.median(slope)) < 3.0 * _spread(slope) + 1e-6
        mean = float(slope[usual].mean())
        if mean <= 0.02:
            return None
        blurs.append(1.0 / mean)
        # neighbouring points share the smoothing: some six of them are one reading
        errors.append(float(slope[usual].std()) / mean**2 * np.sqrt(6.0 / usual.sum()))
    weight = 1.0 / (np.square(errors) + 1e-8)
    blur = float(weight @ np.array(blurs) / weight.sum())
    own = [np.sqrt(max(value**2 - SMOOTH_PX**2, 0.01)) for value in blurs]
    unequal = abs(own[0] - own[1]) - 3.0 * float(np.hypot(errors[0], errors[1]))
    return _Faces(blur, float(weight.sum() ** -0.5), unequal / max(own), float(np.mean(noises)))


def _spread(values: Array) -> float:
    """Standard deviation of what most of the values are like."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
