"""Parts of the work that must stay quick, each set against something plain on the same machine: ``pytest -m benchmark``.

Times are of the processor, all threads, so that a busy neighbour slows both alike.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import cv2
import numpy as np
from graticules import Graticule
from pictures import TRIAL

from wearscope.imaging.calibration.scale import scale_from_graticule
from wearscope.imaging.photo import read_photo
from wearscope.trial import load_trial

ROUNDS = 5


def least_s(work: Callable[[], object]) -> float:
    """The quickest of a few rounds."""
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def ratio(benchmark, ours: Callable[[], object], plain: Callable[[], object]) -> float:
    found = benchmark.pedantic(lambda: least_s(ours) / least_s(plain), rounds=1)
    benchmark.extra_info.update(ratio=found)
    print(f"\nratio {found:.1f}")
    return found


def test_linear_light_of_a_frame(benchmark, tmp_path):
    # against a lookup of as many bytes in a table of floats
    codes = np.random.default_rng(0).integers(0, 255, (3000, 4000, 3), np.uint8)
    cv2.imwrite(str(tmp_path / "a.bmp"), codes)
    photo, table = read_photo(tmp_path / "a.bmp"), np.linspace(0.0, 1.0, 256, dtype=np.float32)
    assert ratio(benchmark, photo.linear, lambda: np.take(table, codes)) < 2.0


def test_scale_of_a_12_megapixel_picture(benchmark):
    # against one Gaussian blur of the same picture
    graticule = Graticule(shape=(750, 4000), pitch_px=23.7, tick_rows=((-1e3, 1e3),))
    light = np.concatenate([graticule.luminance().astype(np.float32)] * 4)
    blur = lambda: cv2.GaussianBlur(light, (0, 0), 4.0)  # noqa: E731
    assert ratio(benchmark, lambda: scale_from_graticule(light, 100.0), blur) < 15.0


def test_a_large_trial_takes_no_more_than_its_share(benchmark, tmp_path):
    # four times the photos, four times the work: guards against quadratic work
    (tmp_path / "a.jpg").touch()
    head = TRIAL.format(um_per_px=3.5, u_um_per_px=0.01, wedge_angle_deg=60, coating="TiN").replace(
        "flutes = 1", "flutes = 4"
    )
    photo = '[[photo]]\nbit = "Dunlin"\nflute = {}\nparts = {}\nview = "relief"\nfile = "a.jpg"\nscale = "bench"\n'

    def reading(count: int) -> Callable[[], object]:
        path = tmp_path / f"{count}.toml"
        path.write_text(head + "".join(photo.format(n % 4 + 1, n // 4) for n in range(count)))
        return lambda: load_trial(path)

    assert ratio(benchmark, reading(2000), reading(500)) < 6.0
