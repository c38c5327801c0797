"""How often the stated 95 % intervals hold the truth, on path-traced photographs that nothing was tuned to.

    python sample_images/make_photos.py --held-out CASES 24 SEED
    python tests/coverage_table.py CASES [MORE_CASES...]

Every pair is measured as it was taken and with its photos made worse in several ways. What the trial file states is not
the truth but a draw from about it with the uncertainty that it states: else the intervals would look better than they are.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from wearscope.imaging.photo import read_photo
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.sources import read_scales
from wearscope.trial import load_trial

U_WEDGE_DEG, U_TILT_DEG, U_RING_DEG, U_RADIUS_UM, U_SCALE = 1.5, 1.5, 3.0, 1.5, 5e-4

TRIAL = """
[trial]
name = "Coverage"
workpiece = "15 mm birch plywood"
depth_of_cut_mm = 4.0
spindle_rpm = 18000
feed_mm_per_min = 3600

[[scale]]
name = "bench"
um_per_px = {um_per_px}
u_um_per_px = {u_um_per_px}
{ring}

[[bit]]
name = "Avocet"
price = 15.0
flutes = 1
diameter_mm = 6.35
wedge_angle_deg = {wedge_angle_deg}
u_wedge_angle_deg = {u_wedge_angle_deg}
coating = "{coating}"
r_unused_um = {r_unused_um}
u_r_unused_um = {u_r_unused_um}
"""

PHOTO = """
[[photo]]
bit = "Avocet"
flute = 1
parts = {parts}
view = "relief"
file = "{file}"
scale = "bench"
view_tilt_deg = {view_tilt_deg}
u_view_tilt_deg = {u_view_tilt_deg}
"""

Light = np.ndarray
Change = Callable[[Light, np.random.Generator], Light]


def noisier(light: Light, rng: np.random.Generator) -> Light:
    return light + rng.normal(0.0, 1.0, light.shape) * np.sqrt(0.008**2 + 4e-4 * np.maximum(light, 0.0))


def softer(light: Light, _: np.random.Generator) -> Light:
    return cv2.GaussianBlur(light, (0, 0), 1.2)


def dimmer(light: Light, _: np.random.Generator) -> Light:
    return 0.55 * light


def unevenly_lit(light: Light, rng: np.random.Generator) -> Light:
    across = np.linspace(-1.0, 1.0, light.shape[1])[None, :, None]
    return light * (1.0 - 0.25 * rng.choice([-1.0, 1.0]) * across) * 0.8


WAYS: dict[str, tuple[Change | None, str, list[int]]] = {
    "as taken": (None, "", []),
    "noisier": (noisier, ".png", []),
    "softer": (softer, ".png", []),
    "dimmer": (dimmer, ".png", []),
    "unevenly lit": (unevenly_lit, ".png", []),
    "JPEG 75": (lambda light, _: light, ".jpg", [cv2.IMWRITE_JPEG_QUALITY, 75]),
}


@dataclass(frozen=True)
class Row:
    """One number of one photo."""

    case: str
    way: str
    kind: str
    background: str
    status: str
    inside: bool
    z: float


def changed(photo: Path, way: str, rng: np.random.Generator, folder: Path) -> Path:
    """The photo made worse in one way, as a file in `folder`."""
    change, suffix, options = WAYS[way]
    if change is None:
        return photo
    light = np.clip(change(read_photo(photo).linear(), rng), 0.0, 1.0)
    # IEC 61966-2-1
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055)
    target = folder / f"{photo.stem}{suffix}"
    cv2.imwrite(str(target), np.round(255.0 * code).astype(np.uint8)[..., ::-1], options)
    return target


def measure(case: Path, way: str) -> tuple[list[Row], str]:
    """Rows of a pair photographed in one way, and why the photo was refused."""
    truth = json.loads((case / "truth.json").read_text())
    name = f"{case.parent.name}/{case.name}"
    rng = np.random.default_rng([*name.encode(), *way.encode()])
    um_per_px = truth["new"]["um_per_px"]
    ring = f"ring_angle_deg = {truth['ring_angle_deg'] + U_RING_DEG * rng.normal():.2f}\nu_ring_angle_deg = {U_RING_DEG}"
    text = TRIAL.format(
        um_per_px=um_per_px * (1 + U_SCALE * rng.normal()),
        u_um_per_px=U_SCALE * um_per_px,
        ring=ring if rng.uniform() < 0.7 else "",
        wedge_angle_deg=truth["wedge_angle_deg"] + U_WEDGE_DEG * rng.normal(),
        u_wedge_angle_deg=U_WEDGE_DEG,
        coating="none" if truth["coating"] == "W" else truth["coating"],
        r_unused_um=max(truth["r_unused_um"] + U_RADIUS_UM * rng.normal(), 0.5),
        u_r_unused_um=U_RADIUS_UM,
    )
    with tempfile.TemporaryDirectory() as folder:
        for state, parts in (("new", 0), ("worn", 100)):
            (photo,) = case.glob(f"{state}.*")
            text += PHOTO.format(
                parts=parts,
                file=changed(photo, way, rng, Path(folder)),
                view_tilt_deg=U_TILT_DEG * rng.normal(),
                u_view_tilt_deg=U_TILT_DEG,
            )
        (Path(folder) / "trial.toml").write_text(text)
        trial = load_trial(Path(folder) / "trial.toml")
        scales, _ = read_scales(trial)
        (entry,) = [photo for photo in trial.photos if photo.parts]
        inspection = inspect_photo(trial, entry, scales)
    return [*_rows(truth, inspection.records, name, way)], inspection.refusal


def _rows(truth: dict, records: Sequence, name: str, way: str) -> list[Row]:
    worn = truth["worn"]
    cluttered = truth.get("clutter") or truth.get("cluttered")
    background = "cluttered" if cluttered else "bright" if truth["background"] > 0.5 else "dark"
    true = {
        ("edge_recession", "difference"): worn["recession_um"],
        ("edge_radius", "used"): worn["r_used_um"],
        ("edge_radius", "unused"): worn["r_unused_um"],
        ("edge_radius", "difference"): worn["r_used_um"] - worn["r_unused_um"],
        ("coating_loss", "used"): worn["coating_loss_100um_used"],
    }
    if abs(worn["recession_um"]) > 1e-6:
        true["coating_loss", "unused"] = worn["coating_loss_100um_unused"]
    rows = []
    for record in records:
        key = (record.quantity, record.zone)
        if key in true and record.value is not None:
            kind = f"{record.quantity} {record.zone}".replace("_", " ")
            inside = record.low95 <= true[key] <= record.high95
            z = (record.value - true[key]) / record.std_uncertainty
            rows.append(Row(name, way, kind, background, record.status, inside, z))
    return rows


def table(folders: Sequence[Path]) -> str:
    """The coverage as a Markdown table."""
    cases = sorted(case for folder in folders for case in folder.iterdir() if (case / "truth.json").exists())
    worn = {
        f"{case.parent.name}/{case.name}": json.loads((case / "truth.json").read_text())["worn"][
            "recession_um"
        ]
        > 1e-6
        for case in cases
    }
    tasks = [(case, way) for case in cases for way in WAYS]
    with ProcessPoolExecutor() as pool:
        results = list(pool.map(measure, *zip(*tasks, strict=True)))
    rows = [row for found, _ in results for row in found]
    lines = [
        "| number | background | rows | truth inside 95 % | error / stated u, rms | ok | doubtful | below detection |"
    ]
    lines.append("|---|---|---|---|---|---|---|---|")
    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row.kind, row.background].append(row)
        groups["all", "all"].append(row)
    for (kind, background), group in sorted(groups.items()):
        statuses = [
            sum(row.status == status for row in group) for status in ("ok", "doubtful", "below_detection")
        ]
        lines.append(
            f"| {kind} | {background} | {len(group)} | {np.mean([row.inside for row in group]):.1%} | "
            f"{np.sqrt(np.mean([row.z**2 for row in group])):.2f} | " + " | ".join(map(str, statuses)) + " |"
        )
    of_no_wear = [
        row
        for row in rows
        if not worn[row.case] and row.kind in ("edge recession difference", "coating loss used")
    ]
    said = np.mean([row.status == "below_detection" for row in of_no_wear]) if of_no_wear else np.nan
    refused = [(case.name, way, why) for (case, way), (_, why) in zip(tasks, results, strict=True) if why]
    lines += [
        "",
        f"{len(cases)} pairs, each photographed in {len(WAYS)} ways; {len(refused)} refused as a whole. Bits with no wear: "
        f"{said:.0%} of {len(of_no_wear)} rows of recession and coating loss say below detection.",
    ]
    lines += [f"refused: {case}, {way}: {why}" for case, way, why in refused]
    outside = [row for row in rows if not row.inside]
    lines += [f"outside: {row.case} {row.way}: {row.kind} {row.status} z {row.z:+.1f}" for row in outside]
    return "\n".join(lines)


if __name__ == "__main__":
    print(table([Path(folder) for folder in sys.argv[1:]]))
