"""What is left of the light once the strengths of its parts are solved for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import lsq_linear, nnls

from wearscope.light.arc import light_parts
from wearscope.light.parameters import LightParameters
from wearscope.light.projection import (
    LAMP_IMAGE,
    SURROUNDINGS,
    U_LAMP_IMAGE,
    U_SURROUNDINGS,
    Observed,
    not_negative,
)

D_UM = np.arange(-60.0, 120.0, 3.5)
WORN = LightParameters(
    20.0, 30.0, np.radians(40.0), roughness=0.15, blur_um=3.8, tail=0.45, red_tint=0.2, blue_tint=-0.6
)
STEPS = np.array([1e-3, 1e-3, 1e-4, 1e-5, 1e-3, 1e-4, 1e-4, 1e-4])
BACKGROUND = np.full(3, 0.7)


def observed(*, axial=0.85, coat=None, noise=0.01, seed=0):
    """Light of nearly the model at sensible strengths."""
    tint = 0.4 * np.exp([0.25, 0.0, -0.55])
    strengths = np.zeros((9, 3))
    strengths[0], strengths[2] = BACKGROUND, 0.5 * BACKGROUND * tint / tint.mean()
    for part, strength in ((3, 0.15), (4, 2.1), (5, axial)):
        strengths[part] = strength * tint
    clean = light_parts(D_UM, WORN, 25.0).T @ strengths
    light = clean + np.random.default_rng(seed).normal(0.0, noise, clean.shape)
    return Observed(D_UM, light, np.full(light.shape, 0.01), 0.4, BACKGROUND, 0.15, 25.0, coat)


@pytest.mark.parametrize("coat", [None, np.clip((D_UM - 20.0) / 30.0, 0.0, 1.0)])
@pytest.mark.parametrize("axial", [0.85, -0.6])  # the second one is left out, for it would be negative
def test_slopes_are_those_of_the_residuals(axial, coat):
    seen = observed(axial=axial, coat=coat)
    for k, step in enumerate(STEPS):
        aside = step * np.eye(8)[k]
        there, back = (LightParameters.unpacked(WORN.packed() + side * aside) for side in (1.0, -1.0))
        stepped = (seen.project(there).residuals - seen.project(back).residuals) / (2.0 * step)
        slopes = seen.project(WORN).slopes[:, k]
        np.testing.assert_allclose(slopes, stepped, atol=0.01 * np.abs(stepped).max())


@pytest.mark.parametrize("axial", [0.85, -0.6])
def test_strengths_are_those_of_scipy(axial):
    # the same least squares with bounds, written out for scipy.optimize.lsq_linear
    seen = observed(axial=axial)
    found = seen.project(WORN)
    parts, tint = light_parts(D_UM, WORN, 25.0), 0.4 * np.exp([WORN.red_tint, 0.0, WORN.blue_tint])
    own = [0, 1, 2, 6, 7, 8]
    rows = [
        [*np.kron(np.eye(3)[channel], parts[own, d]), *(parts[3:6, d] * tint[channel])]
        for d in range(len(D_UM))
        for channel in range(3)
    ]
    known = [*(0.5 * BACKGROUND * tint / tint.mean()), SURROUNDINGS, LAMP_IMAGE]
    u_known = [*(0.15 * BACKGROUND + 0.002), U_SURROUNDINGS, U_LAMP_IMAGE]
    at_known = [2, 8, 14, 18, 19]
    design = np.vstack([np.array(rows) / 0.01, np.eye(21)[at_known] / np.array(u_known)[:, None]])
    wanted = np.concatenate([seen.light.ravel() / 0.01, np.divide(known, u_known)])
    lower = np.full(21, -np.inf)
    lower[[2, 8, 14, 18, 19, 20]] = 0.0
    best = lsq_linear(design, wanted, (lower, np.full(21, np.inf)), tol=1e-14)
    assert found.residuals @ found.residuals == pytest.approx(2.0 * best.cost, rel=1e-5)
    np.testing.assert_allclose(found.strengths[5], best.x[20] * tint, atol=2e-3)
    assert (found.strengths[5] == 0.0).all() == (axial < 0.0)


@pytest.mark.parametrize("seed", range(5))
def test_what_must_not_be_negative(seed):
    rng = np.random.default_rng(seed)
    design = rng.normal(size=(40, 6))
    seen = design @ np.array([1.0, -0.5, 2.0, 0.3, -0.2, 0.8]) + rng.normal(0.0, 0.1, 40)
    found, use = not_negative(design.T @ design, design.T @ seen, np.arange(6))
    np.testing.assert_allclose(found, nnls(design, seen)[0], atol=1e-6)
    assert use.tolist() == [0, 2, 3, 5]
