"""One trial measured in every way there is: each number is the same to its last digit."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import replace
from importlib.util import find_spec

import postgres
import pytest
from clusters import a_cluster

from wearscope.economics.decision import outcome_of
from wearscope.log.order import in_order
from wearscope.log.place import LogFile
from wearscope.log.upkeep import copy_log
from wearscope.log.where import log_place, use_address
from wearscope.pipeline.cluster import cluster_at
from wearscope.pipeline.measured import measured
from wearscope.pipeline.run import measure_trial
from wearscope.samples import copy_sample_trial
from wearscope.trial import load_trial


def numbers(trial, folder):
    """All rows of the log, and what follows from them, but for the times of measuring."""
    found = measured(trial, folder)
    # in the order of the trial: rows are logged as they come, and processes overtake each other
    rows = in_order(replace(row.record, measured_at="") for row in found.history)
    assert len(rows) > 15
    return rows, [replace(row, measured_at="") for row in found.records], outcome_digits(trial, found)


def outcome_digits(trial, found):
    return [
        (bit.life, bit.at_least, bit.cost, bit.wear_draws.tobytes(), bit.cost_draws.tobytes())
        for bit in outcome_of(trial, found.records, n_draws=100).bits
    ]


@pytest.mark.statistics  # real photos take seconds each, and so do servers and workers
def test_the_numbers_are_the_same_to_the_last_digit_however_they_came_about(tmp_path):
    trial = load_trial(copy_sample_trial(tmp_path / "trial"))
    bit = trial.bits[0]
    some = tuple(photo for photo in trial.photos if (photo.bit, photo.flute) == (bit.name, 1))
    trial = trial.model_copy(update={"bits": (bit,), "photos": some})
    ways = {"one process": 1, "two processes": 2}
    with ExitStack() as kept:
        if postgres.missing() is None:
            address = kept.enter_context(postgres.server())
            use_address(tmp_path / "PostgreSQL", f"{address}/postgres")
            ways["PostgreSQL"] = 1
        if sys.platform != "win32" and find_spec("distributed") is not None:
            # photos side by side in one process; two workers of one thread each: tests/pipeline/test_cluster.py
            (tmp_path / "worker of 3").mkdir()
            at, *_ = kept.enter_context(a_cluster(tmp_path / "worker of 3", threads=3, workers=1))
            ways["cluster, threads 3"] = kept.enter_context(cluster_at(at, trial.path))
        found = {}
        for way, jobs in ways.items():
            measure_trial(trial, tmp_path / way, jobs=jobs)
            found[way] = numbers(trial, tmp_path / way)
        if "PostgreSQL" in ways:
            (tmp_path / "copied").mkdir()
            copy_log(log_place(tmp_path / "PostgreSQL"), LogFile(tmp_path / "copied" / "wear-log.sqlite"))
            found["copied"] = numbers(trial, tmp_path / "copied")
    plain = found.pop("one process")
    for way, told in found.items():
        for one, other in zip(told, plain, strict=True):
            assert one == other, way
