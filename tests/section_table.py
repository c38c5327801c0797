"""What becomes of drawn sections with more in the picture than one tip before an even ground.

    python tests/section_table.py [DRAWN_OF_EACH [SEED]]

Each kind of scene is drawn several times at random. A radius counts as right when the tip is found within 4 px and the
radius is right within the larger of 0.5 px and 2 %, or lies in its interval. Prints a Markdown table, and before it every
number that is wrong and `ok`.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent / "support"))

from sections import Wedge, save_grey, write_trial

from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.sources import read_scales

Light = NDArray[np.float64]
HEIGHT, WIDTH, UM = 480, 640, 1.5
DARK, GROUND, NOISE = 0.06, 0.7, 0.01


@dataclass(frozen=True)
class Scene:
    """Light without noise, the tip that is to be measured, and the marks near it."""

    light: Light
    wedge: Wedge | None
    near: list[list[float]] | None = None


def drawn(rng: np.random.Generator, **how: object) -> Wedge:
    """A tip pointing anywhere, near the middle of the frame."""
    turned = float(rng.uniform(0.0, 360.0))
    into = np.array([np.cos(np.radians(turned)), np.sin(np.radians(turned))])
    apex = np.array([WIDTH, HEIGHT]) / 2 - 100.0 * into + rng.uniform(-0.5, 0.5, 2)
    usual = {
        "radius_px": float(np.exp(rng.uniform(np.log(4.0), np.log(40.0)))),
        "wedge_deg": float(rng.uniform(40.0, 90.0)),
        "turned_deg": turned,
        "apex_px": (float(apex[0]), float(apex[1])),
        "blur_px": float(rng.uniform(0.8, 1.8)),
    }
    return Wedge(**(usual | {"size": (HEIGHT, WIDTH), "fine": 3} | how))  # type: ignore[arg-type]


def before(wedges: list[Wedge], tool: float, ground: float | Light) -> Light:
    beyond = np.prod([1.0 - wedge.share() for wedge in wedges], axis=0)
    return tool * (1.0 - beyond) + ground * beyond


def marks(wedge: Wedge, rng: np.random.Generator) -> list[list[float]]:
    return [[round(float(place)) for place in wedge.apex + rng.uniform(-15.0, 15.0, 2)] for _ in range(2)]


def plain(tool: float, ground: float) -> Callable[[np.random.Generator], Scene]:
    def scene(rng: np.random.Generator) -> Scene:
        wedge = drawn(rng)
        return Scene(before([wedge], tool, ground), wedge)

    return scene


def rimmed(rim: float, ground: float) -> Callable[[np.random.Generator], Scene]:
    """A land of light `rim` along both faces."""

    def scene(rng: np.random.Generator) -> Scene:
        wedge = drawn(rng)
        turn, half = np.radians([wedge.turned_deg, wedge.wedge_deg / 2])
        deeper = rng.uniform(5.0, 22.0) / np.sin(half) * np.array([np.cos(turn), np.sin(turn)])
        core = replace(wedge, apex_px=tuple(wedge.apex + deeper)).share()
        light = before([wedge], DARK, ground) + (rim - DARK) * np.clip(wedge.share() - core, 0.0, 1.0)
        return Scene(light, wedge)

    return scene


def teeth(*, marked: bool) -> Callable[[np.random.Generator], Scene]:
    def scene(rng: np.random.Generator) -> Scene:
        row = [
            drawn(
                rng,
                turned_deg=float(rng.uniform(80.0, 100.0)),
                wedge_deg=float(rng.uniform(40.0, 70.0)),
                apex_px=(column + float(rng.uniform(-20.0, 20.0)), float(rng.uniform(140.0, 240.0))),
            )
            for column in (120.0, 320.0, 520.0)
        ]
        one = row[int(rng.integers(3))]
        return Scene(before(row, DARK, GROUND), one if marked else None, marks(one, rng) if marked else None)

    return scene


def beside_a_large_one(rng: np.random.Generator) -> Scene:
    large = drawn(rng, turned_deg=90.0, wedge_deg=50.0, radius_px=12.0, apex_px=(380.0, 120.0))
    at = (float(rng.uniform(280.0, 300.0)), float(rng.uniform(190.0, 215.0)))
    small = drawn(rng, turned_deg=90.0, wedge_deg=60.0, radius_px=5.0, apex_px=at)
    return Scene(before([large, small], DARK, GROUND), small, marks(small, rng))


def cut_off(*, marked: bool) -> Callable[[np.random.Generator], Scene]:
    """A tip that ends up to 25 px beyond the frame."""

    def scene(rng: np.random.Generator) -> Scene:
        wedge = drawn(rng, turned_deg=90.0)
        up = wedge.radius_px * (1.0 / np.sin(np.radians(wedge.wedge_deg / 2)) - 1.0) + rng.uniform(0.0, 25.0)
        wedge = replace(wedge, apex_px=(float(rng.uniform(250.0, 390.0)), -float(up)))
        near = [[round(wedge.apex[0]) + off, 3.0] for off in (-5.0, 5.0)] if marked else None
        return Scene(before([wedge], DARK, GROUND), None, near)

    return scene


def dusty(rng: np.random.Generator) -> Scene:
    scene = plain(DARK, GROUND)(rng)
    for _ in range(25):
        at = (int(rng.integers(WIDTH)), int(rng.integers(HEIGHT)))
        cv2.circle(scene.light, at, int(rng.integers(2, 8)), float(rng.uniform(0.0, 0.3)), -1)
    return scene


def glaring(rng: np.random.Generator) -> Scene:
    """Reflections across the tool."""
    scene = plain(DARK, GROUND)(rng)
    y, x = np.indices(scene.light.shape)
    light = scene.light
    for _ in range(3):
        angle, column, row = rng.uniform(0.0, np.pi), rng.uniform(200, 440), rng.uniform(140, 340)
        off = (x - column) * np.cos(angle) + (y - row) * np.sin(angle)
        band = np.exp(-0.5 * (off / rng.uniform(3.0, 12.0)) ** 2)
        light = light + rng.uniform(0.3, 0.8) * band * scene.wedge.share()
    return replace(scene, light=light)


def split_ground(rng: np.random.Generator) -> Scene:
    wedge, x = drawn(rng), np.indices((HEIGHT, WIDTH))[1]
    return Scene(before([wedge], DARK, np.where(x > rng.uniform(240.0, 400.0), 0.75, 0.25)), wedge)


def round_bar(rng: np.random.Generator) -> Scene:
    y, x = np.indices((HEIGHT, WIDTH))
    inside = np.hypot(x - 320.0, y - 700.0) < rng.uniform(380.0, 520.0)
    return Scene(cv2.GaussianBlur(np.where(inside, DARK, GROUND), (0, 0), 1.2), None)


KINDS: dict[str, Callable[[np.random.Generator], Scene]] = {
    "lit from behind": plain(DARK, GROUND),
    "bright tool, dark ground": plain(0.6, 0.03),
    "pale tool, white ground": plain(0.42, 0.8),
    "ground burnt out, 1.5 times full light": plain(DARK, 1.5),
    "ground burnt out, 4 times": plain(DARK, 4.0),
    "pale tool, burnt-out ground": plain(0.42, 1.6),
    "burnt-out tool, dark ground": plain(1.5, 0.05),
    "three teeth": teeth(marked=False),
    "three teeth, one marked": teeth(marked=True),
    "small tip marked beside a large one": beside_a_large_one,
    "cut off by the frame": cut_off(marked=False),
    "cut off by the frame, marked": cut_off(marked=True),
    "dust": dusty,
    "reflections on the tool": glaring,
    "land 10 % darker than the ground": rimmed(0.72, 0.8),
    "land 10 % brighter than the ground": rimmed(0.88, 0.8),
    "land 30 % darker than the ground": rimmed(0.56, 0.8),
    "land and ground burnt out": rimmed(1.2, 1.6),
    "ground half grey, half white": split_ground,
    "round bar, no tip": round_bar,
}
OUTCOMES = ("right", "right, doubtful", "wrong, doubtful", "refused", "wrong and ok")


def outcome(scene: Scene, rng: np.random.Generator) -> tuple[str, str]:
    """What is said of a scene, and the number."""
    light = np.clip(scene.light + rng.normal(0.0, NOISE, scene.light.shape), 0.0, 1.0)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        trial = write_trial(
            folder,
            {100: save_grey(light, folder / "100.png")},
            um_per_px=UM,
            wedge_deg=scene.wedge.wedge_deg if scene.wedge else 60.0,
            more=f"edge_near = {scene.near}" if scene.near else "",
        )
        found = inspect_photo(trial, trial.photos[0], read_scales(trial)[0])
    if found.refusal:
        return "refused", found.refusal
    radius = {record.quantity: record for record in found.records}["edge_radius"]
    right, said = False, f"{radius.value / UM:.2f} px ± {radius.std_uncertainty / UM:.2f}"
    if scene.wedge is not None:
        true = scene.wedge.radius_px
        near = np.hypot(*(found.drawing.now.fit.apex_um / UM - scene.wedge.apex)) < 4.0
        close = abs(radius.value / UM - true) < max(0.5, 0.02 * true)
        right = near and (close or radius.low95 <= true * UM <= radius.high95)
        said += f" for {true:.2f}"
    if radius.status == "doubtful":
        return ("right, doubtful" if right else "wrong, doubtful"), said
    return ("right" if right else "wrong and ok"), said


def main() -> None:
    """Run the command line."""
    of_each, seed = (int(value) for value in (*sys.argv[1:], *("4", "0")[len(sys.argv) - 1 :]))
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for number, (kind, scene_of) in enumerate(KINDS.items()):
        for k in range(of_each):
            rng = np.random.default_rng([seed, number, k])
            what, said = outcome(scene_of(rng), rng)
            counts[kind][what] += 1
            counts["all"][what] += 1
            if what == "wrong and ok":
                print(f"{kind}, {k}: {said}", flush=True)
    print("| scene | " + " | ".join(OUTCOMES) + " |")
    print("|---|" + "---|" * len(OUTCOMES))
    for kind in (*KINDS, "all"):
        count = counts[kind]
        print(f"| {kind} | " + " | ".join(str(count[what]) for what in OUTCOMES) + " |")


if __name__ == "__main__":
    main()
