"""Photographs of a wedge's cross-section with known truth, made by counting sub-pixels, with no model of an edge.

A picture is drawn many times finer than its pixels, point by point from the definition of the shape, blurred, and
averaged over each pixel's area.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.trial import Trial, load_trial

Array = NDArray[np.float64]


TRIAL = """
[trial]
name = "Sections"
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
wedge_angle_deg = {wedge_deg}
u_wedge_angle_deg = 1.5
coating = "none"
"""

PHOTO = """
[[photo]]
bit = "Dunlin"
flute = 1
parts = {parts}
view = "profile"
file = "{file}"
scale = "bench"
{more}
"""


def write_trial(
    folder: Path,
    photos: dict[int, Path],
    *,
    um_per_px: float = 1.5,
    u_um_per_px: float = 0.003,
    wedge_deg: float = 60.0,
    more: str = "",
) -> Trial:
    """A trial of one flute in profile: `photos` by parts cut."""
    text = TRIAL.format(um_per_px=um_per_px, u_um_per_px=u_um_per_px, wedge_deg=wedge_deg)
    for parts, file in photos.items():
        text += PHOTO.format(parts=parts, file=file, more=more)
    (folder / "trial.toml").write_text(text)
    return load_trial(folder / "trial.toml")


@dataclass(frozen=True)
class Wedge:
    """A wedge in a photo; lengths in pixels, angles in degrees.

    `turned_deg` is the direction from the tip into the tool, from +x towards +y (rows count down). `blur_px` is a
    Gaussian, `defocus_px` the radius of a disc on top of it. `shape` is "round",
    "ellipse" (the arc stretched by `stretch` across the bisector), "chamfer" or "chip".
    """

    radius_px: float = 20.0
    wedge_deg: float = 60.0
    turned_deg: float = 90.0
    size: tuple[int, int] = (300, 400)
    apex_px: tuple[float, float] | None = None
    blur_px: float = 1.2
    defocus_px: float = 0.0
    shape: str = "round"
    stretch: float = 1.0
    dark: float = 0.05
    bright: float = 0.7
    backlit: bool = True
    noise: float = 0.01
    uneven: float = 0.0
    seed: int = 0
    fine: int = 8
    tilt_deg: float = 0.0
    tilted_towards_deg: float = 0.0

    @property
    def apex(self) -> Array:
        """Column and row of the ideal apex."""
        if self.apex_px is not None:
            return np.array(self.apex_px)
        height, width = self.size
        into = np.array([np.cos(np.radians(self.turned_deg)), np.sin(np.radians(self.turned_deg))])
        reach = 0.5 * min(height, width)
        return np.array([(width - 1) / 2, (height - 1) / 2]) - 0.45 * reach * into + self._jitter()

    def _jitter(self) -> Array:
        return np.random.default_rng(900 + self.seed).uniform(-0.5, 0.5, 2)

    def inside(self, x: Array, y: Array) -> NDArray[np.bool_]:
        """Which places (column, row) are tool."""
        turn, half = np.float32(np.radians(self.turned_deg)), np.float32(np.radians(self.wedge_deg / 2))
        x, y = x - np.float32(self.apex[0]), y - np.float32(self.apex[1])
        if self.tilt_deg:  # foreshortened in one direction
            towards = np.radians(self.tilted_towards_deg)
            more = (1 / np.cos(np.radians(self.tilt_deg)) - 1) * (x * np.cos(towards) + y * np.sin(towards))
            x, y = x + np.float32(np.cos(towards)) * more, y + np.float32(np.sin(towards)) * more
        into = x * np.cos(turn) + y * np.sin(turn)
        across = x * np.sin(turn) - y * np.cos(turn)
        r = np.float32(self.radius_px)
        wedge = np.abs(across) * np.cos(half) <= into * np.sin(half)
        before_chord = into * 1.0 < r / np.tan(half) * np.cos(half)
        if self.shape == "chamfer":
            return wedge & ~before_chord
        centre = r / np.sin(half)
        if self.shape == "ellipse":
            # an ellipse whose semi-axis along the bisector is `stretch` times that of the tangent circle
            # it touches the faces where its own slope is theirs
            a, b = r, r * np.float32(self.stretch)
            t = np.arctan2(b * np.sin(half), a * np.cos(half))  # parameter at the point of contact
            touch = a * np.cos(t) / np.tan(half)  # depth of the contact below the apex
            middle = touch + b * np.sin(t)
            return wedge & ((into > touch) | ((across / a) ** 2 + ((into - middle) / b) ** 2 < 1))
        round_tip = wedge & (~before_chord | (across**2 + (into - centre) ** 2 < r**2))
        if self.shape == "chip":
            at = np.array([0.55 * r, centre - 0.85 * r])
            round_tip &= (across - at[0]) ** 2 + (into - at[1]) ** 2 > (0.35 * r) ** 2
        return round_tip

    def share(self) -> NDArray[np.float32]:
        """Share of each pixel that is tool, behind the blur, shape (H, W)."""
        height, width = self.size
        fine, pad = self.fine, int(np.ceil(4.5 * self.blur_px + self.defocus_px)) + 1
        y = ((np.arange((height + 2 * pad) * fine) + 0.5) / fine - 0.5 - pad).astype(np.float32)
        x = ((np.arange((width + 2 * pad) * fine) + 0.5) / fine - 0.5 - pad).astype(np.float32)
        mask = np.empty((len(y), len(x)), np.float32)
        for first in range(0, len(y), 256):
            mask[first : first + 256] = self.inside(x[None, :], y[first : first + 256, None])
        sigma = self.blur_px * fine
        blurred = cv2.GaussianBlur(mask, (2 * int(4.5 * sigma) + 1,) * 2, sigma)
        if self.defocus_px:
            reach = int(np.ceil(self.defocus_px * fine))
            ring = np.hypot(*np.mgrid[-reach : reach + 1, -reach : reach + 1]) <= self.defocus_px * fine
            blurred = cv2.filter2D(blurred, -1, ring / ring.sum())
        whole = cv2.resize(blurred, (len(x) // fine, len(y) // fine), interpolation=cv2.INTER_AREA)
        return np.asarray(whole[pad:-pad, pad:-pad], np.float32)

    def light(self) -> Array:
        """Linear light, shape (H, W), noise included."""
        return _light_of(self).copy()

    def save(self, path: Path, **how: object) -> Path:
        """Write the photo as the sRGB file that a microscope would write."""
        return save_grey(self.light(), path, **how)  # type: ignore[arg-type]


@lru_cache(maxsize=16)
def _light_of(wedge: Wedge) -> Array:
    """Many tests photograph the same wedge: it is drawn once."""
    share = wedge.share().astype(float)
    tool, ground = (wedge.dark, wedge.bright) if wedge.backlit else (wedge.bright, wedge.dark)
    height, width = wedge.size
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    lamp = 1.0 + wedge.uneven * (0.6 * x - 0.5 * y - 0.4 * (x**2 + y**2))
    rng = np.random.default_rng(wedge.seed)
    clean = lamp * (tool * share + ground * (1.0 - share))
    return np.asarray(np.clip(clean + rng.normal(0.0, wedge.noise, clean.shape), 0.0, 1.0))


def save_grey(
    light: Array, path: Path, *, depth: int = 8, colour: bool = False, gamma: float | None = None
) -> Path:
    """Write linear light as sRGB (IEC 61966-2-1), or as a power of it, with 8 or 16 bits."""
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    coded = coded if gamma is None else light ** (1.0 / gamma)
    full = 255 if depth == 8 else 65535
    pixels = np.round(full * np.clip(coded, 0, 1)).astype(np.uint8 if depth == 8 else np.uint16)
    if colour:
        pixels = np.dstack([pixels * 0.8, pixels * 0.9, pixels]).astype(pixels.dtype)
    quality = [cv2.IMWRITE_JPEG_QUALITY, 92] if path.suffix == ".jpg" else []
    assert cv2.imwrite(str(path), pixels, quality)
    return path
