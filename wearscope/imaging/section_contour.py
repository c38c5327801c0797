"""The half-level contour of a wedge's section near its tip, to a fraction of a pixel, and how good it is.

Notes
-----
Across a straight edge behind a Gaussian blur the light, as a share v between its two levels, is a normal distribution
function, so the probit of v is a straight line whose zero is the edge and whose slope is 1 / blur. The contour is
where that probit, read between neighbouring pixels, is zero. Before it is taken the photo is smoothed by a
Gaussian of `SMOOTH_PX`, which quietens the noise and only adds to the blur in squares. Near a curved tip the contour
is still that of half level, which lies inside the tip's own by about blur² / (2 radius): `wear.tip` fits that in.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree
from scipy.special import ndtr, ndtri
from skimage.measure import find_contours

from wearscope.errors import PhotoRefused
from wearscope.imaging.photo import Photo
from wearscope.imaging.section_beside import CLEAR_BLURS, Beside, light_beside
from wearscope.imaging.section_tip import Array, Corner
from wearscope.light.clipping import CLIPPED
from wearscope.metrology.robust import scatter

SMOOTH_PX = 1.0  # about the blur of a sharp photo: halves the noise, and adds to the blur in squares
LEAST_CONTRAST = 0.06  # difference of the two levels over their sum; as for a strip (see `quality`)
LEVEL_REACH_PX = 60.0  # beside the outline, where the levels are read: enough to see how they change
BESIDE_REACH_PX = (
    40.0  # how far from it a second line counts: the next tooth is further off; chosen, no source
)
# Of the faces beside the tip: times the rounding, px of the photo, and px beyond
REACH_DEPARTURES, REACH_PX, MARGIN_PX = 3.0, 90.0, 20.0
LEAST_GUARD_PX = 8.0  # about the rough outline, which lies within a pixel of the reduced photo
GUARD_BLURS = 4.0  # beyond so many blurs nothing of the edge is left in the levels (6e-5 of the step)
LEAST_BESIDE = 60  # places on one side: six coefficients want ten times as many
LEVEL_SAMPLES = 150_000  # of the picture beside the outline tell its levels
STRAY = 3.0  # robust standard deviations of dust beside the outline
PATCH_PX = 24  # squares over which what the smooth levels leave over is averaged
FACE_FROM = 1.2  # times the departure from the apex, from where a face is straight
FACE_WITHIN_PX = 5.0  # of the reduced photo, beside the straight face
LEAST_ON_FACE = 15  # points
NEIGHBOURS = 6.0  # points that share the smoothing: so many are one reading
LEAST_SPAN = 0.1  # of the usual difference of the levels, below which light says nothing of the share
LEAST_SLOPE = 0.02  # of the probit, per px: a blur of 50 px is no edge
SURE_SHARE = 0.98  # of tool in a pixel's light; beyond it noise rules the probit
_FAR = float(ndtri(SURE_SHARE))
SHOULDER_BLURS = (
    1.5  # off the contour, where 93 % of a step of light is done, and a narrow land has hardly begun
)


@dataclass(frozen=True)
class Cut:
    """The part of a photo around a tip.

    Attributes
    ----------
    light : ndarray of float32, shape (h, w)
        Smoothed.
    origin_px : ndarray, shape (2,)
        Column and row in the photo of its first pixel.
    outline_px : ndarray, shape (n, 2)
        The rough outline, in its own pixels.
    outside : ndarray of bool, shape (h, w)
        Beyond the rough outline.
    away_px : ndarray of float32, shape (h, w)
        Distance from it.
    """

    light: NDArray[np.float32]
    origin_px: Array
    outline_px: Array
    outside: NDArray[np.bool_]
    away_px: NDArray[np.float32]


def _cut(photo: Photo, corner: Corner, reduction: int) -> Cut:
    reach = REACH_DEPARTURES * corner.departure_px + REACH_PX / reduction + MARGIN_PX
    near = np.hypot(*(corner.piece_px - corner.apex_px).T) < reach
    outline = (corner.piece_px[near] + 0.5) * reduction - 0.5
    margin = LEVEL_REACH_PX + MARGIN_PX
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
    far = 4.0 * max(light.shape)  # beyond the picture
    ends = (outline[0] + far * corner.flank_a, outline[-1] + far * corner.flank_b)
    closed = np.concatenate([outline, [ends[1], apex + far * corner.bisector, ends[0]]]) - low
    tool = np.zeros(light.shape, np.uint8)
    cv2.fillPoly(tool, [np.round(closed).astype(np.int32)[:, None, :]], 1)
    return Cut(light, low.astype(float), outline - low, tool == 0, np.asarray(away, np.float32))


@dataclass(frozen=True)
class Levels:
    """Light of tool and background at each pixel, drawn on from beside the outline.

    Attributes
    ----------
    tool, ground : ndarray of float32, shape (h, w)
    unsure : float
        Standard deviation of what these smooth levels leave over, patch by patch, over the contrast of the two.
    contrast : float
        Their difference over their sum.
    """

    tool: NDArray[np.float32]
    ground: NDArray[np.float32]
    unsure: float
    contrast: float


def _levels(cut: Cut, guard: float) -> Levels | None:
    """Levels beyond `guard` from the outline; None where there is too little beside it to tell."""
    height, width = cut.light.shape
    y, x = np.linspace(-1.0, 1.0, height)[:, None], np.linspace(-1.0, 1.0, width)[None, :]
    step = max(1, int(np.sqrt(cut.light.size / LEVEL_SAMPLES)))
    thin = (slice(None, None, step), slice(None, None, step))
    away, outside, light = cut.away_px[thin], cut.outside[thin], cut.light[thin]
    beside = (away > guard) & (away < guard + LEVEL_REACH_PX)
    found, left_over = [], []
    for side in (~outside, outside):
        rows, columns = np.nonzero(beside & side)
        if len(rows) < LEAST_BESIDE:
            return None
        v, u = y[rows * step, 0], x[0, columns * step]
        terms = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])
        value = light[rows, columns].astype(float)
        # the next tooth must not tilt the level: it is the smaller part, however dark
        off = value - np.median(value)
        keep = np.abs(off) <= STRAY * scatter(off) + 1e-6
        for _ in range(4):
            w = np.linalg.lstsq(terms[keep], value[keep], rcond=None)[0]
            off = value - terms @ w
            keep = np.abs(off) <= STRAY * scatter(off) + 1e-6
        _, patch = np.unique(
            (rows * step // PATCH_PX) * width + columns * step // PATCH_PX, return_inverse=True
        )
        size = np.bincount(patch, keep)
        means = np.bincount(patch, np.where(keep, off, 0.0)) / np.maximum(size, 1.0)
        left_over.append(float(means[size >= 5].std()) if (size >= 5).sum() > 2 else 0.0)
        level = (w[0] + w[2] * y + w[5] * y * y) + (w[1] + w[4] * y) * x + w[3] * x * x
        found.append(np.asarray(level, np.float32))
    difference = abs(float(np.median(found[0] - found[1]))) + 1e-9
    total = max(float(np.median(found[0] + found[1])), 1e-3)
    return Levels(
        found[0], found[1], float(np.hypot(left_over[0], left_over[1])) / difference, difference / total
    )


def _probit(light: NDArray[np.float32], levels: Levels) -> Array:
    """Probit of the share of tool in each pixel's light, held where noise would rule it."""
    span = levels.tool - levels.ground
    typical = float(np.median(span))
    share = (light - levels.ground) / np.where(
        span * np.sign(typical) < LEAST_SPAN * abs(typical), typical, span
    )
    probit = np.where(share > 0.5, _FAR, -_FAR)
    between = (share > 1.0 - SURE_SHARE) & (share < SURE_SHARE)
    probit[between] = ndtri(share[between])
    return probit


def _crossings(probit: Array, cut: Cut, guard: float) -> Array:
    """Places near the rough outline where the probit, read between neighbours along rows and columns, is zero."""
    near = cut.away_px < guard
    contours = find_contours(probit, 0.0, mask=near)
    points = np.unique(np.concatenate([np.zeros((0, 2)), *contours]), axis=0)[:, ::-1]
    far, at = cKDTree(cut.outline_px).query(points)
    # not beyond the ends of the faces, and not where the frame ends
    inner = (at > 2) & (at < len(cut.outline_px) - 3) & (far < guard)
    height, width = probit.shape
    border = (points > 2.0).all(axis=1) & (points < np.array([width - 3.0, height - 3.0])).all(axis=1)
    return np.asarray(points[inner & border])


@dataclass(frozen=True)
class Faces:
    """What the contour is like along the two faces.

    Attributes
    ----------
    blur_px, u_blur_px : float
        Across them, with its standard uncertainty.
    unequal : float
        How far they differ in their own blur, beyond chance, over the larger.
    noise_px : float
        Standard deviation of the points about straight faces.
    shoulder_share : float
        Share of the step of light that is still to come `SHOULDER_BLURS` off the contour, beyond what the blur leaves
        there, the greater of both sides: a land narrower than the blur's reach runs along the outline.
    """

    blur_px: float
    u_blur_px: float
    unequal: float
    noise_px: float
    shoulder_share: float


def _faces(probit: Array, points: Array, apex: Array, corner: Corner, reduction: int) -> Faces | None:
    """Read the blur across both faces; None where too little of one is seen."""
    blurs, errors, noises, shoulder = [], [], [], 0.0
    for flank, normal in (
        (corner.flank_a, corner.flank_b),
        (corner.flank_b, corner.flank_a),
    ):
        normal = normal - (normal @ flank) * flank  # into the tool
        normal = normal / np.hypot(*normal)
        along, off = (points - apex) @ flank, (points - apex) @ normal
        face = (along > FACE_FROM * corner.departure_px * reduction + 3.0) & (
            np.abs(off) < FACE_WITHIN_PX * reduction
        )
        if face.sum() < LEAST_ON_FACE:
            return None
        bend = np.polynomial.Polynomial.fit(along[face], off[face], 1)
        normal = normal - bend.deriv()(0.0) * flank
        normal = normal / np.hypot(*normal)
        noises.append(scatter(off[face] - bend(along[face])))
        columns, rows = points[face].T
        inward, outward = (
            map_coordinates(probit, [rows + way * normal[1], columns + way * normal[0]], order=1)
            for way in (1.0, -1.0)
        )
        slope = 0.5 * (inward - outward)
        usual = np.abs(slope - np.median(slope)) < STRAY * scatter(slope) + 1e-6
        mean = float(slope[usual].mean())
        if mean <= LEAST_SLOPE:
            return None
        blurs.append(1.0 / mean)
        shoulder = max(shoulder, _shoulder(probit, points[face], normal / mean))
        # neighbouring points share the smoothing
        errors.append(float(slope[usual].std()) / mean**2 * np.sqrt(NEIGHBOURS / usual.sum()))
    weight = 1.0 / (np.square(errors) + 1e-8)
    blur = float(weight @ np.array(blurs) / weight.sum())
    own = [np.sqrt(max(value**2 - SMOOTH_PX**2, 0.01)) for value in blurs]
    unequal = abs(own[0] - own[1]) - 3.0 * float(np.hypot(errors[0], errors[1]))
    return Faces(blur, float(weight.sum() ** -0.5), unequal / max(own), float(np.mean(noises)), shoulder)


def _shoulder(probit: Array, points: Array, blur: Array) -> float:
    """What is missing of the step of light `SHOULDER_BLURS` off the contour, as a middling point shows it."""
    shares = []
    for way in (1.0, -1.0):
        columns, rows = (points + way * SHOULDER_BLURS * blur).T
        share = ndtr(way * map_coordinates(probit, [rows, columns], order=1))
        shares.append(float(np.median(share)))
    return max(0.0, float(ndtr(SHOULDER_BLURS)) - min(shares))


def _beside(cut: Cut, levels: Levels, apex: Array, corner: Corner, reach_px: tuple[float, float]) -> Beside:
    """What runs beside the two faces, each on its own side of the bisector."""
    rows, columns = np.indices(cut.light.shape)
    x, y = columns - apex[0], rows - apex[1]
    contrast = float(np.median(np.abs(levels.tool - levels.ground)))
    along = []
    for flank in (corner.flank_a, corner.flank_b):
        own = flank - corner.bisector * (flank @ corner.bisector)  # across the bisector, towards this face
        place = x * flank[0] + y * flank[1]
        # beyond the end of the face another one may begin
        end = float(((cut.outline_px - apex) @ flank).max())
        along.append(np.where((x * own[0] + y * own[1] > 0) & (place < end), place, np.nan))
    off = ((cut.light - levels.tool) / contrast, (cut.light - levels.ground) / contrast)
    return light_beside(off, cut.away_px, cut.outside, (along[0], along[1]), reach_px)


@dataclass(frozen=True)
class Contour:
    """The contour along a corner's outline, and what it was read from.

    Attributes
    ----------
    cut : Cut
    points_px : ndarray, shape (N, 2)
        In the pixels of `cut`.
    levels : Levels
    faces : Faces
    guard_px : float
        About the outline, beyond which the levels were read.
    beside : Beside
        What runs beside the outline.
    """

    cut: Cut
    points_px: Array
    levels: Levels
    faces: Faces
    guard_px: float
    beside: Beside

    @property
    def dark_tool(self) -> bool:
        """The tool is darker than what is behind it."""
        return float(self.levels.tool.mean()) < float(self.levels.ground.mean())

    def clipped_share(self) -> float:
        """Share at full light of the bright side beside the outline.

        Returns
        -------
        float
        """
        bright = self.cut.outside if self.dark_tool else ~self.cut.outside
        away = self.cut.away_px
        near = bright & (away > self.guard_px) & (away < self.guard_px + LEVEL_REACH_PX)
        return float((self.cut.light[near] >= CLIPPED).mean())


def read_contour(photo: Photo, corner: Corner, reduction: int) -> Contour:
    """Read the half-level contour along a corner's outline.

    Parameters
    ----------
    photo : Photo
    corner : Corner
        In pixels of the photo reduced by `reduction`.
    reduction : int

    Returns
    -------
    Contour

    Raises
    ------
    PhotoRefused
        When the wedge hardly stands out, or too little of its faces is seen.
    """
    cut = _cut(photo, corner, reduction)
    apex = (corner.apex_px + 0.5) * reduction - 0.5
    guard = max(LEAST_GUARD_PX, 3.0 * reduction)
    while True:
        levels = _levels(cut, guard)
        if levels is None or levels.contrast < LEAST_CONTRAST:
            raise PhotoRefused(
                f"{photo.path.name}: the wedge hardly stands out from what is behind it",
                "light the section from behind, or put it before a plain ground of another brightness",
                "too-little-contrast",
            )
        probit = _probit(cut.light, levels)
        points = _crossings(probit, cut, guard)
        faces = _faces(probit, points, apex - cut.origin_px, corner, reduction)
        if faces is None:
            raise PhotoRefused(
                f"{photo.path.name}: too little of a straight, sharp face is seen beside the tip",
                "bring the tip to the middle of the frame, focus on it, and clean the section",
                "too-little-face",
            )
        if GUARD_BLURS * faces.blur_px <= guard or guard > LEVEL_REACH_PX:
            clear = CLEAR_BLURS * faces.blur_px + reduction
            beside = _beside(cut, levels, apex - cut.origin_px, corner, (clear, guard + BESIDE_REACH_PX))
            return Contour(cut, points, levels, faces, guard, beside)
        guard = GUARD_BLURS * faces.blur_px + 2.0  # the levels are those beyond the blur
