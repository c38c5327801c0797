"""Whether two files hold one and the same picture: a copy under another name, saved again, turned, or made smaller.

Two steps. A small likeness of each picture tells nearly all pairs apart. Of the few that it does not, the grain is
compared: noise and fine texture of one exposure lie at the same pixels in every copy of it, and in no other exposure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2

from wearscope.imaging.photo import Photo

Likeness = NDArray[np.uint8]
"""Mean brightness of `BLOCKS` by `BLOCKS` blocks that fill the upright picture, in codes from 0 to 255."""

BLOCKS = 96
# On the sample photos, all reference pairs and eight real inserts: copies saved again as JPEG of quality 30 to 95,
# at half or nine tenths of the size, darker by a fifth or with another tone curve are at most 4.1 apart; different
# photos 5.5 or more (renders of one surface under other lamps), of one flute 6.4 or more. Brightened until more is
# burnt out, a copy is up to 16 apart, and passes for another picture. Moved by 2 pixels, a flute is 1.5 to 62 apart.
MOST_APART = 5.0
# One less the correlation of likenesses, beyond which nothing is fitted to a pair. Copies of the same photos: 0.0026
# at most, saved again as JPEG of quality 30
ROWS_AT_ONCE = 512
"""Pictures that are compared with all others at once, so that memory does not grow as the square of their number."""

FEW = 256
"""Pictures from which on a product of matrices is quicker; measured on two cores."""

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

    def of(self, picture: NDArray[np.generic]) -> NDArray[np.generic]:
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


def likeness_of(photo: Photo) -> Likeness:
    """A small likeness of a picture.

    Parameters
    ----------
    photo : Photo

    Returns
    -------
    ndarray of uint8, shape (BLOCKS, BLOCKS)
    """
    blocks = cv2.resize(_codes(photo), (BLOCKS, BLOCKS), interpolation=cv2.INTER_AREA)
    return np.clip(np.rint(blocks), 0, 255).astype(np.uint8)


def alike(likenesses: Sequence[Likeness]) -> list[tuple[int, int, Turn]]:
    """Pairs of pictures that may be one and the same, by their likenesses.

    Parameters
    ----------
    likenesses : sequence of ndarray
        As from `likeness_of`.

    Returns
    -------
    list of (int, int, Turn)
        The first one's index, the second one's, and how the second is to be turned to lie as the first.
    """
    if not likenesses:
        return []
    found: dict[tuple[int, int], Turn] = {}
    upright = np.stack(likenesses)
    coarse = upright.reshape(-1, COARSE, BLOCKS // COARSE, COARSE, BLOCKS // COARSE).mean(axis=(2, 4))
    standing = _unit(coarse)
    for turn in TURNS:
        lying = _unit(np.stack([turn.of(each) for each in coarse]))
        for start in range(0, len(upright), ROWS_AT_ONCE):
            unlike = 1.0 - _products(standing[start : start + ROWS_AT_ONCE], lying[start:])
            for row, ahead in np.argwhere(unlike < MOST_UNLIKE):
                one, other = start + int(row), start + int(ahead)
                if (
                    one < other
                    and (one, other) not in found
                    and apart(upright[one], turn.of(upright[other])) < MOST_APART
                ):
                    found[one, other] = turn
    return [(*pair, turn) for pair, turn in sorted(found.items(), key=lambda each: each[0])]


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
    fine = codes - cv2.GaussianBlur(codes, (0, 0), GRAIN_PX)
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
