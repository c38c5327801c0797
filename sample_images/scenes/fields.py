"""Random fields: the raw material of faces, grounds and edges. Pure functions of a seeded generator."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[np.float32]  # (H, W)
Picture = NDArray[np.float32]  # (H, W, 3), linear light, red green blue
Rng = np.random.Generator

TILE = 512  # side of the tile of random values that fields are cut from
_TILE: Map = np.random.default_rng(20260101).standard_normal((TILE, TILE), dtype=np.float32)


def between(rng: Rng, low: float, high: float) -> float:
    """Draw a number between two, evenly."""
    return float(rng.uniform(low, high))


def spread(rng: Rng, low: float, high: float) -> float:
    """Draw a number between two positive ones, evenly in its logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def chance(rng: Rng, share: float) -> bool:
    """Say yes in a share of the cases."""
    return bool(rng.random() < share)


def grid(side: int) -> tuple[Map, Map]:
    """Columns and rows of a square picture."""
    at = np.arange(side, dtype=np.float32)
    return np.broadcast_to(at[None, :], (side, side)), np.broadcast_to(at[:, None], (side, side))


def turned(x: Map, y: Map, angle: float) -> tuple[Map, Map]:
    """Coordinates along and across a direction."""
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return x * c + y * s, y * c - x * s


def field(rng: Rng, along: Map, across: Map, long_px: float, short_px: float) -> Map:
    """Random field of mean 0 and standard deviation near 1, its grain stretched along one axis."""
    u = along * np.float32(1 / long_px) + np.float32(rng.uniform(0, TILE))
    v = across * np.float32(1 / short_px) + np.float32(rng.uniform(0, TILE))
    # interpolation between independent values averages to two thirds of the deviation
    return np.asarray(
        cv2.remap(_TILE, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), np.float32
    ) * np.float32(1.5)


def grain(rng: Rng, side: int, channels: int) -> NDArray[np.float32]:
    """White noise of deviation 1, shape (side, side, channels)."""
    at = rng.integers(0, TILE, (channels, 2))
    rows = np.arange(side)
    return np.stack(
        [_TILE.take(rows + i, 0, mode="wrap").take(rows + j, 1, mode="wrap") for i, j in at], axis=-1
    )


def clouds(rng: Rng, side: int, scale_px: float, octaves: int = 3) -> Map:
    """Isotropic field with finer and finer detail, standard deviation near 1."""
    total = np.zeros((side, side), np.float32)
    for k in range(octaves):
        n = max(3, int(np.ceil(side * 2**k / scale_px)) + 2)
        if n > side:
            break
        i, j = rng.integers(0, TILE - n, 2)
        rough = _TILE[i : i + n, j : j + n]
        total += np.float32(0.6**k) * cv2.resize(rough, (side, side), interpolation=cv2.INTER_CUBIC)
    return total


def course(rng: Rng, length: int, scale_px: float) -> NDArray[np.float32]:
    """Random course along a line: smooth, standard deviation near 1, one value for each pixel."""
    n = max(4, int(length / scale_px) + 4)
    knots = rng.standard_normal(n)
    at = np.linspace(0, n - 1, length) + 0.0
    return np.interp(at, np.arange(n), knots).astype(np.float32) * np.float32(1.25)


def step(x: Map, width: float = 1.0) -> Map:
    """Go from 0 to 1 about x = 0."""
    return np.clip(x / np.float32(max(width, 1e-3)) + np.float32(0.5), 0, 1)


def blurred(picture: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """Blur by a Gaussian; a wide one at reduced size."""
    if sigma_px < 0.2:
        return picture
    if sigma_px < 5:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px), np.float32)
    h, w = picture.shape[:2]
    k = int(min(sigma_px / 2, 16))
    small = cv2.resize(picture, (max(4, w // k), max(4, h // k)), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / k)
    return np.asarray(cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR), np.float32)


def colour(rng: Rng) -> NDArray[np.float32]:
    """Draw a colour with mean 1: metals, coatings, cards, anything."""
    kinds = (
        (1.0, 1.0, 1.0),
        (1.05, 1.0, 0.95),
        (0.95, 1.0, 1.06),
        (1.45, 1.05, 0.5),
        (1.5, 0.9, 0.6),
        (1.2, 0.95, 0.85),
        (0.95, 0.85, 1.2),
        (0.75, 0.95, 1.3),
    )
    base = np.array(kinds[rng.integers(len(kinds))]) * np.exp(rng.normal(0, 0.08, 3))
    if chance(rng, 0.12):
        base = np.exp(rng.normal(0, 0.5, 3))
    return np.asarray(base / base.mean(), np.float32)
