"""What a cheap camera's own processing does to the numbers, on photographs with known truth.

    python tests/camera_table.py [CHAIN ...]

Both photos of each pair go through one camera of `sample_images/camera_chain.py`, each with noise of its own; what the
trial file states is exactly true. Prints a Markdown table, and before it every row that missed its truth or is doubtful.
"""

from __future__ import annotations

import sys
import zlib
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

if __name__ == "__main__":
    here = Path(__file__).parent
    sys.path[:0] = [str(here / "support"), str(here.parent / "sample_images")]

from camera_chain import CHAINS, photographed
from reference_pairs import BESIDE, SHIPPED, Found, Known, Pair, errors_of, inspect_pair, pairs_in, rows_of

from wearscope.imaging.photo import read_photo


def through(pair: Pair, camera: str) -> tuple[Found, str]:
    """Rows of the worn photo of a pair that one camera took, and the refusal of the whole photo."""
    rng = np.random.default_rng(zlib.crc32(f"{pair.name} {camera}".encode()))
    chain = CHAINS[camera](rng)

    def taken(file: Path, folder: Path) -> Path:
        codes = photographed(read_photo(file).linear(), chain, rng)
        target = folder / f"{file.stem}.png"
        cv2.imwrite(str(target), cv2.cvtColor(codes, cv2.COLOR_RGB2BGR))
        return target

    scale_off = pair.truth["new"]["um_per_px"] * (1.0 / chain.enlarge - 1.0)
    return rows_of(inspect_pair(pair, Known(off={"um_per_px": scale_off}), change=taken))


def line_of(camera: str, pairs: list[Pair], outcomes: list[tuple[Found, str]]) -> str:
    """One line of the table, after what it rests on."""
    held, z, status, wrong = [], [], Counter(), 0
    for pair, (found, refusal) in zip(pairs, outcomes, strict=True):
        if not found:
            status["refused"] += len(pair.true_values()) - 1
            print(f"{camera}, {pair.name}: {refusal}")
            continue
        for error in errors_of(pair, found):
            row = error.record
            status[row.status] += 1
            if row.value is None:
                print(f"{camera}, {pair.name}, {error.quantity}: refused: {row.note[:120]}")
                continue
            held.append(error.inside)
            z.append(error.z)
            wrong += not error.inside and row.status in ("ok", "below_detection")
            if not error.inside or row.status == "doubtful":
                said = f"{row.value:.3g} ± {row.std_uncertainty:.2g} for {error.truth:.3g}"
                print(f"{camera}, {pair.name}, {error.quantity}: {said}, {row.status}: {row.note[:120]}")
    rows = sum(status.values())
    unsure = (status["doubtful"] + status["refused"]) / rows
    return (
        f"| {camera} | {np.mean(held):.1%} of {len(held)} | {wrong / rows:.1%} | {unsure:.1%} | "
        f"{np.sqrt(np.mean(np.square(z))):.2f} |"
    )


def main() -> None:
    """Run the command line."""
    pairs = [*pairs_in(BESIDE), *pairs_in(SHIPPED)]
    lines = [
        "| camera | truth inside the 95 % interval | ok and wrong | doubtful or refused | error over u (rms) |",
        "|---|---|---|---|---|",
    ]
    with ProcessPoolExecutor(2) as pool:
        for camera in sys.argv[1:] or list(CHAINS):
            outcomes = list(pool.map(through, pairs, [camera] * len(pairs)))
            lines.append(line_of(camera, pairs, outcomes))
            print(lines[-1], flush=True)
    print("\n" + "\n".join(lines))


if __name__ == "__main__":
    main()
