"""Photograph an edge or a pin: build the scene, path-trace it, and put the picture through a cheap microscope camera.

Needs the renderer `mitsuba` (a developer extra); nothing else in the project does. The optical constants
of TiN, VN, TiC and W are the measured ones that come with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any, TypeAlias

import cv2
import numpy as np
import numpy.typing as npt
from edge_model import (
    HALF_LENGTH_MM,
    MASK_ABOVE_APEX_UM,
    MASK_BELOW_APEX_UM,
    Edge,
    Floats,
    Frame,
    section,
    substrate_mask,
)
from scipy.ndimage import gaussian_filter, median_filter

Bytes: TypeAlias = npt.NDArray[np.uint8]

LAMP_DISTANCE_MM = 30.0
RING_LAMP_RADIUS_MM = 3.6
RING_RADIANCE_PER_POWER = 1.45
COAX_DISTANCE_MM = 34.0
COAX_RADIUS_MM = 7.5
CARD_DEPTH_MM = 2.4
CARD_HALF_MM = 40.0


@dataclass(frozen=True)
class Light:
    """What shines on the edge, what stands behind it, and what it is made of."""

    coating: str = "TiN"
    """Optical material of the coating; W means an uncoated tool."""
    alpha_coat: float = 0.14
    alpha_sub: float = 0.12
    background: float = 0.02
    """Albedo of the card behind the edge."""
    clutter: bool = False
    """Out-of-focus streaks instead of a plain card."""
    ambient: float = 0.15
    ring_n: int = 12
    ring_elev_deg: float = 50.0
    """Height of the lamps above the face; the ring angle from the view axis is 90° less this."""
    ring_power: float = 30.0
    coax_power: float = 6.0

    @property
    def coated(self) -> bool:
        """Whether there is a coating at all."""
        return self.coating != "W"


@dataclass(frozen=True)
class Pin:
    """A round pin that lies along the x axis, the top of it where an edge would be (z = 0)."""

    diameter_mm: float
    material: str = "Cr"
    alpha_along: float = 0.1
    """Roughness along the axis, larger than round it: the marks of grinding run round the pin."""
    alpha_round: float = 0.06
    card_depth_mm: float = CARD_DEPTH_MM
    """Depth of the card below the top."""


@dataclass(frozen=True)
class Camera:
    """What the camera does to the picture."""

    blur_px: float = 1.1
    end_blur_px: float = 0.0
    """Extra blur at both ends of the visible edge, growing with the square of the distance."""
    vignette: float = 0.15
    read_noise: float = 0.004
    """Standard deviation of the noise in linear light, full scale 1."""
    exposure: float = 0.8
    """Linear level given to the 97th percentile of the brightest channel."""
    format: str = "png"
    jpeg_quality: int = 92


def _mitsuba() -> ModuleType:
    import mitsuba as mi

    if mi.variant() is None:
        mi.set_variant("scalar_rgb")
        mi.set_log_level(mi.LogLevel.Error)  # it warns of each NaN sample, and those are replaced
    return mi


def _tool_mesh(mi: ModuleType, edge: Edge, bsdf: object, tilt_deg: float) -> object:
    vertices, normals, inward_um = section(edge)
    n, m = vertices.shape[:2]
    u = (vertices[:, :, 0] + HALF_LENGTH_MM) / (2 * HALF_LENGTH_MM)
    v = (inward_um + MASK_ABOVE_APEX_UM) / (MASK_ABOVE_APEX_UM + MASK_BELOW_APEX_UM)
    # a wall at the back of the tool keeps light from shining through below it
    foot = np.repeat(vertices[:, :1], 1, axis=1) - [0, 0, CARD_DEPTH_MM - 0.9]
    wall = np.broadcast_to(np.array([0.0, -1.0, 0.0]), (n, 2, 3))
    vertices = np.concatenate([foot, vertices[:, :1], vertices], axis=1)
    normals = np.concatenate([wall, normals], axis=1)
    u = np.concatenate([u[:, :1], u[:, :1], u], axis=1)
    v = np.concatenate([np.ones((n, 2)), v], axis=1)
    m += 2
    # camera, lamps and card belong together, so that the tool is what turns
    for points in (vertices, normals):
        points[:, :, 1], points[:, :, 2] = tilted(points[:, :, 1], points[:, :, 2], tilt_deg)

    index = np.arange(n * m).reshape(n, m)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    faces = np.concatenate([np.stack([a, c, b], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)])
    properties = mi.Properties()
    properties["surface"] = bsdf
    mesh = mi.Mesh("tool", n * m, len(faces), properties, has_vertex_normals=True, has_vertex_texcoords=True)
    parameters = mi.traverse(mesh)
    parameters["vertex_positions"] = vertices.reshape(-1).astype(np.float32)
    parameters["vertex_normals"] = normals.reshape(-1).astype(np.float32)
    parameters["vertex_texcoords"] = np.stack([u, v], -1).reshape(-1).astype(np.float32)
    parameters["faces"] = faces.reshape(-1).astype(np.uint32)
    parameters.update()
    return mesh


def tilted(across: Floats, towards: Floats, tilt_deg: float) -> tuple[Floats, Floats]:
    """Return y and z of points or vectors as a tilted camera sees them; the apex line x = 0 stays where it is."""
    turn = np.radians(tilt_deg)
    return across * np.cos(turn) - towards * np.sin(turn), across * np.sin(turn) + towards * np.cos(turn)


def _tool_bsdf(mi: ModuleType, edge: Edge, light: Light) -> object:
    def metal(material: str, alpha: float) -> dict[str, Any]:
        return {"type": "roughconductor", "distribution": "ggx", "material": material, "alpha": alpha}

    substrate = metal("W", light.alpha_sub)
    if not light.coated:
        return mi.load_dict({"type": "twosided", "bsdf": substrate})
    mask, _, _ = substrate_mask(edge)
    bitmap = mi.Bitmap(np.ascontiguousarray(mask[:, :, None], dtype=np.float32))
    weight = {
        "type": "bitmap",
        "bitmap": bitmap,
        "raw": True,
        "filter_type": "bilinear",
        "wrap_mode": "clamp",
    }
    blend = {
        "type": "blendbsdf",
        "weight": weight,
        "coating": metal(light.coating, light.alpha_coat),
        "substrate": substrate,
    }
    return mi.load_dict({"type": "twosided", "bsdf": blend})


def _streaks(seed: int) -> Floats:
    """Return the albedo of an out-of-focus background with streaks, 50 µm per sample."""
    rng = np.random.default_rng([seed, 99])
    side = round(2 * CARD_HALF_MM * 1000 / 50)
    middle = side // 2
    reach = 110
    y, x = np.mgrid[-reach:reach, -reach:reach].astype(float)
    patch = np.full(x.shape, 0.06)
    heading = rng.uniform(0, np.pi)
    for _ in range(9):
        angle = heading + rng.normal(0, 0.25)
        across = -np.sin(angle) * (x - rng.uniform(-80, 80)) + np.cos(angle) * (y - rng.uniform(-80, 80))
        along = np.cos(angle) * (x - rng.uniform(-80, 80)) + np.sin(angle) * (y - rng.uniform(-80, 80))
        width, length = rng.uniform(2.5, 7), rng.uniform(20, 90)
        patch += rng.uniform(0.15, 0.9) * np.exp(-((across / width) ** 2) / 2 - (along / length) ** 4)
    albedo = np.full((side, side), 0.1)
    albedo[middle - reach : middle + reach, middle - reach : middle + reach] = gaussian_filter(patch, 1.5)
    return np.clip(albedo, 0.0, 0.97)


def _card(mi: ModuleType, light: Light, seed: int, depth_mm: float = CARD_DEPTH_MM) -> dict[str, Any]:
    reflectance: dict[str, Any] = {"type": "rgb", "value": light.background}
    if light.clutter:
        bitmap = mi.Bitmap(np.ascontiguousarray(_streaks(seed)[:, :, None], dtype=np.float32))
        reflectance = {"type": "bitmap", "bitmap": bitmap, "raw": True, "filter_type": "bilinear"}
    place = mi.ScalarTransform4f().translate([0, 0, -depth_mm]).scale([CARD_HALF_MM, CARD_HALF_MM, 1])
    return {
        "type": "rectangle",
        "to_world": place,
        "bsdf": {"type": "diffuse", "reflectance": reflectance},
    }


def _lamps(mi: ModuleType, light: Light, frame: Frame) -> dict[str, Any]:
    lamps: dict[str, Any] = {"ambient": {"type": "constant", "radiance": light.ambient}}
    elevation = np.radians(light.ring_elev_deg)
    turned = np.radians(frame.rotation_deg)  # the ring sits on the camera
    for k in range(light.ring_n):
        azimuth = 2 * np.pi * k / light.ring_n + turned
        out = LAMP_DISTANCE_MM * np.cos(elevation)
        centre = [out * np.cos(azimuth), out * np.sin(azimuth), LAMP_DISTANCE_MM * np.sin(elevation)]
        lamps[f"ring_{k}"] = {
            "type": "sphere",
            "center": centre,
            "radius": RING_LAMP_RADIUS_MM,
            "emitter": {"type": "area", "radiance": RING_RADIANCE_PER_POWER * light.ring_power},
        }
    t = mi.ScalarTransform4f
    lamps["coaxial"] = {
        "type": "disk",
        "to_world": t()
        .translate([0, 0, COAX_DISTANCE_MM])
        .rotate([1, 0, 0], 180)
        .scale([COAX_RADIUS_MM] * 3),
        "emitter": {"type": "area", "radiance": light.coax_power},
    }
    return lamps


def _sensor(mi: ModuleType, frame: Frame, spp: int, seed: int) -> dict[str, Any]:
    middle_px = np.array((frame.width_px - 1) / 2), np.array((frame.height_px - 1) / 2)
    x, y = (float(v) for v in frame.to_mm(*middle_px))
    above = frame.to_mm(middle_px[0], middle_px[1] - 1000)
    up = [float(above[0]) - x, float(above[1]) - y, 0.0]
    half = frame.width_px * frame.um_per_px / 2000
    t = mi.ScalarTransform4f
    # below the lamps, so that none of them stands in the picture
    view = t().look_at(origin=[x, y, 10.0], target=[x, y, 0.0], up=up) @ t().scale([half, half, 1.0])
    return {
        "type": "orthographic",
        "to_world": view,
        "near_clip": 0.1,
        "far_clip": 100.0,
        "sampler": {"type": "independent", "sample_count": spp, "seed": seed},
        "film": {
            "type": "hdrfilm",
            "width": frame.width_px,
            "height": frame.height_px,
            "rfilter": {"type": "box"},
            "pixel_format": "rgb",
            "component_format": "float32",
        },
    }


def path_trace(edge: Edge, light: Light, frame: Frame, *, spp: int, seed: int) -> Floats:
    """Return the radiance that reaches each pixel, shape (height, width, 3)."""
    mi = _mitsuba()
    tool = _tool_mesh(mi, edge, _tool_bsdf(mi, edge, light), frame.tilt_deg)
    return _traced({"tool": tool, "card": _card(mi, light, edge.seed)}, light, frame, spp, seed)


def path_trace_pin(pin: Pin, light: Light, frame: Frame, *, spp: int, seed: int) -> Floats:
    """Return the radiance that reaches each pixel from a pin along the x axis, shape (height, width, 3)."""
    mi = _mitsuba()
    radius = pin.diameter_mm / 2
    surface = {
        "type": "roughconductor",
        "distribution": "ggx",
        "material": pin.material,
        "alpha_u": pin.alpha_round,
        "alpha_v": pin.alpha_along,
    }
    cylinder = {
        "type": "cylinder",
        "p0": [-HALF_LENGTH_MM, 0, -radius],
        "p1": [HALF_LENGTH_MM, 0, -radius],
        "radius": radius,
        "bsdf": surface,
    }
    return _traced(
        {"pin": cylinder, "card": _card(mi, light, seed, pin.card_depth_mm)}, light, frame, spp, seed
    )


def _traced(objects: dict[str, Any], light: Light, frame: Frame, spp: int, seed: int) -> Floats:
    mi = _mitsuba()
    scene = mi.load_dict(
        {
            "type": "scene",
            "integrator": {"type": "path", "max_depth": 4, "rr_depth": 10},
            "sensor": _sensor(mi, frame, spp, seed),
            **objects,
            **_lamps(mi, light, frame),
        }
    )
    radiance = np.array(mi.render(scene, spp=spp, seed=seed), dtype=np.float64)
    return _without_stray_samples(radiance)


def silhouette(edge: Edge, frame: Frame, *, spp: int, seed: int) -> Floats:
    """Return how much of each pixel the tool covers, shape (height, width)."""
    mi = _mitsuba()
    black = mi.load_dict({"type": "diffuse", "reflectance": 0.0})
    scene = mi.load_dict(
        {
            "type": "scene",
            "integrator": {"type": "direct"},
            "sensor": _sensor(mi, frame, spp, seed),
            "tool": _tool_mesh(mi, edge, black, frame.tilt_deg),
            "ground": {"type": "constant", "radiance": 1.0},
        }
    )
    return 1 - np.array(mi.render(scene, spp=spp, seed=seed), dtype=np.float64).mean(axis=2)


def _without_stray_samples(radiance: Floats) -> Floats:
    """Replace pixels spoilt by a NaN sample (rough conductors give some) by the median around them."""
    bad = ~np.isfinite(radiance)
    if not bad.any():
        return radiance
    filled = np.where(bad, 0.0, radiance)
    around = np.stack([median_filter(filled[:, :, c], 3) for c in range(3)], axis=2)
    return np.where(bad, around, filled)


def _sharp_in_the_middle(image: Floats, frame: Frame, camera: Camera) -> Floats:
    """Return the picture blurred by blur_px, and by end_blur_px more towards the ends of the edge."""
    base = gaussian_filter(image, (camera.blur_px, camera.blur_px, 0))
    if camera.end_blur_px == 0:
        return base
    height, width = image.shape[:2]
    column, row = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    along, _ = frame.to_mm(column, row)
    extra = camera.end_blur_px * ((along - along.mean()) / np.ptp(along) * 2) ** 2
    levels = np.linspace(0, extra.max(), 7)
    result = np.zeros_like(base)
    for level in levels:
        sigma = np.hypot(camera.blur_px, level)
        blurred = gaussian_filter(image, (sigma, sigma, 0))
        weight = np.clip(1 - np.abs(extra - level) / (levels[1] - levels[0]), 0, None)
        result += weight[:, :, None] * blurred
    return result


def expose(radiance: Floats, frame: Frame, camera: Camera, *, seed: int) -> Bytes:
    """Return the 8-bit sRGB picture of a radiance, shape (height, width, 3), RGB."""
    image = _sharp_in_the_middle(radiance, frame, camera)
    height, width = image.shape[:2]
    y, x = np.mgrid[:height, :width]
    from_middle = np.hypot(x - (width - 1) / 2, y - (height - 1) / 2) / np.hypot(width / 2, height / 2)
    image = image * (1 - camera.vignette * from_middle**2)[:, :, None]
    image = image * camera.exposure / np.percentile(image.max(axis=2), 97)
    image = image + np.random.default_rng([seed, 7]).normal(0, camera.read_noise, image.shape)
    image = np.clip(image, 0, 1)
    encoded = np.where(image <= 0.0031308, 12.92 * image, 1.055 * image ** (1 / 2.4) - 0.055)
    return np.round(255 * encoded).astype(np.uint8)


def write_photo(path: Path, picture: Bytes, camera: Camera) -> None:
    """Write an RGB picture as PNG or JPEG."""
    options = [cv2.IMWRITE_JPEG_QUALITY, camera.jpeg_quality] if camera.format == "jpg" else []
    if not cv2.imwrite(str(path), picture[:, :, ::-1], options):
        raise OSError(f"cannot write {path}")


def photograph(
    edge: Edge, light: Light, frame: Frame, camera: Camera, path: Path, *, spp: int, seed: int
) -> None:
    """Path-trace an edge and write its photo."""
    radiance = path_trace(edge, light, frame, spp=spp, seed=seed)
    write_photo(path, expose(radiance, frame, camera, seed=seed), camera)
