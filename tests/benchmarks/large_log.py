"""A wear log of as many photos as wanted, without measuring one: processor time and memory of what reads it.

    python tests/benchmarks/large_log.py FOLDER --photos 10000
    python tests/benchmarks/large_log.py FOLDER --photos 50000 --history          a million rows; of one bit alone
    python tests/benchmarks/large_log.py FOLDER --photos 50000 --history --log postgresql+psycopg://USER@HOST/DATABASE

The pictures are small and hold noise; the rows are drawn, each flute wearing at its own pace, and go into the log by
the functions that measuring uses, many photos in one transaction. Then each command that reads the log runs in a process of
its own; `check` reads photos, and is not among them. FOLDER should be empty or hold an earlier trial of this script. Its figures are in the contributor's guide.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from hashlib import sha256
from itertools import islice, product
from pathlib import Path

import cv2
import numpy as np

from wearscope.log import schema
from wearscope.log.checksums import add_rows, put_rows
from wearscope.log.identity import IdentityLog
from wearscope.log.inputs import NamedInputs, fingerprint_of, inputs_text
from wearscope.log.place import LOG_NAME, LogFile, LogPlace
from wearscope.log.postgres import PostgresLog
from wearscope.log.records import Record
from wearscope.log.wear_log import WearLog
from wearscope.log.where import log_place
from wearscope.pipeline.pictures import look_again
from wearscope.pipeline.standing import inputs_of
from wearscope.quantities.quantity import quantity_of
from wearscope.trial import load_trial
from wearscope.trial.model import PhotoEntry, Trial
from wearscope.version import __version__

FLUTES, CHECKPOINTS = 2, 20
SIDE_PX = 96
AT_ONCE = 500  # photos in a transaction
AT = "2026-03-02T08:00:00+00:00"
ROWS = (
    ("edge_recession", ("difference",), 0.03, 1.0),
    ("edge_radius", ("used", "unused", "difference"), 0.02, 0.8),
    ("wear_land", ("used",), 0.05, 2.0),
    ("wear_land_max", ("used",), 0.08, 3.0),
    ("coating_loss", ("used", "unused", "difference"), 0.0003, 0.01),
    ("coating_setback", ("used", "unused"), 0.03, 1.5),
    ("chip_count", ("used", "unused"), 0.0, 0.0),
    ("chip_depth_max", ("used", "unused"), 0.002, 0.5),
    ("chip_length", ("used", "unused"), 0.01, 1.0),
    ("used_length", ("whole",), 0.0, 0.02),
    ("transition_x_px", ("whole",), 0.0, 5.0),
    ("transition_y_px", ("whole",), 0.0, 5.0),
    ("sharpness", ("whole",), 0.0, 0.1),
    ("registration_residual", ("whole",), 0.0, 0.05),
)
"""Quantity, zones, growth by part, and standard uncertainty: of the size that photos give; chosen."""


def write(folder: Path, n_photos: int) -> Path:
    """Pictures and trial file."""
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    text = (
        '[trial]\nname = "Many"\nminutes_per_part = 2.0\ncurrency = "EUR"\n[life]\nedge_recession_um = 60\n'
    )
    text += '[[scale]]\nname = "bench"\num_per_px = 3.5\nu_um_per_px = 0.004\n'
    for bit in range(max(1, n_photos // (FLUTES * CHECKPOINTS))):
        text += f'[[bit]]\nname = "B{bit:03}"\ncoating = "TiN"\nprice = 15.0\nflutes = {FLUTES}\nwedge_angle_deg = 60\n'
        for flute in range(1, FLUTES + 1):
            for n in range(CHECKPOINTS):
                file = f"photos/{bit}-{flute}-{n}.png"
                if not (folder / file).exists():
                    draw = np.random.default_rng([bit, flute, n])
                    blocks = draw.integers(0, 256, (12, 12, 3)).astype(np.uint8)
                    cv2.imwrite(
                        str(folder / file),
                        cv2.resize(blocks, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_NEAREST),
                    )
                text += f'[[photo]]\nbit = "B{bit:03}"\nflute = {flute}\nparts = {20 * n}\nscale = "bench"\nfile = "{file}"\n'
    (folder / "trial.toml").write_text(text)
    return folder / "trial.toml"


def rows_for(entry: PhotoEntry, checksum: str) -> list[Record]:
    """Rows of one photo."""
    draw = np.random.default_rng([*entry.bit.encode(), entry.flute, entry.parts])
    pace = np.random.default_rng([*entry.bit.encode(), entry.flute]).lognormal(0.0, 0.2)
    rows = []
    for quantity, zones, growth, u in ROWS:
        for zone in zones if entry.parts else [zone for zone in zones if zone in ("unused", "whole")]:
            if not entry.parts and quantity in ("used_length", "transition_x_px", "transition_y_px"):
                continue
            grown = growth * pace * entry.parts * (zone != "unused")
            value = float(grown + u * draw.standard_normal())
            rows.append(
                Record(
                    bit=entry.bit,
                    flute=entry.flute,
                    parts=entry.parts,
                    view=entry.view,
                    quantity=quantity,
                    zone=zone,
                    value=value,
                    unit=quantity_of(quantity).unit,
                    std_uncertainty=u,
                    low95=value - 1.96 * u,
                    high95=value + 1.96 * u,
                    status="ok" if value > 3.29 * u else "below_detection",
                    note="",
                    method="profile+model+new-state",
                    photo=entry.file,
                    photo_sha256=checksum,
                    scale=entry.scale,
                    um_per_px=3.5,
                    wearscope_version=__version__,
                    measured_at=AT,
                    detection_limit=3.29 * u,
                    dof=40.0,
                )
            )
    return rows


def fill(trial: Trial, out_dir: Path) -> None:
    """Put the rows of all photos into a new log."""
    with WearLog(log_place(out_dir)) as log, IdentityLog(log_place(out_dir)) as known:
        known.claim(trial.name, trial.path)
        (out_dir / "results").mkdir(exist_ok=True)
        pictures = look_again(trial, out_dir / "results", keep=True)
        inputs = inputs_of(trial, trial.photos, {}, pictures.checksum, pictures.files_also)
        log_photos(
            log,
            trial.name,
            ((entry, pictures.checksum(entry.path), inputs[entry].named()) for entry in trial.photos),
        )


def log_photos(log: WearLog, trial: str, photos: Iterable[tuple[PhotoEntry, str, NamedInputs]]) -> None:
    """Log photos, checksum and what it rests on beside each, through the schema that measuring uses; many at once."""
    left = iter(photos)
    while some := list(islice(left, AT_ONCE)):
        with log._writing() as connection:
            ids = add_rows(connection, schema.inspection, [inspected(trial, *one) for one in some])
            put_rows(
                connection,
                schema.measurement,
                (
                    {"trial": trial, "inspection_id": number, **vars(row)}
                    for number, (entry, checksum, _) in zip(ids, some, strict=True)
                    for row in rows_for(entry, checksum)
                ),
            )


def inspected(trial: str, entry: PhotoEntry, checksum: str, named: NamedInputs) -> dict[str, object]:
    """That a photo was inspected, as measuring logs it."""
    return {
        **{name: getattr(entry, name) for name in ("bit", "flute", "parts", "view")},
        "trial": trial,
        "photo": entry.file,
        "photo_sha256": checksum,
        "refusal": "",
        "refusal_code": "",
        "wearscope_version": __version__,
        "inspected_at": AT,
        "fingerprint": fingerprint_of(named),
        "inputs": inputs_text(named),
    }


def unseen(n_photos: int) -> Iterator[tuple[PhotoEntry, str, NamedInputs]]:
    """Photos of which there are no pictures."""
    for bit, flute, n in product(
        range(n_photos // (FLUTES * CHECKPOINTS)), range(1, FLUTES + 1), range(CHECKPOINTS)
    ):
        file = f"photos/{bit}-{flute}-{n}.png"
        place = {"bit": f"B{bit:03}", "flute": flute, "parts": 20 * n, "view": "relief", "scale": "bench"}
        entry = PhotoEntry.model_construct(file=file, path=Path(file), **place)
        yield entry, sha256(file.encode()).hexdigest(), {"scale": "bench"}


def histories(place: LogPlace, n_photos: int) -> None:
    """How long the history of one bit takes among so many photos, of which there are no pictures."""
    trial = "Many"
    with WearLog(place) as log:
        if not log.inspections(trial=trial, bit="B000"):
            log_photos(log, trial, unseen(n_photos))
            print(f"{n_photos} photos logged in {time.process_time():.0f} s of processor here", flush=True)
    began = time.perf_counter()
    with WearLog(place) as log:
        print(f"opening it: {1000 * (time.perf_counter() - began):.0f} ms by the clock")
        log.history(trial=trial, bit="B000")
        took = []
        for bit in range(1, 10):
            before = time.process_time(), time.perf_counter()
            n_rows = len(log.history(trial=trial, bit=f"B{bit:03}"))
            took.append((time.process_time() - before[0], time.perf_counter() - before[1]))
        processor, clock = (1000 * statistics.median(each) for each in zip(*took, strict=True))
    print(
        f"history of a bit, {n_rows} rows: {processor:.0f} ms of processor here, {clock:.0f} ms by the clock"
    )


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=10_000)
    parser.add_argument("--history", action="store_true", help="only ask for the history of one bit")
    parser.add_argument("--log", help="address of a database to ask, for --history")
    given = parser.parse_args()
    folder = given.folder
    if given.history:
        folder.mkdir(parents=True, exist_ok=True)
        place = PostgresLog.at(given.log, folder) if given.log else LogFile(folder / LOG_NAME)
        histories(place, given.photos)
        return
    trial = load_trial(write(folder, given.photos))
    if not log_place(folder).exists():
        fill(trial, folder)
    print(f"log of {len(trial.photos)} photos: {(folder / 'wear-log.sqlite').stat().st_size / 1e6:.0f} MB")
    file = str(folder / "trial.toml")
    commands = {
        "report": ["report", file],
        "report again": ["report", file],
        "history": ["history", str(folder)],
        "log check": ["log", "check", file],
    }
    for name, words in commands.items():
        before = os.times()
        done = subprocess.run(
            [sys.executable, "-m", "wearscope", *words], capture_output=True, text=True, check=False
        )
        after = os.times()
        took = after.children_user + after.children_system - before.children_user - before.children_system
        most = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1000
        print(
            f"{name}: exit {done.returncode}, {took:.1f} s of processor, at most {most:.0f} MB so far",
            flush=True,
        )
        if done.returncode > 1:
            print(done.stderr[:500])
    for path in sorted((folder / "results").glob("*")):
        if path.is_file():
            print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
