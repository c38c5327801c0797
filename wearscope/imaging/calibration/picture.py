"""The picture of a ruled scale, turned so that its lines stand upright, and averaged along them in bands."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

MIN_SIDE_PX = 48
"""A shorter side does not hold `MIN_LINES` lines and a margin at the closest spacing that is measured."""

SAMPLES = 1e7
"""Of the turned picture: enough for any scale, quick for a large one."""

LEAST_BANDS = 3
"""Along the lines: fewer do not tell a line from a speck."""

RANGE_SIDE = 512
"""Samples along a side that tell the range of light."""

BLANK = 1e-6
"""Range of light over its level, of a picture that shows nothing but rounding."""

UNUSABLE = 9
"""Rank of a reason that holds for the whole picture, above that of any direction in it."""


class NotRuledError(Exception):
    """Why a picture, or one direction in it, is not a ruled scale.

    Parameters
    ----------
    what, cure, code : str
        As of `wearscope.errors.PhotoRefused`, the file not named.
    rank : int
        Of several such reasons that of the highest rank is the one to tell.
    """

    def __init__(self, what: str, cure: str, code: str, rank: int = 0) -> None:
        super().__init__(what)
        self.what = what
        self.cure = cure
        self.code = code
        self.rank = rank


SEE_SCALE = "photograph the ruled scale itself, in focus, with 6 lines or more across the picture"


def no_scale(why: str, rank: int = 0) -> NotRuledError:
    """Nothing in the picture is a ruled scale.

    Parameters
    ----------
    why : str
    rank : int
        As of `NotRuledError`.

    Returns
    -------
    NotRuledError
    """
    return NotRuledError(f"no ruled scale to be seen ({why})", SEE_SCALE, "no-scale-seen", rank)


def broken_up() -> NotRuledError:
    """What repeats is broken up.

    Returns
    -------
    NotRuledError
    """
    return no_scale("what repeats is broken up, as in cloth or print", 2)


def as_picture(luminance: ArrayLike) -> Picture:
    """Bring a picture to one channel and one unit of light.

    Parameters
    ----------
    luminance : array_like, shape (H, W) or (H, W, 3)
        In any unit.

    Returns
    -------
    ndarray of float32, shape (H, W)
        Between about 0 and 1.

    Raises
    ------
    NotRuledError
        If it is too small, blank, or holds what is not a number.
    ValueError
        If the array is not a picture.
    """
    picture = np.asarray(luminance, dtype=np.float32)
    if picture.ndim == 3 and picture.shape[2] in (1, 3):
        picture = picture.mean(axis=2)
    if picture.ndim != 2:
        raise ValueError(f"a picture must be (H, W) or (H, W, 3), not {np.shape(luminance)}")
    if min(picture.shape) < MIN_SIDE_PX:
        h, w = picture.shape
        raise NotRuledError(
            f"the picture is only {w} by {h} px",
            f"take one of at least {MIN_SIDE_PX} px each way",
            "picture-too-small",
            UNUSABLE,
        )
    if not np.isfinite(picture).all():
        raise NotRuledError(
            "the picture holds values that are not numbers",
            "save it again as an ordinary picture",
            "not-numbers",
            UNUSABLE,
        )
    sample = picture[:: max(1, picture.shape[0] // RANGE_SIDE), :: max(1, picture.shape[1] // RANGE_SIDE)]
    low, high = np.percentile(sample, [0.1, 99.9])
    if high - low <= BLANK * max(abs(high), abs(low), 1e-30):
        raise no_scale("the picture is blank", UNUSABLE)
    floor = min(float(low), 0.0)
    return np.asarray((picture - floor) / (float(high) - floor), np.float32)


@dataclass(frozen=True)
class Bands:
    """Profiles across the ruling, each the mean along the lines over a band.

    Attributes
    ----------
    values : ndarray of float32, shape (B, U)
        NaN off the picture; samples are 1 px apart.
    u0_px : float
        Of the first sample, px across the ruling from the picture's centre.
    v_px : ndarray, shape (B,)
        Of the bands' middles, px along the lines from the picture's centre.
    height_px : float
        Of a band, px.
    """

    values: NDArray[np.float32]
    u0_px: float
    v_px: Array
    height_px: float


@dataclass(frozen=True)
class TurnedPicture:
    """The picture resampled with u across the ruling and v along it, both from the picture's centre.

    Attributes
    ----------
    rows : ndarray of float32, shape (V, U)
        NaN off the picture; samples are 1 px apart along a row.
    u0_px, v0_px : float
        Of the first sample of the first row, px.
    step_px : float
        From row to row, px.
    angle : float
        Of the u axis, radians from +x towards +y.
    centre_px : (float, float)
        Column and row of the picture's centre.
    """

    rows: NDArray[np.float32]
    u0_px: float
    v0_px: float
    step_px: float
    angle: float
    centre_px: tuple[float, float]

    def bands(self, height: float) -> Bands:
        """Average the rows over bands.

        Parameters
        ----------
        height : float
            Of a band, about, px.

        Returns
        -------
        Bands

        Raises
        ------
        NotRuledError
            If the picture is too small along the lines.
        """
        n = max(1, round(height / self.step_px))
        b = self.rows.shape[0] // n
        if b < LEAST_BANDS:
            raise no_scale("the lines are too short to be told from dirt")
        values = self.rows[: b * n].reshape(b, n, -1).mean(axis=1)
        v = self.v0_px + self.step_px * (n * np.arange(b) + (n - 1) / 2)
        held = np.isfinite(values).any(axis=1)
        if not held.any():
            raise no_scale("nothing repeats")
        return Bands(values[held], self.u0_px, v[held], n * self.step_px)

    def to_image(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Columns and rows of places in the turned picture.

        Parameters
        ----------
        u, v : ndarray
            Across and along the lines, px.

        Returns
        -------
        x : ndarray
            Columns, of the shape of `u` and `v`.
        y : ndarray
            Rows.
        """
        c, s = np.cos(self.angle), np.sin(self.angle)
        return self.centre_px[0] + u * c - v * s, self.centre_px[1] + u * s + v * c

    def from_image(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Places in the turned picture: the reverse of `to_image`.

        Parameters
        ----------
        x, y : ndarray
            Columns and rows.

        Returns
        -------
        u : ndarray
            Across the lines, px, of the shape of `x` and `y`.
        v : ndarray
            Along them.
        """
        c, s = np.cos(self.angle), np.sin(self.angle)
        x, y = x - self.centre_px[0], y - self.centre_px[1]
        return x * c + y * s, y * c - x * s


def turn_picture(picture: Picture, angle: float) -> TurnedPicture:
    """Turn a picture so that lines whose normal points along an angle stand upright.

    Parameters
    ----------
    picture : ndarray, shape (H, W)
    angle : float
        Radians from +x towards +y.

    Returns
    -------
    TurnedPicture
    """
    h, w = picture.shape
    c, s = np.cos(angle), np.sin(angle)
    half_u = (abs(c) * (w - 1) + abs(s) * (h - 1)) / 2
    half_v = (abs(s) * (w - 1) + abs(c) * (h - 1)) / 2
    n_u = int(2 * half_u) + 1
    step = float(max(1, round(2 * half_v * n_u / SAMPLES)))
    n_v = int(2 * half_v / step) + 1
    u0, v0 = -(n_u - 1) / 2, -step * (n_v - 1) / 2
    centre = ((w - 1) / 2, (h - 1) / 2)
    to_source = np.array(
        [[c, -s * step, centre[0] + u0 * c - v0 * s], [s, c * step, centre[1] + u0 * s + v0 * c]]
    )
    rows = cv2.warpAffine(
        picture,
        to_source,
        (n_u, n_v),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(float("nan"),) * 4,
    )
    return TurnedPicture(np.asarray(rows, np.float32), u0, v0, step, angle, centre)


def filled(bands: Bands) -> NDArray[np.float32]:
    """Profiles with the nearest seen value where they leave the picture.

    Parameters
    ----------
    bands : Bands

    Returns
    -------
    ndarray of float32, shape (B, U)
    """
    values = bands.values
    seen = np.isfinite(values)
    at = np.arange(values.shape[1])
    first = seen.argmax(axis=1)[:, None]
    last = values.shape[1] - 1 - seen[:, ::-1].argmax(axis=1)[:, None]
    return np.take_along_axis(values, np.clip(at[None, :], first, last), axis=1)


def values_at(picture: Picture, turned: TurnedPicture, u: Array, v: Array) -> Array:
    """Read a picture between its pixels.

    Parameters
    ----------
    picture : ndarray, shape (H, W)
    turned : TurnedPicture
        Says how u and v lie in it.
    u, v : ndarray
        Of the places, px across and along the lines.

    Returns
    -------
    ndarray
        Of the shape of `u`; NaN off the picture.
    """
    x, y = turned.to_image(u, v)
    shape = x.shape
    flat = cv2.remap(
        picture,
        x.reshape(shape[0], -1).astype(np.float32),
        y.reshape(shape[0], -1).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(float("nan"),) * 4,
    )
    return np.asarray(flat, float).reshape(shape)
