"""Path-traced pairs of a new and a worn photo with their truth, and what the program measures on them.

Pairs of the project's own renderer ship in ``tests/reference`` (``sample_images/make_photos.py --reference`` makes
them); more of them may lie beside the checkout, in ``../shared/reference/photos``.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property, lru_cache
from pathlib import Path

import cv2
import numpy as np

from wearscope.imaging.calibration.scale import Scale
from wearscope.log.records import Record
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.inspection import Inspection
from wearscope.pipeline.sources import memory_of_new_states, read_scales
from wearscope.trial import PhotoEntry, Trial, load_trial

SHIPPED = Path(__file__).parents[1] / "reference"
BESIDE = Path(__file__).parents[3] / "shared" / "reference" / "photos"
NO_WEAR_UM = 1e-6
SCALE_SHARE = 5e-4  # u of the stated scale over it: 0.05 %

TRIAL = """
[trial]
name = "Reference photographs"
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
{more}
"""


@dataclass(frozen=True)
class Known:
    """What a trial file states of a pair: how far from the truth, and how well it says that it knows it."""

    u_wedge_angle_deg: float = 0.5
    u_r_unused_um: float = 1.0
    u_ring_angle_deg: float | None = 3.0  # None: the ring angle is not stated
    u_view_tilt_deg: float = 1.5
    off: Mapping[str, float] = field(default_factory=dict)  # stated less true, by the key of the trial file


# What the limits allow to be known beforehand; and what these photographs really are, which is exact
ALLOWED, EXACT = Known(), Known(0.05, 0.1, 0.3, 0.05)


@dataclass(frozen=True)
class Pair:
    """The photos of one flute, new and worn, in a folder with their ``truth.json``."""

    folder: Path

    @property
    def name(self) -> str:
        return self.folder.name

    @cached_property
    def truth(self) -> dict:
        return json.loads((self.folder / "truth.json").read_text())

    @property
    def bright(self) -> bool:
        return self.truth["background"] > 0.5

    @property
    def cluttered(self) -> bool:
        return self.truth["clutter"]

    @property
    def coated(self) -> bool:
        return self.truth["coating"] != "W"

    @property
    def worn(self) -> bool:
        return self.truth["worn"]["recession_um"] > NO_WEAR_UM

    @property
    def background(self) -> str:
        return "cluttered" if self.cluttered else "bright" if self.bright else "dark"

    def tilt_deg(self, state: str) -> float:
        """By how much the camera has moved towards the open side of the edge."""
        return self.truth.get("tilt_deg", {}).get(state, 0.0)

    def photo(self, state: str) -> Path:
        (file,) = self.folder.glob(f"{state}.*g")
        return file

    def true_values(self) -> dict[tuple[str, str], float]:
        """The truth by quantity and zone, of what has a limit or an interval to hold it."""
        worn = self.truth["worn"]
        true = {
            ("edge_recession", "difference"): worn["recession_um"],
            ("edge_radius", "used"): worn["r_used_um"],
            ("edge_radius", "unused"): worn["r_unused_um"],
            ("edge_radius", "difference"): worn["r_used_um"] - worn["r_unused_um"],
        }
        if self.coated:
            true["coating_loss", "used"] = worn["coating_loss_100um_used"]
            if self.worn:
                true["coating_loss", "unused"] = worn["coating_loss_100um_unused"]
        return true


def pairs_in(folder: Path) -> list[Pair]:
    """Every pair in a folder, in the order of their numbers."""
    found = [Pair(path.parent) for path in folder.glob("*/truth.json")]
    return sorted(found, key=lambda pair: (len(pair.name), pair.name))


NEW_STATES = memory_of_new_states()


def inspected_beside(trial: Trial, entry: PhotoEntry, scales: Mapping[str, Scale]) -> Inspection:
    """Measured as any photo is; what a new-state photo gives is worked out once in a process."""
    return inspect_photo(trial, entry, scales, of_new_states=NEW_STATES)


def inspect_pair(
    pair: Pair,
    known: Known = ALLOWED,
    *,
    change: Callable[[Path, Path], Path] | None = None,
    edge_near: Mapping[str, list[list[int]]] | None = None,
    more: str = "",
    tilt_deg: float | None = None,
    by_axis: Scale | None = None,
    way: Callable[..., Inspection] = inspected_beside,
) -> Inspection:
    """What the worn photo of a pair gives.

    Parameters
    ----------
    pair : Pair
    known : Known
    change : callable, optional
        From a photo and a folder to the photo to measure in its place.
    edge_near : mapping, optional
        Polyline near the edge, by state ("new", "worn").
    more : str
        Further lines of the bit's table.
    tilt_deg : float, optional
        What is stated of both photos instead of the truth.
    by_axis : Scale, optional
        In place of the stated one.
    way : callable
        What is done with trial, photo and scales.
    """
    truth = pair.truth

    def stated(key: str, least: float = -np.inf) -> float:
        return max(truth[key] + known.off.get(key, 0.0), least)

    scale = truth["new"]["um_per_px"] + known.off.get("um_per_px", 0.0)
    ring = ""
    if known.u_ring_angle_deg is not None:
        ring = f"ring_angle_deg = {stated('ring_angle_deg')}\nu_ring_angle_deg = {known.u_ring_angle_deg}"
    text = TRIAL.format(
        um_per_px=scale,
        u_um_per_px=SCALE_SHARE * truth["new"]["um_per_px"],
        ring=ring,
        wedge_angle_deg=stated("wedge_angle_deg"),
        u_wedge_angle_deg=known.u_wedge_angle_deg,
        coating=truth["coating"] if pair.coated else "none",
        r_unused_um=stated("r_unused_um", 0.5),
        u_r_unused_um=known.u_r_unused_um,
    )
    with tempfile.TemporaryDirectory() as folder:
        text += more
        for state, parts in (("new", 0), ("worn", 100)):
            file = pair.photo(state)
            text += PHOTO.format(
                parts=parts,
                file=change(file, Path(folder)) if change else file,
                view_tilt_deg=(pair.tilt_deg(state) if tilt_deg is None else tilt_deg)
                + known.off.get(f"view_tilt_deg {state}", 0.0),
                u_view_tilt_deg=known.u_view_tilt_deg,
                more=f"edge_near = {edge_near[state]}" if edge_near else "",
            )
        path = Path(folder) / "trial.toml"
        path.write_text(text)
        trial = load_trial(path)
        scales, _ = read_scales(trial) if by_axis is None else ({"bench": by_axis}, {})
        (entry,) = [photo for photo in trial.photos if photo.parts]
        return way(trial, entry, scales)


Found = dict[tuple[str, str], Record]


def rows_of(inspection: Inspection) -> tuple[Found, str]:
    """Records by quantity and zone, and the refusal of the whole photo."""
    return {(record.quantity, record.zone): record for record in inspection.records}, inspection.refusal


@lru_cache(maxsize=4)  # they hold pictures
def as_taken(pair: Pair) -> Inspection:
    """What the worn photo as it was taken gives, worked out once for tests that follow each other."""
    return inspect_pair(pair)


@cache
def measured(pair: Pair) -> tuple[Found, str]:
    """Rows of the worn photo as it was taken, worked out once in a process."""
    return rows_of(as_taken(pair))


def measured_knowing(pair: Pair, known: Known) -> tuple[Found, str]:
    """The same rows, where more or less is stated beforehand."""
    return rows_of(inspect_pair(pair, known))


def smeared(kernel: np.ndarray) -> Callable[[Path, Path], Path]:
    """A change of the worn photo alone: what a point of it is smeared to."""

    def change(file: Path, folder: Path) -> Path:
        if file.stem != "worn":
            return file
        target = folder / "worn.png"
        cv2.imwrite(str(target), cv2.filter2D(cv2.imread(str(file)), -1, kernel))
        return target

    return change


@dataclass(frozen=True)
class Error:
    """One number against its truth."""

    pair: Pair
    key: tuple[str, str]
    record: Record
    truth: float
    limit: float  # DEVELOPERS.md

    @property
    def quantity(self) -> str:
        return f"{self.key[0]} {self.key[1]}"

    @property
    def error(self) -> float:
        assert self.record.value is not None, f"{self.pair.name}: {self.quantity} is {self.record.status}"
        return self.record.value - self.truth

    @property
    def z(self) -> float:
        return self.error / self.record.std_uncertainty

    @property
    def inside(self) -> bool:
        assert self.record.low95 is not None
        assert self.record.high95 is not None
        return self.record.low95 <= self.truth <= self.record.high95


def limit_of(quantity: str, zone: str, truth: float, *, bright: bool) -> float:
    """By how much a number may be off: the table in DEVELOPERS.md."""
    if quantity == "edge_recession":
        return max(1.5, 0.03 * truth) if bright else max(3.0, 0.08 * truth)
    if quantity == "coating_loss":
        return 0.03
    if zone == "unused":
        return 2.0 if bright else 4.0
    return max(2.0, 0.05 * truth) if bright else max(4.0, 0.1 * truth)


def errors_of(pair: Pair, found: Found) -> list[Error]:
    """Every number that has a limit, against its truth."""
    errors = []
    for (quantity, zone), true in pair.true_values().items():
        if (quantity, zone) == ("edge_radius", "difference"):
            continue
        record = found.get((quantity, zone))
        assert record is not None, f"{pair.name}: no row {quantity} {zone}"
        limit = limit_of(quantity, zone, true, bright=pair.bright)
        errors.append(Error(pair, (quantity, zone), record, true, limit))
    return errors


def transition_error(pair: Pair, found: Found) -> tuple[float, float]:
    """Distance along the photo from the true transition and its standard uncertainty, µm."""
    truth = pair.truth["worn"]
    x, y = (found[f"transition_{axis}_px", "whole"] for axis in "xy")
    off_px = np.subtract((x.value, y.value), truth["transition_px"])
    u_px = np.hypot(x.std_uncertainty, y.std_uncertainty)
    return float(np.hypot(*off_px) * truth["um_per_px"]), float(u_px * truth["um_per_px"])
