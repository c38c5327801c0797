from __future__ import annotations

import pytest

from wearscope.metrology.uncertainty import Input, linear
from wearscope.report.budget_words import OTHERS, lines, what_to_improve


def budget(**more):
    return linear(
        20.0,
        [
            (1.0, Input("light across the edge", 0.0, 0.6, of=("used",))),
            (-1.0, Input("light across the edge", 0.0, 0.8, of=("unused",))),
            (20.0, Input("scale", 1.0, 0.0005)),
            (-40.0, Input("wedge angle", 1.05, 0.05, of=("fit of the used edge",))),
        ],
        **more,
    )


def test_largest_first_and_one_line_for_each_kind():
    first, second = lines(budget())
    assert (first.name, second.name) == ("wedge angle", "light across the edge")
    assert (first.contribution, second.contribution) == pytest.approx((2.0, 1.0))
    assert (first.share, second.share) == pytest.approx((0.8, 0.2), abs=1e-4)
    # 0.05 rad
    assert (first.u, first.u_unit) == (pytest.approx(2.865, abs=1e-3), "°")
    assert (second.u, second.u_unit) == (None, "")


def test_small_ones_come_together():
    many = [(0.09, Input(f"input {i}", 0.0, 1.0)) for i in range(4)]
    *_, others = lines(linear(0.0, [(1.5, Input("view tilt", 0.0, 1.0)), *many]))
    assert others.name == OTHERS
    assert others.contribution == pytest.approx(0.18)


def test_a_correlation_can_take_away():
    pair = [Input("blur", 0.0, 2.0, of=("used",)), Input("ring angle", 0.0, 1.0)]
    made = linear(0.0, [(1.0, each) for each in pair], {(pair[0].name, pair[1].name): -0.9})
    first, second = lines(made)
    assert first.share + second.share == pytest.approx(1.0)
    assert second.share < 0.0
    assert second.contribution < 0.0
    assert made.u == pytest.approx((4 + 1 - 2 * 0.9 * 2) ** 0.5)


def test_what_helps_most():
    assert "wedge angle" in what_to_improve(budget())
    assert what_to_improve(linear(0.0, [])) == ""
