"""Photographs of a cutting edge with known truth, made without any model of light.

The tool is a step from background to face whose place is known exactly: the blurred step of a straight edge is a
normal distribution function, so no picture owes anything to a resampling. Wear moves the step by a logistic curve and
takes the coating's colour away beside it; grind marks belong to the tool and move with it.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import expit, ndtr

from wearscope.log.records import Record
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.inspection import Inspection
from wearscope.pipeline.sources import Memory, read_scales
from wearscope.trial import Trial, load_trial

Array = NDArray[np.float64]

GOLD, VIOLET, BARE = (0.55, 0.40, 0.17), (0.38, 0.30, 0.42), (0.34, 0.33, 0.35)
DARK, CARD = (0.015, 0.015, 0.015), (0.72, 0.72, 0.72)


@dataclass(frozen=True)
class Flute:
    """A flute under the microscope; lengths along the edge count from the middle of the tool's own edge.

    The edge runs along `angle_deg` (from +x towards +y, rows counting down) and the tool lies a quarter turn further
    on: at 0 degrees below the edge, at 90 to the left of it. `used_side` is +1 where the used zone lies at larger
    distance along the edge.
    """

    shape: tuple[int, int] = (420, 900)
    um_per_px: float = 3.5
    angle_deg: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)
    sagitta_um: float = 0.0  # of the edge's bend, over 1 mm to each side
    recession_um: float = 0.0
    transition_um: float = 0.0
    width_um: float = 25.0
    used_side: int = 1
    setback_um: float = 0.0
    chips: tuple[tuple[float, float, float], ...] = ()  # middle along the edge, length, depth
    face: tuple[float, float, float] = GOLD
    substrate: tuple[float, float, float] = BARE
    background: tuple[float, float, float] = DARK
    heel_um: float | None = None  # width of the relief land
    marks: float = 0.08
    marks_seed: int = 1
    blur_px: float = 1.1
    noise: float = 0.004
    seed: int = 0
    brightness: float = 1.0

    @property
    def direction(self) -> Array:
        """Unit vector along the edge."""
        return np.array([np.cos(np.radians(self.angle_deg)), np.sin(np.radians(self.angle_deg))])

    @property
    def inward(self) -> Array:
        """Unit vector into the tool."""
        return np.array([-self.direction[1], self.direction[0]])

    @property
    def middle_px(self) -> Array:
        """Column and row of the middle of the tool's new edge."""
        height, width = self.shape
        return np.array([(width - 1) / 2, (height - 1) / 2]) + self.shift_px

    def wear(self, s_um: Array) -> Array:
        """Share of the wear reached along the edge, 0 to 1, half of it at the transition."""
        return np.asarray(expit(self.used_side * (s_um - self.transition_um) / self.width_um))

    def silhouette_um(self, s_um: Array) -> Array:
        """How deep the edge lies below the straight line through its new middle."""
        notch = np.zeros_like(s_um)
        for at, length, depth in self.chips:
            notch += depth * np.maximum(1.0 - ((s_um - at) / (length / 2)) ** 2, 0.0)
        return self.sagitta_um * (s_um / 1000.0) ** 2 + self.recession_um * self.wear(s_um) + notch

    def at_px(self, s_um: float, d_um: float = 0.0) -> Array:
        """Column and row of a place on the edge, `d_um` into the tool."""
        deep = float(self.silhouette_um(np.array(s_um))) + d_um
        return np.asarray(self.middle_px + (s_um * self.direction + deep * self.inward) / self.um_per_px)

    @property
    def transition_px(self) -> Array:
        """Column and row of the place where half of the recession is reached."""
        return self.at_px(self.transition_um)

    def worn(self, **changed: object) -> Flute:
        """The same flute later, put back not quite as it was; `changed` says what else is different."""
        usual = {"recession_um": 20.0, "setback_um": 60.0, "seed": self.seed + 1, "shift_px": (17.0, -9.0)}
        return replace(self, **(usual | {"angle_deg": self.angle_deg + 1.3} | changed))  # type: ignore[arg-type]

    def light(self) -> NDArray[np.float32]:
        """Linear light, shape (H, W, 3), noise included."""
        height, width = self.shape
        x, y = np.meshgrid(np.arange(width) - self.middle_px[0], np.arange(height) - self.middle_px[1])
        s = (x * self.direction[0] + y * self.direction[1]) * self.um_per_px
        o = (x * self.inward[0] + y * self.inward[1]) * self.um_per_px
        step = 1.0  # numerical slope: the distance to a gently curved edge is measured along its normal
        slope = (self.silhouette_um(s + step) - self.silhouette_um(s - step)) / (2 * step)
        depth = (o - self.silhouette_um(s)) / np.hypot(1.0, slope)
        blur_um = self.blur_px * self.um_per_px
        tool = ndtr(depth / blur_um)[..., None]
        bare = ndtr((self.setback_um * self.wear(s) - depth) / blur_um)[..., None] if self.setback_um else 0.0
        face = np.array(self.face) * (1.0 - bare) + np.array(self.substrate) * bare
        face = face * (1.0 + self.marks * grind_marks(self.marks_seed, s))[..., None]
        if self.heel_um is not None:
            beyond = depth - self.heel_um
            face = (
                face
                * (1.0 + 0.9 * np.exp(-0.5 * (beyond / 12.0) ** 2) - 0.4 * ndtr(beyond / blur_um))[..., None]
            )
        clean = self.brightness * (np.array(self.background) * (1.0 - tool) + face * tool)
        noise = np.random.default_rng(self.seed).normal(0.0, self.noise, clean.shape)
        return np.asarray(np.clip(clean + noise, 0.0, 1.0), np.float32)

    def save(self, path: Path) -> Path:
        """Write the photo as the 8-bit sRGB file that a microscope would write."""
        path.write_bytes(_file_of(self, path.suffix))
        return path


@lru_cache(maxsize=64)
def _file_of(flute: Flute, suffix: str) -> bytes:
    """Many tests photograph the same flute: it is drawn once."""
    with tempfile.TemporaryDirectory() as folder:
        return save_light(flute.light(), Path(folder) / f"photo{suffix}").read_bytes()


def save_light(light: NDArray[np.floating], path: Path) -> Path:
    """Write linear light as 8-bit sRGB (IEC 61966-2-1)."""
    light = np.clip(light, 0.0, 1.0)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    pixels = np.round(255 * coded).astype(np.uint8)
    quality = [cv2.IMWRITE_JPEG_QUALITY, 94] if path.suffix == ".jpg" else []
    assert cv2.imwrite(str(path), pixels[..., ::-1], quality)
    return path


@lru_cache(maxsize=8)
def _streaks(seed: int) -> Array:
    rng = np.random.default_rng(1000 + seed)
    fine = gaussian_filter1d(rng.normal(size=24001), 5.0)
    broad = gaussian_filter1d(rng.normal(size=24001), 15.0)
    return np.asarray(fine / fine.std() + 0.7 * broad / broad.std())


def grind_marks(seed: int, s_um: Array) -> Array:
    """Brightness of grind marks square to the edge, standard deviation about 1; one set for every seed."""
    return np.asarray(np.interp(s_um, np.arange(-12000.0, 12001.0), _streaks(seed)))


TRIAL = """
[trial]
name = "Step edges"
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
wedge_angle_deg = {wedge_angle_deg}
u_wedge_angle_deg = 0.5
coating = "{coating}"
r_unused_um = 3
u_r_unused_um = 1
"""

PHOTO = """
[[photo]]
bit = "Dunlin"
flute = 1
parts = {parts}
view = "relief"
file = "{file}"
scale = "bench"
{more}
"""


def write_trial(
    folder: Path,
    photos: dict[int, Path],
    *,
    um_per_px: float = 3.5,
    wedge_angle_deg: float = 60.0,
    coating: str = "TiN",
    more: dict[int, str] | None = None,
) -> Trial:
    """A trial of one flute: `photos` by parts cut, `more` lines of their entries."""
    text = TRIAL.format(
        um_per_px=um_per_px, u_um_per_px=um_per_px * 5e-4, wedge_angle_deg=wedge_angle_deg, coating=coating
    )
    for parts, file in photos.items():
        text += PHOTO.format(parts=parts, file=file, more=(more or {}).get(parts, ""))
    (folder / "trial.toml").write_text(text)
    return load_trial(folder / "trial.toml")


def measured(trial: Trial, parts: int, of_new_states: Memory | None = None) -> Inspection:
    """What the photo taken after `parts` parts gives; a memory spares reading one new-state photo again and again."""
    scales, refusals = read_scales(trial)
    assert not refusals
    (entry,) = [photo for photo in trial.photos if photo.parts == parts]
    return inspect_photo(trial, entry, scales, of_new_states=of_new_states)


def rows(inspection: Inspection) -> dict[tuple[str, str], Record]:
    """Records by quantity and zone, each of which may occur once; the photo must have been measured."""
    assert not inspection.refusal
    found = {(record.quantity, record.zone): record for record in inspection.records}
    assert len(found) == len(inspection.records)
    return {(quantity, str(zone)): record for (quantity, zone), record in found.items()}


def transition_error_um(flute: Flute, found: dict[tuple[str, str], Record]) -> Array:
    """Where the transition was found less where it is: along the edge and into the tool."""
    x, y = (found[f"transition_{axis}_px", "whole"].value for axis in "xy")
    assert x is not None
    assert y is not None
    off = (np.array([x, y]) - flute.transition_px) * flute.um_per_px
    return np.array([off @ flute.direction, off @ flute.inward])


def edge_bound_px(blur_px: float, noise: float, rows: int = 1, edge_px: float | None = None) -> float:
    """Cramér-Rao bound on the standard deviation of an edge's place, in pixels.

    For a step of unit height behind a Gaussian blur, sampled once per pixel in white noise of standard deviation
    `noise` in each of `rows` independent rows; the mean over all places of the edge within a pixel unless `edge_px`
    says where it lies. A. Gatherer, "The Cramer Rao bound for discrete-time edge position estimation", Stanford
    CSL-TR-93-560 (1993), specialised to the Gaussian.
    """
    at = np.linspace(0.0, 0.95, 20) if edge_px is None else np.array([edge_px])
    x = (np.arange(-60, 61)[:, None] - at) / blur_px
    information = np.exp(-(x**2)).sum(axis=0) / (2 * np.pi * blur_px**2)
    return float(np.mean(noise / np.sqrt(information * rows)))
