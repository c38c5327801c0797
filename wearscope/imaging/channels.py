"""Red and blue laid over green: a simple lens shifts the colours against each other, which shows as fringes."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Light = NDArray[np.float32]

BLOCK_PX = 12  # within which a channel is taken for a linear function of green
MOST_BLOCKS = 1500  # the steepest; more say nothing new
ROUNDS = 6
SETTLED_PX = 0.01
MOST_SHIFT_PX = 4.0  # a larger shift is no fringe of a lens; chosen: twice what was seen of cheap cameras
MOST_U_PX = 0.12  # the shifts of 20 drawn cameras that were found rightly have at most 0.03, a wrong one 0.24
LEAST_SHIFT_PX = 0.05  # not worth resampling for
LEAST_GAIN = 0.02  # share of the misfit that a shift must take away
SATURATED = 0.985  # of full scale: what is burnt out moves with nothing


@dataclass(frozen=True)
class ChannelShift:
    """How far one channel lies from green.

    Attributes
    ----------
    column_px, row_px : float
        A detail at (column, row) in green is at (column + column_px, row + row_px) in this channel.
    u_px : float
        Standard uncertainty of each.
    gain : float
        Share of the misfit to a local linear function of green that the shift takes away.
    """

    column_px: float
    row_px: float
    u_px: float
    gain: float

    @property
    def size_px(self) -> float:
        """Length of the shift."""
        return float(np.hypot(self.column_px, self.row_px))

    @property
    def plausible(self) -> bool:
        """Whether it can be a lens's: not too far, and worth something."""
        sure = self.u_px <= MOST_U_PX and self.size_px > 2.0 * self.u_px
        return sure and self.size_px <= MOST_SHIFT_PX and self.gain >= LEAST_GAIN


def channel_shift(channel: Light, green: Light) -> ChannelShift | None:
    """How far a channel is shifted against green.

    Parameters
    ----------
    channel, green : ndarray of float32, shape (H, W)
        Linear light, 0 to 1.

    Returns
    -------
    ChannelShift or None
        None where the picture has too little structure to tell.

    Notes
    -----
    Where two materials meet, every channel mixes the two in the same proportion: within a small block a channel is
    a linear function of green, whatever the colours. The shift sought is the one that leaves least over of that.
    With P the projection on to what a and b of ``a green + b`` cannot explain, each round solves
    ``P (channel + shift . gradient) = 0`` over all blocks by least squares (Gauss-Newton); the misfit scales the
    uncertainty (JCGM 102:2011, 9.3.2, from memory), the blocks taken as independent.
    """
    return _shift_at_half(_halved(channel), _halved(green))


def _shift_at_half(channel: Light, green: Light) -> ChannelShift | None:
    """As `channel_shift`, in pixels of the whole picture, given both at half of its resolution."""
    # JPEG keeps colour no finer: finer than that, every channel shows the light of all three
    rows, columns = _steep_blocks(green, channel)
    if len(rows) < 30:
        return None
    flat_green = _centred(_blocks(green, rows, columns))
    shift = np.zeros(2)
    first = None
    u_px = gain = 0.0
    for _ in range(ROUNDS):
        moved = _moved(channel, shift)
        values = _without_green(_blocks(moved, rows, columns), flat_green)
        slopes = [
            _without_green(_blocks(_slope(moved, *order), rows, columns), flat_green)
            for order in ((1, 0), (0, 1))
        ]
        left = np.mean(values**2, axis=1)
        weight = 1.0 / (left + np.median(left) + 1e-12)  # a block that is no function of green says little
        normal = np.array([[weight @ _together(one, other) for one in slopes] for other in slopes])
        pull = np.column_stack([weight * _together(slope, values) for slope in slopes])
        misfit = float(np.mean(left))
        first = misfit if first is None else first
        step = -np.linalg.solve(normal + 1e-12 * np.eye(2), pull.sum(axis=0))
        inverse = np.linalg.inv(normal + 1e-12 * np.eye(2))
        u_px = float(np.sqrt(np.trace(inverse @ (pull.T @ pull) @ inverse) / 2.0))
        gain = 1.0 - misfit / max(first, 1e-12)
        shift += np.clip(step, -1.0, 1.0)
        if np.hypot(*step) < SETTLED_PX or np.hypot(*shift) > MOST_SHIFT_PX:
            break
    return ChannelShift(2.0 * float(shift[0]), 2.0 * float(shift[1]), 2.0 * u_px, gain)


def _steep_blocks(green: Light, channel: Light) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First rows and columns of the blocks with most structure, clear of the frame and of what is burnt out."""
    steep = cv2.absdiff(green, cv2.blur(green, (BLOCK_PX, BLOCK_PX)))
    burnt = (np.maximum(green, channel) >= SATURATED).astype(np.float32)
    size = green.shape[1] // BLOCK_PX, green.shape[0] // BLOCK_PX
    if min(size) < 4:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    area = np.s_[: size[1] * BLOCK_PX, : size[0] * BLOCK_PX]
    structure = cv2.resize(steep[area], size, interpolation=cv2.INTER_AREA)
    structure[cv2.resize(burnt[area], size, interpolation=cv2.INTER_AREA) > 0.0] = 0.0
    structure[[0, -1]] = 0.0
    structure[:, [0, -1]] = 0.0
    best = np.argsort(structure, axis=None)[::-1][: min(MOST_BLOCKS, structure.size // 4)]
    best = best[structure.ravel()[best] > 0.0]
    rows, columns = np.unravel_index(best, structure.shape)
    return rows * BLOCK_PX, columns * BLOCK_PX


def _slope(light: Light, by_column: int, by_row: int) -> Light:
    return np.asarray(cv2.Sobel(light, cv2.CV_32F, by_column, by_row, ksize=3, scale=0.125), np.float32)


def _halved(light: Light) -> Light:
    return np.asarray(cv2.resize(light, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.float32)


def _blocks(light: Light, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[np.float32]:
    """Values of each block, shape (B, BLOCK_PX²)."""
    view = np.lib.stride_tricks.sliding_window_view(light, (BLOCK_PX, BLOCK_PX))
    return np.asarray(view[rows, columns].reshape(len(rows), -1), np.float32)


def _without_green(values: NDArray[np.float32], green: NDArray[np.float32]) -> NDArray[np.float32]:
    """What of each block is no linear function of green, which is centred, shape as `values`."""
    values = _centred(values)
    along = _together(values, green) / np.maximum(_together(green, green), 1e-12)
    return np.asarray(values - along[:, None] * green, np.float32)


def _centred(values: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(values - values.mean(axis=1, keepdims=True), np.float32)


def _together(one: NDArray[np.float32], other: NDArray[np.float32]) -> NDArray[np.float32]:
    """Sum of products within each block, shape (B,)."""
    return np.asarray(np.einsum("bp,bp->b", one, other), np.float32)


def _moved(channel: Light, shift: Array) -> Light:
    """The channel with a detail at (column, row) + shift brought to (column, row)."""
    if not shift.any():
        return channel
    onto = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(channel, onto, channel.shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, np.float32)


def laid_over(light: Light) -> tuple[Light, ChannelShift | None, ChannelShift | None]:
    """Red and blue moved on to green, where they are shifted by something that a lens can do.

    Parameters
    ----------
    light : ndarray of float32, shape (H, W, 3)
        RGB, linear.

    Returns
    -------
    light : ndarray of float32, shape (H, W, 3)
        The same array where nothing was moved.
    red, blue : ChannelShift or None
        By how much each was moved; None where it was left.
    """
    # halved before it is split: millions of pixels taken apart cost more than all else here, mostly for nothing
    half_red, half_green, half_blue = (np.asarray(one, np.float32) for one in cv2.split(_halved(light)))
    shifts = [_worth_moving(_shift_at_half(half, half_green)) for half in (half_red, half_blue)]
    if not any(shifts):
        return light, None, None
    red, green, blue = (np.asarray(one, np.float32) for one in cv2.split(light))
    moved = [
        channel if shift is None else _moved(channel, np.array([shift.column_px, shift.row_px]))
        for channel, shift in zip((red, blue), shifts, strict=True)
    ]
    return np.asarray(cv2.merge([moved[0], green, moved[1]]), np.float32), shifts[0], shifts[1]


def _worth_moving(shift: ChannelShift | None) -> ChannelShift | None:
    return shift if shift is not None and shift.plausible and shift.size_px >= LEAST_SHIFT_PX else None
