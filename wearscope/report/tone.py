"""From linear light to something to look at: one tone mapping and one magnification for all pictures."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import Strip


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
    x = np.clip(np.nan_to_num(light) / white, 0.0, 1.0)
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
    x = np.broadcast_to(column.astype(np.float32), (height, width))
    y = np.broadcast_to(row.astype(np.float32)[:, None], (height, width))

    seen = np.asarray(np.isfinite(strip.light).all(axis=2), dtype=np.float32)
    light = np.asarray(np.where(seen[..., None] > 0, strip.light, 0), dtype=np.float32)
    kernel = (_odd(step_s), _odd(step_d))
    if kernel != (1, 1):
        border = cv2.BORDER_CONSTANT  # outside the strip there is no light and no weight either
        weight = np.maximum(cv2.blur(seen, kernel, borderType=border), 1e-6)
        light = np.asarray(cv2.blur(light, kernel, borderType=border) / weight[..., None], dtype=np.float32)
    how = cv2.INTER_CUBIC if kernel == (1, 1) else cv2.INTER_LINEAR
    picture = cv2.remap(light, x, y, how, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.remap(seen, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0.0)
    return np.where(inside[..., None] > 0, picture, np.float32(np.nan)).astype(np.float32)


def _odd(step: float) -> int:
    """Odd width, in strip pixels, of the average that a picture `step` times coarser needs."""
    return 2 * int(step / 2) + 1
