from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from measured import zones
from scipy.special import ndtr

from wearscope.light.arc import light_parts
from wearscope.light.known import BROAD_RADIUS_UM, LOBE_TAIL
from wearscope.light.parameters import LightParameters
from wearscope.light.strip import UNUSED, USED, Strip
from wearscope.light.zone_light import (
    LEAST_COLUMNS,
    Lighting,
    fit_unused,
    fit_used,
    mean_light,
    over_windows,
    with_unresolved,
)
from wearscope.metrology.uncertainty import Input
from wearscope.quantities.reasons import reason
from wearscope.wear.datum import Datum
from wearscope.wear.measured import Edge, MeasuredStrip, ZoneFits
from wearscope.wear.recession import rounding_findings, rounding_plain
from wearscope.wear.wedge import recession_factor, view_tilt

PITCH_UM = 3.5
D_UM = np.arange(-46, 155) * PITCH_UM
RING = np.radians(40.0)
LIGHTING = Lighting(RING, np.radians(3.0), True)
LINE = Input("new-state line drawn on", 0.0, 0.3)
TINT = np.array([0.5, 0.4, 0.2])


def step_strip(edge_um, blur_um=3.9, noise=0.0, seed=0):
    edge_um = np.asarray(edge_um, float)
    level = 0.02 + 0.4 * ndtr((D_UM[:, None] - edge_um) / blur_um)
    light = np.repeat(level[..., None], 3, axis=2)
    light = light + np.random.default_rng(seed).normal(0.0, noise, light.shape)
    return Strip(light.astype(np.float32), np.arange(len(edge_um)) * PITCH_UM, D_UM, PITCH_UM)


@pytest.mark.parametrize("columns", [LEAST_COLUMNS, 30, 41, 60, 400])
def test_mean_of_as_few_columns_as_are_allowed(columns):
    profile = mean_light(step_strip(np.zeros(columns)), np.ones(columns, bool), np.zeros(columns))
    assert profile.columns == columns
    assert profile.d_um[0] < -100.0
    assert profile.d_um[-1] > 230.0
    expected = 0.02 + 0.4 * ndtr(profile.d_um / 3.9)
    np.testing.assert_allclose(profile.light[:, 1], expected, atol=1e-3)


def test_following_takes_the_wandering_out():
    wander_um = 10.0 * np.sin(np.arange(800) * PITCH_UM / 300.0)
    strip = step_strip(wander_um)
    profile = mean_light(strip, np.ones(800, bool), wander_um)
    still = mean_light(step_strip(np.zeros(800)), np.ones(800, bool), np.zeros(800))

    def width_um(profile):
        return np.subtract(*np.interp([0.9, 0.1], (profile.light[:, 0] - 0.02) / 0.4, profile.d_um))

    assert width_um(profile) == pytest.approx(width_um(still), rel=0.03)
    assert np.interp(0.5, (profile.light[:, 0] - 0.02) / 0.4, profile.d_um) == pytest.approx(0.0, abs=0.1)


def test_only_the_columns_asked_for():
    edge_um = np.where(np.arange(600) < 300, 0.0, 20.0)
    for columns, at in ((np.arange(600) < 300, 0.0), (np.arange(600) >= 300, 20.0)):
        profile = mean_light(step_strip(edge_um), columns, np.zeros(600))
        assert np.interp(0.22, profile.light[:, 0], profile.d_um) == pytest.approx(at, abs=0.2)


def test_noise_of_the_mean():
    profiles = [
        mean_light(step_strip(np.zeros(300), noise=0.05, seed=k), np.ones(300, bool), np.zeros(300))
        for k in range(20)
    ]
    face = profiles[0].d_um > 60.0
    scatter = np.std([profile.light[face] for profile in profiles], axis=0).mean()
    assert scatter == pytest.approx(0.05 / np.sqrt(300), rel=0.15)
    assert np.mean(profiles[0].u_light[face]) > scatter  # the model's own error comes on top


def test_burnt_out_light_says_little():
    strip = step_strip(np.zeros(300))
    light = strip.light.copy()
    light[(D_UM > 20.0) & (D_UM < 40.0)] = 1.0
    profile = mean_light(Strip(light, strip.s_um, D_UM, PITCH_UM), np.ones(300, bool), np.zeros(300))
    burnt = (profile.d_um > 20.0) & (profile.d_um < 40.0)
    assert profile.u_light[burnt].min() > 10 * np.median(profile.u_light[~burnt])


def rounded_strip(silhouette_um, radius_um, background, *, n=700, noise=0.01, seed=0):
    """A strip of the model's own light; what it says of the fit is that it is consistent, not that it is true."""
    line_um = silhouette_um + radius_um * (1 - np.sin(RING / 2))
    parts = light_parts(D_UM, LightParameters(line_um, radius_um, RING, 0.15, 3.85, LOBE_TAIL[0]), 25.0)
    strengths = np.zeros((9, 3))
    strengths[0], strengths[2] = background, 0.5 * background * TINT / TINT.mean()
    for part, strength in ((3, 0.15), (4, 2.1), (5, 0.85)):
        strengths[part] = strength * TINT
    light = np.repeat((parts.T @ strengths)[:, None], n, axis=1)
    light = light + np.random.default_rng(seed).normal(0.0, noise, light.shape)
    return Strip(np.clip(light, 0, None).astype(np.float32), np.arange(n) * PITCH_UM, D_UM, PITCH_UM)


def fits(recession_um, radius_um, background, *, seed=0, n=700):
    every, flat = np.ones(n, bool), np.zeros(n)
    unused_strip = rounded_strip(0.0, 6.0, background, seed=seed, n=n)
    unused = fit_unused(mean_light(unused_strip, every, flat), LIGHTING, (6.0, 1.0), PITCH_UM)
    worn = rounded_strip(recession_um, radius_um, background, seed=seed + 100, n=n)
    factor = recession_factor(np.radians(60), np.radians(0.5), 0.0, np.radians(1.5))
    used = fit_used(mean_light(worn, every, flat), recession_um + 4.0, unused, LIGHTING, factor, LINE)
    return [with_unresolved(fit, LIGHTING) for fit in (unused, used)]


@pytest.mark.parametrize("background", [0.02, 0.7])
@pytest.mark.parametrize("radius_um", [12.0, 30.0, 50.0])
def test_worn_edge(radius_um, background):
    recession_um = (radius_um - 6.0) * recession_factor(np.radians(60), 0.0).value
    unused, used = fits(recession_um, radius_um, background)
    found_um = used.silhouette_um - unused.silhouette_um
    # the stated limits
    allowed = max(1.5, 0.03 * recession_um) if background > 0.5 else max(3.0, 0.08 * recession_um)
    assert found_um == pytest.approx(recession_um, abs=allowed)
    assert used.radius_um == pytest.approx(radius_um, abs=max(2.0, 0.05 * radius_um))
    assert abs(used.radius_um - radius_um) < 2.5 * used.u_radius_um


def coat_on_the_arc(light, d_um, ends_um, blur_um=3.85):
    """Light of a bare edge, with gold from a depth on."""
    gold = np.array([1.35, 1.0, 0.45])
    share = ndtr((d_um - ends_um) / blur_um)[:, None, None]
    return (light * (1.0 + share * (gold - 1.0))).astype(np.float32)


@pytest.mark.parametrize("background", [0.02, 0.7])
def test_a_coating_that_ends_on_the_arc(background):
    # what changes the face's light inside the arc must not move the edge
    radius_um = 36.0
    recession_um = (radius_um - 6.0) * recession_factor(np.radians(60), 0.0).value
    every, flat = np.ones(700, bool), np.zeros(700)
    unused = fit_unused(
        mean_light(rounded_strip(0.0, 6.0, background), every, flat), LIGHTING, (6.0, 1.0), PITCH_UM
    )
    strip = rounded_strip(recession_um, radius_um, background, seed=3)
    strip = Strip(
        coat_on_the_arc(strip.light, D_UM, recession_um + 28.0), strip.s_um, strip.d_um, strip.um_per_px
    )
    factor = recession_factor(np.radians(60), np.radians(0.5), 0.0, np.radians(1.5))
    fit = [
        fit_used(
            mean_light(strip, every, flat),
            recession_um + 4.0,
            unused,
            LIGHTING,
            factor,
            LINE,
            coated=coated,
        )
        for coated in (True, False)
    ]
    assert fit[0].silhouette_um - unused.silhouette_um == pytest.approx(recession_um, abs=1.5)
    assert fit[0].radius_um == pytest.approx(radius_um, abs=2.0)
    assert fit[0].misfit < 0.8 * fit[1].misfit
    assert not fit[0].strained
    assert fit[1].strained  # without it light and wedge tell of two edges


def test_lengths_of_an_edge_before_an_uneven_background():
    # the card is bright behind one half of the edge and dark behind the other: the mean light of both is that of
    # neither; the mean of two fits is right
    radius_um = 30.0
    recession_um = (radius_um - 6.0) * recession_factor(np.radians(60), 0.0).value
    factor = recession_factor(np.radians(60), np.radians(0.5), 0.0, np.radians(1.5))
    lighting = Lighting(RING, np.radians(3.0), True, "mixed")
    every, flat = np.ones(350, bool), np.zeros(350)
    unused = fit_unused(
        mean_light(rounded_strip(0.0, 6.0, 0.5, n=350), every, flat), lighting, (6.0, 1.0), PITCH_UM
    )
    halves = [
        mean_light(rounded_strip(recession_um, radius_um, level, seed=k, n=350), every, flat)
        for k, level in enumerate((0.1, 0.8))
    ]
    fits = [fit_used(half, recession_um + 4.0, unused, lighting, factor, LINE) for half in halves]
    together = over_windows(fits, [half.columns for half in halves])
    assert together.silhouette_um - unused.silhouette_um == pytest.approx(recession_um, abs=1.5)
    assert together.radius_um == pytest.approx(radius_um, abs=2.0)
    # the standard error of a mean of two, and no surer than either of what both rest on
    scatter = {term.source.name: term.contribution for term in together.radius.terms}[
        "scatter along the edge (radius)"
    ]
    assert scatter == pytest.approx(abs(fits[0].radius_um - fits[1].radius_um) / 2.0)
    assert together.u_radius_um >= min(fit.u_radius_um for fit in fits)


def test_light_and_wedge_that_contradict_each_other_say_less():
    recession_um = 24.0 * recession_factor(np.radians(60), 0.0).value
    (_, agreeing), (_, apart) = fits(recession_um, 30.0, 0.7), fits(1.4 * recession_um, 30.0, 0.7)
    assert abs(agreeing.strain) < 1.0
    assert not any("light against wedge" in term.source.name for term in agreeing.radius.terms)
    # so far enlarged that the contradiction is one standard uncertainty (Birge 1932, from memory)
    named = {term.source.name: term.contribution for term in apart.radius.terms}
    rest = [term for term in apart.radius.terms if "light against" not in term.source.name]
    # but for correlations
    own = np.sqrt(sum(term.contribution**2 for term in rest if "hides" not in term.source.name))
    assert named["light against wedge (radius)"] == pytest.approx(
        np.sqrt(apart.strain**2 - 1.0) * own, rel=0.3
    )
    assert apart.u_radius_um > 2.0 * agreeing.u_radius_um


EDGE = Edge(
    (6.0, 1.0), True, recession_factor(np.radians(60), np.radians(0.5)), None, view_tilt(0.0, 0.02), False
)


def rounding_of(unused, used, labels, datum):
    flat = np.zeros(len(labels))
    strip = Strip(
        np.zeros((1, len(labels), 3), np.float32), np.arange(float(len(labels))), np.zeros(1), PITCH_UM
    )
    known = zones(labels, used_side=1), ZoneFits(unused, used), EDGE, 5e-4, datum
    return rounding_findings(MeasuredStrip(strip, flat, flat, flat, *known), "light-fit")


@pytest.mark.parametrize(("share", "strained"), [(1.0, False), (0.6, True), (1.4, True)])
def test_an_edge_whose_recession_does_not_go_with_its_radius(share, strained):
    recession_um = share * 24.0 * recession_factor(np.radians(60), 0.0).value
    unused, used = fits(recession_um, 30.0, 0.7)
    assert used.strained is strained
    labels = np.repeat([UNUSED, USED], 400).astype(np.int8)
    datum = Datum(np.zeros(800), np.full((800, 1), 0.3), 0.4, np.zeros(800), 50.0)
    rows = rounding_of(unused, used, labels, datum)
    for row in (rows[0], rows[1], rows[3]):
        assert row.status == ("doubtful" if strained else "ok")
        assert (reason("no-circular-edge") in row.reasons) is strained


@pytest.mark.parametrize(("misfit", "doubted"), [(0.02, False), (0.028, True)])
def test_light_that_the_model_does_not_follow(misfit, doubted):
    recession_um = 24.0 * recession_factor(np.radians(60), 0.0).value
    unused, used = fits(recession_um, 30.0, 0.7)
    labels = np.repeat([UNUSED, USED], 400).astype(np.int8)
    datum = Datum(np.zeros(800), np.full((800, 1), 0.3), 0.4, np.zeros(800), 50.0)
    for each in ((replace(unused, misfit=misfit), used), (unused, replace(used, misfit=misfit))):
        rows = rounding_of(*each, labels, datum)
        said = [reason("light-of-no-edge") in row.reasons for row in (rows[0], rows[1], rows[3])]
        assert said == [doubted] * 3


@pytest.mark.parametrize(("wanders_um", "doubted"), [(3.0, False), (12.0, True)])
def test_a_wandering_edge_without_a_transition(wanders_um, doubted):
    recession_um = 24.0 * recession_factor(np.radians(60), 0.0).value
    unused, used = fits(recession_um, 30.0, 0.7)
    datum = Datum(np.zeros(800), np.full((800, 1), 0.3), wanders_um, np.zeros(800), 50.0)
    rows = rounding_of(unused, used, np.full(800, USED, np.int8), datum)
    assert (rows[0].status == "doubtful") is doubted
    assert ("edge-line-wanders" in [each.code for each in rows[0].reasons]) is doubted


@pytest.mark.parametrize("line_seen", [True, False])
def test_the_detection_limits_are_those_of_an_edge_that_has_not_moved(line_seen):
    # 3.29 u (Currie 1968, from memory): wedge, tilt and scale have nothing to work on then
    factor = recession_factor(np.radians(60), 0.0).value
    unused, used = fits(24.0 * factor, 30.0, 0.7)
    labels = np.repeat([UNUSED if line_seen else USED, USED], 400).astype(np.int8)
    datum = Datum(np.zeros(800), np.full((800, 1), 0.3), 0.4, np.zeros(800), 50.0)
    recession, radius, _, grown = rounding_of(unused, used, labels, datum)
    u_radii = np.hypot(unused.u_radius_um, used.u_radius_um)
    u_moved = np.sqrt(unused.u_silhouette_um**2 + used.u_silhouette_um**2 + 0.3**2)
    if line_seen:
        assert recession.detection_limit == pytest.approx(3.29 * u_moved)
        assert grown.detection_limit == pytest.approx(3.29 * min(u_radii, u_moved / factor))
    else:
        assert recession.detection_limit == pytest.approx(3.29 * factor * u_radii)
        assert grown.detection_limit == pytest.approx(3.29 * u_radii)
    assert radius.detection_limit == grown.detection_limit
    assert recession.status == "ok"


def test_without_the_ring_angle_and_the_unused_radius():
    every, flat = np.ones(700, bool), np.zeros(700)
    profile = mean_light(rounded_strip(0.0, 30.0, 0.7), every, flat)
    new = mean_light(rounded_strip(-17.6, 6.0, 0.7), every, flat)
    unused = fit_unused(new, Lighting(), BROAD_RADIUS_UM, PITCH_UM)
    factor = recession_factor(np.radians(60), np.radians(1.5))
    used = with_unresolved(fit_used(profile, 4.0, unused, Lighting(), factor, LINE), Lighting())
    assert used.silhouette_um == pytest.approx(0.0, abs=1.5)
    assert abs(used.radius_um - 30.0) < 2.5 * used.u_radius_um


def test_where_the_silhouette_is():
    assert LightParameters(10.0, 20.0, RING, 0.15, 3.8, 0.45).silhouette_um == pytest.approx(
        10.0 - 20.0 * 0.65798, abs=1e-3
    )


@pytest.mark.parametrize("u_assumed_um", [1.0, 3.0])
@pytest.mark.parametrize(("radius_um", "seen"), [(0.0, False), (9.0, True)])
def test_the_light_alone_says_whether_an_edge_is_rounded(radius_um, seen, u_assumed_um):
    strip = step_strip(np.zeros(700), noise=0.01) if not radius_um else rounded_strip(0.0, radius_um, 0.7)
    mean = mean_light(strip, np.ones(700, bool), np.zeros(700))
    fit = fit_unused(mean, Lighting(background="bright"), (6.0, u_assumed_um), PITCH_UM)
    assert rounding_plain(fit) is seen
    # whatever was assumed of the radius
    assert fit.rounding_evidence < 2.0 or fit.rounding_evidence > 12.0


def test_light_that_scatters_more_than_was_said_is_less_evidence_of_a_rounding(monkeypatch):
    """A sum of squares is told in units of the light's own variance."""
    mean = mean_light(rounded_strip(0.0, 9.0, 0.7), np.ones(700, bool), np.zeros(700))
    found = []
    for scatter in (1.0, 3.0):
        monkeypatch.setattr("wearscope.light.edge_light._scatter_of_light", lambda *_, of=scatter, **__: of)
        found.append(fit_unused(mean, Lighting(background="bright"), (6.0, 3.0), PITCH_UM).rounding_evidence)
    assert found[0] == pytest.approx(9.0 * found[1], rel=0.02)
