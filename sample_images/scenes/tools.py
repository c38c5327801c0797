"""The tool of a drawn scene: where its edge runs, how it is worn, and how its faces look.

Lengths are in pixels of the drawn picture. d is the distance into the tool from the cutting edge, s
the place along it.
"""

from __future__ import annotations

from dataclasses import dataclass

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
    course,
    field,
    grid,
    spread,
    step,
)
from numpy.typing import NDArray

Table = NDArray[np.float32]  # one value for each pixel along the edge


@dataclass(frozen=True)
class Layout:
    """Where the tool lies in the picture.

    Attributes
    ----------
    kind : str
        "across", "corner", "strip" or "flank".
    second : str
        What the other border of the tool is: "none", "cutting", "rounded", "plain" or "blurred".
    angle : float
        Direction of the edge, radians.
    s, d, d_second : ndarray, shape (H, W)
        Place along the edge, distance into the tool from the edge as it was ground and from the other border.
    """

    kind: str
    second: str
    angle: float
    s: Map
    d: Map
    d_second: Map
    round_px: float


@dataclass(frozen=True)
class Wear:
    """What use has done along the edge; each a table by place along it.

    Attributes
    ----------
    recession, land, bare : ndarray
        How far the edge has moved back, how wide the wear land is, how far the coating has gone.
    """

    recession: Table
    land: Table
    bare: Table
    any: bool


def layout(rng: Rng, side: int) -> Layout:
    """Draw the place of a tool: its edge at any angle."""
    kind = str(rng.choice(("across", "corner", "strip", "flank"), p=(0.4, 0.33, 0.12, 0.15)))
    x, y = grid(side)
    normal = between(rng, 0, 2 * np.pi)
    if chance(rng, 0.25):  # people lay the edge along the frame
        normal = rng.integers(4) * np.pi / 2 + rng.normal(0, 0.08)
    px, py = rng.uniform(0.15, 0.85, 2) * side
    u, v = x - np.float32(px), y - np.float32(py)
    d = u * np.float32(np.cos(normal)) + v * np.float32(np.sin(normal))
    s = v * np.float32(np.cos(normal)) - u * np.float32(np.sin(normal))
    second, d_second, r = "none", np.full_like(d, 9e3), 1.0
    if kind in ("corner", "flank"):
        between_normals = rng.choice((-1, 1)) * np.radians(np.clip(rng.normal(90, 18), 50, 140))
        other = normal + between_normals
        d_second = u * np.float32(np.cos(other)) + v * np.float32(np.sin(other))
        second = str(rng.choice(("cutting", "rounded", "plain", "blurred"), p=(0.15, 0.55, 0.15, 0.15)))
        r = spread(rng, 1, 45)
    elif kind == "strip":
        width, tilt = spread(rng, 25, 220), rng.normal(0, 0.06)
        d_second = np.float32(width) - d + np.float32(tilt) * s
        second = str(rng.choice(("rounded", "plain", "blurred")))
    if chance(rng, 0.35):
        d = d + np.float32(rng.normal(0, 0.15) / side) * s * s
    if kind == "flank" and second == "cutting":
        second = "plain"
    return Layout(kind, second, normal + np.pi / 2, s, d, d_second, r)


def along(table: Table, s: Map) -> Map:
    """Look a table up by place along the edge."""
    at = np.clip((s + np.float32(len(table) / 2)).astype(np.int32), 0, len(table) - 1)
    return np.asarray(table[at], np.float32)


def wear(rng: Rng, side: int) -> Wear:
    """Draw what use has done: none, everywhere, on one side of a transition, or between two."""
    n = 3 * side
    at = np.arange(n, dtype=np.float32) - np.float32(n / 2)
    kind = rng.choice(4, p=(0.25, 0.15, 0.4, 0.2))
    a, b = np.sort(rng.uniform(-0.45, 0.45, 2)) * side
    soft = spread(rng, 1, 30)
    used = (
        np.zeros(n),
        np.ones(n),
        step(at - np.float32(a), soft),
        step(at - np.float32(a), soft) * step(b - at, soft),
    )[kind]
    if kind == 2 and chance(rng, 0.5):
        used = used[::-1]
    if chance(rng, 0.3):  # tapering
        used = used * np.clip(0.5 + at / side * rng.normal(0, 1.2), 0, 1.2)
    used = used.astype(np.float32)
    recession = (
        used * np.float32(spread(rng, 0.3, 9)) * (1 + np.float32(0.3) * course(rng, n, spread(rng, 15, 80)))
    )
    everywhere = used if chance(rng, 0.6) else np.ones(n, np.float32)
    recession = recession + everywhere * np.float32(spread(rng, 0.03, 1.3)) * course(
        rng, n, spread(rng, 2, 25)
    )
    for _ in range(rng.integers(0, 6) if chance(rng, 0.3) else 0):
        middle, half = between(rng, -0.5, 0.5) * side, spread(rng, 1.5, 25)
        recession = recession + np.float32(spread(rng, 0.5, 16)) * np.exp(-(((at - middle) / half) ** 2))
    has_land, has_bare = chance(rng, 0.5), chance(rng, 0.4)
    rough = 1 + np.float32(between(rng, 0.05, 0.5)) * course(rng, n, spread(rng, 3, 40))
    land = used * rough * np.float32(spread(rng, 2, 28) * has_land)
    bare = (
        used
        * np.float32(spread(rng, 2, 40) * has_bare)
        * (1 + np.float32(0.3) * course(rng, n, spread(rng, 4, 40)))
    )
    return Wear(recession, np.maximum(land, 0), np.maximum(bare, 0), bool(kind))


def silhouette(place: Layout, worn: Wear, d: Map, *, with_wear: bool = True) -> Map:
    """Signed distance into the tool from its outline, its corner rounded."""
    first = d - along(worn.recession, place.s) if with_wear else d
    r = np.float32(place.round_px)
    if place.kind not in ("corner", "flank") or r < 1.5:
        return np.minimum(first, place.d_second)
    a, b = np.maximum(r - first, 0), np.maximum(r - place.d_second, 0)
    return np.where((a > 0) & (b > 0), r - np.sqrt(a * a + b * b), np.minimum(first, place.d_second))


def grinding(rng: Rng, s: Map, d: Map, strength: tuple[float, float] = (0.02, 0.35)) -> Map:
    """Relief of a ground or sintered face, as a factor's logarithm."""
    turn = rng.choice(
        (np.pi / 2 + rng.normal(0, 0.15), rng.normal(0, 0.15), between(rng, 0, np.pi)), p=(0.5, 0.3, 0.2)
    )
    c, n = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    out = np.zeros_like(s)
    if chance(rng, 0.75):
        u, v = s * c + d * n, d * c - s * n
        out = np.float32(spread(rng, *strength)) * field(rng, u, v, spread(rng, 12, 250), spread(rng, 0.7, 4))
    out = out + np.float32(spread(rng, 0.012, 0.2)) * field(
        rng, s, d, spread(rng, 0.9, 2.5), spread(rng, 0.9, 2.5)
    )
    if chance(rng, 0.4):
        out = out + np.float32(spread(rng, 0.03, 0.3)) * clouds(rng, s.shape[0], spread(rng, 6, 120))
    return np.asarray(out, np.float32)


def smooth_face(rng: Rng, place: Layout, d: Map) -> Picture:
    """Draw a face with next to nothing on it: a coating's colour and a fine grain."""
    side, s = d.shape[0], place.s
    level = np.float32(spread(rng, 0.1, 1.2) if chance(rng, 0.9) else spread(rng, 0.006, 0.1))
    relief = np.float32(spread(rng, 0.006, 0.07)) * field(
        rng, s, d, spread(rng, 0.8, 2.5), spread(rng, 0.8, 2.5)
    )
    if chance(rng, 0.6):  # ground across the edge
        relief = relief + np.float32(spread(rng, 0.005, 0.06)) * field(
            rng, d, s, spread(rng, 20, 300), spread(rng, 0.8, 3)
        )
    light = np.exp(relief) * np.clip(1 + np.float32(rng.normal(0, 0.2) / side) * (d + s), 0.3, 3)
    return np.asarray((level * light)[..., None] * colour(rng), np.float32)


def face(rng: Rng, place: Layout, d: Map) -> tuple[Picture, bool]:
    """Draw the tool's face as ground: land, heel, body; and say whether it has a land."""
    side = d.shape[0]
    s = place.s
    tint = colour(rng)
    level = np.float32(spread(rng, 0.03, 1.2) if chance(rng, 0.85) else spread(rng, 0.006, 0.03))
    light = np.exp(grinding(rng, s, d))
    light = light * np.clip(
        1 + np.float32(rng.normal(0, 0.4) / side) * d + np.float32(rng.normal(0, 0.5) / side) * s, 0.1, 4
    )
    has_land = place.kind == "flank" or chance(rng, 0.55)
    out = (level * light)[..., None] * tint
    if has_land:
        out = with_heel(rng, place, d, out, level, tint)
    elif chance(rng, 0.35):  # focus is lost, or the face bends away, with the depth
        depth = np.clip((d - np.float32(spread(rng, 5, 80))) / np.float32(spread(rng, 20, 200)), 0, 1)[
            ..., None
        ]
        out = out + (blurred(out, spread(rng, 2, 10)) - out) * depth
        out = out * (1 - np.float32(between(rng, 0, 0.9)) * depth)
    if chance(rng, 0.25):
        out = engraved(rng, out)
    if chance(rng, 0.25):  # stains, spent coating
        where = step(clouds(rng, side, spread(rng, 15, 150)) - np.float32(between(rng, 0.2, 1.5)), 0.3)[
            ..., None
        ]
        out = out * (1 + (np.float32(spread(rng, 0.2, 2.5)) * colour(rng) - 1) * where)
    if place.second in ("rounded", "blurred") or (place.second == "plain" and chance(rng, 0.3)):
        reach = np.float32(spread(rng, 4, 50))
        near = np.maximum(place.d_second, 0) / reach
        turn = np.float32(rng.normal(0, 1.2)) * np.exp(-near)
        if chance(rng, 0.6):  # the lamp on the rounded side
            turn = turn + np.float32(spread(rng, 0.2, 2)) * np.exp(
                -(((near - np.float32(between(rng, 0.2, 1.2))) * 3) ** 2)
            )
        if chance(rng, 0.5):  # or it is a band of its own
            turn = turn + np.float32(rng.normal(0, 0.9)) * step(reach - place.d_second, spread(rng, 1.5, 12))
        out = out * np.exp(np.clip(turn, -3, 2.2))[..., None]
    return np.asarray(out, np.float32), has_land


def with_heel(
    rng: Rng, place: Layout, d: Map, land: Picture, level: np.float32, tint: NDArray[np.float32]
) -> Picture:
    """Put a narrow land before another face, with the heel edge between them."""
    side = d.shape[0]
    s = place.s
    width = np.float32(spread(rng, 5, 110)) * (1 + np.float32(rng.normal(0, 0.15) / side) * s)
    if chance(rng, 0.2):
        width = width + np.float32(spread(rng, 0.2, 2)) * along(course(rng, 3 * side, spread(rng, 4, 40)), s)
    beyond = d - width
    dark = place.kind == "flank" and chance(rng, 0.7)
    other = np.float32(spread(rng, 0.02, 0.6) if dark else np.exp(rng.normal(0, 0.6)))
    shade = colour(rng) if chance(rng, 0.15) else tint
    body = (level * other * np.exp(grinding(rng, s, d, (0.05, 0.6))))[..., None] * shade
    body = body * np.clip(1 + np.float32(rng.normal(0, 1.0) / side) * beyond, 0.05, 4)[..., None]
    if chance(rng, 0.35):  # light on the curved body behind
        band = field(rng, s, beyond, spread(rng, 100, 600), spread(rng, 8, 60))
        body = body * np.exp(np.float32(between(rng, 0.3, 1.2)) * band)[..., None]
    if dark or chance(rng, 0.4):
        lost = np.clip(beyond / np.float32(spread(rng, 8, 150)), 0, 1)[..., None]
        body = body + (blurred(body, spread(rng, 2, 9)) - body) * lost
    soft = step(beyond, spread(rng, 0.8, 4))[..., None]
    out = land + (body - land) * soft
    if chance(rng, 0.6):  # the heel's own glint or shadow, often stronger than the edge's
        glint = np.float32(spread(rng, 0.1, 3) * (1 if chance(rng, 0.75) else -0.3))
        ridge = np.exp(-((beyond / np.float32(spread(rng, 0.6, 4))) ** 2))
        if chance(rng, 0.4):
            ridge = ridge * np.clip(0.5 + along(course(rng, 3 * side, spread(rng, 5, 80)), s), 0, 2)
        out = (
            out * np.maximum(1 + glint * ridge, 0.05)[..., None]
            + (np.maximum(glint, 0) * level * 0.4 * ridge)[..., None] * tint
        )
    if chance(rng, 0.25):  # a second heel
        further = beyond - np.float32(spread(rng, 8, 120))
        out = (
            out
            * (1 + (np.float32(np.exp(rng.normal(0, 0.7))) - 1) * step(further, spread(rng, 0.8, 6)))[
                ..., None
            ]
        )
    return np.asarray(out, np.float32)


def engraved(rng: Rng, out: Picture) -> Picture:
    """Put letters, dots or scratches on the face."""
    side = out.shape[0]
    canvas = np.zeros((side, side), np.uint8)
    x0, y0 = (int(v) for v in rng.uniform(-0.1, 0.9, 2) * side)
    if chance(rng, 0.4):
        text = "".join(rng.choice(list("0123456789AKMPXRT"), rng.integers(1, 7)))
        cv2.putText(
            canvas,
            text,
            (x0, y0),
            int(rng.integers(0, 4)),
            spread(rng, 0.5, 3),
            255,
            int(rng.integers(1, 5)),
            cv2.LINE_AA,
        )
    elif chance(rng, 0.5):
        pitch = spread(rng, 3, 10)
        for i, j in np.argwhere(rng.random((7, 14)) < 0.45):
            cv2.circle(
                canvas,
                (int(x0 + j * pitch), int(y0 + i * pitch)),
                int(pitch * 0.45) + 1,
                255,
                -1,
                cv2.LINE_AA,
            )
    else:
        for _ in range(rng.integers(1, 8)):
            far = (int(x0 + rng.normal(0, side / 3)), int(y0 + rng.normal(0, side / 3)))
            cv2.line(
                canvas, (x0 + int(rng.normal(0, 30)), y0), far, 255, int(rng.integers(1, 3)), cv2.LINE_AA
            )
    mask = canvas.astype(np.float32)[..., None] / np.float32(255)
    return out * (1 + (np.float32(spread(rng, 0.15, 2.5)) - 1) * mask)


def worn_edge(rng: Rng, place: Layout, worn: Wear, d: Map, depth: Map, out: Picture) -> Picture:
    """Put wear land, bare substrate, bright line and dim outer strip on the face; `depth` is from the outline."""
    s, side = place.s, d.shape[0]
    metal = np.float32(spread(rng, 0.03, 1.5)) * (colour(rng) if chance(rng, 0.3) else np.ones(3, np.float32))
    land, bare = along(worn.land, s), along(worn.bare, s)
    if worn.bare.any():
        ragged = bare * (1 + np.float32(0.4) * clouds(rng, side, spread(rng, 4, 40), 2))
        where = (step(ragged - depth, 1.5) * (bare > 0.5))[..., None]
        out = out + (metal * np.exp(np.float32(0.12) * clouds(rng, side, 4, 1))[..., None] - out) * where
    if worn.land.any():
        marks = np.float32(spread(rng, 0.05, 0.9)) * field(rng, d, s, spread(rng, 8, 60), spread(rng, 0.8, 5))
        flat = metal * np.float32(np.exp(rng.normal(0, 0.8))) * np.exp(marks)[..., None]
        where = (step(land - depth, spread(rng, 0.8, 3)) * (land > 0.5))[..., None]
        out = out + (flat - out) * where
        if chance(rng, 0.3):
            rim = np.exp(-(((depth - land) / np.float32(spread(rng, 0.6, 2))) ** 2)) * (land > 1)
            out = out * (1 + np.float32(between(rng, -0.7, 2)) * rim)[..., None]
    if chance(rng, 0.65):
        offset = (
            along(worn.recession, s) * np.float32(between(rng, 0, 1.2))
            if chance(rng, 0.5)
            else np.float32(between(rng, 0, 2))
        )
        strength = np.float32(spread(rng, 0.1, 3) * (1 if chance(rng, 0.75) else -0.3))
        line = np.exp(-(((depth - offset) / np.float32(spread(rng, 0.5, 3))) ** 2))
        if chance(rng, 0.5):
            line = line * np.clip(0.5 + along(course(rng, 3 * side, spread(rng, 4, 80)), s), 0, 2)
        if chance(rng, 0.5):
            out = out * (1 - np.float32(between(rng, 0, 0.9)) * step(offset - depth, 1.5))[..., None]
        glow = np.maximum(strength, 0) * np.float32(spread(rng, 0.05, 1)) * line
        out = out * np.maximum(1 + strength * line, 0.05)[..., None] + glow[..., None]
    return np.asarray(out, np.float32)
