"""Where the tip of a wedge is in a photo of its section: on the photo reduced, between two straight outlines.

Pixel convention everywhere: the centre of the top left pixel is (0, 0), x is the column, y the row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from skimage.measure import LineModelND, ransac

from wearscope.errors import PhotoRefused
from wearscope.imaging.photo import Photo

Array = NDArray[np.float64]

WORK_SIDE_PX = 800  # the search runs on a photo reduced to this longer side
NEAR_PX = 100.0  # how far from the tip a hand-drawn mark may lie
MARKED_PX = 25.0  # as near as the nearest within this: how well a hand marks a place; as for an edge
LEAST_RUN_PX = 12.0  # of the reduced photo: a shorter run says nothing of a line
LEAST_FLANK_PX, LEAST_FLANK_SHARE = 20.0, 0.04  # the same for a face, and of the photo's longer side
TWO_LEVELS = 0.7  # share of the variance between bright and dark; noise alone has 2 / pi
# A wedge's angle is at least the first; its two faces turn the outline by at least the second
SHARPEST_ANGLE, LEAST_TURN = np.radians(15.0), np.radians(35.0)
LONG = 0.1  # of the photo's longer side: an outline that may be a face
ON_LINE_PX = 2.0  # off a straight outline: specks lie further
LEAST_ON_LINE = 0.75  # of a straight outline, the rest being specks
# Half of the pairs of points without specks tell the line: (1 - 0.28)^50 = 7e-8 to miss it
RANSAC_TRIALS = 50
# Pixels are those of the reduced photo. Limits without another ground are chosen, no source;
# tests/imaging/test_section.py holds what must be found by them and what refused.
CAPTIONS = 0.002  # of the picture at either end of its range: writing burned into it
SPECK_PX = 7  # side of the median that takes specks and thin lines out
SAME_TIP_PX = 12.0  # between tips, besides half the rounding, within which they are one
FRAME_PX = 3.0  # from the border, within which an outline runs along the frame
CHAIN_PX = 1.5  # standard deviation of the smoothing that takes the steps out of a chain of pixels
REACHES = 24  # lengths of faces that are tried
ROUNDED_SHARES = (0.05, 0.15, 0.3, 0.5, 0.7, 0.85)  # of a face's length, that the rounding may take
# Root mean square off a line, and the share of its length that a lens may bend it
STRAIGHT_PX, BENT = 0.5, 0.001
MOST_TIPS = 12  # of one outline, that are gone into
IN_FRONT = 0.45  # of a run's length from its middle: the two meet beyond its end, or nearly so
LEAVES_PX = 1.0  # off a face's line, where the rounding begins
# Behind the chord of a rounding, and as a share of how far it leaves the apex: deeper than a chip that leaves a tip
NOTCH_PX, NOTCHED = 3.0, 0.1
OFF_FACE_PX, LONGEST_SPECK = 1.5, 16  # off a face's line, and for how long, until the face ends
CLUTTER_PX = 2 * LEAST_FLANK_PX  # several tips with faces shorter than this are the grain of the picture
RIVAL = 0.5  # a second tip with faces this long against the first makes the choice unclear


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

    @property
    def tip_px(self) -> Array:
        """Where a round tip ends that leaves both faces at `departure_px`: what a person sees and marks."""
        half = 0.5 * self.wedge_angle
        return np.asarray(
            self.apex_px + self.departure_px * (1.0 - np.sin(half)) / np.cos(half) * self.bisector
        )


def find_tip(photo: Photo, near_px: Sequence[tuple[float, float]] | None = None) -> tuple[Corner, int]:
    """Find the tip to measure.

    Parameters
    ----------
    photo : Photo
    near_px : sequence of (column, row), optional
        Hand-drawn points near it.

    Returns
    -------
    corner : Corner
        In pixels of the reduced photo.
    reduction : int
        Side of the blocks of pixels that were averaged.

    Raises
    ------
    PhotoRefused
        When there is none, it lies outside the frame, or several could be it.
    """
    work, reduction = _work_image(photo)
    pieces = _outlines(work)
    least = max(LEAST_FLANK_PX, LEAST_FLANK_SHARE * max(work.shape))
    corners = [corner for corner in _corners(pieces, least) if _in_frame(corner.tip_px, work.shape)]
    if not corners and _tip_beyond(pieces, work.shape):
        raise PhotoRefused(
            f"{photo.path.name}: the tip of the wedge lies outside the frame",
            "bring the tip to the middle of the frame and take it again",
            "tip-outside-frame",
        )
    return _choose(photo.path.name, corners, reduction, near_px), reduction


def _work_image(photo: Photo) -> tuple[NDArray[np.uint8], int]:
    """The photo in grey as coded, reduced, its specks and thin lines taken out, and the side of its blocks."""
    height, width = photo.pixels.shape[:2]
    reduction = max(1, round(max(height, width) / WORK_SIDE_PX))
    size = (width // reduction, height // reduction)
    whole = photo.pixels[: size[1] * reduction, : size[0] * reduction]
    small = cv2.resize(whole, size, interpolation=cv2.INTER_AREA).astype(np.float32).mean(axis=2)
    if photo.encoding == "linear":
        small = np.sqrt(small)
    low, high = np.quantile(small, [CAPTIONS, 1.0 - CAPTIONS])
    grey = np.clip(255.0 * (small - low) / max(float(high - low), 1e-6), 0, 255).astype(np.uint8)
    return np.asarray(cv2.medianBlur(grey, SPECK_PX), np.uint8), reduction


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
        if all(gap > SAME_TIP_PX + 0.5 * other.departure_px for gap, other in zip(apart, kept, strict=True)):
            kept.append(corner)
    return kept


def _in_frame(place_px: Array, shape: tuple[int, ...]) -> bool:
    return bool((place_px >= 0).all() and (place_px <= np.array(shape[::-1]) - 1).all())


def _tip_beyond(pieces: list[Array], shape: tuple[int, ...]) -> bool:
    """Whether two straight outlines would meet at a wedge's angle outside the frame."""
    lines = [line for piece in pieces if len(piece) > LONG * max(shape) and (line := _straight_line(piece))]
    for k, (one, along) in enumerate(lines):
        for other, way in lines[:k]:
            if abs(along @ way) > np.cos(SHARPEST_ANGLE):
                continue
            ahead = np.linalg.solve(np.column_stack([along, -way]), other - one)[0]
            meet = one + ahead * along
            if not _in_frame(meet, shape):
                return True
    return False


def _straight_line(piece: Array) -> tuple[Array, Array] | None:
    """A point and the direction of an outline that is straight but for specks on it; None where it is not."""
    line, on_line = ransac(
        piece, LineModelND, min_samples=2, residual_threshold=ON_LINE_PX, max_trials=RANSAC_TRIALS, rng=0
    )
    return (line.origin, line.direction) if line and on_line.mean() > LEAST_ON_LINE else None


def _inner_pieces(contour: Array, shape: tuple[int, ...]) -> list[Array]:
    """Pieces of a closed contour that do not run along the frame's border, smoothed, evenly spaced by 1."""
    height, width = shape
    border = (np.minimum(contour, np.array([width - 1, height - 1]) - contour) < FRAME_PX).any(axis=1)
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
        smooth = gaussian_filter1d(piece, CHAIN_PX, axis=0, mode="nearest")
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
    for reach in np.unique(
        np.geomspace(LEAST_FLANK_PX, max((n - 1) / 2, LEAST_FLANK_PX), REACHES).astype(int)
    ):
        middle = np.arange(reach, n - reach)
        if not len(middle):
            break
        for share in ROUNDED_SHARES:
            gap = int(share * reach)
            length = reach - gap
            if length < LEAST_RUN_PX:
                continue
            before, off_before = _runs(piece, sums, middle - reach, length)
            after, off_after = _runs(piece, sums, middle + gap, length)
            bound = (STRAIGHT_PX + BENT * length) ** 2
            cosine = np.einsum("ij,ij->i", before, after)
            turns = (cosine < np.cos(LEAST_TURN)) & (cosine > -np.cos(SHARPEST_ANGLE))
            good = np.flatnonzero(turns & (off_before < bound) & (off_after < bound))
            for places in np.split(good, np.flatnonzero(np.diff(good) > 1) + 1) if len(good) else []:
                # of neighbouring places the middle one
                best = places[np.argmin(off_before[places] + off_after[places])]
                found.append((float(length), int(middle[best]), int(reach), gap))
    return _apart(piece, found)


def _apart(piece: Array, found: list[tuple[float, int, int, int]]) -> list[Corner]:
    """Corners at places along an outline, the longest runs first; one for each tip, however many runs meet in it."""
    corners: list[Corner] = []
    taken: list[tuple[int, int]] = []
    for length, middle, reach, gap in sorted(found, reverse=True):
        if any(abs(middle - at) <= wide for at, wide in taken):
            continue
        corner = _corner(piece, length, middle, reach, gap)
        if corner is None:
            continue
        corners.append(corner)
        taken.append((middle, gap + int(SAME_TIP_PX)))
        if len(corners) == MOST_TIPS:
            break
    return corners


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
    if ahead[0] < IN_FRONT * length or ahead[1] > -IN_FRONT * length:
        return None
    off = [np.abs((piece - apex) @ np.array([-line[1], line[0]])) for line in lines]
    first = _straight_until(off[0][: middle - reach][::-1])
    last = _straight_until(off[1][middle + reach :])
    # the rounding, wherever between the runs it lies: from the last place on one face to the first on the other
    begin = middle - reach + int(np.flatnonzero(off[0][middle - reach : middle + reach] < LEAVES_PX).max())
    on_second = np.flatnonzero(off[1][begin : middle + reach] < LEAVES_PX)
    if not len(on_second):
        return None
    end = begin + int(on_second[0])
    departure = float(max(np.hypot(*(piece[at] - apex)) for at in (begin, end)))
    if _notched(piece[begin : end + 1], apex, lines[1] - lines[0], departure):
        return None
    whole = piece[middle - reach - first : middle + reach + last]
    flanks = [-lines[0], lines[1]]
    both = flanks[0] + flanks[1]
    left = np.array([-both[1], both[0]])  # of the way from the tool to the tip
    if flanks[0] @ left < flanks[1] @ left:
        flanks, whole = flanks[::-1], whole[::-1]
    return Corner(apex, flanks[0], flanks[1], length, departure, whole)


def _notched(rounding: Array, apex: Array, into: Array, departure: float) -> bool:
    """Whether an outline goes back behind the chord of its rounding, as between two tips that share no face."""
    depth = (rounding - apex) @ into / np.hypot(*into)
    return bool(depth.max() > max(depth[0], depth[-1]) + max(NOTCH_PX, NOTCHED * departure))


def _straight_until(off: Array) -> int:
    """How far a face goes on straight; a speck of dust on it does not end it."""
    bad = np.concatenate([[0], np.cumsum(off > OFF_FACE_PX)])
    ends = np.flatnonzero(bad[LONGEST_SPECK:] - bad[:-LONGEST_SPECK] == LONGEST_SPECK)
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
        off = [_nearest(marks, corner.tip_px) for corner in corners]
        # the tip that is marked, however long the faces of another one near by
        reach = min(NEAR_PX, min(off, default=0.0) * reduction + MARKED_PX) / reduction
        corners = [corner for corner, away in zip(corners, off, strict=True) if away < reach]
        if not corners:
            raise PhotoRefused(
                f"{name}: no tip of a wedge is seen near the marks",
                f"set edge_near to points within {NEAR_PX:.0f} px of the tip, or focus on the section",
                "no-tip-near-marks",
            )
    rivals = [corner for corner in corners[1:] if corner.straight_px > RIVAL * corners[0].straight_px]
    if not corners or (near_px is None and rivals and corners[0].straight_px < CLUTTER_PX):
        raise PhotoRefused(
            f"{name}: no outline of a wedge with its tip is seen in it",
            "light the section from behind, focus on it, and bring the tip and both faces into the frame",
            "no-tip-seen",
        )
    best = corners[0]
    if near_px is not None:
        return min([best, *rivals], key=lambda corner: _nearest(marks, corner.tip_px))
    if rivals:
        at = ", ".join(
            f"[{x:.0f}, {y:.0f}]"
            for x, y in ((corner.apex_px + 0.5) * reduction - 0.5 for corner in (best, *rivals[:2]))
        )
        raise PhotoRefused(
            f"{name}: several corners in it could be the tip (near {at})",
            "mark the cutting edge's with edge_near = [[column, row], [column, row]]",
            "several-tips",
        )
    return best


def _nearest(line: Array, point: Array) -> float:
    """Distance of a point from a polyline."""
    start, along = line[:-1], np.diff(line, axis=0)
    length2 = np.maximum(np.einsum("ij,ij->i", along, along), 1e-12)
    t = np.clip(np.einsum("ij,ij->i", point - start, along) / length2, 0.0, 1.0)
    return float(np.hypot(*(start + t[:, None] * along - point).T).min())
