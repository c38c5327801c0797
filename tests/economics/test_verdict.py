"""Which bit to stock, as a code: from chances to a choice."""

from __future__ import annotations

import numpy as np
import pytest

from wearscope.economics.cost import Use
from wearscope.economics.decision import verdict_of
from wearscope.economics.life import Range
from wearscope.economics.outcome import BitOutcome, Verdict
from wearscope.quantities.reasons import reason

KNOWN = Range(1.0, 2.0, 3.0, 4.0, 5.0)


def bit(name, chance, *, cost=KNOWN, mean_cost=1.0, **more):
    return BitOutcome(
        name, 9.5, Use(9.5, 1), False, 300.0, 600.0, (), life=KNOWN, cost=cost, chance=chance,
        cost_draws=np.full(3, mean_cost), **more,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("chance", "choice"),
    [
        (0.81, "cheapest"),
        (0.8, "cheapest"),
        (0.79, "probably-cheapest"),
        (0.6, "probably-cheapest"),
        (0.59, "undecided"),
    ],
)
def test_how_sure_the_choice_is(chance, choice):
    bits = (bit("Plover", 1 - chance, mean_cost=2.0), bit("Wren", chance, mean_cost=1.0))
    assert verdict_of(bits) == Verdict(choice, ("Wren", "Plover"), ())


def test_where_the_photographs_do_not_tell_there_is_no_choice():
    bits = (bit("Wren", None, mean_cost=1.0), bit("Plover", None, mean_cost=5.0))
    assert verdict_of(bits) == Verdict("not-shown", ("Wren", "Plover"), ())


def test_the_lowest_expected_cost_comes_first_not_the_highest_chance():
    bits = (bit("Wren", 0.55, mean_cost=2.0), bit("Plover", 0.45, mean_cost=1.0))
    assert verdict_of(bits) == Verdict("undecided", ("Plover", "Wren"), ())


def test_the_bits_of_a_kind_are_ranked_once_under_its_name():
    bits = (
        bit("Wren 1", 0.9, kind="Wren"),
        bit("Wren 2", 0.9, kind="Wren", mean_cost=1.0),
        bit("Plover", 0.1, mean_cost=2.0),
    )
    assert verdict_of(bits) == Verdict("cheapest", ("Wren", "Plover"), ())


def test_what_is_missing_has_its_own_code():
    silent = BitOutcome(
        "Heron", 9.5, Use(9.5, 1), True, 0.0, 0.0, (), why_not=reason("none-measured", quantity="edge_radius")
    )
    assert verdict_of([silent]) == Verdict("nothing-known", (), ("Heron",))
    assert verdict_of([bit("Wren", None), silent]) == Verdict("one-bit", ("Wren",), ("Heron",))
    assert verdict_of([bit("Wren", None, cost=None)]) == Verdict("no-price", (), ("Wren",))
