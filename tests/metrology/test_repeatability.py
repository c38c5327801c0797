"""Variance components, their intervals and what is refused, against simulation and plain formulas."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2
from seldom import but_seldom

from wearscope.metrology.repeatability import (
    Estimate,
    smallest_difference,
    study_by_anova,
    study_by_ranges,
)


def simulated(rng, shape=(6, 3, 3), flute=5.0, person=1.0, interaction=0.5, repeat=1.0):
    flutes, people, _ = shape
    return (
        20.0
        + flute * rng.normal(size=(flutes, 1, 1))
        + person * rng.normal(size=(1, people, 1))
        + interaction * rng.normal(size=(flutes, people, 1))
        + repeat * rng.normal(size=shape)
    )


def refused(values, share, rng):
    return np.where(rng.random(values.shape) < share, np.nan, values)


@pytest.mark.statistics
@pytest.mark.parametrize("missing", [0.0, 0.2])
def test_components_are_right_on_average(missing):
    # variances are unbiased as long as none is cut off at zero, so all are made large against their scatter
    rng = np.random.default_rng(1)
    truth = {"flute": 6.0, "person": 3.0, "interaction": 2.0, "repeat": 1.0}
    found = []
    for _ in range(200):
        values = refused(simulated(rng, (8, 5, 3), *truth.values()), missing, rng)
        study = study_by_anova(values, pool_above=1.0, draws=10)
        found.append(
            [
                study.between_flutes.value**2,
                study.reproducibility.value**2,
                study.one_person.value**2,
                study.repeatability.value**2,
            ]
        )
    mean, u_mean = np.mean(found, axis=0), np.std(found, axis=0) / np.sqrt(len(found))
    assert np.all(np.abs(mean - [36.0, 9.0 + 4.0, 4.0 + 1.0, 1.0]) < 4 * u_mean), (mean, u_mean)
    assert np.all(u_mean < [2.5, 1.0, 0.15, 0.02])


@pytest.mark.parametrize("missing", [0.0, 0.15])
@pytest.mark.parametrize("shape", but_seldom(1, [(6, 3, 3), (5, 1, 3), (4, 2, 2)]))
def test_intervals_hold_the_truth(shape, missing):
    rng = np.random.default_rng(2)
    person = 1.0 if shape[1] > 1 else 0.0
    truth = {"repeatability": 1.0, "combined": np.sqrt(1 + person**2 + 0.25 * person), "between_flutes": 5.0}
    held = dict.fromkeys(["percent", *truth], 0)
    runs = 200
    for _ in range(runs):
        values = refused(simulated(rng, shape, person=person, interaction=0.5 * person), missing, rng)
        if not (np.isfinite(values).sum(axis=2) > 1).any() or np.isnan(values).all(axis=(1, 2)).any():
            values = simulated(rng, shape, person=person, interaction=0.5 * person)
        study = study_by_anova(values, pool_above=1.0, draws=1000)
        percent = 100 * truth["combined"] / np.hypot(truth["combined"], 5.0)
        for name in held:
            estimate = getattr(study, name)
            held[name] += estimate.low95 <= (percent if name == "percent" else truth[name]) <= estimate.high95
    assert all(0.90 <= n / runs <= 1.0 for n in held.values()), held


def test_interval_of_the_repeatability_is_that_of_chi_square():
    # the plain interval of a variance: any textbook; here 12 degrees of freedom
    values = simulated(np.random.default_rng(3), (6, 1, 3))
    study = study_by_anova(values)
    (error,) = [source for source in study.table if source.name == "repeat"]
    assert error.df == 12
    low, high = np.sqrt(error.sum_squares / chi2.ppf([0.975, 0.025], 12))
    assert study.repeatability.low95 == pytest.approx(low, rel=0.01)
    assert study.repeatability.high95 == pytest.approx(high, rel=0.01)


def test_interval_of_the_measurement_against_modified_large_sample():
    # Graybill & Wang, J. American Statistical Association 75 (1980) 869-873 (from memory): for a sum of mean squares
    # with positive factors. An independent method: near, not equal.
    values = simulated(np.random.default_rng(4), (10, 6, 3), interaction=2.0)
    study = study_by_anova(values, pool_above=1.0)
    mean_squares = {source.name: source for source in study.table}
    factors = {"person": 1 / 30, "interaction": 9 / 30, "repeat": 20 / 30}
    at, below, above = 0.0, 0.0, 0.0
    for name, factor in factors.items():
        source = mean_squares[name]
        at += factor * source.mean_square
        below += ((1 - source.df / chi2.ppf(0.975, source.df)) * factor * source.mean_square) ** 2
        above += ((source.df / chi2.ppf(0.025, source.df) - 1) * factor * source.mean_square) ** 2
    assert study.combined.value == pytest.approx(np.sqrt(at))
    assert study.combined.low95 == pytest.approx(np.sqrt(at - np.sqrt(below)), rel=0.05)
    assert study.combined.high95 == pytest.approx(np.sqrt(at + np.sqrt(above)), rel=0.05)


def test_a_significant_interaction_is_kept():
    study = study_by_anova(simulated(np.random.default_rng(5), (6, 3, 3), interaction=4.0))
    assert not study.pooled
    assert study.interaction.p < 0.001
    assert study.one_person.value > 2 * study.repeatability.value


def test_one_person():
    values = simulated(np.random.default_rng(6), (5, 1, 4), person=0.0, interaction=0.0)
    study = study_by_anova(values)
    assert (study.n_people, study.reproducibility, study.interaction, study.pooled) == (1, None, None, False)
    assert study.combined == study.repeatability == study.one_person
    # one-way analysis of variance, by its definition
    within = np.sqrt(values.var(axis=2, ddof=1).mean())
    assert study.repeatability.value == pytest.approx(within)
    between = values.mean(axis=2).var(ddof=1) - within**2 / 4
    assert study.between_flutes.value == pytest.approx(np.sqrt(between))
    assert study_by_ranges(values).reproducibility == 0.0


def test_one_flute():
    study = study_by_anova(np.array([[[10.0, 11.0, 10.5]]]))
    assert study.repeatability.value == pytest.approx(0.5)
    assert study.percent is study.between_flutes is study.total is study.categories is None
    both = study_by_anova(np.array([[[10.0, 11.0, 10.5], [14.0, 15.0, 14.5]]]))
    assert both.reproducibility.value == pytest.approx(np.sqrt(4**2 / 2 - 0.25 / 3))


def test_single_photos_by_each_person_besides_repeated_ones():
    values = simulated(np.random.default_rng(7), (5, 3, 2))
    values[1:, :, 1] = np.nan  # only the first flute was photographed twice
    study = study_by_anova(values, pool_above=1.0)
    assert {source.name: source.df for source in study.table} == {
        "flute": 4,
        "person": 2,
        "interaction": 8,
        "repeat": 3,
    }


def test_what_does_not_matter():
    rng = np.random.default_rng(8)
    values = refused(simulated(rng), 0.1, rng)
    study = study_by_anova(values)
    shuffled = values[rng.permutation(6)][:, rng.permutation(3)][:, :, rng.permutation(3)]
    for other in (shuffled, values + 1e4, np.pad(values, ((0, 2), (0, 1), (0, 3)), constant_values=np.nan)):
        again = study_by_anova(other)
        for name in ("repeatability", "reproducibility", "combined", "between_flutes", "percent"):
            assert getattr(again, name).value == pytest.approx(getattr(study, name).value, rel=1e-6)
    tenfold = study_by_anova(10 * values)
    assert tenfold.combined.high95 == pytest.approx(10 * study.combined.high95)
    assert tenfold.percent.value == pytest.approx(study.percent.value)


@pytest.mark.parametrize(
    ("values", "says"),
    [
        (np.full((2, 2, 2), np.nan), "twice"),
        (np.arange(6.0).reshape(3, 2, 1), "give each flute two photos"),
        (np.repeat(np.arange(4.0).reshape(2, 2, 1), 3, axis=2), "exactly the same number"),
        (np.array([[[1.0, 2.0], [np.nan] * 2], [[np.nan] * 2, [3.0, 5.0]]]), "photograph the same flutes"),
    ],
    ids=["nothing", "no repeats", "copies", "not linked"],
)
def test_what_says_nothing_is_refused(values, says):
    with pytest.raises(ValueError, match=says):
        study_by_anova(values)


def test_average_and_range_needs_every_value():
    values = simulated(np.random.default_rng(9))
    values[0, 0, 0] = np.nan
    with pytest.raises(ValueError, match="every photo"):
        study_by_ranges(values)
    with pytest.raises(ValueError, match="two flutes"):
        study_by_ranges(np.array([[[1.0, 2.0]]]))


def test_smallest_difference_is_found_and_missed_once_in_twenty_times():
    # two photos differ by normal noise of √2 times the spread; between no difference and the smallest one lies the
    # limit at which each kind of error happens in 5 % of cases
    rng = np.random.default_rng(10)
    least = smallest_difference(Estimate(1.0, 0.5, 2.0))
    assert (least.low95, least.high95) == (pytest.approx(least.value / 2), pytest.approx(least.value * 2))
    noise = rng.normal(size=200_000) - rng.normal(size=200_000)
    assert np.mean(noise > least.value / 2) == pytest.approx(0.05, abs=0.002)
    assert np.mean(least.value + noise < least.value / 2) == pytest.approx(0.05, abs=0.002)
