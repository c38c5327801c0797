"""What a correction by hand costs on a 12-megapixel pair that has been looked at: ``pytest -m benchmark -s``.

Each kind of correction is made a few times, each time a little otherwise, so that nothing is merely remembered. The
pair is one of the demo's, enlarged as cheap microscopes do; a drawn pair, whose light fits the model less well and so
takes more steps to fit, is timed beside it, and the same before an uneven background, where each length of the edge is
fitted on its own.
"""

from __future__ import annotations

import time
from dataclasses import replace

import cv2
import numpy as np
import pytest
from big_pair import UM_PER_PX, big_pair, environment, write_pair
from pictures import CARD, DARK, save_light, write_trial

from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.sources import Memory, read_scales
from wearscope.samples import sample_trial_folder
from wearscope.trial.correction import Correction, DrawnEdge, HandScale

MOST_S = 0.3
CLUTTERED_S = 0.4  # what it takes before an uneven background, which is too long
ROUNDS = 5


def _enlarged(folder):
    """A pair of the demo as a 12-megapixel microscope would save it."""
    paths = {}
    for parts in (0, 300):
        small = cv2.imread(str(sample_trial_folder() / "photos" / f"heron-{parts:03d}-1.jpg"))
        big = cv2.resize(small, (4608, 2592), interpolation=cv2.INTER_CUBIC)
        paths[parts] = folder / f"{parts}.jpg"
        cv2.imwrite(str(paths[parts]), big)
    return paths


ENLARGED = {
    "um_per_px": 3.418 * 1600 / 4608,
    "wedge_angle_deg": 55.0,
    "coating": "VN",
}  # as the demo's trial says


def _before_clutter(folder):
    """The drawn pair before something out of focus, dark here and bright there."""
    paths = {}
    for parts, flute in zip((0, 100), big_pair(), strict=True):
        x, y = np.meshgrid(*(np.linspace(0.0, 1.0, n, dtype=np.float32) for n in flute.shape[::-1]))
        share = (0.5 + 0.5 * np.sin(9.0 * x + 5.0 * y))[..., None]
        dark, bright = (replace(flute, background=level).light() for level in (DARK, CARD))
        paths[parts] = save_light(dark + share * (bright - dark), folder / f"{parts}.jpg")
    return paths


DRAWN = {"um_per_px": UM_PER_PX}
PAIRS = {
    "enlarged": (_enlarged, ENLARGED),
    "drawn": (write_pair, DRAWN),
    "cluttered": (_before_clutter, DRAWN),
}


@pytest.fixture(scope="module", params=PAIRS.values(), ids=PAIRS.keys())
def looked_at(tmp_path_factory, request):
    """The pair, its memory, and what it gives by itself."""
    folder = tmp_path_factory.mktemp("pair")
    make, known = request.param
    trial = write_trial(folder, make(folder), **known)
    scales, _ = read_scales(trial)
    memory = Memory()
    return trial, scales, memory, inspect_photo(trial, trial.photos[1], scales, memory=memory)


def _moved_transition(found, n):
    place = {row.quantity: row.value for row in found.records}
    return Correction(transition_px=(place["transition_x_px"] + 7.0 * n, place["transition_y_px"]))


def _nudged_edge(found, n):
    located = found.on_photo.located
    s_um = np.linspace(located.strip.s_um[0], located.strip.s_um[-1], 7)
    points = located.places_px(s_um, np.full(7, 3.0 * n))
    return Correction(edge=DrawnEdge(tuple(map(tuple, points.tolist())), "right"))


def _patch(found, n):
    s_um = np.array([500.0, 700.0, 700.0, 500.0]) + 40.0 * n
    corners = found.on_photo.places_px(s_um, np.array([-50.0, -50.0, 60.0, 60.0]))
    return Correction(ignored_px=(tuple(map(tuple, corners.tolist())),))


def _scale(found, n):
    um_per_px = found.on_photo.located.photo_um_per_px * (1.0 + 1e-4 * n)
    return Correction(scale=HandScale(um_per_px, 0.001, "two points"))


@pytest.mark.parametrize("kind", [_moved_transition, _nudged_edge, _patch, _scale])
def test_a_correction_is_measured_at_once(benchmark, looked_at, kind):
    trial, scales, memory, by_itself = looked_at
    took_s, cpu_s = [], []

    def correct():
        for n in range(1, ROUNDS + 1):
            said = {by_itself.photo_sha256: kind(by_itself, n)}
            start, cpu = time.perf_counter(), time.process_time()
            found = inspect_photo(trial, trial.photos[1], scales, said, memory)
            took_s.append(time.perf_counter() - start)
            cpu_s.append(time.process_time() - cpu)
            assert found.records, found.refusal

    benchmark.pedantic(correct, rounds=1)
    print(f"\n{environment()}")
    print(
        f"{kind.__name__[1:]}: {np.median(took_s):.2f} s ({np.median(cpu_s):.2f} s of processor), at most {MOST_S} s"
    )
    cluttered = looked_at[3].on_photo.located.quality.background == "mixed"
    if cluttered and MOST_S <= np.median(took_s) < CLUTTERED_S:
        pytest.xfail("known: a fit for each length of the edge takes up to 0.4 s before an uneven background")
    assert np.median(took_s) < MOST_S
