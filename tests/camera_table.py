"""What a cheap camera's own processing does to the numbers, on photographs with known truth.

    python tests/camera_table.py [CHAIN ...]

Both photos of each pair go through one camera of `sample_images/camera_chain.py`, with noise of their own; what the trial
file states is exactly true.
"""

from __future__ import annotations

import sys
import tempfile
import zlib
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

sys.path += [str(Path(__file__).parent), str(Path(__file__).parents[1] / "sample_images")]
import test_reference_photos as reference
from camera_chain import CHAINS, photographed

from wearscope.imaging.photo import read_photo
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.sources import read_scales
from wearscope.trial import load_trial


def through(name: str, chain_name: str) -> tuple[str, str, dict, str]:
    truth = reference.truth_of(name)
    rng = np.random.default_rng(zlib.crc32(f"{name} {chain_name}".encode()))
    chain = CHAINS[chain_name](rng)
    scale = truth["new"]["um_per_px"] / chain.enlarge
    text = reference.TRIAL.format(
        um_per_px=scale,
        u_um_per_px=5e-4 * scale,
        ring_angle_deg=truth["ring_angle_deg"],
        wedge_angle_deg=truth["wedge_angle_deg"],
        coating="none" if truth["coating"] == "W" else truth["coating"],
        r_unused_um=truth["r_unused_um"],
        **reference.ALLOWED,
    )
    with tempfile.TemporaryDirectory() as folder:
        for state, parts in (("new", 0), ("worn", 100)):
            (file,) = (reference.PHOTOS / name).glob(f"{state}.*")
            codes = photographed(read_photo(file).linear(), chain, rng)
            path = Path(folder) / f"{state}.png"
            cv2.imwrite(str(path), cv2.cvtColor(codes, cv2.COLOR_RGB2BGR))
            text += reference.PHOTO.format(parts=parts, file=path, more="", **reference.ALLOWED)
        (Path(folder) / "trial.toml").write_text(text)
        trial = load_trial(Path(folder) / "trial.toml")
        scales, _ = read_scales(trial)
        try:
            found = inspect_photo(trial, next(p for p in trial.photos if p.parts), scales)
        except Exception as error:
            return name, chain_name, {}, f"CRASH {type(error).__name__}: {error}"
    return name, chain_name, {(r.quantity, r.zone): r for r in found.records}, found.refusal


def main() -> None:
    chains = sys.argv[1:] or list(CHAINS)
    with ProcessPoolExecutor(2) as pool:
        jobs = [(n, c) for c in chains for n in reference.NAMES]
        results = list(pool.map(through, *zip(*jobs, strict=True)))
    for chain in chains:
        inside, status, wrong, z = [], Counter(), 0, []
        for name, of, found, refusal in results:
            if of != chain:
                continue
            if not found:
                status["refused"] += 5
                print(f"   {chain} {name} refused: {refusal}")
                continue
            for error in reference.errors_of(name, found):
                row = error.record
                status[row.status] += 1
                if row.value is None:
                    print(f"   {chain} {name} {error.quantity} {row.note[:150]}")
                    continue
                inside.append(error.inside)
                z.append(error.error / row.std_uncertainty)
                if not error.inside or row.status == "doubtful":
                    print(
                        f"   {chain} {name} {error.quantity} {row.value:.3g} ± {row.std_uncertainty:.2g} for {error.truth:.3g} {row.status} {row.note[:110] if row.status == 'doubtful' else ''}"
                    )
                if not error.inside and row.status in ("ok", "below_detection"):
                    wrong += 1
        n = sum(status.values())
        print(
            f"{chain}: inside {np.mean(inside):.1%} of {len(inside)}, ok and wrong {wrong / n:.1%}, doubtful or refused {(status['doubtful'] + status['refused']) / n:.1%}, rms z {np.sqrt(np.mean(np.square(z))):.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
