"""Make the photographs of the demo trial, or a fresh set of pairs for checking.

    python make_photos.py                            the demo trial beside this script
    python make_photos.py --only wren-150-1 graticule
    python make_photos.py --held-out DIR 12 2026     12 pairs drawn with seed 2026
    python make_photos.py --reference                the pairs in tests/reference, against which the limits are tested

Needs the renderer `mitsuba` (`pip install mitsuba`); using the tool needs neither it nor this script.
"""

from __future__ import annotations

import argparse
import json
import tomllib
import zlib
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from edge_model import Edge, Frame, truth
from graticule import Graticule, draw
from held_out import REFERENCE, TILTED, draw_case, reference_case, tilted_case, write_case
from photo_renderer import Camera, Light, Pin, expose, path_trace_pin, photograph, write_photo

HERE = Path(__file__).parent
REFERENCE_PAIRS = HERE.parent / "tests" / "reference"
TILTED_PAIRS = REFERENCE_PAIRS / "tilted"
WIDTH_PX, HEIGHT_PX = 1600, 900
UM_PER_PX = 3.418
OUT_OF_FOCUS = ("Plover", 150, 2)


@dataclass(frozen=True)
class Story:
    """What really happened to a bit: what the trial file's owner does not know."""

    wedge_angle_deg: float
    r_unused_um: float
    r_used_um: dict[int, tuple[float, float]]
    """Per parts cut, one radius per flute."""
    setback_um: dict[int, tuple[float, float]]
    transition_mm: tuple[float, float]
    light: Light
    rotation_deg: float


WHITE_CARD = {"background": 0.7, "ambient": 0.3}

STORIES = {
    "Wren": Story(
        wedge_angle_deg=60.6,
        r_unused_um=5.0,
        r_used_um={150: (25.0, 21.5), 300: (43.0, 38.0)},
        setback_um={},
        transition_mm=(0.45, 0.2),
        light=Light(coating="W", alpha_sub=0.13),
        rotation_deg=1.5,
    ),
    "Plover": Story(
        wedge_angle_deg=56.5,
        r_unused_um=6.4,
        r_used_um={150: (17.0, 15.0), 300: (29.0, 25.5)},
        setback_um={150: (38.0, 30.0), 300: (78.0, 66.0)},
        transition_mm=(-0.3, -0.55),
        light=Light(coating="TiN", alpha_coat=0.12, **WHITE_CARD),
        rotation_deg=181.0,
    ),
    "Heron": Story(
        wedge_angle_deg=55.4,
        r_unused_um=7.2,
        r_used_um={150: (11.0, 10.2), 300: (16.0, 14.3)},
        setback_um={150: (9.0, 7.0), 300: (21.0, 17.0)},
        transition_mm=(0.1, 0.6),
        light=Light(coating="VN", alpha_coat=0.13, **WHITE_CARD),
        rotation_deg=-1.0,
    ),
}


@dataclass(frozen=True)
class DemoPhoto:
    """One flute photo of the demo trial."""

    file: str
    bit: str
    flute: int
    parts: int
    edge: Edge
    light: Light
    frame: Frame
    camera: Camera
    seed: int


def demo_photos() -> list[DemoPhoto]:
    """Return the photos that trial.toml lists, with what is on them."""
    trial = tomllib.loads((HERE / "trial.toml").read_text())
    photos = []
    for entry in trial["photo"]:
        bit, flute, parts = entry["bit"], entry["flute"], entry["parts"]
        story = STORIES[bit]
        edge = Edge(
            wedge_angle_deg=story.wedge_angle_deg,
            r_unused_um=story.r_unused_um,
            r_used_um=story.r_used_um.get(parts, (story.r_unused_um,) * 2)[flute - 1],
            setback_um=story.setback_um.get(parts, (0.0, 0.0))[flute - 1],
            transition_mm=story.transition_mm[flute - 1],
            grind_um=0.4,
            seed=zlib.crc32(f"{bit} flute {flute}".encode()),
        )
        seed = zlib.crc32(entry["file"].encode())
        rng = np.random.default_rng(seed)
        side = -1.0 if abs(story.rotation_deg) < 90 else 1.0
        frame = Frame(
            WIDTH_PX,
            HEIGHT_PX,
            UM_PER_PX,
            rotation_deg=round(story.rotation_deg + rng.uniform(-2.5, 2.5), 3),
            offset_px=(round(rng.uniform(-40, 40), 2), round(side * 110 + rng.uniform(-35, 35), 2)),
        )
        camera = Camera(
            blur_px=14.0 if (bit, parts, flute) == OUT_OF_FOCUS else round(rng.uniform(0.9, 1.3), 2),
            read_noise=0.005,
            format="jpg",
            jpeg_quality=90,
        )
        photos.append(DemoPhoto(entry["file"], bit, flute, parts, edge, story.light, frame, camera, seed))
    return photos


def demo_graticule() -> tuple[Graticule, Camera]:
    """Return the ruled scale photographed in the same set-up, and the camera's settings."""
    camera = Camera(vignette=0.0, exposure=0.72, read_noise=0.006, format="jpg", jpeg_quality=92)
    return Graticule(WIDTH_PX, HEIGHT_PX, UM_PER_PX), camera


def demo_pin() -> tuple[Pin, Light, Frame, Camera]:
    """Return the round pin photographed in the same light, to learn the ring angle from."""
    frame = Frame(WIDTH_PX, HEIGHT_PX, UM_PER_PX, rotation_deg=3.2, offset_px=(0.0, 18.0))
    camera = Camera(blur_px=1.1, read_noise=0.005, format="jpg", jpeg_quality=90)
    return Pin(diameter_mm=1.5), Light(coating="Cr", **WHITE_CARD), frame, camera


def demo_truth() -> dict[str, Any]:
    """Return the truth of every photo of the demo trial."""
    graticule, _ = demo_graticule()
    pin, pin_light, pin_frame, _ = demo_pin()
    photos = {
        p.file: {
            "bit": p.bit,
            "flute": p.flute,
            "parts": p.parts,
            "to_be_refused": (p.bit, p.parts, p.flute) == OUT_OF_FOCUS,
            **asdict(p.light),
            **asdict(p.camera),
            "ring_angle_deg": 90 - p.light.ring_elev_deg,
            "rotation_deg": p.frame.rotation_deg,
            "aimed_at": asdict(p.edge),
            "wedge_angle_deg": p.edge.wedge_angle_deg,
            "setback_from": "local silhouette",
            **truth(p.edge, p.frame, coated=p.light.coated),
        }
        for p in demo_photos()
    }
    return {
        "graticule": {"file": "photos/graticule.jpg", **asdict(graticule)},
        "pin": {
            "file": "photos/pin.jpg",
            **asdict(pin),
            "ring_angle_deg": 90 - pin_light.ring_elev_deg,
            "rotation_deg": pin_frame.rotation_deg,
        },
        "photos": photos,
    }


def make_demo(only: list[str] | None, *, spp: int) -> None:
    """Write the photos of the demo trial (or those named) and truth.json."""
    (HERE / "photos").mkdir(exist_ok=True)
    (HERE / "truth.json").write_text(json.dumps(demo_truth(), indent=1) + "\n")
    if only is None or "graticule" in only:
        graticule, camera = demo_graticule()
        frame = Frame(WIDTH_PX, HEIGHT_PX, UM_PER_PX)
        write_photo(HERE / "photos/graticule.jpg", expose(draw(graticule), frame, camera, seed=1), camera)
    if only is None or "pin" in only:
        pin, light, frame, camera = demo_pin()
        radiance = path_trace_pin(pin, light, frame, spp=spp, seed=1)
        write_photo(HERE / "photos/pin.jpg", expose(radiance, frame, camera, seed=1), camera)
    for photo in demo_photos():
        if only is None or Path(photo.file).stem in only:
            print(photo.file, flush=True)
            path = HERE / photo.file
            photograph(photo.edge, photo.light, photo.frame, photo.camera, path, spp=spp, seed=photo.seed)


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Path-trace photographs of worn edges, with their truth.")
    add = parser.add_argument
    add("--only", nargs="+", metavar="NAME", help="remake these photos of the demo trial only")
    add("--held-out", nargs=3, metavar=("DIR", "N", "SEED"), help="write N fresh new/worn pairs instead")
    add("--reference", action="store_true", help="make the pairs in tests/reference again instead")
    add("--spp", type=int, default=36, help="light paths per pixel (default: %(default)s)")
    arguments = parser.parse_args()
    if arguments.held_out:
        folder, count, seed = Path(arguments.held_out[0]), *map(int, arguments.held_out[1:])
        for index in range(count):
            case = draw_case(index, seed)
            print(f"{case.name}: {write_case(case, folder, spp=arguments.spp):.0f} s", flush=True)
        return
    if arguments.reference:
        for seed, index in REFERENCE:
            case = reference_case(seed, index)
            print(f"{case.name}: {write_case(case, REFERENCE_PAIRS, spp=arguments.spp):.0f} s", flush=True)
        for drawn in TILTED:
            case = tilted_case(*drawn)
            print(f"{case.name}: {write_case(case, TILTED_PAIRS, spp=arguments.spp):.0f} s", flush=True)
        return
    names = {Path(photo.file).stem for photo in demo_photos()} | {"graticule", "pin"}
    unknown = set(arguments.only or ()) - names
    if unknown:
        parser.error(f"no such photo in the demo trial: {', '.join(sorted(unknown))}")
    make_demo(arguments.only, spp=arguments.spp)


if __name__ == "__main__":
    main()
