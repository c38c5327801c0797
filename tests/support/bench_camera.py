"""Frames as a hand-held microscope sends them: a reference photograph moved, turned, out of focus, shaken, lit wrongly."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np


@dataclass(frozen=True)
class View:
    """How the picture lies and what is wrong with it; lengths in pixels of the photo."""

    right: float = 0.0
    down: float = 0.0
    turn_deg: float = 0.0
    zoom: float = 1.0
    blur_px: float = 0.0
    shake_px: float = 0.0  # along x, as motion blur
    gain: float = 1.0  # of the code values


@lru_cache(maxsize=4)
def _noise(shape):
    return np.random.default_rng(11).normal(0.0, 1.0, shape).astype(np.float32)


def seen(pixels, view, rng=None):
    """A photograph seen another way; what lies outside it repeats its border, as a larger card would."""
    height, width = pixels.shape[:2]
    onto = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), -view.turn_deg, view.zoom)
    onto[:, 2] += view.right, view.down
    if (view.right, view.down, view.turn_deg, view.zoom) == (0.0, 0.0, 0.0, 1.0):
        moved = pixels.copy()
    else:
        moved = cv2.warpAffine(
            pixels, onto, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101
        )
    if view.blur_px:
        moved = cv2.GaussianBlur(moved, (0, 0), view.blur_px)
    if view.shake_px >= 2:
        moved = cv2.blur(moved, (int(view.shake_px), 1))
    moved = moved.astype(np.float32) * view.gain
    if rng is not None:
        noise = _noise(moved.shape)
        moved += np.roll(
            noise, int(rng.integers(noise.size))
        )  # drawn anew it would take longer than all the rest
    return np.clip(np.round(moved), 0, 255).astype(np.uint8)
