"""A published repeat study and its printed answers, by both methods.

AIAG, "Measurement systems analysis", reference manual, 4th edition (2010), the study of 10 pieces by 3 people with 3
trials. The 90 values and the analysis of variance were read in files that quote it; what it prints for average and
range is from memory, recomputed in agreement.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from wearscope.metrology.repeatability import percent_of_tolerance, study_by_anova, study_by_ranges

VALUES = np.array(
    [  # person A, trials 1 to 3; B; C
        [0.29, 0.41, 0.64, 0.08, 0.25, 0.07, 0.04, -0.11, -0.15],
        [-0.56, -0.68, -0.58, -0.47, -1.22, -0.68, -1.38, -1.13, -0.96],
        [1.34, 1.17, 1.27, 1.19, 0.94, 1.34, 0.88, 1.09, 0.67],
        [0.47, 0.50, 0.64, 0.01, 1.03, 0.20, 0.14, 0.20, 0.11],
        [-0.80, -0.92, -0.84, -0.56, -1.20, -1.28, -1.46, -1.07, -1.45],
        [0.02, -0.11, -0.21, -0.20, 0.22, 0.06, -0.29, -0.67, -0.49],
        [0.59, 0.75, 0.66, 0.47, 0.55, 0.83, 0.02, 0.01, 0.21],
        [-0.31, -0.20, -0.17, -0.63, 0.08, -0.34, -0.46, -0.56, -0.49],
        [2.26, 1.99, 2.01, 1.80, 2.12, 2.19, 1.77, 1.45, 1.87],
        [-1.36, -1.25, -1.31, -1.68, -1.62, -1.50, -1.49, -1.77, -2.16],
    ]
).reshape(10, 3, 3)


def lines(study):
    return {source.name: source for source in study.table}


def test_the_values_are_those_of_the_manual():
    assert VALUES.mean() == pytest.approx(0.0014444, abs=1e-7)
    assert VALUES.mean(axis=(0, 2)) == pytest.approx([0.190333, 0.068333, -0.254333], abs=1e-6)


def test_analysis_of_variance_with_interaction():
    study = study_by_anova(VALUES, pool_above=1.0)
    table = lines(study)
    published = {
        "person": (2, 3.1673, 1.58363, 79.406),
        "flute": (9, 88.3619, 9.81799, 492.291),
        "interaction": (18, 0.3590, 0.01994, 0.434),
        "repeat": (60, 2.7589, 0.04598, None),
    }
    for name, (df, squares, mean_square, f) in published.items():
        assert table[name].df == df
        assert table[name].sum_squares == pytest.approx(squares, abs=5.1e-5)
        assert table[name].mean_square == pytest.approx(mean_square, abs=6e-6)
        assert table[name].f == (f if f is None else pytest.approx(f, abs=6e-4))
    assert table["interaction"].p == pytest.approx(0.974, abs=5e-4)
    assert sum(source.sum_squares for source in study.table) == pytest.approx(94.6471, abs=5e-5)
    assert not study.pooled
    # the interaction's component is below zero and counts as zero
    assert study.repeatability.value == pytest.approx(0.214435, abs=1e-6)
    assert study.one_person.value == pytest.approx(0.214435, abs=1e-6)
    assert study.reproducibility.value == pytest.approx(0.228304, abs=1e-6)
    assert study.between_flutes.value == pytest.approx(1.043395, abs=1e-6)


def test_analysis_of_variance_pooled():
    study = study_by_anova(VALUES)
    table = lines(study)
    assert study.pooled
    assert study.interaction.p == pytest.approx(0.974, abs=5e-4)
    assert (table["repeat"].df, table["repeat"].mean_square) == (78, pytest.approx(0.039973, abs=1e-6))
    assert table["person"].f == pytest.approx(39.617, abs=1e-3)
    assert table["flute"].f == pytest.approx(245.614, abs=1e-3)
    assert study.repeatability.value == pytest.approx(0.199933, abs=1e-6)
    assert study.reproducibility.value == pytest.approx(0.226838, abs=1e-6)
    assert study.combined.value == pytest.approx(0.302373, abs=2e-6)
    assert study.between_flutes.value == pytest.approx(1.042327, abs=1e-6)
    assert study.total.value == pytest.approx(1.085, abs=5e-4)
    assert study.percent.value == pytest.approx(27.86, abs=5e-3)
    assert 100 * study.repeatability.value / study.total.value == pytest.approx(18.42, abs=5e-3)
    assert 100 * study.reproducibility.value / study.total.value == pytest.approx(20.90, abs=5e-3)
    assert study.percent.value**2 / 100 == pytest.approx(7.76, abs=5e-3)  # share of the variance
    assert study.categories.value == 4  # 4.861, rounded down


def test_average_and_range():
    study = study_by_ranges(VALUES)
    assert study.mean_range == pytest.approx(0.3417, abs=5e-5)
    assert study.person_range == pytest.approx(0.4446, abs=1e-4)
    assert study.flute_range == pytest.approx(3.511, abs=5e-4)
    # The manual's constants 0.5908, 0.5231, 0.3146 are rounded, and so are its intermediate numbers.
    assert study.repeatability == pytest.approx(0.20188, abs=5e-5)
    assert study.reproducibility == pytest.approx(0.22963, abs=1e-4)
    assert study.combined == pytest.approx(0.30575, abs=5e-5)
    assert study.between_flutes == pytest.approx(1.10456, abs=2e-4)
    assert study.total == pytest.approx(1.14610, abs=2e-4)
    assert study.percent == pytest.approx(26.68, abs=5e-3)
    assert study.categories == 5  # 5.094, where the analysis of variance has 4
    assert study.range_limit == pytest.approx(0.8816, abs=2.5e-3)  # with D4 rounded up to 2.58


# Number of values in a range: mean range of the standard normal distribution (d2 of control charts), and root mean
# square (d2* of one sample). Tables of the same manual, from memory.
RANGES = {2: (1.128, 1.41421), 3: (1.693, 1.91155), 5: (2.326, 2.48124), 10: (3.078, 3.17905)}


@pytest.mark.parametrize("n", RANGES)
def test_constants_of_the_range(n):
    # two flutes n trials, whose ranges are known: the constants follow from what comes out
    values = np.stack([np.linspace(0.0, 1.0, n), 5.0 + np.linspace(0.0, 1.0, n)])[:, None, :]
    study = study_by_ranges(values)
    assert study.mean_range / study.repeatability == pytest.approx(RANGES[n][0], abs=5.1e-4)
    study = study_by_ranges(np.linspace(0.0, 9.0, n)[:, None, None] + np.array([0.0, 0.1]))
    assert study.flute_range / study.between_flutes == pytest.approx(RANGES[n][1], abs=5e-5)


def test_percent_of_tolerance():
    # six standard deviations over the tolerance, which in the manual's example is 4 wide: 45.36 % (from memory)
    assert percent_of_tolerance(study_by_anova(VALUES).combined, 4.0).value == pytest.approx(45.36, abs=5e-3)


# --- Against an independent library


def with_gaps(values, seed, n):
    """Same study with `n` photos refused, any of them."""
    values = values.copy()
    values.flat[np.random.default_rng(seed).choice(values.size, n, replace=False)] = np.nan
    return values


def frame(values):
    at = np.argwhere(np.isfinite(values))
    return pd.DataFrame({"flute": at[:, 0], "person": at[:, 1], "value": values[np.isfinite(values)]})


@pytest.mark.parametrize("values", [VALUES, with_gaps(VALUES, 1, 12), with_gaps(VALUES, 3, 20)])
def test_sums_of_squares_against_statsmodels(values):
    # type II: each main effect beyond the other, the interaction beyond both
    table = lines(study_by_anova(values, pool_above=1.0))
    peer = anova_lm(ols("value ~ C(flute) * C(person)", frame(values)).fit(), typ=2)
    for name, row in (("flute", "C(flute)"), ("person", "C(person)"), ("repeat", "Residual")):
        assert table[name].df == peer.df[row]
        assert table[name].sum_squares == pytest.approx(peer.sum_sq[row], rel=1e-8)
    interaction = peer.loc["C(flute):C(person)"]
    assert table["interaction"].sum_squares == pytest.approx(interaction.sum_sq, rel=1e-8)
    assert table["interaction"].f == pytest.approx(interaction.F, rel=1e-8)
    assert table["interaction"].p == pytest.approx(interaction["PR(>F)"], rel=1e-6)


def test_an_empty_cell_against_statsmodels():
    values = VALUES.copy()
    values[0, 0] = values[3, 2] = values[7, 1] = np.nan
    table = lines(study_by_anova(values, pool_above=1.0))
    additive = anova_lm(ols("value ~ C(flute) + C(person)", frame(values)).fit(), typ=2)
    within = frame(values).groupby(["flute", "person"]).value.agg(["var", "count"])
    for name, row in (("flute", "C(flute)"), ("person", "C(person)")):
        assert table[name].sum_squares == pytest.approx(additive.sum_sq[row], rel=1e-8)
    assert table["repeat"].sum_squares == pytest.approx(
        (within["var"] * (within["count"] - 1)).sum(), rel=1e-8
    )
    rest = additive.sum_sq["Residual"] - table["repeat"].sum_squares
    assert table["interaction"].sum_squares == pytest.approx(rest, rel=1e-8)
    assert (table["interaction"].df, table["repeat"].df) == (15, 54)
