"""The sample trial as if it had been measured without mistakes, for all that follows from its rows."""

from __future__ import annotations

import json
from functools import cache

import fake_photos as fake
import numpy as np

from wearscope.economics.decision import outcome_of
from wearscope.economics.one_bit import answer
from wearscope.pipeline.kept_curves import checksum_of
from wearscope.samples import sample_trial_folder
from wearscope.trial import load_trial

SAMPLE = sample_trial_folder()
TRUTH = json.loads((SAMPLE / "truth.json").read_text())["photos"]


def rows_of(trial, seed=0, u_um=1.7, u_loss=0.025):
    """What measuring the sample trial without mistakes would give: its truth with errors as large as stated."""
    rng = np.random.default_rng(seed)
    rows = []
    for entry in trial.photos:
        true = TRUTH[entry.file]
        if true["to_be_refused"]:
            continue

        def add(quantity, zone, value, unit, u, entry=entry):
            value = float(value + u * rng.normal())
            rows.append(
                fake.row(entry, quantity, zone, value, unit, std_uncertainty=u, low95=value - 1.96 * u, high95=value + 1.96 * u, measured_at="2026-01-05T08:00:00+00:00")
            )  # fmt: skip

        add("edge_radius", "unused", true["r_unused_um"], "um", 1.5)
        if entry.parts:
            add("edge_radius", "used", true["r_used_um"], "um", u_um)
            if trial.bit(entry.bit).coated:
                add("coating_loss", "used", true["coating_loss_100um_used"], "1", u_loss)
    return rows


_ANSWERS = {}


def remembered(asked):
    """Answers, each fitted once in a process: prices, costs and words do not change a wear curve."""
    found = []
    for one in asked:
        key = checksum_of(one)
        if key not in _ANSWERS:
            _ANSWERS[key] = answer(one)
        found.append(_ANSWERS[key])
    return found


@cache
def sample_trial():
    """One for all tests of a process, of which none changes it."""
    return load_trial(SAMPLE)


@cache
def outcome_in_short():
    """Of the sample trial, by an eighth of the draws: for words and drawings, which do not hang on how many there are."""
    return outcome_of(sample_trial(), rows_of(sample_trial()), n_draws=500, solve=remembered)


def named(outcome, name):
    return next(bit for bit in outcome.bits if bit.bit == name)
