from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from wearscope.light.strip import NEITHER, UNUSED, USED
from wearscope.wear.steps import drawn_on, half_change, step_curve
from wearscope.wear.zones import (
    END_SHARE,
    GUARD_UM,
    Sign,
    Transition,
    chip_mask,
    find_transition,
    zone_labels,
)

S_UM = np.arange(-2400.0, 2400.0, 3.5)
NO_CHIPS = np.zeros(len(S_UM), bool)


def worn(at_um, height, *, side=1, width_um=25.0, noise=1.0, seed=0):
    """A sign that rises by `height` from the unused to the used zone; noise shared by neighbouring columns."""
    noises = np.random.default_rng(seed).normal(0.0, noise, len(S_UM) + 8)
    smooth = np.convolve(noises, np.ones(7) / np.sqrt(7), "valid")[: len(S_UM)]
    return height * expit(side * (S_UM - at_um) / width_um) + smooth


def edge(value, degree=1, smallest=1.5, rises=True):
    return Sign("edge-line", value, degree, rises=rises, smallest=smallest, u_place_um=0.0)


@pytest.mark.parametrize("width_um", [10.0, 25.0, 80.0])
@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("at_um", [-1100.0, -3.7, 760.0])
def test_transition_at_half_of_the_change(at_um, side, width_um):
    sign = edge(worn(at_um, 20.0, side=side, width_um=width_um) + 0.01 * S_UM - 7.0)
    transition = find_transition(S_UM, [sign], NO_CHIPS)
    assert transition.used_side == side
    assert transition.signs == ("edge-line",)
    assert abs(transition.at_um - at_um) < min(50.0, 4 * transition.u_at_um)
    assert transition.u_at_um < 40.0


def test_a_trace_that_jumps_to_another_line_at_the_end_of_the_frame():
    value = worn(-180.0, 18.0, noise=1.0) - 0.003 * S_UM
    value[S_UM > 2250.0] += 25.0
    value[(S_UM > 1650.0) & (S_UM < 1800.0)] = np.nan
    transition = find_transition(S_UM, [edge(value)], NO_CHIPS)
    assert transition is not None
    assert abs(transition.at_um + 180.0) < 50.0


def test_a_step_against_the_stated_side_does_not_lead_another_sign_astray():
    line = Sign("bright-line", worn(900.0, 0.4, noise=0.01), 0, rises=False, smallest=0.05, u_place_um=30.0)
    transition = find_transition(S_UM, [edge(worn(-600.0, 9.0, side=-1)), line], NO_CHIPS, used_side=1)
    assert transition.signs == ("bright-line",)
    assert abs(transition.at_um - 900.0) < 50.0


def test_the_edge_line_need_not_give_way():
    # a sure step of the edge line, and a brighter line where something else begins
    line = Sign("bright-line", worn(900.0, 0.4, noise=0.01), 0, rises=False, smallest=0.05, u_place_um=30.0)
    transition = find_transition(S_UM, [edge(worn(-300.0, 9.0, noise=1.0)), line], NO_CHIPS)
    assert abs(transition.at_um + 300.0) < 50.0


@pytest.mark.statistics
def test_uncertainty_of_the_place_covers_its_scatter():
    rng = np.random.default_rng(2)
    off, u = [], []
    for seed in range(40):
        at_um = rng.uniform(-1200.0, 1200.0)
        transition = find_transition(S_UM, [edge(worn(at_um, 12.0, noise=1.5, seed=seed))], NO_CHIPS)
        off.append(transition.at_um - at_um)
        u.append(transition.u_at_um)
    inside = np.abs(off) < 1.96 * np.array(u)
    assert inside.mean() >= 0.9
    assert np.median(np.abs(off)) < 25.0


@pytest.mark.parametrize("seed", range(20))
def test_no_transition_where_nothing_changes(seed):
    # an edge line that wanders over 300 µm and is turned a little against the new one
    rng = np.random.default_rng(seed)
    wander = np.interp(S_UM, np.arange(-2700.0, 2701.0, 150.0), rng.normal(0.0, 0.7, 37))
    colour = Sign(
        "colour", np.abs(rng.normal(0.01, 0.005, len(S_UM))), 0, rises=True, smallest=0.02, u_place_um=0.0
    )
    sign = edge(wander + 0.02 * S_UM + rng.normal(0.0, 0.5, len(S_UM)))
    assert find_transition(S_UM, [sign, colour], NO_CHIPS) is None


def test_a_step_smaller_than_the_least_that_counts():
    assert find_transition(S_UM, [edge(worn(0.0, 1.2, noise=0.01))], NO_CHIPS) is None


def test_a_sign_that_may_fall_does_not_tell_the_side():
    bright = Sign("bright-line", worn(0.0, 0.6, noise=0.02), 0, rises=False, smallest=0.05, u_place_um=0.0)
    assert find_transition(S_UM, [bright], NO_CHIPS).used_side == 0
    told = find_transition(S_UM, [bright], NO_CHIPS, used_side=-1)
    assert told.used_side == -1
    assert told.at_um == pytest.approx(0.0, abs=15.0)


class EndsAt:
    """The light of a band that ends at one place."""

    def __init__(self, at_um):
        self.at_um = at_um

    def end(self, used_side):
        return self.at_um, used_side or 1

    def leans_to(self, at_um):
        return None

    def used_side(self, at_um):
        return 1


@pytest.mark.parametrize("apart_um", [0.0, 120.0, 200.0])
def test_a_bright_line_alone_is_no_surer_than_the_light_of_the_band_agrees(apart_um):
    bright = Sign("bright-line", worn(0.0, 0.6, noise=0.02), 0, rises=False, smallest=0.05, u_place_um=30.0)
    alone = find_transition(S_UM, [edge(np.full(len(S_UM), np.nan)), bright], NO_CHIPS)
    told = find_transition(
        S_UM, [edge(np.full(len(S_UM), np.nan)), bright], NO_CHIPS, band=EndsAt(alone.at_um + apart_um)
    )
    assert told.at_um == alone.at_um
    # anywhere as far to either side: rectangular
    assert told.u_at_um == pytest.approx(np.hypot(alone.u_at_um, apart_um / np.sqrt(3.0)))


def test_an_edge_line_that_tells_the_place_needs_no_light_of_the_band():
    sign = edge(worn(0.0, 20.0))
    alone = find_transition(S_UM, [sign], NO_CHIPS)
    assert find_transition(S_UM, [sign], NO_CHIPS, band=EndsAt(150.0)).u_at_um == alone.u_at_um


def test_the_side_the_person_stated_overrules_a_sign():
    sign = edge(worn(300.0, 20.0, side=1))
    assert find_transition(S_UM, [sign], NO_CHIPS, used_side=1).used_side == 1
    assert find_transition(S_UM, [sign], NO_CHIPS, used_side=-1) is None


def test_the_strongest_sign_leads_and_far_ones_are_left_out():
    line = edge(worn(200.0, 25.0, noise=0.3))
    colour = Sign(
        "colour", worn(230.0, 0.4, noise=0.01, seed=1), 0, rises=True, smallest=0.02, u_place_um=0.0
    )
    scratch = Sign(
        "bright-line", worn(-1500.0, 0.2, noise=0.05, seed=2), 0, rises=False, smallest=0.05, u_place_um=0.0
    )
    transition = find_transition(S_UM, [line, colour, scratch], NO_CHIPS)
    assert transition.signs == ("edge-line", "colour")
    assert 195.0 < transition.at_um < 235.0


def test_unseen_columns_are_left_out():
    value = worn(150.0, 20.0)
    value[::3] = np.nan
    value[100:180] = np.nan
    transition = find_transition(S_UM, [edge(value)], NO_CHIPS)
    assert transition.at_um == pytest.approx(150.0, abs=20.0)


def test_nothing_seen():
    nothing = np.full(len(S_UM), np.nan)
    assert step_curve(S_UM, nothing, degree=1) is None
    assert find_transition(S_UM, [edge(nothing)], NO_CHIPS) is None


@pytest.mark.parametrize("at_um", [-700.0, 700.0])
@pytest.mark.parametrize("height", [15.0, -15.0])
def test_half_change_of_a_rise_and_of_a_fall(height, at_um):
    value = worn(at_um, height, noise=0.2) + 5.0
    place, u = half_change(S_UM, value, step_curve(S_UM, value, degree=0).best, degree=0)
    assert place == pytest.approx(at_um, abs=6.0)
    assert u < 20.0


def test_chips():
    value = worn(2000.0, 0.0, noise=0.5) + 0.01 * S_UM
    notch = 25.0 * np.maximum(1 - ((S_UM - 400.0) / 60.0) ** 2, 0.0)
    mask, chips = chip_mask(S_UM, value + notch, 12.0)
    ((start, end),) = chips
    # the notch is 12 µm deep over ±60 sqrt(1 - 12/25) = ±43 µm
    assert start == pytest.approx(400.0 - 43.3, abs=6.0)
    assert end == pytest.approx(400.0 + 43.3, abs=6.0)
    assert mask[np.abs(S_UM - 400.0) < 50.0].all()
    assert not mask[np.abs(S_UM - 400.0) > 80.0].any()


@pytest.mark.parametrize("seed", range(5))
def test_a_rough_edge_has_no_chips(seed):
    mask, chips = chip_mask(S_UM, worn(0.0, 20.0, noise=1.5, seed=seed), 12.0)
    assert not mask.any()
    assert chips == ()


def test_a_long_hollow_is_wear_and_not_a_chip():
    hollow = np.where(np.abs(S_UM) < 500.0, 20.0, 0.0)
    assert chip_mask(S_UM, hollow, 12.0)[1] == ()


def test_resin_that_stands_proud_is_no_chip():
    proud = -25.0 * np.maximum(1 - ((S_UM - 400.0) / 60.0) ** 2, 0.0)
    assert chip_mask(S_UM, proud, 12.0)[1] == ()


def test_zones_leave_out_the_guard_the_ends_and_the_chips():
    seen = (S_UM > -2000.0) & (S_UM < 1000.0)
    chip = np.abs(S_UM - 700.0) < 40.0
    labels = zone_labels(S_UM, seen, chip, Transition(100.0, 5.0, 1, ()), USED)
    used, unused = S_UM[labels == USED], S_UM[labels == UNUSED]
    step_um = 3.5
    # DEVELOPERS.md: 0.3 mm beside the transition and 2.5 % of the visible edge at each end
    assert GUARD_UM == 300.0
    assert END_SHARE == 0.025
    assert used.min() == pytest.approx(400.0, abs=step_um)
    assert used.max() == pytest.approx(1000.0 - 75.0, abs=2 * step_um)
    assert unused.max() == pytest.approx(-200.0, abs=step_um)
    assert unused.min() == pytest.approx(-2000.0 + 75.0, abs=2 * step_um)
    assert not chip[labels != NEITHER].any()


def test_zones_on_the_other_side():
    seen = np.ones(len(S_UM), bool)
    labels = zone_labels(S_UM, seen, NO_CHIPS, Transition(100.0, 5.0, -1, ()), USED)
    assert S_UM[labels == USED].max() < -199.0
    assert S_UM[labels == UNUSED].min() > 399.0


@pytest.mark.parametrize("whole", [USED, UNUSED])
def test_the_whole_edge_where_there_is_no_transition(whole):
    labels = zone_labels(S_UM, np.ones(len(S_UM), bool), NO_CHIPS, None, whole)
    assert set(labels) == {NEITHER, whole}
    assert (labels == whole).mean() == pytest.approx(0.95, abs=0.002)


def test_line_drawn_on():
    rng = np.random.default_rng(4)
    value = 0.013 * S_UM - 4.0 + rng.normal(0.0, 0.4, len(S_UM))
    value[S_UM > 0] = np.nan
    value[50:60] += 30.0  # dust
    line, errors = drawn_on(S_UM, value)
    u_line = np.linalg.norm(errors, axis=1)
    np.testing.assert_allclose(line, 0.013 * S_UM - 4.0, atol=0.25)
    assert np.all(np.diff(u_line[S_UM > 0]) > 0)  # the farther, the less sure


@pytest.mark.statistics
def test_uncertainty_of_the_line_drawn_on():
    # residuals that wander over 100 µm: what the stated uncertainty allows for
    rng = np.random.default_rng(9)
    knots = np.arange(-2500.0, 2501.0, 100.0)
    z = []
    for _ in range(200):
        value = np.interp(S_UM, knots, rng.normal(0.0, 0.5, len(knots)))
        value[S_UM > 0] = np.nan
        line, errors = drawn_on(S_UM, value)
        z.append(line[-1] / np.linalg.norm(errors[-1]))
    assert 0.5 < np.std(z) < 1.3
