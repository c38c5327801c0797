"""A trial of as many photos as wanted, to its end, with a stand-in for measuring: processor time and memory.

    python tests/benchmarks/large_log.py FOLDER --photos 10000 --jobs 2
    python tests/benchmarks/large_log.py FOLDER --photos 50000 --history          a million rows; of one bit alone
    python tests/benchmarks/large_log.py FOLDER --photos 50000 --history --log postgresql+psycopg://USER@HOST/DATABASE

The pictures are small and hold noise. What stands in for measuring draws the rows of each, every flute wearing at its
own pace; all else is what a trial goes through: `measure` with its workers and its log, then `measure` with nothing
new, `check`, `outcome`, `report`, `report` again and after one photo was taken anew, `history` and `log check`, each
in a process of its own. Only the comparison sheets, and what `check` saw of the photos, are laid in their places,
for a noise picture shows nothing. `large_trial.py` measures real photos. Of a million rows there are no pictures.
FOLDER should be empty or hold an earlier trial of this script. Its figures are in the contributor's guide.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from hashlib import sha256
from itertools import islice, product
from multiprocessing import forkserver
from pathlib import Path

import cv2
import numpy as np

from wearscope.economics.decision import N_DRAWS
from wearscope.files import checksum_of
from wearscope.imaging.calibration.scale import Scale
from wearscope.log import schema
from wearscope.log.checksums import add_rows, put_rows
from wearscope.log.inputs import NamedInputs, fingerprint_of, inputs_text
from wearscope.log.place import LOG_NAME, LogFile, LogPlace
from wearscope.log.postgres import PostgresLog
from wearscope.log.records import Record
from wearscope.log.upkeep import copy_log, examine
from wearscope.log.wear_log import WearLog
from wearscope.pipeline.inspection import Inspection
from wearscope.pipeline.judgement import Judgement
from wearscope.pipeline.kept_judgements import keep_judgements
from wearscope.pipeline.pictures import look_again
from wearscope.pipeline.results import sheet_names
from wearscope.pipeline.run import measure_trial
from wearscope.pipeline.standing import inputs_of
from wearscope.quantities.quantity import quantity_of
from wearscope.trial import load_trial
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial
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


def stand_in(_trial: Trial, entry: PhotoEntry, _scales: Mapping[str, Scale]) -> Inspection:
    """What measuring gives, drawn."""
    checksum = checksum_of(entry.path)
    return Inspection(entry, tuple(rows_for(entry, checksum)), photo_sha256=checksum)


def measured(trial: Trial, out_dir: Path, jobs: int) -> None:
    """Measure with the stand-in, and lay sheets and judgements in their places."""
    done = [0]

    def told(n: int, n_all: int, _entry: object) -> None:
        if n - done[0] >= max(n_all // 10, 1) and n_all > 1:
            done[0] = n
            print(
                f"  {n} photos: {time.process_time():.0f} s here, {peak_mb(resource.RUSAGE_SELF):.0f} MB",
                flush=True,
            )

    measure_trial(trial, out_dir, jobs=jobs, progress=told, inspector=stand_in, budgets=False)
    sheets = out_dir / "results" / "sheets"
    blank = cv2.imencode(".png", np.full((32, 48, 3), 200, np.uint8))[1].tobytes()
    for name in sheet_names(trial).values():
        if not (sheets / name).exists():
            (sheets / name).write_bytes(blank)
    pictures = look_again(trial, out_dir / "results", keep=True)
    inputs = inputs_of(trial, trial.photos, {}, pictures.checksum, pictures.files_also)
    judged = (Judgement(entry, "fit", (), 4.2, 0.001, 0.8, "dark") for entry in trial.photos)
    keep_judgements(out_dir / "results", trial, inputs, judged)


def peak_mb(whose: int) -> float:
    return resource.getrusage(whose).ru_maxrss / 1000


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
    if isinstance(place, LogFile):
        looked_through_while_written(place, trial)
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


FIRST_LOOK = """
import sys, time
from multiprocessing import forkserver
from pathlib import Path
from wearscope.log.wear_log import WearLog
began = time.perf_counter(), time.process_time()
with WearLog(Path(sys.argv[1])):
    print(time.perf_counter() - began[0], time.process_time() - began[1])
"""


def looked_through_while_written(place: LogFile, trial: str) -> None:
    """How long who writes waits at most while another process looks through the log for the first time; alone before."""
    for pause_s in (None, 0.3):
        waited, n = [0.0], int(time.time())
        with WearLog(place) as log:
            place.look_anew()
            begun = subprocess.Popen(
                [sys.executable, "-c", FIRST_LOOK, str(place.path)], stdout=subprocess.PIPE
            )
            while begun.poll() is None and pause_s is not None:
                began, n = time.perf_counter(), n + 1
                (entry, checksum, named) = next(unseen(FLUTES * CHECKPOINTS))
                log_photos(log, f"{trial} {n}", [(entry, checksum, named)])
                waited.append(time.perf_counter() - began)
                time.sleep(pause_s)
            took, processor = map(float, begun.communicate()[0].split())
        print(
            f"first look{' while photos are logged' if pause_s else ''}: {took:.1f} s by the clock, {processor:.1f} s of "
            f"processor; {len(waited) - 1} photos, of which one waited {max(waited):.3f} s at most",
            flush=True,
        )


def copied(source: LogPlace, target: LogPlace, back: Path) -> None:
    """How long copying takes, there and back, and going through all rows; on this side, without the server's time."""
    back.unlink(missing_ok=True)
    steps: dict[str, Callable[[], object]] = {
        "log copy to the database": lambda: copy_log(source, target),
        "log check there": lambda: examine(target),
        "log copy back": lambda: copy_log(target, LogFile(back)),
        "log check of the copy": lambda: examine(LogFile(back)),
    }
    for name, step in steps.items():
        before = os.times()
        step()
        print(f"{name}: {spent(before)}", flush=True)


def spent(before: os.times_result) -> str:
    """Processor time of this process and of those that have ended since, and the most memory of any so far."""
    forkserver._forkserver._stop()  # what workers took counts here once that has ended which they are copies of
    here, ended = os.times()[:2], os.times()[2:4]
    most = peak_mb(resource.RUSAGE_SELF), peak_mb(resource.RUSAGE_CHILDREN)
    return (
        f"{sum(here) - sum(before[:2]):.1f} s of processor here and {sum(ended) - sum(before[2:4]):.1f} s of others, "
        f"at most {most[0]:.0f} and {most[1]:.0f} MB"
    )


def run(name: str, words: Sequence[str], draws: int) -> None:
    """Run a command in a process of its own, and say what it took."""
    # what getrusage says is at least what the process held that started this one
    code = (
        "import sys; from wearscope.cli import main; from wearscope.economics import decision\n"
        f"decision.outcome_of.__defaults__ = ('parts', {draws})\n"
        "try: sys.exit(main())\n"
        "finally: print('most', *(line for line in open('/proc/self/status') if 'VmHWM' in line), file=sys.stderr)"
    )
    before = os.times()
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=False)
    took = sum(os.times()[2:4]) - sum(before[2:4])
    most = int(done.stderr.rpartition("VmHWM:")[2].split()[0]) / 1024
    print(f"{name}: exit {done.returncode}, {took:.1f} s of processor, at most {most:.0f} MB", flush=True)
    if done.returncode > 1:
        print(done.stderr[-500:])


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=10_000)
    parser.add_argument("--history", action="store_true", help="only ask for the history of one bit")
    parser.add_argument("--log", help="address of a database to ask, for --history")
    parser.add_argument(
        "--copy", metavar="ADDRESS", help="copy the log to a database and back, for --history"
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--draws", type=int, default=N_DRAWS, help="of lives; with fewer, curves are fitted sooner"
    )
    given = parser.parse_args()
    folder = given.folder
    if given.history:
        folder.mkdir(parents=True, exist_ok=True)
        place = PostgresLog.at(given.log, folder) if given.log else LogFile(folder / LOG_NAME)
        histories(place, given.photos)
        if given.copy:
            copied(place, PostgresLog.at(given.copy, folder), folder / "back.sqlite")
        return
    file = str(write(folder, given.photos))
    trial = load_trial(Path(file))
    before = os.times()
    measured(trial, folder, given.jobs)
    print(f"measure, with the stand-in: {spent(before)}")
    print(f"log of {len(trial.photos)} photos: {(folder / LOG_NAME).stat().st_size / 1e6:.0f} MB", flush=True)
    asked = {
        "measure, nothing new": ["measure", file, "-q", "--no-report"],
        "check": ["check", file],
        "outcome": ["outcome", file],
        "report": ["report", file],
        "report, nothing new": ["report", file],
        "history": ["history", str(folder)],
        "log check": ["log", "check", file],
    }
    for name, words in asked.items():
        run(name, words, given.draws)
    again = trial.photos[len(trial.photos) // 2]
    noise = np.random.default_rng().integers(0, 256, (SIDE_PX, SIDE_PX, 3)).astype(np.uint8)
    cv2.imwrite(str(again.path), noise)
    measured(trial, folder, 1)
    run("report, one photo taken anew", ["report", file], given.draws)
    for path in sorted((folder / "results").glob("*")):
        if path.is_file():
            print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
