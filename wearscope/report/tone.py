"""From linear light to something to look at: one tone mapping and one magnification for all pictures."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import Strip

_LEVELS = 65535  # what 16 bits hold
_REACH = 4  # samples of the strip beyond a picture that its outermost pixels may need, besides those averaged


def white_level(strips: Sequence[Strip]) -> float:
    """Linear light that is shown as white, the same for all `strips`.

    The 99.5th percentile of what the photos hold: glare on a few pixels shall not darken the rest.

    Parameters
    ----------
    strips : sequence of Strip

    Returns
    -------
    float
        Positive.
    """
    # every other row of some hundred columns tells it
    some = [strip.light[::2, :: max(1, strip.s_um.size // 500)].ravel() for strip in strips]
    light = np.concatenate(some)
    light = light[np.isfinite(light)]
    return max(float(np.percentile(light, 99.5)), 1e-3) if light.size else 1.0


def to_display(light: NDArray[np.float32], white: float) -> NDArray[np.uint8]:
    """Encode linear light for a screen with the sRGB curve of IEC 61966-2-1.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
        NaN is shown as black.
    white : float
        Linear light shown as white.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
    """
    level = np.fmax(light, 0.0) * np.float32(_LEVELS / white)
    return np.asarray(_tone_curve()[np.fmin(level + 0.5, _LEVELS).astype(np.uint16)])


@lru_cache(maxsize=1)
def _tone_curve() -> NDArray[np.uint8]:
    """Codes of light in steps so fine that the steepest part of the curve gives each code twenty of them."""
    x = np.linspace(0.0, 1.0, _LEVELS + 1)
    encoded = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(encoded * 255), dtype=np.uint8)


def window(
    strip: Strip,
    s_range_um: tuple[float, float],
    d_range_um: tuple[float, float],
    size_px: tuple[int, int],
) -> NDArray[np.float32]:
    """Resample a rectangle of a strip to a picture.

    Averages where the picture is coarser than the strip, interpolates where it is finer.

    Parameters
    ----------
    strip : Strip
    s_range_um, d_range_um : tuple of (float, float)
        Outer borders of the picture, left to right and top to bottom.
    size_px : tuple of (int, int)
        Width and height of the picture.

    Returns
    -------
    ndarray of float32, shape (height, width, 3)
        Linear light; NaN where the strip has none.
    """
    width, height = size_px
    ds, dd = (float(a[1] - a[0]) for a in (strip.s_um, strip.d_um))
    step_s = (s_range_um[1] - s_range_um[0]) / width / ds
    step_d = (d_range_um[1] - d_range_um[0]) / height / dd
    column = (s_range_um[0] - strip.s_um[0]) / ds + (np.arange(width) + 0.5) * step_s
    row = (d_range_um[0] - strip.d_um[0]) / dd + (np.arange(height) + 0.5) * step_d
    columns, rows = _needed(column, step_s, strip.s_um.size), _needed(row, step_d, strip.d_um.size)
    x = np.broadcast_to((column - columns.start).astype(np.float32), (height, width))
    y = np.broadcast_to((row - rows.start).astype(np.float32)[:, None], (height, width))

    held = np.ascontiguousarray(strip.light[rows, columns])
    seen = np.asarray(np.isfinite(cv2.transform(held, np.ones((1, 3), np.float32))), dtype=np.float32)
    light = np.where(seen[..., None] > 0, held, np.float32(0.0))
    kernel = (_odd(step_s), _odd(step_d))
    if kernel != (1, 1):
        border = cv2.BORDER_CONSTANT  # outside the strip there is no light and no weight either
        weight = np.maximum(cv2.blur(seen, kernel, borderType=border), 1e-6)
        light = np.asarray(cv2.blur(light, kernel, borderType=border) / weight[..., None], dtype=np.float32)
    how = cv2.INTER_CUBIC if kernel == (1, 1) else cv2.INTER_LINEAR
    picture = np.asarray(cv2.remap(light, x, y, how, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)
    inside = cv2.remap(seen, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0.0)
    picture[inside == 0] = np.nan
    return picture


def _needed(place: NDArray[np.float64], step: float, size: int) -> slice:
    """Samples of a strip of which pixels at these places are made; at least one."""
    reach = _odd(step) // 2 + _REACH
    start = min(max(int(place[0]) - reach, 0), size - 1)
    return slice(start, max(min(int(place[-1]) + reach + 1, size), start + 1))


def _odd(step: float) -> int:
    """Odd width, in strip pixels, of the average that a picture `step` times coarser needs."""
    return 2 * int(step / 2) + 1
