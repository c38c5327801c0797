"""What a 12-megapixel pair costs: ``pytest -m benchmark -s tests/benchmarks``, or run this file as a script.

The time is set against plain OpenCV on the same two files, decoding and one Gaussian blur of sigma 2 each, so that it
says the same on every machine; start-up and the comparison sheet are left out. The peak memory is that of a process
of its own.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from big_pair import UM_PER_PX, environment, write_pair
from pictures import measured, write_trial

SUPPORT = Path(__file__).resolve().parent.parent / "support"
MOST_TIMES, MOST_MB = 7.5, 1000.0
ROUNDS = 5


def of_opencv(paths: list[Path]) -> float:
    start = time.perf_counter()
    for path in paths:
        picture = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
        cv2.GaussianBlur(picture, (0, 0), 2.0)
    return time.perf_counter() - start


def timed(folder: Path) -> dict:
    """Median times over a few interleaved rounds, so that a busy neighbour slows both alike."""
    paths = {parts: folder / f"{parts}.jpg" for parts in (0, 100)}
    trial = write_trial(folder, paths, um_per_px=UM_PER_PX)
    inspection = measured(trial, 100)  # warm: imports, file cache
    assert not inspection.refusal, inspection.refusal
    ours, theirs = [], []
    for _ in range(ROUNDS):
        theirs.append(of_opencv(list(paths.values())))
        start = time.perf_counter()
        measured(trial, 100)
        ours.append(time.perf_counter() - start)
    ratios = np.array(ours) / np.array(theirs)
    return {
        "pair_s": float(np.median(ours)),
        "opencv_s": float(np.median(theirs)),
        "ratio": float(np.median(ratios)),
        "ratios": [round(float(ratio), 2) for ratio in ratios],
    }


def peak_mb() -> float:
    status = Path("/proc/self/status")
    if status.exists():  # what getrusage says is at least what the process held that started this one
        (line,) = [line for line in status.read_text().splitlines() if line.startswith("VmHWM:")]
        return float(line.split()[1]) / 1024.0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1024.0 if sys.platform != "darwin" else peak / 1024.0**2


def in_a_process(what: str, folder: Path):
    """Run this file on an existing pair in a process of its own."""
    done = subprocess.run(
        [sys.executable, __file__, what, str(folder)],
        capture_output=True,
        text=True,
        timeout=900,
        check=False,
        env={**os.environ, "PYTHONPATH": str(SUPPORT)},
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def report(folder: Path) -> tuple[float, float]:
    in_a_process("make", folder)  # a child's peak counts what its parent held when it was born
    memory = in_a_process("memory", folder)
    times = in_a_process("time", folder)
    print(f"\n{environment()}")
    print(
        f"a 12-megapixel pair: {times['pair_s']:.2f} s; OpenCV, decode and blur: {times['opencv_s']:.2f} s; "
        f"ratio {times['ratio']:.2f} (rounds: {times['ratios']}), at most {MOST_TIMES:g}"
    )
    print(f"peak memory of the process: {memory['peak_mb']:.0f} MB, at most {MOST_MB:g}")
    return times["ratio"], memory["peak_mb"]


def test_pair_of_12_megapixels(benchmark, tmp_path):
    ratio, peak = benchmark.pedantic(report, args=(tmp_path,), rounds=1)
    benchmark.extra_info.update(ratio=ratio, peak_mb=peak)
    assert ratio < MOST_TIMES
    assert peak < MOST_MB


def main() -> None:
    if len(sys.argv) == 1:
        with tempfile.TemporaryDirectory() as folder:
            report(Path(folder))
        return
    what, folder = sys.argv[1], Path(sys.argv[2])
    if what == "make":
        print(json.dumps([str(path) for path in write_pair(folder).values()]))
    elif what == "memory":
        trial = write_trial(
            folder, {parts: folder / f"{parts}.jpg" for parts in (0, 100)}, um_per_px=UM_PER_PX
        )
        inspection = measured(trial, 100)
        assert inspection.records, replace(inspection, now=None, new=None)
        print(json.dumps({"peak_mb": peak_mb()}))
    else:
        print(json.dumps(timed(folder)))


if __name__ == "__main__":
    main()
