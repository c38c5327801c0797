"""A trial of as many photos as wanted, measured to its end: time and memory for each, and how they grow.

    python tests/benchmarks/large_trial.py FOLDER --photos 10000 --jobs 2

The photos are the pairs of ``tests/reference`` over and over, each moved elsewhere and with noise of its own: two that
lie at the same pixels would be taken for one picture. FOLDER should be empty or hold an earlier trial of this script,
whose photos are kept. ``wearscope report FOLDER/trial.toml --out FOLDER/jobs-2`` goes on from there. Takes an hour or
two; its figures are in the contributor's guide.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import time
from contextlib import suppress
from pathlib import Path

import cv2
import numpy as np

from wearscope.pipeline.run import measure_trial
from wearscope.trial import load_trial

PAIRS = sorted(
    path.parent
    for path in (Path(__file__).parents[1] / "reference").glob("*/truth.json")
    if "tilted" not in path.parts
)
MOVED_PX = 24  # to either side, as a bit that is put back
LATER = 9  # photos of a flute after the new-state one


def write(folder: Path, n_photos: int) -> Path:
    """Photos and trial file."""
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    text = (
        '[trial]\nname = "Many"\nminutes_per_part = 2.0\ncurrency = "EUR"\n[life]\nedge_recession_um = 60\n'
    )
    n_flutes = max(1, n_photos // (1 + LATER))
    places = np.random.default_rng(0).permutation((2 * MOVED_PX) ** 2)
    for number, pair in enumerate(PAIRS):
        um_per_px = json.loads((pair / "truth.json").read_text())["new"]["um_per_px"]
        text += f'[[scale]]\nname = "{number}"\num_per_px = {um_per_px}\nu_um_per_px = {um_per_px / 1000}\n'
    for flute in range(n_flutes):
        pair = PAIRS[flute % len(PAIRS)]
        truth = json.loads((pair / "truth.json").read_text())
        text += f'[[bit]]\nname = "B{flute}"\nprice = 15.0\nflutes = 1\ncoating = "{truth.get("coating", "none")}"\nwedge_angle_deg = {truth["wedge_angle_deg"]}\n'
        pictures = {
            name: cv2.imread(str(next(pair.glob(f"{name}.[jp][pn]g")))).astype(np.float32)
            for name in ("new", "worn")
        }
        for n in range(1 + LATER):
            path = folder / "photos" / f"{flute}-{n}.jpg"
            if not path.exists():
                draw = np.random.default_rng([flute, n])
                picture = pictures["worn" if n else "new"]
                turn = flute // len(PAIRS) * (LATER if n else 1) + max(n - 1, 0)
                top, left = np.unravel_index(places[turn % len(places)], (2 * MOVED_PX, 2 * MOVED_PX))
                high, wide = picture.shape[0] - 2 * MOVED_PX, picture.shape[1] - 2 * MOVED_PX
                moved = picture[top : top + high, left : left + wide]
                noisy = np.clip(moved + draw.normal(0.0, 3.0, moved.shape), 0, 255).astype(np.uint8)
                cv2.imwrite(str(path), noisy, [cv2.IMWRITE_JPEG_QUALITY, 95])
            text += f'[[photo]]\nbit = "B{flute}"\nflute = 1\nparts = {50 * n}\nscale = "{flute % len(PAIRS)}"\nfile = "photos/{path.name}"\n'
    (folder / "trial.toml").write_text(text)
    return folder / "trial.toml"


def started_by(process: int) -> list[int]:
    """Processes that one has started, and those that these have."""
    try:
        told = Path(f"/proc/{process}/task/{process}/children").read_text()
    except OSError:  # gone, or no Linux
        return []
    return [each for child in map(int, told.split()) for each in (child, *started_by(child))]


def largest_worker_mb() -> float:
    """Most memory that one of the processes which this one has started ever held, of those that are there."""
    if not Path("/proc/self/task").exists():
        return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1000
    peaks = [0.0]
    for process in started_by(os.getpid()):
        with suppress(OSError, ValueError):
            status = Path(f"/proc/{process}/status").read_text().splitlines()
            peaks += [int(line.split()[1]) / 1000 for line in status if line.startswith("VmHWM:")]
    return max(peaks)


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    trial = load_trial(write(given.folder, given.photos))
    began, last, workers_mb = time.monotonic(), [0], [0.0]

    def told(done: int, n: int, _entry: object) -> None:
        if done - last[0] >= max(n // 20, 1):
            last[0] = done
            workers_mb.append(largest_worker_mb())
            mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
            print(f"{done} of {n}: {(time.monotonic() - began) / done:.2f} s each, {mb:.0f} MB", flush=True)

    result = measure_trial(
        trial, given.folder / f"jobs-{given.jobs}", jobs=given.jobs, progress=told, budgets=False, again=True
    )
    print(
        f"{len(result.photos)} photos, {len(result.records)} rows, {len(result.refusals)} refused, "
        f"{time.monotonic() - began:.0f} s, {max(workers_mb):.0f} MB for the largest worker"
    )


if __name__ == "__main__":
    main()
