"""Edge roughness on drawn edges whose wandering is known: sines, random waves, nicks, and none at all.

The truth is worked out apart from the estimator: of a sine by the formula of the Gaussian filter (ISO 16610-21, from
memory: a wave as long as the cut-off is halved), of the others by that formula on the spectrum of the drawn line.
"""

from __future__ import annotations

import numpy as np
import pytest
from faces import FACE, S_UM, STEP_UM, face, labels_with_transition, marks
from measured import light_fit, measured
from seams import contributions, detection_limit
from seldom import seldom

from wearscope.light.strip import UNUSED, USED
from wearscope.metrology.findings import DETECTION
from wearscope.quantities.reasons import Reason
from wearscope.wear.roughness import Roughness, _in_band, find_roughness, roughness_findings
from wearscope.wear.trace import trace_edge

DARK, BRIGHT = (0.02, 0.02, 0.02), (0.8, 0.8, 0.8)
FAINT = (0.38, 0.361, 0.342)  # 95 % of the face's light
BAND_UM = (80.0, 250.0)
LABELS = labels_with_transition()
WORN_UM = 12.0 * (S_UM < 0)


def passed(wavelength_um):
    short, long = (np.exp(-np.log(2.0) * (cut / wavelength_um) ** 2) for cut in BAND_UM)
    return short - long


def in_band(line_um):
    frequency = np.fft.rfftfreq(len(line_um), STEP_UM)
    share = np.concatenate([[0.0], passed(1.0 / frequency[1:])])
    return np.fft.irfft(np.fft.rfft(line_um) * share, len(line_um))


def wandering(rms_um, seed):
    noise = np.random.default_rng(seed).standard_normal(len(S_UM))
    frequency = np.fft.rfftfreq(len(S_UM), STEP_UM)
    line = np.fft.irfft(np.fft.rfft(noise) * np.exp(-((frequency * 40.0) ** 2)), len(S_UM))
    return rms_um * line / line.std()


def nicked(rms_um, seed):
    rng, line = np.random.default_rng(seed), np.zeros(len(S_UM))
    for at in rng.uniform(S_UM[0], S_UM[-1], 60):
        wide = rng.uniform(20.0, 60.0)
        line += rng.uniform(0.3, 1.0) * np.clip(1.0 - np.abs(S_UM - at) / wide, 0.0, 1.0)
    return rms_um * line / line.std()


def rows(line_um, *, background=DARK, noise=0.015, seed=0, labels=LABELS, blur_um=4.5, u_scale=5e-4):
    """Findings of an edge along a line, used at s < 0 and worn back there, by zone."""
    strip = face(
        line_um + WORN_UM,
        background=background,
        texture=marks(seed + 50),
        noise=noise,
        seed=seed,
        blur_um=blur_um,
    )
    used, unused = (light_fit(zone, blur_um=blur_um) for zone in ("used", "unused"))
    edge = measured(strip, labels, WORN_UM, used=used, unused=unused)
    zones = find_roughness(edge, trace_edge(strip, (-80.0, 100.0)).d_um)
    return {row.zone: row for row in roughness_findings(zones, u_scale, "light-fit")}


def true_um(line_um, zone):
    label = USED if zone == "used" else UNUSED
    return np.sqrt(np.mean(in_band(line_um)[label == LABELS] ** 2))


@pytest.mark.parametrize("background", [DARK, BRIGHT])
@pytest.mark.parametrize("wavelength_um", [80.0, 140.0, 250.0])
def test_a_sine(wavelength_um, background):
    line = 6.0 * np.sin(2.0 * np.pi * S_UM / wavelength_um)
    for row in rows(line, background=background).values():
        assert row.status == "ok"
        assert row.value == pytest.approx(6.0 / np.sqrt(2.0) * passed(wavelength_um), abs=0.2)


@pytest.mark.parametrize("wavelength_um", [20.0, 1500.0])
def test_what_is_shorter_or_longer_is_not_meant(wavelength_um):
    line = 4.0 * np.sin(2.0 * np.pi * S_UM / wavelength_um)
    assert {row.status for row in rows(line).values()} == {"below_detection"}


def test_a_slanting_line_has_none():
    use = S_UM[len(S_UM) // 4] < S_UM
    waves, counts = _in_band((20.0 + 0.05 * S_UM)[None], use, 4.0, STEP_UM)
    assert counts.sum() > 0.5 * use.sum()
    np.testing.assert_allclose(waves[0, counts], 0.0, atol=1e-4)


@pytest.mark.parametrize("background", [DARK, seldom(BRIGHT)])
def test_a_straight_edge_has_none(background):
    for seed in range(6):
        for row in rows(np.zeros(len(S_UM)), background=background, noise=0.03, seed=seed).values():
            assert row.status == "below_detection"
            assert row.value < 0.3
            assert row.detection_limit < 2.5


@pytest.mark.parametrize("contrast", [0.3, 0.2, 0.15, 0.1, 0.07])
def test_an_edge_ever_fainter_is_never_called_ragged(contrast):
    background = tuple((1.0 - contrast) * FACE)
    for noise in (0.015, 0.03):
        for row in rows(np.zeros(len(S_UM)), background=background, noise=noise).values():
            assert row.status in ("below_detection", "refused")


@pytest.mark.statistics
@pytest.mark.parametrize(
    ("draw", "background"),
    [(nicked, DARK), *map(seldom, (nicked, wandering, wandering), (BRIGHT, DARK, BRIGHT))],
)
def test_intervals_hold_the_truth(draw, background):
    inside = []
    for seed in range(5):
        for rms_um in (1.0, 3.0, 5.0):
            line = draw(rms_um, seed)
            for zone, row in rows(line, background=background, seed=seed).items():
                truth = true_um(line, zone)
                inside.append(row.interval95[0] <= truth <= row.interval95[1])
                assert abs(row.value - truth) < max(0.35, 0.1 * truth)
    assert len(inside) == 30
    assert np.mean(inside) >= 0.9


def test_a_ragged_zone_beside_a_smooth_one():
    line = np.where(S_UM < 0, nicked(4.0, 3), 0.0)
    found = rows(line)
    assert found["used"].status == "ok"
    assert found["unused"].status == "below_detection"


def test_chips_are_left_out():
    at = np.array([-1600.0, -1200.0, -800.0, -500.0])
    beside = np.abs(S_UM[:, None] - at).min(axis=1)
    chips = 18.0 * np.clip(1.0 - (beside / 60.0) ** 2, 0.0, 1.0)
    labels = np.where(beside < 80.0, 0, LABELS).astype(np.int8)
    assert rows(chips, labels=labels)["used"].status == "below_detection"
    assert rows(chips)["used"].status == "ok"


def test_noise_is_taken_off_in_quadrature():
    assert Roughness(2.5, 1.5, 0.1, 30.0).value_um == pytest.approx(2.0)
    assert Roughness(1.0, 1.5, 0.1, 30.0).value_um == 0.0


@pytest.mark.parametrize(
    ("rough_um", "noise_um", "u_noise_um2"), [(3.0, 1.0, 0.3), (2.0, 1.2, 0.0), (3.0, 1.4, 0.6)]
)
def test_it_scatters_as_stated(rough_um, noise_um, u_noise_um2):
    """Monte Carlo: one edge under many noises, whose size is known as well as is said."""
    rng, count, values = np.random.default_rng(5), 40, []
    edge = rng.standard_normal(count)
    edge *= rough_um / np.sqrt(np.mean(edge**2))
    for _ in range(4000):
        size2 = max(rng.normal(noise_um**2, u_noise_um2), 0.0)
        seen = edge + np.sqrt(size2) * rng.standard_normal(count)
        values.append(Roughness(np.sqrt(np.mean(seen**2)), noise_um, np.sqrt(u_noise_um2), count).value_um)
    seen = Roughness(float(np.hypot(rough_um, noise_um)), noise_um, np.sqrt(u_noise_um2), count)
    (row,) = roughness_findings([("used", seen)], 0.0, "light-fit")
    assert row.value == pytest.approx(rough_um)
    parts = contributions(row.budget)
    stated = np.hypot(
        *(parts.get(f"scatter of the trace ({which})", 0.0) for which in ("its size", "on this edge"))
    )
    assert 0.95 * np.std(values) < stated < 1.25 * np.std(values)  # the wider side of what is not symmetric
    assert np.mean(values) == pytest.approx(rough_um, abs=0.1)


def test_its_budget_and_its_limit():
    seen = Roughness(np.hypot(20.0, 1.0), 1.0, np.sqrt(0.2), 50.0)
    (row,) = roughness_findings([("used", seen)], 0.01, "light-fit")
    value = 20.0
    assert contributions(row.budget) == pytest.approx(
        {
            "scatter of the trace (its size)": -0.2 / (2.0 * value),
            "scatter of the trace (on this edge)": np.sqrt((4.0 * 400.0 + 2.0) / 50.0) / (2.0 * value),
            "what the blur hides (of waves along the edge)": 0.06 * value,
            "scale": 0.01 * value,
        },
        rel=0.02,
    )
    # without any roughness the square is unsure by 0.2 and by what noise leaves, and its interval ends here
    u_zero = np.sqrt(1.96 * np.hypot(0.2, np.sqrt(2.0 / 50.0))) / 1.96
    assert detection_limit(row) == pytest.approx(DETECTION * u_zero, rel=1e-3)


@pytest.mark.parametrize("what", ["blurred", "short", "faint"])
def test_what_cannot_be_told_is_refused(what):
    zero = np.zeros(len(S_UM))
    if what == "blurred":
        found, why = rows(zero, blur_um=14.0), "edge-line-unclear"
    elif what == "short":
        short = np.where(np.abs(S_UM) < 700.0, LABELS, 0).astype(np.int8)
        found, why = rows(zero, labels=short), "zone-too-short"
    else:
        found, why = rows(zero, background=FAINT, noise=0.03), "edge-line-unclear"
    for row in found.values():
        assert (row.status, row.value) == ("refused", None)
        assert row.reasons == (Reason(why),)


def test_a_trace_that_is_lost_in_places_does_no_harm():
    line = wandering(4.0, 2)
    strip = face(line, texture=marks(52), seed=2)
    trace = trace_edge(strip, (-80.0, 100.0)).d_um
    whole = measured(strip, LABELS, np.zeros(len(S_UM)), used=light_fit(), unused=light_fit("unused"))
    lost = np.where(np.abs(S_UM - 1200.0) < 90.0, np.nan, trace)
    full, holed = (dict(find_roughness(whole, each))["unused"].value_um for each in (trace, lost))
    assert holed == pytest.approx(full, rel=0.1)
