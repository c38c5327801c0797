"""Whether two files hold one and the same picture: a copy under another name, saved again, turned, or made smaller.

Two steps. A small likeness of each picture, blocks and a little of its grain, tells nearly all pairs apart. Of those
few that it does not, all of the grain is compared: noise and fine texture of one exposure lie at the same pixels in
every copy of it, and in no other exposure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2

from wearscope.imaging.photo import Photo

PixelT = TypeVar("PixelT", bound=np.generic)

BLOCKS = 96
"""Blocks on a side of a likeness, and pixels on a side of its grain."""

# On the sample photos, all reference pairs and eight real inserts: copies saved again as JPEG of quality 30 to 95,
# at half or nine tenths of the size, darker by a fifth or with another tone curve are at most 4.1 apart; different
# photos 5.5 or more (renders of one surface under other lamps), of one flute 6.4 or more. Brightened until more is
# burnt out, a copy is up to 16 apart, and passes for another picture. Moved by 2 pixels, a flute is 1.5 to 62 apart.
MOST_APART = 5.0
ROWS_AT_ONCE = 512
"""Pictures compared with as many others at once, so that memory does not grow as the square of their number."""

FEW = 256
"""Pictures from which on a product of matrices is quicker; measured on two cores."""

# One less the correlation of likenesses, beyond which nothing is fitted to a pair. Copies of the same photos: 0.0026
# at most, saved again as JPEG of quality 30
MOST_UNLIKE = 0.005
COARSE = 16  # blocks on a side for that
GAINS = (
    0.5,
    2.0,
)  # by which a copy may be brighter or of higher contrast; chosen: more is not the same picture
GRAIN_PX = 1.5  # Gaussian sigma: what is finer counts as grain
GRAIN_CLIP = 2.0  # robust sigmas, so that the edge itself, which all photos of a flute show, has no more say
# Correlation of the grain at the same pixels. Copies of the same photos: 0.29 or more at JPEG quality 75, 0.10 at 60,
# 0.07 at 50; different photos 0.07 or less, but for renders that share one surface (0.39).
LEAST_GRAIN = 0.08
NEAR_PX = 8  # shifts tried: the grain must agree best where nothing is shifted, as in a copy
# Of the agreement at its peak; what stays higher two pixels away is no grain but an edge. Copies of the same photos:
# 0.59 at most but for JPEG below 75 and the lines of a graticule; moved by 1 pixel or more, 0.96 or more where the
# agreement is not negative.
ONE_PEAK = 0.75
PATCHES = (0.1, 0.37)
"""Where the patches of grain lie, as shares of what a side leaves free, and as far from its other end: so a turned
copy has the same ones."""

PATCH_PX = BLOCKS // (2 * len(PATCHES))
# Correlation of these patches in pictures of one size. Copies of the same photos: 0.32 or more at JPEG quality 60;
# different photos 0.05 at most.
LEAST_PATCHES = 0.05
IN_VAIN = 20
"""Close comparisons of a picture that found no copy, after which it is compared closely with no more that had as
many. Only photos that share one surface at the same pixels come so far, thousands of them in a trial that a program
made. Those whose patches agree best come first, and copies agree best."""


@dataclass(frozen=True)
class Turn:
    """A way that a copy may lie.

    Attributes
    ----------
    mirrored : bool
        Left to right, before it is turned.
    quarters : int
        Turns to the left.
    """

    mirrored: bool
    quarters: int

    def of(self, picture: NDArray[PixelT]) -> NDArray[PixelT]:
        """Turn a picture.

        Parameters
        ----------
        picture : ndarray, shape (H, W)

        Returns
        -------
        ndarray, shape (H, W) or (W, H)
        """
        return np.rot90(np.fliplr(picture) if self.mirrored else picture, self.quarters)


TURNS = tuple(Turn(mirrored, quarters) for mirrored in (False, True) for quarters in range(4))


@dataclass(frozen=True, eq=False)
class Likeness:
    """What tells a picture from most others.

    Attributes
    ----------
    blocks : ndarray of uint8, shape (BLOCKS, BLOCKS)
        Mean brightness of as many blocks, which fill the upright picture, in codes.
    grain : ndarray of int8, shape (BLOCKS, BLOCKS)
        Grain of patches at the same places of every picture, put together.
    shape : tuple of int
        Rows and columns of the picture.
    """

    blocks: NDArray[np.uint8]
    grain: NDArray[np.int8]
    shape: tuple[int, int]


def likeness_of(photo: Photo) -> Likeness:
    """A small likeness of a picture.

    Parameters
    ----------
    photo : Photo

    Returns
    -------
    Likeness
    """
    codes = _codes(photo)
    blocks = cv2.resize(codes, (BLOCKS, BLOCKS), interpolation=cv2.INTER_AREA)
    rows, columns = codes.shape
    return Likeness(np.clip(np.rint(blocks), 0, 255).astype(np.uint8), _patches(codes), (rows, columns))


def _patches(codes: NDArray[np.float32]) -> NDArray[np.int8]:
    """Grain of the patches, from -127 to 127; zero in a picture too small for them."""
    if min(codes.shape) < BLOCKS:
        return np.zeros((BLOCKS, BLOCKS), np.int8)
    margin = int(np.ceil(4.0 * GRAIN_PX))  # what a Gaussian of that width still reaches
    rows = []
    for top in _starts(codes.shape[0]):
        row = []
        for left in _starts(codes.shape[1]):
            above, before = max(top - margin, 0), max(left - margin, 0)
            seen = codes[above : top + PATCH_PX + margin, before : left + PATCH_PX + margin]
            row.append(_fine(seen)[top - above :, left - before :][:PATCH_PX, :PATCH_PX])
        rows.append(row)
    grain = _clipped(np.block(rows))
    most = float(np.abs(grain).max())
    return np.asarray(np.rint(grain * (127.0 / most if most else 0.0)), np.int8)


def _starts(length: int) -> list[int]:
    """Where patches begin along a side, the same from either end."""
    free = length - PATCH_PX
    first = [round(share * free) for share in PATCHES]
    return first + [free - start for start in reversed(first)]


def first_of_same(
    likenesses: Sequence[Likeness],
    same: Callable[[int, int, Turn], bool],
    before: Sequence[int | None] | None = None,
) -> list[int]:
    """Which pictures are one and the same.

    Parameters
    ----------
    likenesses : sequence of Likeness
    same : callable
        Whether two pictures, by their indices, are one exposure, and how the second is to be turned to lie as the
        first. Asked only where the likenesses leave it open, and once for a pair.
    before : sequence of int or None, optional
        What was found before of pictures that were compared with each other already, by their indices now; None for
        those that are new. By default all are.

    Returns
    -------
    list of int
        For each picture the index of the first one that is the same; its own where there is none.
    """
    fresh = np.array([before is None or before[at] is None for at in range(len(likenesses))], bool)
    first = [at if before is None or (of := before[at]) is None else of for at in range(len(likenesses))]
    asked: set[tuple[int, int]] = set()
    in_vain: Counter[int] = Counter()
    for one, other, turn in _candidates(likenesses, fresh):
        if first[one] == first[other] or (one, other) in asked:
            continue
        if min(in_vain[one], in_vain[other]) >= IN_VAIN:
            continue
        if not _may_be_same(likenesses[one], likenesses[other], turn):
            continue
        asked.add((one, other))
        if same(one, other, turn):
            old, new = sorted((first[one], first[other]), reverse=True)
            first = [new if of == old else of for of in first]
        else:
            in_vain.update((one, other))
    return first


def _candidates(likenesses: Sequence[Likeness], fresh: NDArray[np.bool_]) -> Iterator[tuple[int, int, Turn]]:
    """Pairs that look the same in coarse blocks and patches; of each part, those whose patches agree best first.

    Of pairs of which neither is fresh, none.
    """
    if not likenesses:
        return
    standing = _unit(np.concatenate(list(_coarse(likenesses))))
    # a turned picture is the same numbers in another order: all turns of ten thousand would be most of the memory
    cells = np.arange(COARSE**2).reshape(COARSE, COARSE)
    lying = [turn.of(cells).ravel() for turn in TURNS]
    for start in range(0, len(likenesses), ROWS_AT_ONCE):
        ones = np.arange(start, min(start + ROWS_AT_ONCE, len(likenesses)))
        found = []
        for beside in range(start, len(likenesses), ROWS_AT_ONCE):
            others = np.arange(beside, min(beside + ROWS_AT_ONCE, len(likenesses)))
            new = fresh[ones][:, np.newaxis] | fresh[others]
            if not new.any():
                continue
            for way, order in enumerate(lying):
                near = 1.0 - _products(standing[ones], standing[others][:, order]) < MOST_UNLIKE
                near &= new & (ones[:, np.newaxis] < others)
                if near.any():
                    found.append(_agreeing(likenesses, ones, others, way, near))
        if found:
            pairs = np.concatenate(found)
            for _, one, other, way in pairs[np.argsort(-pairs[:, 0], kind="stable")]:
                yield int(one), int(other), TURNS[int(way)]


def _coarse(likenesses: Sequence[Likeness]) -> Iterator[NDArray[np.float64]]:
    """Means of larger blocks, of some pictures at a time."""
    for start in range(0, len(likenesses), ROWS_AT_ONCE):
        blocks = np.stack([each.blocks for each in likenesses[start : start + ROWS_AT_ONCE]])
        yield blocks.reshape(-1, COARSE, BLOCKS // COARSE, COARSE, BLOCKS // COARSE).mean(axis=(2, 4))


def _agreeing(
    likenesses: Sequence[Likeness],
    ones: NDArray[np.intp],
    others: NDArray[np.intp],
    way: int,
    near: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Of pairs that are near each other those whose patches agree, or say nothing: agreement, indices, and turn."""
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    some = [likenesses[at] for at in ones[rows]]
    more = [likenesses[at] for at in others[columns]]
    turn = TURNS[way]
    agreement = _products(
        _scaled([each.grain for each in some]), _scaled([turn.of(each.grain) for each in more])
    )
    grainy = [np.array([each.grain.any() for each in side]) for side in (some, more)]
    shapes = np.array([each.shape for each in some]), np.array([_turned_shape(each, turn) for each in more])
    one_size = (shapes[0][:, np.newaxis] == shapes[1]).all(axis=2)
    agreement[~(one_size & grainy[0][:, np.newaxis] & grainy[1])] = 1.0
    kept = near[np.ix_(rows, columns)] & (agreement >= LEAST_PATCHES)
    one, other = np.nonzero(kept)
    return np.column_stack((agreement[kept], ones[rows[one]], others[columns[other]], np.full(len(one), way)))


def _scaled(grains: Sequence[NDArray[np.int8]]) -> NDArray[np.float32]:
    """Each as a vector of length 1, about zero; zero where there is no grain."""
    flat = np.stack(grains).reshape(len(grains), -1).astype(np.float32)
    norm = np.linalg.norm(flat, axis=1, keepdims=True)
    return np.asarray(np.divide(flat, norm, out=np.zeros_like(flat), where=norm > 0.0), np.float32)


def _turned_shape(likeness: Likeness, turn: Turn) -> tuple[int, ...]:
    return likeness.shape[:: -1 if turn.quarters % 2 else 1]


def _may_be_same(one: Likeness, other: Likeness, turn: Turn) -> bool:
    """Whether the likenesses leave it open that two pictures are one."""
    if one.shape == _turned_shape(other, turn) and _better_moved(one.grain, turn.of(other.grain)):
        return False
    return apart(one.blocks, turn.of(other.blocks)) < MOST_APART


def _better_moved(one: NDArray[np.int8], other: NDArray[np.int8]) -> bool:
    """Whether patches of grain agree better where one is moved by a pixel than as it lies."""
    side = BLOCKS // PATCH_PX
    fixed, free = (each.reshape(side, PATCH_PX, side, PATCH_PX).astype(np.float32) for each in (one, other))
    ends = PATCH_PX - 2
    agreement = [
        float(np.vdot(fixed[:, 1:-1, :, 1:-1], free[:, down : down + ends, :, right : right + ends]))
        for down in range(3)
        for right in range(3)
    ]
    return agreement[len(agreement) // 2] < max(agreement)


def _products(some: NDArray[np.float32], others: NDArray[np.float32]) -> NDArray[np.float32]:
    """Scalar product of each of some vectors with each of others."""
    if len(others) <= FEW:  # the threads that a product of matrices starts cost more than it takes
        return np.asarray(np.einsum("ik,jk", some, others))
    return np.asarray(some @ others.T)


def apart(one: NDArray[np.generic], other: NDArray[np.generic]) -> float:
    """How far two likenesses are apart where they differ most, brightness and contrast set aside.

    Parameters
    ----------
    one, other : ndarray, shape (N, N)

    Returns
    -------
    float
        Codes; infinite where they agree only at another contrast than a copy would have.
    """
    return max(_misfit(one, other), _misfit(other, one))


def _misfit(one: NDArray[np.generic], other: NDArray[np.generic]) -> float:
    """Largest difference once the one has been given the other's brightness, contrast and tone curve."""
    x, y = one.ravel().astype(np.float64) / 255.0, other.ravel().astype(np.float64)
    if np.ptp(x) == 0.0:
        return float(np.abs(y - x * 255.0).max())
    powers = np.stack([np.ones_like(x), x, x * x])
    strengths = np.asarray(np.linalg.lstsq(powers @ powers.T, powers @ y)[0], np.float64)
    curve = np.polynomial.Polynomial(strengths)
    ends = np.array([x.min(), x.max()])
    gain = float(np.ptp(curve(ends))) / (255.0 * float(np.ptp(ends)))
    if not GAINS[0] < gain < GAINS[1] or (curve.deriv()(ends) < 0.0).any():
        return float("inf")
    return float(np.abs(strengths @ powers - y).max())


def same_exposure(one: Photo, other: Photo, turn: Turn = TURNS[0]) -> bool:
    """Whether two pictures that look alike come of one exposure: their grain lies at the same pixels.

    Parameters
    ----------
    one, other : Photo
    turn : Turn
        How `other` is to be turned to lie as `one`.

    Returns
    -------
    bool
    """
    first, second = _codes(one), np.ascontiguousarray(turn.of(_codes(other)), np.float32)
    if first.shape == second.shape and np.array_equal(first, second):
        return True
    width, height = (min(first.shape[axis], second.shape[axis]) for axis in (1, 0))
    grains = [_grain(_sized(each, width, height)) for each in (first, second)]
    agreement = _agreement(*grains)
    middle = agreement[NEAR_PX, NEAR_PX]
    rows, columns = np.indices(agreement.shape) - NEAR_PX
    beyond = np.maximum(np.abs(rows), np.abs(columns))
    best_beside = float(agreement[beyond == 1].max())
    best_beyond = float(agreement[beyond >= 2].max())
    return bool(middle >= LEAST_GRAIN and middle > best_beside and best_beyond < ONE_PEAK * middle)


def _codes(photo: Photo) -> NDArray[np.float32]:
    """Brightness of each pixel, in codes from 0 to 255 whatever the file's depth."""
    scaled = photo.pixels
    if scaled.dtype == np.uint8 and photo.full_scale == 255 and photo.encoding == "srgb":
        return cv2.cvtColor(np.ascontiguousarray(scaled), cv2.COLOR_RGB2GRAY).astype(np.float32)
    share = np.minimum(scaled.astype(np.float32) / photo.full_scale, 1.0)
    if photo.encoding == "linear":
        share = share ** np.float32(1.0 / 2.2)  # near enough to sRGB: the tone curve is set aside anyway
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(share * 255.0), cv2.COLOR_RGB2GRAY), np.float32)


def _unit(likenesses: NDArray[np.generic]) -> NDArray[np.float32]:
    """Each as a vector of length 1 about its mean; of nothing but one brightness, the same vector for all."""
    flat = likenesses.reshape(len(likenesses), -1).astype(np.float32)
    flat = flat - flat.mean(axis=1, keepdims=True)
    flat[np.ptp(flat, axis=1) < 1.0] = 1.0
    return np.asarray(flat / np.linalg.norm(flat, axis=1, keepdims=True))


def _sized(codes: NDArray[np.float32], width: int, height: int) -> NDArray[np.float32]:
    if codes.shape == (height, width):
        return codes
    return np.asarray(cv2.resize(codes, (width, height), interpolation=cv2.INTER_AREA), np.float32)


def _grain(codes: NDArray[np.float32]) -> NDArray[np.float32]:
    return _clipped(_fine(codes))


def _fine(codes: NDArray[np.float32]) -> NDArray[np.float32]:
    return codes - cv2.GaussianBlur(codes, (0, 0), GRAIN_PX)


def _clipped(fine: NDArray[np.float32]) -> NDArray[np.float32]:
    most = GRAIN_CLIP * 1.4826 * float(np.median(np.abs(fine)))  # from the median to a normal sigma
    return np.asarray(np.clip(fine, -most, most), np.float32)


def _agreement(one: NDArray[np.float32], other: NDArray[np.float32]) -> NDArray[np.float64]:
    """Correlation of two grains shifted against each other by up to `NEAR_PX`, no shift in the middle."""
    norm = float(np.linalg.norm(one)) * float(np.linalg.norm(other))
    side = 2 * NEAR_PX + 1
    if norm == 0.0:
        return np.zeros((side, side))
    shape = tuple(next_fast_len(length + NEAR_PX, real=True) for length in one.shape)
    crossed = irfft2(rfft2(one, shape) * np.conj(rfft2(other, shape)), shape)
    near = np.arange(-NEAR_PX, NEAR_PX + 1)
    return np.asarray(crossed[np.ix_(near, near)], np.float64) / norm
