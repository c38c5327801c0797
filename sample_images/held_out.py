"""Draw pairs of a new and a worn photo with truth beside them, for checking a measurement it has not seen."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from time import monotonic
from typing import Any

import numpy as np
from edge_model import Chip, Edge, Frame, truth
from photo_renderer import Camera, Light, photograph


@dataclass(frozen=True)
class Case:
    """One flute, photographed new and worn."""

    name: str
    edge: Edge
    light: Light
    camera: Camera
    new: Frame
    worn: Frame
    seed: int
    drawn: dict[str, Any] = field(default_factory=dict)
    """Where a case that ships came from, and how it was changed."""


REFERENCE = ((90210, 1), (90210, 2), (90210, 4), (90210, 5), (90210, 6), (90210, 8))
"""Seed and index of the pairs in ``tests/reference``: one of every kind, before each background."""
AS_JPEG, REFERENCE_QUALITY = {(90210, 6)}, 92
"""Of those drawn as PNG, the ones that are written as JPEG to be small, and its quality."""

TILTED = ((4711, 1, 5.0, -15.0), (4711, 3, -5.0, 10.0))
"""Seed, index and tilt in degrees, new and worn, of the pairs in ``tests/reference/tilted``."""


def tilted_case(seed: int, index: int, new_deg: float, worn_deg: float) -> Case:
    """Return a case of the pairs that ship, photographed by a tilted camera and written small."""
    case = draw_case(index, seed)
    camera = replace(case.camera, format="jpg", jpeg_quality=90, read_noise=0.005)
    drawn = {"seed": seed, "index": index, "new_deg": new_deg, "worn_deg": worn_deg}
    new, worn = replace(case.new, tilt_deg=new_deg), replace(case.worn, tilt_deg=worn_deg)
    return replace(case, name=f"{seed}-{index}-tilted", camera=camera, new=new, worn=worn, drawn=drawn)


def reference_case(seed: int, index: int) -> Case:
    """Return a case of the pairs that ship; its truth says where it came from."""
    case = draw_case(index, seed)
    camera = case.camera
    drawn = {"seed": seed, "index": index, "format": camera.format, "jpeg_quality": camera.jpeg_quality}
    if (seed, index) in AS_JPEG:
        camera = replace(camera, format="jpg", jpeg_quality=REFERENCE_QUALITY)
    return replace(case, name=f"{seed}-{index}", camera=camera, drawn=drawn)


def draw_case(index: int, seed: int) -> Case:
    """Return case number `index` of the set `seed`; twelve cases in a row cover what a set should hold."""
    rng = np.random.default_rng([seed, index])
    turn = index % 12
    no_wear = turn in (4, 9)
    cluttered = turn in (6, 11)
    zoomed = turn in (2, 7)
    bright = turn in (0, 3, 5, 8, 9) and not cluttered
    coating = ("TiN", "VN", "W", "TiC", "TiN", "W", "TiN", "VN", "TiN", "TiC", "W", "VN")[turn]
    coated = coating != "W"
    rotation = float(
        rng.uniform(-4, 4)
        + (0, 180, 0, 90, 0, 180, rng.choice([-1, 1]) * 36, -90, rng.choice([-1, 1]) * 40, 0, 90, 128)[turn]
    )
    oblique = 20 < abs(rotation) % 90 < 70
    um_per_px = float(round(rng.uniform(3.0, 5.0), 3))
    size = (1000, 1000) if oblique else (1000, 700)
    beta = float(round(rng.uniform(50, 70), 1))
    r_unused = float(round(rng.uniform(4, 8), 1))
    r_used = r_unused if no_wear else float(round(12 + 48 * ((5 * turn + 2) % 12 + rng.uniform()) / 12, 1))
    side = str(rng.choice(["left", "right"]))
    length_px = size[1] if abs(abs(rotation) - 90) < 20 else size[0]
    transition = float(rng.uniform(-0.22, 0.22) * length_px * um_per_px / 1000)
    setback = 0.0 if no_wear or not coated else float(round(rng.uniform(0.6, 2.6) * r_used, 1))
    chips: tuple[Chip, ...] = ()
    if turn == 1:
        towards_used = -1 if side == "left" else 1
        depth, width = float(rng.uniform(25, 55)), float(rng.uniform(100, 180))
        place = transition + towards_used * rng.uniform(0.5, 0.9)
        chips = (Chip(round(place, 3), round(depth), round(width)),)
    edge = Edge(
        wedge_angle_deg=beta,
        r_unused_um=r_unused,
        r_used_um=r_used,
        seed=int(rng.integers(1 << 30)),
        transition_mm=round(transition, 3),
        used_side=side,
        r_waviness=0.02 if no_wear else 0.08,
        chips=chips,
        curve_mm_per_mm2=float(rng.choice([-0.02, 0.015])) if turn == 10 else 0.0,
        setback_um=setback,
        grind_um=float(round(rng.uniform(0.1, 0.4), 2)),
        relief_width_mm=float(round(rng.uniform(0.5, 0.9), 2)) if cluttered else None,
    )
    light = Light(
        coating=coating,
        alpha_coat=float(round(rng.uniform(0.1, 0.2), 3)),
        alpha_sub=float(round(rng.uniform(0.1, 0.2), 3)),
        background=0.7 if bright else 0.02,
        clutter=cluttered,
        ambient=0.3 if bright else 0.15,
        ring_elev_deg=float(round(rng.uniform(35, 60))),
    )
    camera = Camera(
        blur_px=float(round(rng.uniform(0.8, 2.0), 2)),
        end_blur_px=2.0 if turn == 10 else 0.0,
        read_noise=float(round(np.exp(rng.uniform(np.log(0.004), np.log(0.015))), 4)),
        format="jpg" if rng.uniform() < 0.6 else "png",
        jpeg_quality=int(rng.integers(85, 96)),
    )
    # the edge stands a third of the picture's height from the top of the tool's open side
    angle = np.radians(rotation)
    outward = np.array([np.sin(angle), -np.cos(angle)])
    offset = outward * 0.12 * min(size) + rng.uniform(-15, 15, 2)
    new = Frame(*size, um_per_px, rotation, (round(float(offset[0]), 2), round(float(offset[1]), 2)))
    shift = offset + rng.uniform(-25, 25, 2)
    turn_deg = float(rng.uniform(-3, 3))
    zoom = float(rng.choice([-1, 1]) * rng.uniform(0.01, 0.03)) if zoomed else 0.0
    worn = replace(
        new,
        rotation_deg=rotation + turn_deg,
        offset_px=(round(float(shift[0]), 2), round(float(shift[1]), 2)),
        um_per_px=um_per_px / (1 + zoom),
    )
    return Case(f"case-{index + 1:02d}", edge, light, camera, new, worn, int(rng.integers(1 << 30)))


def sidecar(case: Case) -> dict[str, Any]:
    """Return every parameter of a case and the truth of both its photos, one flat table."""
    tilt_deg = {"new": case.new.tilt_deg, "worn": case.worn.tilt_deg}
    settings = {**asdict(case.edge), **asdict(case.light), **asdict(case.camera)}
    return {
        "width_px": case.new.width_px,
        "height_px": case.new.height_px,
        "um_per_px": case.new.um_per_px,
        **settings,
        "ring_angle_deg": 90 - case.light.ring_elev_deg,
        "rotation_deg": {"new": case.new.rotation_deg, "worn": case.worn.rotation_deg},
        "offset_px": {"new": case.new.offset_px, "worn": case.worn.offset_px},
        **({"tilt_deg": tilt_deg} if any(tilt_deg.values()) else {}),
        "setback_from": "local silhouette",
        "name": case.name,
        **({"drawn": case.drawn} if case.drawn else {}),
        "new": truth(case.edge.new(), case.new, coated=case.light.coated),
        "worn": truth(case.edge, case.worn, coated=case.light.coated),
    }


def write_case(case: Case, folder: Path, *, spp: int) -> float:
    """Write both photos and truth.json of a case into a folder of its own; return the seconds it took."""
    start = monotonic()
    target = folder / case.name
    target.mkdir(parents=True, exist_ok=True)
    suffix = case.camera.format
    for which, edge, frame, seed in (
        ("new", case.edge.new(), case.new, case.seed),
        ("worn", case.edge, case.worn, case.seed + 1),
    ):
        photograph(edge, case.light, frame, case.camera, target / f"{which}.{suffix}", spp=spp, seed=seed)
    (target / "truth.json").write_text(json.dumps(sidecar(case), indent=1) + "\n")
    return monotonic() - start
