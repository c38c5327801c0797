"""What lies behind the tool: plain, split, textured, or the next flute out of focus."""

from __future__ import annotations

import cv2
import numpy as np
from fields import (
    Map,
    Picture,
    Rng,
    between,
    blurred,
    chance,
    clouds,
    colour,
    field,
    grid,
    spread,
    step,
    turned,
)

LEVELS = ((0.0, 0.03), (0.02, 0.12), (0.1, 0.5), (0.5, 0.9), (0.85, 1.3))


def level(rng: Rng) -> float:
    """Draw a level of linear light: black, dark, grey, pale or burnt out."""
    return between(rng, *LEVELS[rng.integers(len(LEVELS))])


def ground(rng: Rng, side: int, edge_angle: float) -> Picture:
    """Draw a ground, `edge_angle` being the direction of the edge before it."""
    kind = rng.choice(6, p=(0.3, 0.13, 0.12, 0.25, 0.1, 0.1))
    if kind == 0:
        out = plain(rng, side)
    elif kind == 1:
        out = split(rng, side)
    elif kind == 2:
        out = blurred(texture(rng, side), spread(rng, 2, 25))
    elif kind == 3:
        out = streaks(rng, side, edge_angle)
    elif kind == 4:
        out = blurred(shapes(rng, side), spread(rng, 2.5, 25))
    else:
        out = blurred(texture(rng, side), between(rng, 0.4, 2))
    return np.maximum(out, 0)


def plain(rng: Rng, side: int) -> Picture:
    """One tone, with a fall of the light over it."""
    tint = np.float32(level(rng)) * (colour(rng) if chance(rng, 0.15) else np.ones(3, np.float32))
    return shading(rng, side)[..., None] * tint


def studio(rng: Rng, side: int) -> Picture:
    """The ground of a careful picture: nothing, or a white or grey card."""
    low, high = ((0.0, 0.06), (0.5, 1.3), (0.1, 0.4))[rng.choice(3, p=(0.5, 0.35, 0.15))]
    tones = np.float32(between(rng, low, high)) * shading(rng, side)
    return np.asarray(tones[..., None] * np.exp(rng.normal(0, 0.03, 3)).astype(np.float32), np.float32)


def shading(rng: Rng, side: int) -> Map:
    """Fall of the light over the picture, near 1."""
    x, y = grid(side)
    u, _ = turned(x - side / 2, y - side / 2, between(rng, 0, 2 * np.pi))
    out = 1 + np.float32(rng.normal(0, 0.25)) * u / side
    if chance(rng, 0.5):
        cx, cy = rng.uniform(0, side, 2).astype(np.float32)
        out = out - np.float32(between(rng, 0, 0.7)) * ((x - cx) ** 2 + (y - cy) ** 2) / np.float32(side**2)
    if chance(rng, 0.4):
        out = out * np.exp(np.float32(between(rng, 0.02, 0.35)) * clouds(rng, side, spread(rng, 60, 300), 1))
    return np.asarray(np.maximum(out, 0.05), np.float32)


def split(rng: Rng, side: int) -> Picture:
    """Two grounds with a border between them, sharp or soft."""
    x, y = grid(side)
    cx, cy = rng.uniform(0.1, 0.9, 2) * side
    _, v = turned(x - cx, y - cy, between(rng, 0, 2 * np.pi))
    share = step(v, spread(rng, 2, 80))[..., None]
    return plain(rng, side) * share + plain(rng, side) * (1 - share)


def texture(rng: Rng, side: int) -> Picture:
    """Paper, cloth, wood, ground metal: a level and a grain."""
    x, y = grid(side)
    u, v = turned(x, y, between(rng, 0, 2 * np.pi))
    relief = np.float32(spread(rng, 0.03, 0.6)) * field(rng, u, v, spread(rng, 2, 200), spread(rng, 0.8, 12))
    if chance(rng, 0.5):
        relief = relief + np.float32(spread(rng, 0.05, 0.8)) * clouds(rng, side, spread(rng, 8, 120))
    if chance(rng, 0.15):
        pitch = spread(rng, 3, 40)
        relief = relief + np.float32(0.4) * np.sin(u * np.float32(2 * np.pi / pitch))
    return plain(rng, side) * np.exp(relief)[..., None]


def streaks(rng: Rng, side: int, edge_angle: float) -> Picture:
    """The next flute out of focus: dark, with bright bands and patches, often along the edge."""
    x, y = grid(side)
    turn = rng.normal(0, 0.25) if chance(rng, 0.7) else between(rng, -1.6, 1.6)
    u, v = turned(x, y, edge_angle + turn)
    relief = field(rng, u, v, spread(rng, 80, 500), spread(rng, 10, 70))
    light = np.exp(np.float32(between(rng, 0.5, 1.6)) * relief)
    if chance(rng, 0.6):  # a glint of the lamp on the flute
        fine = field(rng, u, v, spread(rng, 40, 300), spread(rng, 5, 30))
        light = light + np.float32(spread(rng, 1, 12)) * np.maximum(fine - 1.2, 0)
    if chance(rng, 0.4):
        light = light * (1 + np.float32(between(rng, 0.1, 0.5)) * field(rng, u, v, 60, spread(rng, 2, 6)))
    if chance(rng, 0.5):  # it ends somewhere
        cx, cy = rng.uniform(0, 1, 2) * side
        _, w = turned(x - cx, y - cy, between(rng, 0, 2 * np.pi))
        light = light * (np.float32(between(rng, 0, 0.4)) + step(w, spread(rng, 10, 80)))
    out = light[..., None] * (np.float32(spread(rng, 0.01, 0.3)) * colour(rng))
    out = out + np.float32(spread(rng, 0.002, 0.05))
    return blurred(np.asarray(out, np.float32), spread(rng, 1.5, 14))


def shapes(rng: Rng, side: int, most: int = 12) -> Picture:
    """Random shapes over each other, each with its tone, some with a grain."""
    out = plain(rng, side)
    for _ in range(rng.integers(2, most)):
        mask = one_shape(rng, side)
        tint = np.float32(level(rng)) * colour(rng)
        over = (
            tint * np.exp(np.float32(0.15) * clouds(rng, side, spread(rng, 5, 80)))[..., None]
            if chance(rng, 0.3)
            else tint
        )
        out = out + (over - out) * mask[..., None]
    return np.asarray(out, np.float32)


def one_shape(rng: Rng, side: int) -> Map:
    """Mask of an ellipse, polygon, bar or ring, antialiased."""
    canvas = np.zeros((side, side), np.uint8)
    cx, cy = (int(v) for v in rng.uniform(-0.1, 1.1, 2) * side)
    size = spread(rng, 0.04, 0.5) * side
    kind = rng.integers(4)
    if kind == 0:
        axes = (int(size) + 1, int(size * between(rng, 0.3, 1)) + 1)
        cv2.ellipse(canvas, (cx, cy), axes, between(rng, 0, 180), 0, 360, 255, -1, cv2.LINE_AA)
    elif kind == 1:
        corners = rng.integers(3, 8)
        angles = np.sort(rng.uniform(0, 2 * np.pi, corners))
        radii = size * rng.uniform(0.4, 1, corners)
        points = np.stack([cx + radii * np.cos(angles), cy + radii * np.sin(angles)], 1)
        cv2.fillPoly(canvas, [points.astype(np.int32)], 255, cv2.LINE_AA)
    elif kind == 2:
        far = (int(cx + size * rng.normal()), int(cy + size * rng.normal()))
        cv2.line(canvas, (cx, cy), far, 255, int(spread(rng, 1, 20)), cv2.LINE_AA)
    else:
        cv2.circle(canvas, (cx, cy), int(size) + 1, 255, int(spread(rng, 1, 12)), cv2.LINE_AA)
    return canvas.astype(np.float32) / np.float32(255)
