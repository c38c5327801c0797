"""How often the stated 95 % intervals hold the truth, on path-traced photographs that nothing was tuned to.

    python sample_images/make_photos.py --held-out CASES 24 SEED
    python tests/coverage_table.py CASES [MORE_CASES...]

Every pair is measured as it was taken and with its photos made worse in several ways. What the trial file states is not
the truth but a draw from about it with the uncertainty that it states: else the intervals would look better than they are.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parent / "support"))

from reference_pairs import SCALE_SHARE, Found, Known, Pair, inspect_pair, pairs_in, rows_of

from wearscope.imaging.photo import read_photo

U_WEDGE_DEG, U_TILT_DEG, U_RING_DEG, U_RADIUS_UM = 1.5, 1.5, 3.0, 1.5
RING_STATED = 0.7  # of the trials

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


def changed(way: str, rng: np.random.Generator, photo: Path, folder: Path) -> Path:
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


def drawn(pair: Pair, rng: np.random.Generator) -> Known:
    """What a trial file may state of a pair: each value off by a draw of the uncertainty that it states."""
    off = {
        "ring_angle_deg": U_RING_DEG * rng.normal(),
        "um_per_px": SCALE_SHARE * pair.truth["new"]["um_per_px"] * rng.normal(),
    }
    ring = U_RING_DEG if rng.uniform() < RING_STATED else None
    off |= {
        "wedge_angle_deg": U_WEDGE_DEG * rng.normal(),
        "r_unused_um": U_RADIUS_UM * rng.normal(),
        "view_tilt_deg new": U_TILT_DEG * rng.normal(),
        "view_tilt_deg worn": U_TILT_DEG * rng.normal(),
    }
    return Known(U_WEDGE_DEG, U_RADIUS_UM, ring, U_TILT_DEG, off)


def measure(pair: Pair, way: str) -> tuple[list[Row], str]:
    """Rows of a pair photographed in one way, and why the photo was refused."""
    name = f"{pair.folder.parent.name}/{pair.name}"
    rng = np.random.default_rng([*name.encode(), *way.encode()])
    inspection = inspect_pair(pair, drawn(pair, rng), change=partial(changed, way, rng))
    found, refusal = rows_of(inspection)
    return _rows(pair, found, name, way), refusal


def _rows(pair: Pair, found: Found, name: str, way: str) -> list[Row]:
    rows = []
    for key, true in pair.true_values().items():
        record = found.get(key)
        if record is not None and record.value is not None:
            kind = " ".join(key).replace("_", " ")
            inside = record.low95 <= true <= record.high95
            z = (record.value - true) / record.std_uncertainty
            rows.append(Row(name, way, kind, pair.background, record.status, inside, z))
    return rows


def table(folders: Sequence[Path]) -> str:
    """The coverage as a Markdown table."""
    pairs = [pair for folder in folders for pair in pairs_in(folder)]
    worn = {f"{pair.folder.parent.name}/{pair.name}": pair.worn for pair in pairs}
    tasks = [(pair, way) for pair in pairs for way in WAYS]
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
    refused = [(pair.name, way, why) for (pair, way), (_, why) in zip(tasks, results, strict=True) if why]
    lines += [
        "",
        f"{len(pairs)} pairs, each photographed in {len(WAYS)} ways; {len(refused)} refused as a whole. Bits with no wear: "
        f"{said:.0%} of {len(of_no_wear)} rows of recession and coating loss say below detection.",
    ]
    lines += [f"refused: {case}, {way}: {why}" for case, way, why in refused]
    outside = [row for row in rows if not row.inside]
    lines += [f"outside: {row.case} {row.way}: {row.kind} {row.status} z {row.z:+.1f}" for row in outside]
    return "\n".join(lines)


if __name__ == "__main__":
    print(table([Path(folder) for folder in sys.argv[1:]]))
