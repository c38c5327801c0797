"""Pictures without a tool's edge: prints, rulers, textures, shapes, grounds, faces alone."""

from __future__ import annotations

import cv2
import numpy as np
from fields import (
    Picture,
    Rng,
    between,
    blurred,
    chance,
    clouds,
    colour,
    course,
    field,
    grid,
    spread,
    step,
    turned,
)
from grounds import ground, level, one_shape, plain, shading, shapes, streaks, texture


def empty(rng: Rng, side: int) -> Picture:
    """Draw one of them."""
    makers = (
        printed,
        ruler,
        leaves,
        texture_alone,
        page,
        solids,
        lambda r, n: ground(r, n, between(r, 0, 6.3)),
        waves,
        hills,
        screen,
        beams,
    )
    shares = (0.12, 0.09, 0.16, 0.1, 0.07, 0.11, 0.08, 0.05, 0.1, 0.07, 0.05)
    maker = makers[rng.choice(len(makers), p=shares)]
    return np.maximum(maker(rng, side), 0)


def printed(rng: Rng, side: int) -> Picture:
    """Two printed tones, or many: slanted edges, bars, chequers, all without a grain of their own."""
    x, y = grid(side)
    u, v = turned(x - side / 2, y - side / 2, between(rng, 0, 2 * np.pi))
    kind = rng.integers(4)
    soft = spread(rng, 0.7, 6)
    if kind == 0:
        share = step(v - np.float32(rng.normal(0, 0.2) * side), soft)
    elif kind == 1:
        share = step(
            np.abs(v - np.float32(rng.normal(0, 0.15) * side)) - np.float32(spread(rng, 4, 100)), soft
        )
    elif kind == 2:
        pitch = np.float32(spread(rng, 6, 120))
        share = step(np.sin(u * 2 * np.pi / pitch) * np.sin(v * 2 * np.pi / pitch) * pitch / 4, soft)
    else:
        half = np.float32(spread(rng, 20, 130))
        share = step(np.maximum(np.abs(u), np.abs(v)) - half, soft)
    low, high = level(rng), level(rng)
    if abs(low - high) < 0.05:
        high = low + 0.4
    tones = np.float32(low) + np.float32(high - low) * share
    out = (tones * shading(rng, side))[..., None] * (
        colour(rng) if chance(rng, 0.1) else np.ones(3, np.float32)
    )
    if chance(rng, 0.15):  # paper under the print
        out = (
            out
            * np.exp(np.float32(spread(rng, 0.01, 0.08)) * clouds(rng, side, spread(rng, 3, 30)))[..., None]
        )
    return np.asarray(out, np.float32)


def ruler(rng: Rng, side: int) -> Picture:
    """Lines of a ruler or graticule, long and short, sometimes with figures."""
    x, y = grid(side)
    u, v = turned(x - side / 2, y - side / 2, between(rng, 0, 2 * np.pi))
    pitch, width = spread(rng, 5, 60), spread(rng, 0.8, 5)
    phase = np.mod(u + 1000, np.float32(pitch)) - np.float32(pitch / 2)
    number = np.floor((u + 1000) / np.float32(pitch)).astype(np.int32)
    long_ones = rng.integers(2, 11)
    reach = np.where(number % long_ones == 0, between(rng, 0.2, 0.6), between(rng, 0.08, 0.3)) * side
    share = step(np.float32(width / 2) - np.abs(phase), 1)
    if chance(rng, 0.7):
        share = share * step(reach.astype(np.float32) - np.abs(v - np.float32(rng.normal(0, 0.1) * side)), 1)
    if chance(rng, 0.3):
        phase2 = np.mod(v + 1000, np.float32(pitch)) - np.float32(pitch / 2)
        share = np.maximum(share, step(np.float32(width / 2) - np.abs(phase2), 1))
    if chance(rng, 0.4):
        canvas = np.zeros((side, side), np.uint8)
        for k in range(4):
            at = (int(between(rng, 0, 0.9) * side), int(between(rng, 0.05, 1) * side))
            cv2.putText(
                canvas, str(k * 10), at, int(rng.integers(0, 4)), spread(rng, 0.4, 1.5), 255, 1, cv2.LINE_AA
            )
        share = np.maximum(share, canvas.astype(np.float32) / np.float32(255))
    over = np.float32(level(rng)) * colour(rng)
    under = texture(rng, side) if chance(rng, 0.3) else plain(rng, side)
    return np.asarray(under + (over - under) * share[..., None], np.float32)


def leaves(rng: Rng, side: int) -> Picture:
    """Many textured shapes over each other, small before large, some out of focus: any picture of anything."""
    out = texture(rng, side) if chance(rng, 0.5) else ground(rng, side, 0.0)
    for _ in range(rng.integers(6, 30)):
        mask = one_shape(rng, side)
        if chance(rng, 0.3):
            mask = blurred(mask, spread(rng, 1, 8))
        relief = np.float32(spread(rng, 0.02, 0.5)) * clouds(rng, side, spread(rng, 4, 100), 2)
        over = (np.float32(level(rng)) * np.exp(relief))[..., None] * colour(rng)
        out = out + (over - out) * mask[..., None]
    return np.asarray(out, np.float32)


def texture_alone(rng: Rng, side: int) -> Picture:
    """A surface that fills the picture."""
    return (
        texture(rng, side)
        if chance(rng, 0.6)
        else texture(rng, side) * np.exp(np.float32(0.4) * clouds(rng, side, spread(rng, 10, 150)))[..., None]
    )


def page(rng: Rng, side: int) -> Picture:
    """Lines of print."""
    canvas = np.zeros((side, side), np.uint8)
    size = spread(rng, 0.25, 1.5)
    letters = list("abcdefghijklmnopqrstuvwxyz    ABCDEFG0123456789")
    for row in np.arange(size * 20, side + size * 20, size * between(rng, 22, 36)):
        line = "".join(rng.choice(letters, 60))
        cv2.putText(
            canvas,
            line,
            (int(rng.integers(0, 20)), int(row)),
            0,
            size,
            255,
            int(rng.integers(1, 3)),
            cv2.LINE_AA,
        )
    move = cv2.getRotationMatrix2D((side / 2, side / 2), between(rng, 0, 360), between(rng, 0.8, 1.5))
    share = cv2.warpAffine(canvas, move, (side, side)).astype(np.float32) / np.float32(255)
    under = plain(rng, side)
    return np.asarray(under + (np.float32(level(rng)) * colour(rng) - under) * share[..., None], np.float32)


def solids(rng: Rng, side: int) -> Picture:
    """Balls, coins, grains: shaded round things."""
    x, y = grid(side)
    out = ground(rng, side, 0.0) if chance(rng, 0.6) else shapes(rng, side)
    for _ in range(rng.integers(1, 14)):
        cx, cy = rng.uniform(0, side, 2).astype(np.float32)
        r = np.float32(spread(rng, 5, 110))
        q = np.sqrt((x - cx) ** 2 + (y - cy) ** 2) / r
        lit = np.sqrt(np.clip(1 - q * q, 0.02, 1)) if chance(rng, 0.6) else np.ones_like(q)
        lit = lit * np.exp(np.float32(spread(rng, 0.02, 0.4)) * clouds(rng, side, spread(rng, 4, 40), 2))
        over = (np.float32(level(rng)) * lit)[..., None] * colour(rng)
        out = out + (over - out) * step((1 - q) * r, spread(rng, 0.8, 5))[..., None]
    return np.asarray(out, np.float32)


def waves(rng: Rng, side: int) -> Picture:
    """Smooth gradients, fringes and blurred bands."""
    if chance(rng, 0.5):
        return streaks(rng, side, between(rng, 0, 6.3))
    x, y = grid(side)
    u, v = turned(x, y, between(rng, 0, 2 * np.pi))
    relief = field(rng, u, v, spread(rng, 30, 400), spread(rng, 20, 200))
    return np.asarray(
        plain(rng, side) * np.exp(np.float32(spread(rng, 0.05, 1)) * relief)[..., None], np.float32
    )


def hills(rng: Rng, side: int) -> Picture:
    """Outlines behind each other, as of hills, roofs or cloths: each wanders far more than a ground edge."""
    x, y = grid(side)
    u, v = turned(x - side / 2, y - side / 2, rng.normal(0, 0.3) + rng.integers(4) * np.pi / 2)
    out = plain(rng, side)
    at = np.sort(rng.uniform(-0.4, 0.5, rng.integers(1, 6))) * side
    for place in at.astype(np.float32):
        swing = np.float32(spread(rng, 0.03, 0.25) * side)
        line = swing * course(rng, 2 * side, spread(rng, 20, 150)) + np.float32(spread(rng, 0.2, 6)) * course(
            rng, 2 * side, spread(rng, 2, 20)
        )
        table = line[np.clip((u + side).astype(np.int32), 0, 2 * side - 1)]
        tint = np.float32(level(rng)) * colour(rng)
        grain = clouds(rng, side, spread(rng, 3, 80)) * np.float32(spread(rng, 0.01, 0.5))
        over = np.exp(grain)[..., None] * tint
        out = out + (over - out) * step(v - place + table, spread(rng, 0.8, 6))[..., None]
    return np.asarray(out, np.float32)


def screen(rng: Rng, side: int) -> Picture:
    """Panels, frames and print, as on a screen or a page with figures."""
    canvas = (np.full((side, side, 3), level(rng)) * colour(rng)).astype(np.float32)
    print_mask = np.zeros((side, side), np.uint8)
    for _ in range(rng.integers(2, 12)):
        x0, y0 = (int(value) for value in rng.uniform(-0.1, 0.9, 2) * side)
        w, h = (int(spread(rng, 8, side)) for _ in range(2))
        tone = tuple(float(value) for value in level(rng) * colour(rng))
        width = -1 if chance(rng, 0.7) else int(rng.integers(1, 4))
        cv2.rectangle(canvas, (x0, y0), (x0 + w, y0 + h), tone, width, cv2.LINE_AA)
        for row in range(y0 + 8, y0 + h, int(rng.integers(9, 20))) if chance(rng, 0.5) else ():
            word = "".join(rng.choice(list("abcdefghiklmnoprstu  "), max(1, w // 9)))
            cv2.putText(print_mask, word, (x0 + 2, row), 0, spread(rng, 0.25, 0.6), 255, 1, cv2.LINE_AA)
    share = print_mask[..., None].astype(np.float32) / np.float32(255)
    return canvas + (np.float32(level(rng)) - canvas) * share


def beams(rng: Rng, side: int) -> Picture:
    """Bands of light across each other, their borders sharp or soft, without a grain."""
    x, y = grid(side)
    out = plain(rng, side)
    for _ in range(rng.integers(2, 9)):
        _, v = turned(x - side / 2, y - side / 2, between(rng, 0, 2 * np.pi))
        bent = v + np.float32(rng.normal(0, 0.3) / side) * (x - side / 2) ** 2
        centre, half = np.float32(rng.normal(0, 0.3) * side), np.float32(spread(rng, 4, 200))
        share = step(half - np.abs(bent - centre), spread(rng, 0.8, 60)) * np.float32(between(rng, 0.2, 1))
        out = out + (np.float32(level(rng)) * colour(rng) - out) * share[..., None]
    return np.asarray(out, np.float32)
