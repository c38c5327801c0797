"""Ten times the photos must take ten times as long, and what was looked through once less: ``pytest -m benchmark``."""

from __future__ import annotations

import time

import fake_photos as fake
import numpy as np
from large_log import log_photos, unseen

from wearscope.log.wear_log import WearLog
from wearscope.pipeline.standing import inputs_of
from wearscope.process.fairness import fair_trial
from wearscope.trial import load_trial

FEW, TEN_TIMES, MOST_TIMES = 20, 200, 12.0
"""Bits of two flutes and seven checkpoints each; what the larger trial may take, by the time of the smaller one."""
ROUNDS = 3


def prepared(path) -> float:
    """Processor time of all that is done with a trial before its photos are looked at."""
    began = time.process_time()
    trial = load_trial(path)
    fair_trial(trial)
    inputs_of(trial, trial.photos, {}, lambda _: "0" * 64)
    return time.process_time() - began


def times(folder) -> float:
    paths = [
        fake.write_trial(folder / str(n), bits=[f"B{bit:03}" for bit in range(n)], parts=range(0, 140, 20))
        for n in (FEW, TEN_TIMES)
    ]
    prepared(paths[0])
    few, many = (np.median([prepared(path) for _ in range(ROUNDS)]) for path in paths)
    print(f"\n{FEW * 14} photos: {few:.2f} s; {TEN_TIMES * 14}: {many:.2f} s; {many / few:.1f} times")
    return float(many / few)


def test_ten_times_the_photos_take_ten_times_as_long(benchmark, tmp_path):
    ratio = benchmark.pedantic(times, args=(tmp_path,), rounds=1)
    benchmark.extra_info.update(ratio=ratio)
    assert ratio < MOST_TIMES


N_PHOTOS, MOST_OF_FIRST = 2000, 0.6
"""Photos of 21 rows each; what reading all of it may take once its rows are kept, by the time without."""


def read_again(folder) -> float:
    (folder / "results").mkdir()
    path = folder / "wear-log.sqlite"
    photos = list(unseen(N_PHOTOS))
    with WearLog(path) as log:
        log_photos(log, "Many", photos)
    named = {(entry.bit, entry.flute, entry.parts, entry.view): inputs for entry, _, inputs in photos}
    took = []
    for _ in range(1 + ROUNDS):  # the first looks through them, and keeps them
        with WearLog(path) as log:
            began = time.process_time()
            held = log.holds("Many", named)
            "".join(held.history.lines())
            took.append(time.process_time() - began)
    first, again = took[0], float(np.median(took[1:]))
    print(f"\n{len(held.history)} rows: {first:.2f} s, and {again:.2f} s once they are kept")
    return again / first


def test_rows_that_were_looked_through_are_read_in_less_time(benchmark, tmp_path):
    ratio = benchmark.pedantic(read_again, args=(tmp_path,), rounds=1)
    benchmark.extra_info.update(ratio=ratio)
    assert ratio < MOST_OF_FIRST
