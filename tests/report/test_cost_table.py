"""The table of costs, followed with a pocket calculator: only what is printed goes into it."""

from __future__ import annotations

import re

import pytest
from decided import SAMPLE, outcome_in_short, sample_trial

from wearscope.process.fairness import fair_trial
from wearscope.report.report import report_of
from wearscope.report.trial_words import using_up_sum
from wearscope.trial import load_trial


@pytest.fixture(scope="module")
def report():
    trial = sample_trial()
    return report_of(
        trial,
        (),
        outcome_in_short(),
        fair_trial(trial),
        (),
        refusals={},
        sheets={},
        made_at="2026-01-06T08:00:00",
    )


def numbers(text):
    return [float(number) for number in re.findall(r"\d+(?:\.\d+)?", text)]


def test_the_sum_comes_out(report):
    for bit in report.bits:
        price, change, total = numbers(bit.using_up)
        assert price + change == pytest.approx(total, abs=0.005)


def test_money_over_parts_is_what_a_part_costs(report):
    for bit in report.bits:
        money = numbers(bit.using_up)[-1]
        parts, cents = numbers(bit.next_life), numbers(bit.cost)
        if bit.cost.startswith("at most"):  # it may last longer: only the dearest that it can be
            assert 100 * money / parts[-1] == pytest.approx(cents[0], rel=0.06)
        else:
            _, shortest, longest = parts
            assert [100 * money / longest, 100 * money / shortest] == pytest.approx(cents, rel=0.04)


def test_metres_over_flutes_are_what_each_edge_cuts(report):
    for bit in report.bits:
        metres, flutes, each = numbers(bit.edge_cut)
        assert metres / flutes == pytest.approx(each, abs=0.001)


def test_regrinds_changes_and_resale_are_in_the_sum():
    trial = load_trial(SAMPLE)
    bit = trial.bits[0].model_copy(update={"price": 20.0, "regrinds": 2, "regrind_price": 4.0, "resale": 1.5})
    cost = trial.cost.model_copy(update={"change_over_minutes": 6.0, "rate_per_hour": 50.0})
    # three lives, each ending with a change of 6 minutes at 50 an hour
    assert using_up_sum(bit, cost, "EUR") == (
        "20.00 + 3 changes at 5.00 + 2 regrinds at 4.00 - 1.50 resale = 41.50 EUR, over 3 lives"
    )
    assert using_up_sum(bit.model_copy(update={"regrinds": 0, "resale": 0.0}), type(cost)(), "") == "20.00"
