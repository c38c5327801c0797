"""Least squares against the certified values of NIST's Statistical Reference Datasets.

National Institute of Standards and Technology, Statistical Reference Datasets (StRD), nonlinear and linear regression:
DanWood, Misra1a, Rat42, Norris. The power law and the saturating curve are those that wear is fitted by. Six digits are asked for,
four more than the parameters are sure to.
"""

from __future__ import annotations

import numpy as np
import pytest

from wearscope.economics.curve import least_sum_of_squares
from wearscope.economics.shapes import power, saturating


def fitted(model, x, y, start):
    """Parameters, their standard deviations and the residual sum of squares."""
    x, y = np.array(x, float), np.array(y, float)

    def residuals(b):
        return model(x, np.moveaxis(b[..., None], -2, 0)) - y

    def slopes(b):  # by a step along the imaginary axis, which takes no difference
        return residuals(b + 1e-30j * np.eye(b.size)).imag.T / 1e-30

    fit = least_sum_of_squares(residuals, np.array(start, float), slopes)
    s2 = fit.sum_of_squares / (x.size - len(start))
    return fit.at, np.sqrt(s2 * np.diag(fit.covariance)), fit.sum_of_squares, fit.covariance * s2


@pytest.mark.parametrize("start", [(1, 5), (0.7, 4)])
def test_danwood_power_law(start):
    x = [1.309, 1.471, 1.490, 1.565, 1.611, 1.680]
    y = [2.138, 3.421, 3.597, 4.340, 4.882, 5.660]
    at, u, rss, _ = fitted(lambda x, b: b[0] * power(x, b[1]), x, y, start)
    assert at == pytest.approx([7.6886226176e-01, 3.8604055871e00], rel=1e-6)
    assert u == pytest.approx([1.8281973860e-02, 5.1726610913e-02], rel=1e-5)
    assert rss == pytest.approx(4.3173084083e-03, rel=1e-8)


@pytest.mark.parametrize("start", [(500, 1e-4), (250, 5e-4)])
def test_misra1a_saturating(start):
    x = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
    y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]

    # as wear is fitted: over t = x / 760, with a shape that is 1 at t = 1, where b1 (1 - exp(-760 b2)) is the height
    def model(t, b):
        return b[0] * -np.expm1(-b[1]) * saturating(t, b[1])

    at, u, rss, _ = fitted(model, np.array(x) / 760, y, (start[0], 760 * start[1]))
    assert at == pytest.approx([2.3894212918e02, 760 * 5.5015643181e-04], rel=1e-6)
    assert u == pytest.approx([2.7070075241e00, 760 * 7.2668688436e-06], rel=1e-5)
    assert rss == pytest.approx(1.2455138894e-01, rel=1e-8)


@pytest.mark.parametrize("start", [(100, 1, 0.1), (75, 2.5, 0.07)])
def test_rat42_sigmoid(start):
    x = [9, 14, 21, 28, 42, 57, 63, 70, 79]
    y = [8.93, 10.80, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08]
    at, u, rss, _ = fitted(lambda x, b: b[0] / (1 + np.exp(b[1] - b[2] * x)), x, y, start)
    assert at == pytest.approx([7.2462237576e01, 2.6180768402e00, 6.7359200066e-02], rel=1e-6)
    assert u == pytest.approx([1.7340283401e00, 8.8295217536e-02, 3.4465663377e-03], rel=1e-5)
    assert rss == pytest.approx(8.0565229338e00, rel=1e-8)


def test_norris_straight_line():
    x = (
        "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 556.0 "
        "228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"
    )
    y = (
        "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7 "
        "228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"
    )
    at, u, rss, _ = fitted(
        lambda x, b: b[0] + b[1] * x, list(map(float, x.split())), list(map(float, y.split())), (0, 0)
    )
    assert at == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-6)
    assert u == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-6)
    assert rss == pytest.approx(26.6173985294224, rel=1e-9)


def test_a_line_drawn_on_beyond_its_points():
    # JCGM 100:2008 (GUM) H.3, calibration of a thermometer, drawn on from 21.5-26.5 to 30 °C; from memory
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    at, u, _, covariance = fitted(lambda t, y: y[0] + y[1] * (t - 20), t, b, (0, 0))
    assert at == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert u == pytest.approx([0.0029, 0.00067], abs=5e-5)
    there = np.array([1.0, 10.0])
    assert there @ at == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(there @ covariance @ there) == pytest.approx(0.0041, abs=5e-5)
