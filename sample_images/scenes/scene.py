"""One drawn scene from a seed: the picture, and where in it the cutting edge runs.

As a script, with a file, a number and a seed, it shows some with their edges laid over them.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import cv2
import numpy as np
from camera import photograph, stained, written_on
from empties import empty
from fields import Map, Picture, Rng, between, blurred, chance, clouds, colour, field, spread, step
from grounds import ground, streaks, studio
from numpy.typing import NDArray
from tools import Layout, Wear, along, face, layout, silhouette, smooth_face, wear, worn_edge

EMPTY_SHARE = 0.33
LINE_PX = 1.3  # standard deviation of the labelled line
LEAST_SHARE, MOST_SHARE = 0.06, 0.95  # of the picture that is tool
LEAST_EDGE = 0.3  # of the picture's side that the edge must run through it


@dataclass(frozen=True)
class Scene:
    """A drawn scene.

    Attributes
    ----------
    picture : ndarray of uint8, shape (H, W, 3)
        Red, green, blue.
    edge : ndarray of float32, shape (H, W)
        1 on the cutting edge, falling off beside it as a Gaussian of `LINE_PX`.
    inward : ndarray of float32, shape (H, W, 2)
        Unit normal into the tool (columns, rows); 0 in an empty scene.
    tool : ndarray of float32, shape (H, W)
        Share of each pixel that is tool.
    weight : ndarray of float32, shape (H, W)
        0 where another border of the tool may or may not be called an edge; else 1.
    """

    picture: NDArray[np.uint8]
    edge: Map
    inward: NDArray[np.float32]
    tool: Map
    weight: Map

    @property
    def has_edge(self) -> bool:
        """Whether a cutting edge is in it."""
        return bool(self.edge.max() > 0.5)


def draw(seed: tuple[int, ...], side: int = 320) -> Scene:
    """Draw the scene of a seed.

    Parameters
    ----------
    seed : tuple of int
    side : int
        Of the square picture, in pixels.
    """
    rng = np.random.default_rng(seed)
    if chance(rng, EMPTY_SHARE):
        light, scene = face_alone(rng, side) if chance(rng, 0.22) else empty(rng, side), None
    else:
        light, scene = with_tool(rng, side)
    codes = photograph(rng, np.maximum(stained(rng, light), 0))
    if chance(rng, 0.1):
        codes = written_on(rng, codes)
    if scene is None:
        nothing = np.zeros((side, side), np.float32)
        return Scene(codes, nothing, np.zeros((side, side, 2), np.float32), nothing, np.ones_like(nothing))
    return Scene(codes, *scene)


Labels = tuple[Map, NDArray[np.float32], Map, Map]


def with_tool(rng: Rng, side: int) -> tuple[Picture, Labels]:
    """Draw light and labels of a scene with a cutting edge."""
    while True:
        place, worn = layout(rng, side), wear(rng, side)
        depth = silhouette(place, worn, place.d)
        share = float((depth > 0).mean())
        edge, weight = labelled(place, worn, depth)
        if LEAST_SHARE < share < MOST_SHARE and float((edge > 0.6).sum()) > LEAST_EDGE * side * 2.6:
            break
    simple = place.kind != "flank" and chance(rng, 0.25)
    tool, has_land = (smooth_face(rng, place, place.d), False) if simple else face(rng, place, place.d)
    tool = worn_edge(rng, place, worn, place.d, depth, tool)
    if place.second == "cutting":
        tool = second_edge(rng, place, tool)
    mask = step(depth, between(rng, 1.0, 2.2))
    if place.second == "blurred":
        first = place.d - along(worn.recession, place.s)
        mask = step(first, 1.2) * step(place.d_second, spread(rng, 4, 25))
    flute = place.kind == "flank" and chance(rng, 0.6)
    behind = streaks(rng, side, place.angle) if flute else ground(rng, side, place.angle)
    behind = studio(rng, side) if simple else behind
    behind = shadowed(rng, place, depth, with_other_face(rng, place, behind))
    light = behind + (tool - behind) * mask[..., None]
    if chance(rng, 0.15):
        light = with_resin(rng, depth, light)
    if chance(rng, 0.3):
        light = partly_sharp(rng, place, light)
    if place.kind == "strip" and not has_land and not worn.any:
        weight = np.where(np.abs(place.d_second) < 6, 0, weight).astype(np.float32)
    return light, (edge, inward(silhouette(place, worn, place.d, with_wear=False)), mask, weight)


def labelled(place: Layout, worn: Wear, depth: Map) -> tuple[Map, Map]:
    """Line map of the cutting edge, and where other borders are not to be counted."""
    first = place.d - along(worn.recession, place.s)
    line = np.exp(-(depth**2) / np.float32(2 * LINE_PX**2))
    weight = np.ones_like(line)
    if place.second == "cutting":
        return line, weight
    own = first <= place.d_second
    if place.second == "plain":
        weight[(np.abs(depth) < 6) & ~own] = 0
    if place.kind in ("corner", "flank"):  # where it rounds into the other border nobody can say
        weight[(np.abs(depth) < 6) & (np.abs(first - place.d_second) < place.round_px)] = 0
    return np.asarray(line * own, np.float32), weight


def inward(depth: Map) -> NDArray[np.float32]:
    """Unit normal into the tool from the distance into it."""
    smooth = cv2.blur(depth, (5, 5))
    gradient = np.stack([cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)], axis=-1)
    return np.asarray(gradient / (np.linalg.norm(gradient, axis=-1, keepdims=True) + 1e-6), np.float32)


def second_edge(rng: Rng, place: Layout, tool: Picture) -> Picture:
    """Give a corner's other cutting edge its bright line."""
    if chance(rng, 0.4):
        return tool
    line = np.exp(
        -(((place.d_second - np.float32(between(rng, 0, 3))) / np.float32(spread(rng, 0.5, 3))) ** 2)
    )
    return tool * np.maximum(1 + np.float32(between(rng, -0.7, 2.5)) * line, 0.05)[..., None]


def with_other_face(rng: Rng, place: Layout, behind: Picture) -> Picture:
    """Let the face beyond the edge peep out behind it, out of focus, or nearly in it."""
    if not chance(rng, 0.45):
        return behind
    side = behind.shape[0]
    reach = np.float32(spread(rng, 3, 70)) * np.clip(
        1 + np.float32(rng.normal(0, 1.0) / side) * place.s, 0, 3
    )
    soft = spread(rng, 2, 25)
    where = step(place.d + reach, soft) * (reach > 0.5)
    if place.second != "none":
        where = where * step(place.d_second, spread(rng, 2, 20))
    grain = np.float32(spread(rng, 0.02, 0.5)) * field(
        rng, place.s, place.d, spread(rng, 10, 200), spread(rng, 1.5, 20)
    )
    look = (np.float32(spread(rng, 0.01, 1)) * np.exp(grain))[..., None] * colour(rng)
    if chance(rng, 0.3):  # stains and marks on it too
        look = (
            look
            * np.exp(np.float32(spread(rng, 0.1, 0.7)) * clouds(rng, side, spread(rng, 6, 60)))[..., None]
        )
    haze = spread(rng, 0.3, 6)
    return behind + (blurred(np.asarray(look, np.float32), haze) - behind) * where[..., None]


def shadowed(rng: Rng, place: Layout, depth: Map, behind: Picture) -> Picture:
    """Let the tool's shadow, or its blurred reflection, fall on what is behind it."""
    if not chance(rng, 0.35):
        return behind
    near = np.exp(np.minimum(depth, 0) / np.float32(spread(rng, 2, 50)))
    return behind * (1 + np.float32(between(rng, -0.8, 0.5)) * near)[..., None]


def with_resin(rng: Rng, depth: Map, light: Picture) -> Picture:
    """Smear resin on the edge and over it."""
    lumps = clouds(rng, depth.shape[0], spread(rng, 8, 60)) - np.abs(depth) / np.float32(spread(rng, 3, 20))
    where = step(lumps - np.float32(between(rng, 0, 1)), spread(rng, 0.2, 1.5)) * np.float32(
        between(rng, 0.4, 1)
    )
    look = np.float32(spread(rng, 0.01, 0.3)) * np.array([1.4, 1.0, 0.5], np.float32)
    return np.asarray(light + (look - light) * where[..., None], np.float32)


def partly_sharp(rng: Rng, place: Layout, light: Picture) -> Picture:
    """Keep only part of the edge's length in focus."""
    side = light.shape[0]
    middle, half, slope = (
        between(rng, -0.35, 0.35) * side,
        spread(rng, 0.05, 0.4) * side,
        spread(rng, 20, 150),
    )
    lost = np.clip((np.abs(place.s - np.float32(middle)) - np.float32(half)) / np.float32(slope), 0, 1)[
        ..., None
    ]
    most = spread(rng, 1.5, 6)
    little = light + (blurred(light, most / 2) - light) * np.minimum(2 * lost, 1)
    return little + (blurred(light, most) - little) * np.maximum(2 * lost - 1, 0)


def face_alone(rng: Rng, side: int) -> Picture:
    """A tool that fills the picture, heel and all, its cutting edge outside."""
    place = layout(rng, side)
    d = place.d - place.d.min() + np.float32(spread(rng, 8, 60))
    away = Layout("across", "none", place.angle, place.s, d, np.full_like(d, 9e3), 1.0)
    tool, _ = face(rng, away, d)
    return partly_sharp(rng, away, tool) if chance(rng, 0.2) else tool


def shown(scene: Scene) -> NDArray[np.uint8]:
    """The picture with its edge in red and a tick into the tool."""
    out = scene.picture.copy()
    out[scene.edge > 0.6] = (255, 0, 0)
    rows, columns = np.nonzero(scene.edge > 0.9)
    for k in range(0, len(rows), 60):
        tip = np.array([columns[k], rows[k]]) + 14 * scene.inward[rows[k], columns[k]]
        cv2.line(out, (int(columns[k]), int(rows[k])), (int(tip[0]), int(tip[1])), (0, 255, 0), 1)
    out[scene.weight < 0.5] = out[scene.weight < 0.5] // 2 + np.array([0, 0, 127], np.uint8)
    return out


if __name__ == "__main__":
    name, count, first = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    tiles = [np.hstack([(one := draw((first, k))).picture, shown(one)]) for k in range(count)]
    tiles += [np.zeros_like(tiles[0])] * (-len(tiles) % 3)
    sheet = np.vstack([np.hstack(tiles[k : k + 3]) for k in range(0, len(tiles), 3)])
    cv2.imwrite(name, sheet[..., ::-1])
