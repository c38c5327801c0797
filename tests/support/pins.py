"""Photos of round pins by summing rays: nothing of the model that is fitted to them.

Each place of the cylinder is a heap of small mirrors whose slopes are normally distributed. The view ray is mirrored in
each, and what it hits is looked up: a lamp, the card below the horizon, else the room.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.stats import norm


@dataclass(frozen=True)
class Scene:
    ring_deg: float = 40.0
    rings_deg: Sequence[float] = ()  # more rings
    tilt_deg: float = 0.0  # of the whole ring, about the pin's axis
    azimuths_deg: tuple[float, float] = (0.0, 360.0)  # where lamps stand, from the pin's axis
    lamp_deg: float = 3.0  # half the angle that a lamp spans
    lamp: float = 30.0
    coaxial: float = 2.0
    room: float = 0.15
    card: float = 0.35
    rough_round: float = 0.06
    rough_along: float = 0.1
    rotation_deg: float = 0.0
    radius_px: float = 140.0
    off_px: float = 0.0
    noise: float = 0.005
    exposure: float = 1.0
    shape: tuple[int, int] = (480, 640)


@lru_cache(maxsize=32)
def across(scene: Scene, places: int = 301, facets: int = 81) -> tuple[np.ndarray, np.ndarray]:
    """Places in radii from the axis, and the light from each."""
    u = np.linspace(-0.999, 0.999, places)
    quantiles = norm.ppf((np.arange(facets) + 0.5) / facets) / np.sqrt(2.0)  # α is √2 standard deviations
    along, round_ = np.meshgrid(scene.rough_along * quantiles, scene.rough_round * quantiles)
    facet = np.stack([along.ravel(), round_.ravel(), np.ones(along.size)])
    facet /= np.linalg.norm(facet, axis=0)
    light = np.empty(places)
    for k, lean in enumerate(np.arcsin(u)):
        sin, cos = np.sin(lean), np.cos(lean)
        m = np.stack([facet[0], cos * facet[1] + sin * facet[2], cos * facet[2] - sin * facet[1]])
        area = np.maximum(m[2], 0.0)  # as the camera sees it
        ray = 2.0 * m[2] * m - np.array([[0.0], [0.0], [1.0]])
        light[k] = np.average(hit(scene, ray), weights=area)
    return u, light


def hit(scene: Scene, ray: np.ndarray) -> np.ndarray:
    """What a ray meets."""
    seen = np.where(ray[2] < 0.0, scene.card, scene.room)
    seen = np.where(ray[2] > np.cos(np.radians(8.0)), scene.coaxial, seen)
    tilt = np.radians(scene.tilt_deg)
    x, y, z = (
        ray[0],
        np.cos(tilt) * ray[1] - np.sin(tilt) * ray[2],
        np.sin(tilt) * ray[1] + np.cos(tilt) * ray[2],
    )
    from_axis = np.degrees(np.arccos(np.clip(z, -1.0, 1.0)))
    azimuth = np.degrees(np.arctan2(y, x)) % 360.0
    stands = (azimuth >= scene.azimuths_deg[0]) & (azimuth <= scene.azimuths_deg[1])
    for ring_deg in (scene.ring_deg, *scene.rings_deg):
        seen = np.where(stands & (np.abs(from_axis - ring_deg) < scene.lamp_deg), scene.lamp, seen)
    return seen


def photograph(scene: Scene, seed: int = 0) -> np.ndarray:
    """Linear light, shape (H, W)."""
    u, light = across(scene)
    height, width = scene.shape
    y, x = np.mgrid[:height, :width].astype(float)
    turn = np.radians(scene.rotation_deg)
    place = -np.sin(turn) * (x - (width - 1) / 2) + np.cos(turn) * (y - (height - 1) / 2) - scene.off_px
    on_pin = 0.6 * np.interp(place / scene.radius_px, u, light)
    picture = np.where(np.abs(place) < scene.radius_px, on_pin, scene.card)
    picture = gaussian_filter(picture, 1.2) * scene.exposure * 0.8 / (0.6 * light.max())
    return np.clip(picture + np.random.default_rng(seed).normal(0.0, scene.noise, picture.shape), 0.0, 1.0)
