"""Lives, costs, break-evens and the worth of one more checkpoint, from made-up rows and plain arithmetic.

The standard uncertainty differs between the checkpoints of every bit, so that one checkpoint's cannot stand in for
another's unnoticed.
"""

from __future__ import annotations

from functools import cache

import fake_photos as fake
import numpy as np
import pytest
from scipy.stats import norm
from seams import HORIZON_TIMES, outcome_of

from wearscope.economics import curve
from wearscope.economics.kinds import KIND_SPREAD
from wearscope.economics.shapes import SHAPES
from wearscope.trial import load_trial

HEAD = """
[trial]
name = "Oak stair treads"
workpiece = "28 mm oak"
depth_of_cut_mm = 4.0
spindle_rpm = 18000
feed_mm_per_min = 3600
currency = "EUR"

[cost]
change_over_minutes = 6
rate_per_hour = 50
parts_per_year = 12000

[life]
edge_radius_um = 30
{life}

[[scale]]
name = "bench 60x"
um_per_px = 3.5
u_um_per_px = 0.01
"""

BIT = """
[[bit]]
name = "{name}"
price = {price}
flutes = {flutes}
diameter_mm = 6.35
wedge_angle_deg = 60
coating = "none"
{more}
"""

CHECKPOINTS = (100, 200, 300)
RATE = 0.1  # µm a part: a radius of 6 µm when new comes to 30 µm after 240 parts
U_UM = {100: 0.8, 200: 0.4, 300: 0.2}
# A gamma process whose variance is 0.06 of the limit times its mean, held at 200 and 300 parts: at 240 of them the
# variance of its wear is 0.06 times 10 of 24 µm, times 0.4 x 0.6 as of any such bridge; along a line, in parts
BETWEEN_LOOKS = np.sqrt(0.06 * 10 / 24 * 0.4 * 0.6) * 24 / RATE


@pytest.fixture(scope="module", autouse=True)
def smooth():
    """Wear that comes in no steps, so that a line is all there is to work out; steps: tests/economics/test_curve.py."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(curve, "FAMILIES", (SHAPES,))
        yield


@pytest.fixture(scope="module")
def trial_of(tmp_path_factory):
    @cache
    def make(bits, life=""):
        folder = tmp_path_factory.mktemp("decisions")
        (folder / "photos").mkdir()
        text = HEAD.format(life=life)
        for name, price, flutes, more in bits:
            text += BIT.format(name=name, price=price, flutes=flutes, more=more)
            for parts in (0, *CHECKPOINTS):
                text += fake.PHOTO.format(bit=name, flute=1, parts=parts)
                fake.tell(folder, name, parts, 1, f"photo {name} {parts}")
        (folder / "trial.toml").write_text(text)
        return load_trial(folder / "trial.toml")

    return make


def rows(trial, rates, u_um=U_UM, unused=((6.0, 0.5),)):
    """What exact measurements of bits that wear along a straight line give; rates by bit, µm a part."""
    found = []
    for entry in trial.photos:
        if not entry.parts:
            found += [
                fake.row(entry, "edge_radius", "unused", value, "um", std_uncertainty=u)
                for value, u in unused
            ]
            continue
        value, u = 6.0 + rates[entry.bit] * entry.parts, u_um[entry.parts]
        found.append(fake.row(entry, "edge_radius", "used", value, "um", std_uncertainty=u))
    return found


WIGEON = ("Wigeon", 15.0, 1, "")
GADWALL = ("Gadwall", 40.0, 1, "regrinds = 2\nregrind_price = 8\nresale = 1")


OUTCOMES = {}


def one(trial_of, rate=RATE, flutes=1, life="", **how):
    """What is said of one bit alone; worked out once for everything that is asked of it."""
    key = (rate, flutes, life, repr(how))
    if key not in OUTCOMES:
        trial = trial_of((("Wigeon", 15.0, flutes, ""),), life)
        (OUTCOMES[key],) = outcome_of(trial, rows(trial, {"Wigeon": rate}, **how)).bits
    return OUTCOMES[key]


def half_width(draws):
    low, high = np.quantile(draws, [0.025, 0.975])
    return (high - low) / 2


# --- Lives


def test_life_on_a_straight_line(trial_of):
    bit = one(trial_of)
    assert bit.life.median == pytest.approx((30 - 6) / RATE, rel=0.01)
    assert bit.life_of_mean.median == pytest.approx(bit.life.median)
    assert bit.parts_cut == 300
    assert bit.horizon == HORIZON_TIMES * 300 == 600


def test_the_ends_of_a_life_are_those_of_its_draws(trial_of):
    bit = one(trial_of, life="u_edge_radius_um = 3")
    for end, share in (
        ("low95", 0.025),
        ("low50", 0.25),
        ("median", 0.5),
        ("high50", 0.75),
        ("high95", 0.975),
    ):
        assert getattr(bit.life, end) == pytest.approx(np.quantile(bit.life_draws, share), rel=0.005)
    assert bit.at_least == bit.life.low95


def test_the_limits_own_uncertainty(trial_of):
    # 3 µm at 0.1 µm a part are 30 parts; 1.96 of them on each side
    assert half_width(one(trial_of, life="u_edge_radius_um = 3").life_draws) == pytest.approx(59, rel=0.1)


def test_what_all_photos_share_is_as_sure_as_the_surest_of_them(trial_of):
    # half of the variance of the point that is known best in proportion: 8 % of the wear after 200 parts. A life on the
    # line moves in proportion to the wear that is believed; the points' own errors come on top, and when between two
    # looks the limit was passed, which is left where the points are sure
    u = {100: 0.12 * 100 * RATE, 200: 0.08 * 200 * RATE, 300: 0.09 * 300 * RATE}
    shared = 1.96 * np.sqrt(0.5) * 0.08 * 240
    between = half_width(
        one(trial_of, u_um=dict.fromkeys(CHECKPOINTS, 0.01), unused=((6.0, 0.01),)).life_draws
    )
    assert between == pytest.approx(1.96 * BETWEEN_LOOKS, rel=0.15)
    both = half_width(one(trial_of, u_um=u).life_draws)
    assert 0.85 * shared < np.sqrt(both**2 - between**2) < 1.2 * shared


@pytest.mark.parametrize("unseen", [1, 3])
def test_flutes_that_nobody_measured(trial_of, unseen):
    # they wear like the one that was, by a factor exp(0.3 z): the worst of all ends the life. Along a straight line
    # life goes as one over the wear
    bit = one(trial_of, flutes=1 + unseen)
    z = np.random.default_rng(1).standard_normal((200_000, unseen))
    worst = np.maximum(1.0, np.exp(0.3 * z).max(axis=1))
    late = BETWEEN_LOOKS * np.random.default_rng(2).standard_normal(worst.size)
    assert bit.life.median == pytest.approx(np.median(240 / worst + late), rel=0.04)
    assert bit.life_of_mean.median > bit.life.median


def test_the_radius_when_new_is_the_weighted_mean_of_what_was_measured(trial_of):
    # 6 ± 1 and 10 ± 2: weights 4 to 1, and no surer than the best of them, for all share what was assumed
    late = {100: 300.0, 200: 300.0, 300: 4.0}  # so unsure early that the points say nothing of the new state
    bit = one(trial_of, u_um=late, unused=((6.0, 1.0), (10.0, 2.0)))
    (curve,) = bit.curves
    low, _, middle, _, high = (
        getattr(curve.mean, end)[0] for end in ("low95", "low50", "median", "high50", "high95")
    )
    assert middle == pytest.approx(6.8, abs=0.15)
    assert (high - low) / 2 / 1.96 == pytest.approx(1.0, abs=0.1)


def test_a_life_beyond_the_horizon_is_not_stated(trial_of):
    # (30 - 6) / 0.02 = 1200 parts, twice the horizon
    bit = one(trial_of, rate=0.02)
    assert bit.life.high95 is None
    assert bit.life.high50 is None
    assert bit.at_least <= bit.horizon == 600
    assert bit.cost.low95 is None


# --- Costs, of the next bit of a kind

PRIOR_LN, BIT_LN = (
    1.2,
    0.2,
)  # spreads of the logarithm of a life: beforehand, about twice the 300 parts; from bit to bit


def next_median(tried, beside):
    """A normal mean with one observation: the kind lies where the bit that was tried does, drawn a little to the prior.

    The life of another kind, tried beside it, moves that prior by what both have in common, and leaves the rest open.
    """
    common = (PRIOR_LN**2 - KIND_SPREAD**2) / PRIOR_LN**2
    middle = 600 * (beside / 600) ** common
    left = PRIOR_LN**2 * (1 - common**2)
    share = BIT_LN**2 / (BIT_LN**2 + left)
    return tried ** (1 - share) * middle**share


def test_the_next_bit_scatters_about_the_one_that_was_tried(both):
    wigeon = named(both, "Wigeon")
    assert np.median(wigeon.next_draws) == pytest.approx(next_median(240, 800), rel=0.015)
    # the kind differs from the bit that was tried, drawn to the prior, and the next bit from the kind
    of_kind = 1 / (1 / BIT_LN**2 + 1 / PRIOR_LN**2)
    assert np.std(np.log(wigeon.next_draws)) == pytest.approx(np.sqrt(of_kind + BIT_LN**2), rel=0.05)
    assert np.mean(wigeon.next_draws < wigeon.change_at) == pytest.approx(0.05, abs=0.002)


@pytest.fixture(scope="module")
def both(trial_of):
    """A cheap bit worn out after 240 parts, and a dear one that outlasts the horizon."""
    trial = trial_of((WIGEON, GADWALL))
    return outcome_of(trial, rows(trial, {"Wigeon": RATE, "Gadwall": 0.03}))


def named(outcome, name):
    return next(bit for bit in outcome.bits if bit.bit == name)


def test_money_to_use_a_bit_up(both):
    # 6 minutes at 50 an hour are 5.00 a change-over; two regrinds make three lives of it
    wigeon, gadwall = named(both, "Wigeon").use, named(both, "Gadwall").use
    assert (wigeon.money, wigeon.lives) == (pytest.approx(15 + 5), 1)
    assert (gadwall.money, gadwall.lives) == (pytest.approx(40 + 2 * 8 - 1 + 3 * 5), 3)


def test_cost_per_part_is_money_over_lives(both):
    wigeon, gadwall = named(both, "Wigeon"), named(both, "Gadwall")
    assert wigeon.cost.median == pytest.approx(20 / next_median(240, 800), rel=0.015)
    # ends of ranges are draws, which lie a little apart
    assert wigeon.cost.low95 == pytest.approx(20 / wigeon.next_life.high95, rel=0.01)
    assert wigeon.cost.high95 == pytest.approx(20 / wigeon.next_life.low95, rel=0.01)
    assert gadwall.cost_at_horizon == pytest.approx(70 / (3 * 600))
    # both ends lie between the same two draws, which may be a hundredth apart out there
    assert gadwall.cost.high95 == pytest.approx(70 / (3 * gadwall.next_life.low95), rel=0.01)


def test_chances_are_counted_over_the_draws(both):
    wigeon, gadwall = named(both, "Wigeon"), named(both, "Gadwall")
    assert gadwall.chance == pytest.approx(np.mean(gadwall.cost_draws < wigeon.cost_draws))
    # by the prices alone: costs of 20 and 70 / 3 over two lives that are equally likely to be long
    apart = np.log(20 / (70 / 3)) / np.sqrt(2 * (KIND_SPREAD**2 + BIT_LN**2))
    assert gadwall.chance_beforehand == pytest.approx(norm.cdf(apart), abs=0.02)


def test_the_regret_is_what_is_lost_against_knowing(both):
    wigeon, gadwall = named(both, "Wigeon"), named(both, "Gadwall")
    for bit, other in ((wigeon, gadwall), (gadwall, wigeon)):
        lost = np.maximum(bit.cost_draws - other.cost_draws, 0.0)
        assert bit.regret == pytest.approx(np.mean(lost))
    assert both.wrong_choice_per_1000_parts == pytest.approx(1000 * min(wigeon.regret, gadwall.regret))


def test_expected_loss_of_choosing_wrongly():
    # worked by hand: costs 1, 3 against 2, 2 with equal chance; 2 is expected of both, and 1.5 of the better one
    from seams import cost_of_choosing_wrongly

    assert cost_of_choosing_wrongly(np.array([[1.0, 3.0], [2.0, 2.0]])) == pytest.approx(0.5)


def test_break_even_with_no_life_beyond_the_horizon(both):
    wigeon, gadwall = named(both, "Wigeon"), named(both, "Gadwall")
    assert np.median(gadwall.life_draws) > 1.2 * gadwall.horizon  # else the horizon would not matter below
    best, _ = sorted((wigeon, gadwall), key=lambda bit: bit.cost_draws.mean())
    assert best is gadwall
    target = 70 / (3 * 600)  # most draws of the best outlast the horizon, where nothing more is said
    (even,) = both.break_even
    assert (even.bit, even.other) == ("Wigeon", "Gadwall")
    assert even.life_parts == pytest.approx(20 / target, rel=1e-6)
    # the price at which the next bit's parts of life cost the target each, change-over paid
    assert even.price == pytest.approx(next_median(240, 800) * target - 5, abs=0.15)


def test_break_even_price_of_the_bit_that_outlasts_the_horizon(trial_of):
    cheap, dear = ("Wigeon", 2.0, 1, ""), ("Gadwall", 140.0, 1, "")
    trial = trial_of((cheap, dear))
    outcome = outcome_of(trial, rows(trial, {"Wigeon": RATE, "Gadwall": 0.02}))
    (even,) = outcome.break_even
    assert (even.bit, even.other) == ("Gadwall", "Wigeon")
    target = float(np.median(named(outcome, "Wigeon").cost_draws))
    assert target == pytest.approx(7 / next_median(240, 1200), rel=0.03)
    assert even.life_parts == pytest.approx(145 / target)
    # it lasts 1200 parts by its curve, of which 600 may be counted on
    assert even.price == pytest.approx(600 * target - 5, rel=1e-6)


# --- One more checkpoint


def worth(trial_of, u_um):
    trial = trial_of((WIGEON, GADWALL), "bit_to_bit = 0.02")
    outcome = outcome_of(trial, rows(trial, {"Wigeon": 0.02, "Gadwall": 0.031}, u_um=u_um))
    return outcome.next_checkpoint, outcome.wrong_choice_per_1000_parts


def test_the_next_checkpoint_is_as_sure_as_the_last_one(trial_of):
    # a photo like the last one, of u 1 µm, tells 14 from 18 µm of radius; one of 60 µm tells nothing
    sure, wrong = worth(trial_of, {100: 60.0, 200: 8.0, 300: 1.0})
    assert sure.parts == 400  # which both are sure to last
    assert sure.bits == ("Wigeon", "Gadwall")
    assert wrong > 0
    assert sure.money_per_1000_parts > 0.15 * wrong
    assert sure.money_per_year == pytest.approx(12 * sure.money_per_1000_parts)
    unsure, wrong = worth(trial_of, {100: 1.0, 200: 8.0, 300: 60.0})
    assert unsure.money_per_1000_parts < 0.1 * wrong
