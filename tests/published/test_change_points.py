"""Step finding against a published series, an independent library and plain arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
import ruptures
from statsmodels.datasets import nile

from wearscope.light.strip import UNUSED, USED
from wearscope.wear.datum import find_zones
from wearscope.wear.steps import BLOCK_UM, step_curve
from wearscope.wear.zones import GUARD_UM

# One value per block: the step search works on medians of blocks this long.
STEP_UM = BLOCK_UM


def last_before(step, n):
    """Number of values before the step (the index of the last of them, counted from 1)."""
    return int(np.sum(np.arange(n) * STEP_UM < step.at_um))


def test_nile():
    # Annual flow of the Nile, 1871 to 1970: Cobb, Biometrika 65 (1978) 243-251. Least squares with one break in the
    # mean gives 28 (1898) as the last year of the first segment: breakdates of R's strucchange, as printed in its
    # reference manual; means 1097.750 and 849.972 recomputed.
    flow = nile.load_pandas().data["volume"].to_numpy(float)
    step = step_curve(np.arange(100) * STEP_UM, flow, degree=0).best
    assert last_before(step, 100) == 28
    assert step.height == pytest.approx(849.972 - 1097.750, abs=0.01)


def test_nile_backwards():
    flow = nile.load_pandas().data["volume"].to_numpy(float)[::-1]
    step = step_curve(np.arange(100) * STEP_UM, flow, degree=0).best
    assert last_before(step, 100) == 72
    assert step.height == pytest.approx(1097.750 - 849.972, abs=0.01)


@pytest.mark.parametrize("seed", range(8))
def test_against_dynamic_programming(seed):
    # ruptures: Truong, Oudre & Vayatis, Signal Processing 167 (2020) 107299; exact search, squared error
    rng = np.random.default_rng(seed)
    n, at = 120, int(rng.integers(12, 108))
    value = rng.normal(size=n) + 2.0 * (np.arange(n) >= at)
    exact = ruptures.Dynp(model="l2", min_size=4, jump=1).fit(value[:, None]).predict(n_bkps=1)[0]
    step = step_curve(np.arange(n) * STEP_UM, value, degree=0).best
    assert last_before(step, n) == exact
    assert step.height == pytest.approx(value[exact:].mean() - value[:exact].mean(), rel=1e-9)


@pytest.mark.parametrize("used_side", [1, -1])
@pytest.mark.parametrize("seed", range(4))
def test_transition_of_an_edge_against_dynamic_programming(seed, used_side):
    # The whole transition finder on an edge line that steps inward, as it comes from a photo, against the exact search
    # on the same line. That splits at one sample where the other fits a smooth change, so they differ by the noise.
    rng = np.random.default_rng(100 + seed)
    s_um = np.arange(-1500.0, 1500.0, 3.5)
    at_um = rng.uniform(-500.0, 500.0)
    worn = 1.0 / (1.0 + np.exp(-used_side * (s_um - at_um) / 15.0))
    edge_um = 9.0 * worn + rng.normal(0.0, 1.5, len(s_um))
    zones = find_zones(s_um, edge_um, 1, [], None)
    (split, _) = ruptures.Dynp(model="l2", min_size=20, jump=1).fit(edge_um[:, None]).predict(n_bkps=1)
    assert zones.transition.used_side == used_side
    exact_um = 0.5 * (s_um[split - 1] + s_um[split])
    assert zones.transition.at_um == pytest.approx(exact_um, abs=15.0)
    assert abs(zones.transition.at_um - at_um) < 3 * zones.transition.u_at_um + 3.5
    # the convention: what lies beyond the guard on the used side is used, on the other unused
    beyond = used_side * (s_um - zones.transition.at_um)
    assert np.all(zones.labels[beyond > GUARD_UM + 10.0][20:-20] != UNUSED)
    assert np.all(zones.labels[beyond < -GUARD_UM - 10.0][20:-20] != USED)


@pytest.mark.parametrize("degree", [1, 2])
def test_step_on_a_drift(degree):
    # against the plain least-squares search over every place of the step
    rng = np.random.default_rng(5)
    n, at = 100, 61
    x = np.linspace(-1.0, 1.0, n)
    value = (
        rng.normal(0, 0.5, n) + 30.0 * x + (12.0 * x**2 if degree == 2 else 0.0) + 4.0 * (np.arange(n) >= at)
    )
    losses = []
    for k in range(4, n - 3):
        design = np.column_stack([np.vander(x, degree + 1), np.arange(n) >= k])
        solution, loss, *_ = np.linalg.lstsq(design, value, rcond=None)
        losses.append((float(loss[0]), k, solution[-1]))
    _, best, height = min(losses)
    step = step_curve(np.arange(n) * STEP_UM, value, degree=degree).best
    assert last_before(step, n) == best
    assert step.height == pytest.approx(height, rel=1e-6)


@pytest.mark.statistics
def test_false_alarms_are_rare():
    # white noise, and noise that wanders over the 300 µm that the significance allows for
    rng = np.random.default_rng(7)
    s_um = np.arange(0.0, 4000.0, 3.5)
    alarms = []
    for _ in range(150):
        white = rng.normal(size=len(s_um))
        slow = np.interp(s_um, np.arange(-300.0, 4301.0, 100.0), rng.normal(size=47))
        alarms += [step_curve(s_um, value, degree=1).best.significance > 6.0 for value in (white, slow)]
    assert np.mean(alarms) < 0.02
