"""Photographs of the edge of a veneered part with known break-outs, made by counting sub-pixels.

Ground, top layer with its grain, and what lies under the layer are each a picture many times finer than the pixels;
the layer's edge is drawn point by point, blurred, and averaged over each pixel's area.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from wearscope.light.strip import Strip
from wearscope.trial import Trial, load_trial

FACE, BELOW = (0.55, 0.42, 0.28), (0.16, 0.10, 0.06)
DARK, BRIGHT = (0.03, 0.03, 0.03), (0.9, 0.9, 0.9)
FINE = 2

TRIAL = """
[trial]
name = "Parts"
workpiece = "15 mm birch plywood"
depth_of_cut_mm = 4.0
spindle_rpm = 18000
feed_mm_per_min = 3600

[[scale]]
name = "bench"
um_per_px = {um_per_px}
u_um_per_px = {u_um_per_px}

[[bit]]
name = "Dunlin"
price = 15.0
flutes = 1
diameter_mm = 6.35
wedge_angle_deg = 60
u_wedge_angle_deg = 1.5
coating = "none"

[[photo]]
bit = "Dunlin"
flute = 1
parts = 150
view = "part"
file = "{file}"
scale = "bench"
{more}
"""


@dataclass(frozen=True)
class Part:
    """A part's edge; lengths in µm. `torn`: (place along the edge, width, depth) of half ellipses."""

    torn: tuple[tuple[float, float, float], ...] = ()
    um_per_px: float = 10.0
    size: tuple[int, int] = (440, 560)
    ground: tuple[float, float, float] = DARK
    below: tuple[float, float, float] | None = None
    face: tuple[float, float, float] = FACE
    turned_deg: float = 3.0
    blur_px: float = 1.2
    grain: float = 0.1
    wander_um: float = 6.0
    noise: float = 0.008
    seed: int = 0
    edges: int = 1

    @property
    def length_um(self) -> float:
        return self.size[1] * self.um_per_px

    def layer_um(self, s_um: np.ndarray) -> np.ndarray:
        """How far inside the cut line the top layer begins."""
        return np.max(
            [
                np.zeros(s_um.shape),
                *(
                    depth * np.sqrt(np.clip(1.0 - (2.0 * (s_um - at) / width) ** 2, 0.0, 1.0))
                    for at, width, depth in self.torn
                ),
            ],
            axis=0,
        )

    def drawn(self) -> np.ndarray:
        """Linear light, shape (H, W, 3); the cut line goes through the middle at `turned_deg`."""
        return _light_of(self).copy()

    def save(self, file: Path, turns: int = 0) -> Path:
        """As a photo by the sRGB curve of IEC 61966-2-1, `turns` quarter turns round."""
        light = np.rot90(self.drawn(), turns)
        coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        cv2.imwrite(str(file), np.round(255.0 * coded[..., ::-1]).astype(np.uint8))
        return file

    def strip(self) -> Strip:
        """The strip along the cut line, of a part whose edge runs along the rows."""
        assert self.turned_deg == 0.0
        height, width = self.size
        s_um = (np.arange(width) + 0.5 - width / 2) * self.um_per_px
        d_um = (np.arange(height) + 0.5 - height / 2) * self.um_per_px
        return Strip(self.drawn().astype(np.float32), s_um, d_um, self.um_per_px)

    def share(self, limit_um: float) -> float:
        """Of the edge in the frame, on which the layer begins deeper than a limit."""
        s_um = np.linspace(-0.5, 0.5, 100001) * self.length_um
        return float(np.mean(self.layer_um(s_um) > limit_um))


def write_trial(folder: Path, file: Path, um_per_px: float = 10.0, more: str = "") -> Trial:
    """A trial of one photo of a part."""
    text = TRIAL.format(file=file, um_per_px=um_per_px, u_um_per_px=um_per_px / 500, more=more)
    (folder / "trial.toml").write_text(text)
    return load_trial(folder / "trial.toml")


@lru_cache(maxsize=8)
def _light_of(part: Part) -> np.ndarray:
    """Many tests photograph the same part: it is drawn once."""
    height, width = part.size
    rng = np.random.default_rng(part.seed)
    row, column = np.mgrid[0 : height * FINE, 0 : width * FINE]
    x = ((column + 0.5) / FINE - width / 2) * part.um_per_px
    y = ((row + 0.5) / FINE - height / 2) * part.um_per_px
    turn = np.radians(part.turned_deg)
    s, d = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    places = np.arange(-2.0 * part.length_um, 2.0 * part.length_um, 10.0)
    wander = gaussian_filter(rng.standard_normal(len(places)), 8.0)
    wander *= part.wander_um / wander.std()
    cut = np.interp(s, places, wander)
    layer = cut + part.layer_um(s)
    grain = gaussian_filter(rng.standard_normal((height * FINE, width * FINE)), (4.0, 40.0))
    grain = 1.0 + part.grain * grain / grain.std()
    light = np.asarray(part.face) * grain[..., None]
    under = part.ground if part.below is None else part.below
    light = np.where((d < layer)[..., None], under, light)
    light = np.where((d < cut)[..., None], part.ground, light)
    if part.edges == 2:
        far = 0.3 * height * part.um_per_px
        light = np.where((d > far)[..., None], part.ground, light)
    light = gaussian_filter(light, (part.blur_px * FINE, part.blur_px * FINE, 0), mode="nearest")
    light = light.reshape(height, FINE, width, FINE, 3).mean(axis=(1, 3))
    return np.clip(light + rng.normal(0.0, part.noise, light.shape), 0.0, 1.0)
