from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from measured import light_fit, measured
from pictures import BARE, GOLD, VIOLET
from scipy.special import ndtr

from wearscope.light.strip import Strip
from wearscope.quantities.reasons import reason
from wearscope.wear.coating import coating_findings, zone_coating
from wearscope.wear.coating_colour import (
    BAND_UM,
    colour_ratios,
    deep_colour,
    even_out,
    is_grey,
    learn_coating,
    usual_colour,
)
from wearscope.wear.coating_map import map_substrate, read_coating
from wearscope.wear.zone_lights import in_sight

PITCH_UM = 3.5
D_UM = np.arange(-46, 155) * PITCH_UM
S_UM = np.arange(900) * PITCH_UM
USED = S_UM > 1600.0
EDGE_UM = np.where(USED, 15.0, 0.0)
BLUR_UM = 1.1 * PITCH_UM


def bared(setback_um, *, coating=GOLD, bare=BARE, noise=0.006, seed=0, drift=0.0, shade=0.0):
    """A strip whose coating begins `setback_um` inside the edge."""
    depth = D_UM[:, None] - EDGE_UM
    gone = ndtr((setback_um - depth) / BLUR_UM)[..., None]
    face = np.array(bare) * gone + np.array(coating) * (1.0 - gone)
    light = np.array([0.02] * 3) + ndtr(depth / BLUR_UM)[..., None] * (face - 0.02)
    along = (S_UM / S_UM[-1] - 0.5)[None, :, None]
    light = light * (1.0 + shade * along) * (1.0 + drift * along * np.array([1.0, 0.0, -1.0]))
    light = light + np.random.default_rng(seed).normal(0.0, noise, light.shape)
    return Strip(np.clip(light, 0, 1).astype(np.float32), S_UM, D_UM, PITCH_UM)


def zones_of(strip, *, looked_for=USED, clear_um=3.0 * PITCH_UM):
    ratios = even_out(strip, colour_ratios(strip), ~USED)
    colour = learn_coating(strip, ratios, ~USED)
    usual = usual_colour(strip, ratios, colour, EDGE_UM, ~USED)
    found = map_substrate(strip, ratios, colour, EDGE_UM, EDGE_UM + clear_um, looked_for, usual, BLUR_UM)
    return [zone_coating(strip, found, EDGE_UM, 1.0, columns) for columns in (USED, ~USED)]


@pytest.mark.parametrize(("coating", "bare"), [(GOLD, BARE), (VIOLET, BARE), (GOLD, (0.5, 0.5, 0.52))])
@pytest.mark.parametrize("setback_um", [25.0, 60.0, 90.0])
def test_loss_and_setback(setback_um, coating, bare):
    used, unused = zones_of(bared(np.where(USED, setback_um, -99.0), coating=coating, bare=bare))
    assert BAND_UM == 100.0
    assert used.loss == pytest.approx(setback_um / 100.0, abs=0.03)  # the stated limit
    assert abs(used.loss - setback_um / 100.0) < 1.96 * used.u_loss + 0.005
    assert abs(used.setback_um - setback_um) < 1.96 * used.u_setback_um
    assert unused.loss == pytest.approx(0.0, abs=0.005)
    assert unused.setback_um == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("setback_um", [150.0, 240.0, 300.0, 600.0])
def test_all_gone(setback_um):
    # however far the coating is gone, also where the face beyond the band is bare too
    used, unused = zones_of(bared(np.where(USED, setback_um, -99.0)))
    assert used.loss == pytest.approx(1.0, abs=0.01)
    assert used.setback_um > 0.9 * min(setback_um, 500.0)
    assert unused.loss == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(
    ("behind", "white"), [(0.7, np.ones(3)), (0.02, np.ones(3)), (0.7, np.array([1.1, 1.0, 0.8]))]
)
def test_a_coating_as_grey_as_carbide(behind, white):
    # tungsten's reflectance at 630, 530 and 465 nm, 0.515, 0.495 and 0.470, is grey (CRC Handbook of Chemistry and
    # Physics, from memory); gold-coloured titanium nitride is not
    for colour, grey in (
        (np.array([0.515, 0.495, 0.470]), True),
        (np.array(GOLD), False),
        (np.array(VIOLET), False),
    ):
        strip = bared(-99.0, coating=colour * white, noise=0.004)
        light = strip.light.copy()
        light[D_UM < -20.0] = np.clip(behind * white, 0, 1)
        strip = Strip(light, S_UM, D_UM, PITCH_UM)
        learnt = learn_coating(strip, colour_ratios(strip), ~USED)
        if behind > 0.5 or white.max() == 1.0:
            assert is_grey(strip, learnt, EDGE_UM) is grey


def test_a_bare_strip_no_wider_than_the_blur():
    # its pixels show less of the substrate than there is; the purest depth decides, and the border is less sure
    wide, narrow = (
        zones_of(bared(np.where(USED, setback_um, -99.0)), clear_um=PITCH_UM)[0] for setback_um in (60.0, 9.0)
    )
    assert narrow.loss == pytest.approx(0.09, abs=0.05)
    assert abs(narrow.loss - 0.09) < 1.96 * narrow.u_loss
    assert wide.u_loss < 0.03


def test_coating_that_begins_where_nothing_can_be_read():
    # half of the columns are bare from the edge to 40 µm, the others to 12 µm, of which 20 µm cannot be read
    block = (S_UM // 200.0).astype(int) % 2 == 0
    strip = bared(np.where(USED, np.where(block, 40.0, 12.0), -99.0))
    used, _ = zones_of(strip, clear_um=20.0)
    true = float(np.where(block, 40.0, 12.0)[USED].mean()) / 100.0
    assert abs(used.loss - true) < 1.96 * used.u_loss
    assert used.loss == pytest.approx(true, abs=0.05)
    assert any("begins where nothing can be read" in term.source.name for term in used.loss_budget.terms)


def test_nothing_gone():
    used, unused = zones_of(bared(np.full(len(S_UM), -99.0)))
    assert used.loss == pytest.approx(0.0, abs=0.002)
    assert unused.loss == pytest.approx(0.0, abs=0.002)
    assert used.u_loss > 0.002


def test_a_ragged_border():
    rng = np.random.default_rng(1)
    ragged = np.interp(S_UM, np.arange(0.0, 3300.0, 60.0), rng.uniform(10.0, 80.0, 55))
    used, _ = zones_of(bared(np.where(USED, ragged, -99.0)))
    assert used.loss == pytest.approx(ragged[USED].mean() / 100.0, abs=0.03)


def test_spots_gone_within_the_coating():
    strip = bared(np.full(len(S_UM), -99.0))
    light = strip.light.copy()
    rng = np.random.default_rng(3)
    spots = np.zeros(light.shape[:2], bool)
    for row, column in zip(rng.integers(56, 72, 40), rng.integers(470, 890, 40), strict=True):
        spots[row : row + 5, column : column + 6] = True
    light[spots] = np.array(BARE, np.float32)
    used, _ = zones_of(Strip(light, S_UM, D_UM, PITCH_UM))
    depth = D_UM[:, None] - EDGE_UM
    band = (depth >= 0) & (depth <= 100.0) & USED
    assert used.loss == pytest.approx(spots[band].mean(), abs=0.03)


def test_light_that_changes_along_the_edge():
    # a lamp that is warmer and brighter on one side must not be taken for bare carbide
    worn = bared(np.where(USED, 50.0, -99.0), drift=0.15, shade=0.5)
    used, unused = zones_of(worn)
    assert used.loss == pytest.approx(0.5, abs=0.03)
    assert unused.loss < 0.01
    used, _ = zones_of(bared(np.full(len(S_UM), -99.0), drift=0.15, shade=0.5))
    assert used.loss < 0.01


@pytest.mark.parametrize("gain", [2.0, 4.0, 8.0])
@pytest.mark.parametrize(("setback_um", "loss"), [(60.0, 0.6), (-99.0, 0.0)])
def test_a_burnt_out_line_is_not_bare(setback_um, loss, gain):
    # the lamp's image in the arc, in the coating's own colour until it is burnt out
    strip = bared(np.where(USED, setback_um, -99.0), noise=0.0)
    depth = D_UM[:, None] - EDGE_UM
    glow = 1.0 + gain * np.exp(-0.5 * ((depth - 15.0) / 8.0) ** 2) * USED
    light = strip.light * glow[..., None] + np.random.default_rng(0).normal(0.0, 0.006, strip.light.shape)
    used, _ = zones_of(Strip(np.clip(light, 0.0, 1.0).astype(np.float32), S_UM, D_UM, PITCH_UM))
    assert used.loss == pytest.approx(loss, abs=0.03)
    assert used.unreadable > 0.05


def test_brightness_of_the_photo_does_not_matter():
    strip = bared(np.where(USED, 60.0, -99.0))
    brighter = Strip(np.float32(1.4) * strip.light, S_UM, D_UM, PITCH_UM)
    assert zones_of(brighter)[0].loss == pytest.approx(zones_of(strip)[0].loss, abs=0.005)


def test_colour_is_learnt_from_the_face_where_there_is_no_unused_edge():
    strip = bared(np.full(len(S_UM), 60.0))
    ratios = colour_ratios(strip)
    colour = learn_coating(strip, ratios, np.zeros(len(S_UM), bool))
    expected = np.log([GOLD[0] / GOLD[1], GOLD[2] / GOLD[1]])
    np.testing.assert_allclose(colour.mean, expected, atol=0.01)
    np.testing.assert_allclose(deep_colour(ratios, strip), expected, atol=0.01)


def test_no_face_no_colour():
    strip = bared(np.full(len(S_UM), 60.0))
    unseen = Strip(np.full_like(strip.light, np.nan), S_UM, D_UM, PITCH_UM)
    assert learn_coating(unseen, colour_ratios(unseen), ~USED) is None
    assert deep_colour(colour_ratios(unseen), unseen) is None


def test_a_zone_without_columns():
    strip = bared(np.full(len(S_UM), 60.0))
    ratios = colour_ratios(strip)
    colour = learn_coating(strip, ratios, ~USED)
    usual = usual_colour(strip, ratios, colour, EDGE_UM, ~USED)
    found = map_substrate(strip, ratios, colour, EDGE_UM, EDGE_UM + 10.0, USED, usual, BLUR_UM)
    assert zone_coating(strip, found, EDGE_UM, 1.0, np.zeros(len(S_UM), bool)) is None


def test_an_edge_that_may_be_of_two_kinds_is_doubtful():
    strip = bared(np.where(USED, 60.0, -99.0))
    ratios = even_out(strip, colour_ratios(strip), ~USED)
    colour = learn_coating(strip, ratios, ~USED)
    usual = usual_colour(strip, ratios, colour, EDGE_UM, ~USED)
    seen = map_substrate(strip, ratios, colour, EDGE_UM, EDGE_UM + 10.0, USED, usual, BLUR_UM)
    fit, whole = light_fit(u_silhouette_um=1.0), np.ones(len(S_UM), np.int8)
    for residual_um, status in ((0.4, "ok"), (9.0, "doubtful")):
        edge = measured(strip, whole, EDGE_UM, used=fit, residual_um=residual_um)
        rows = coating_findings(edge, seen, "light-fit")
        assert [row.status for row in rows] == [status, status]
        assert all(
            (reason("edge-line-wanders", rms_um=9.0) in row.reasons) is (residual_um == 9.0) for row in rows
        )


def test_a_doubtful_zone_makes_the_difference_doubtful():
    strip = bared(np.where(USED, 60.0, -99.0))
    ratios = even_out(strip, colour_ratios(strip), ~USED)
    colour = learn_coating(strip, ratios, ~USED)
    usual = usual_colour(strip, ratios, colour, EDGE_UM, ~USED)
    seen = map_substrate(strip, ratios, colour, EDGE_UM, EDGE_UM + 10.0, USED, usual, BLUR_UM)
    used, unused = (light_fit(zone, u_silhouette_um=1.0) for zone in ("used", "unused"))
    labels = np.where(USED, 1, -1).astype(np.int8)
    edge = measured(strip, labels, EDGE_UM, used=used, unused=unused)
    for faint, status in ((False, "ok"), (True, "doubtful")):
        rows = coating_findings(edge, replace(seen, faint=faint), "light-fit")
        (difference,) = (row for row in rows if row.zone == "difference")
        assert difference.status == status


@pytest.mark.parametrize(("covered_um", "status"), [(0.0, "ok"), (400.0, "doubtful")])
def test_what_lies_over_the_edge_is_left_out_and_said(covered_um, status):
    # over the first 400 um something the colour of the coating lies over the bare edge
    hidden = USED & (S_UM[USED].min() + covered_um > S_UM)
    strip = bared(np.where(USED & ~hidden, 60.0, -99.0))
    ratios = even_out(strip, colour_ratios(strip), ~USED)
    colour = learn_coating(strip, ratios, ~USED)
    usual = usual_colour(strip, ratios, colour, EDGE_UM, ~USED)
    seen = map_substrate(strip, ratios, colour, EDGE_UM, EDGE_UM + 10.0, USED, usual, BLUR_UM)
    used, unused = (light_fit(zone, u_silhouette_um=1.0) for zone in ("used", "unused"))
    labels = np.where(USED, 1, -1).astype(np.int8)
    steepness = np.where(hidden, 0.1, 1.0)
    edge = measured(strip, labels, EDGE_UM, used=used, unused=unused)
    edge = replace(edge, in_sight=in_sight(labels, steepness, float(S_UM[1] - S_UM[0])))
    rows = {(row.quantity, row.zone): row for row in coating_findings(edge, seen, "light-fit")}
    loss = rows["coating_loss", "used"]
    assert loss.value == pytest.approx(0.6, abs=0.03)
    assert loss.status == rows["coating_loss", "difference"].status == status
    assert ("edge-covered" in [each.code for each in loss.reasons]) is (status == "doubtful")
    assert "edge-covered" not in [each.code for each in rows["coating_loss", "unused"].reasons]


def test_an_edge_that_goes_out_of_focus_is_in_sight():
    # steepness falls to half of its middle at one end, on an edge whose other zone is three times as steep
    labels = np.where(USED, 1, -1).astype(np.int8)
    steepness = np.where(USED, np.linspace(1.6, 0.6, len(S_UM)), 3.0)
    assert in_sight(labels, steepness, PITCH_UM).all()


@pytest.mark.parametrize(("radius_um", "status"), [(6.0, "ok"), (30.0, "doubtful")])
def test_a_coating_that_ends_within_the_rounding_is_doubtful(radius_um, status):
    # 25 µm deep: the arc of such an edge mirrors the lamps there
    strip = bared(np.where(USED, 25.0, -99.0))
    ratios = even_out(strip, colour_ratios(strip), ~USED)
    colour = learn_coating(strip, ratios, ~USED)
    usual = usual_colour(strip, ratios, colour, EDGE_UM, ~USED)
    seen = map_substrate(strip, ratios, colour, EDGE_UM, EDGE_UM + 10.0, USED, usual, BLUR_UM)
    used = light_fit("used", radius_um=radius_um, u_silhouette_um=1.0, blur_um=BLUR_UM)
    unused = light_fit("unused", u_silhouette_um=1.0)
    edge = measured(strip, np.where(USED, 1, -1).astype(np.int8), EDGE_UM, used=used, unused=unused)
    rows = {(row.quantity, row.zone): row for row in coating_findings(edge, seen, "light-fit")}
    assert [rows[quantity, "used"].status for quantity in ("coating_loss", "coating_setback")] == [status] * 2
    said = reason("coating-ends-in-rounding")
    assert (said in rows["coating_loss", "used"].reasons) is (status == "doubtful")
    # what is doubtful of a zone is so of the difference; where no coating is gone none can end anywhere
    assert rows["coating_loss", "difference"].status == status
    assert (rows["coating_loss", "unused"].status, said in rows["coating_loss", "unused"].reasons) == (
        "below_detection",
        False,
    )


@pytest.mark.parametrize(("setback_um", "doubtful"), [(25.0, True), (45.0, False)])
def test_the_blur_counts_to_the_rounding_and_depth_tells(setback_um, doubtful):
    # an arc of 24 um and a blur of 4 um reach 32 um deep: a coating that ends at 25 um may be the lamp's image, one
    # that ends at 45 um is gone beyond it
    strip = bared(np.where(USED, setback_um, -99.0))
    fit = light_fit("used", radius_um=24.0, u_silhouette_um=1.0, blur_um=BLUR_UM)
    edge = measured(
        strip, np.where(USED, 1, -1).astype(np.int8), EDGE_UM, used=fit, unused=light_fit("unused")
    )
    rows = {(row.quantity, row.zone): row for row in coating_findings(edge, read_coating(edge), "light-fit")}
    for quantity in ("coating_loss", "coating_setback"):
        assert (reason("coating-ends-in-rounding") in rows[quantity, "used"].reasons) is doubtful
    assert rows["coating_loss", "used"].value == pytest.approx(setback_um / 100.0, abs=0.03)


def test_a_column_that_cannot_be_read_hides_all_of_its_band():
    strip = bared(np.where(USED, 40.0, -99.0))
    light = strip.light.copy()
    glare = USED & (S_UM > 2600.0)
    light[:, glare] = 1.0
    ratios = colour_ratios(strip)
    colour = learn_coating(strip, ratios, ~USED)
    usual = usual_colour(strip, ratios, colour, EDGE_UM, ~USED)
    burnt = Strip(light, S_UM, D_UM, PITCH_UM)
    seen = map_substrate(burnt, colour_ratios(burnt), colour, EDGE_UM, EDGE_UM + 10.0, USED, usual, BLUR_UM)
    inner = S_UM > 2650.0
    assert seen.readable_from_um[inner] == pytest.approx(BAND_UM)
    loss = zone_coating(burnt, seen, EDGE_UM, 1.0, USED)
    clear = zone_coating(strip, seen, EDGE_UM, 1.0, USED & ~glare)
    assert loss.u_loss > 2.0 * clear.u_loss


def test_the_detection_limit_is_that_of_a_coating_that_has_lost_nothing():
    # L. A. Currie, Anal. Chem. 40 (1968): 3.29 times the standard uncertainty of a blank, from memory
    fit = light_fit(u_silhouette_um=1.0)
    for setback_um in (-99.0, 60.0):
        strip = bared(np.where(USED, setback_um, -99.0))
        ratios = even_out(strip, colour_ratios(strip), ~USED)
        colour = learn_coating(strip, ratios, ~USED)
        usual = usual_colour(strip, ratios, colour, EDGE_UM, ~USED)
        seen = map_substrate(strip, ratios, colour, EDGE_UM, EDGE_UM + 10.0, USED, usual, BLUR_UM)
        edge = measured(strip, np.where(USED, 1, -1).astype(np.int8), EDGE_UM, used=fit, unused=fit)
        rows = {(row.quantity, row.zone): row for row in coating_findings(edge, seen, "light-fit")}
        loss, blank = rows["coating_loss", "used"], rows["coating_loss", "unused"]
        assert (blank.status, rows["coating_setback", "unused"].status) == ("below_detection",) * 2
        if setback_um < 0.0:
            assert loss.detection_limit == pytest.approx(3.29 * loss.u)
            assert loss.status == "below_detection"
        else:  # where the border is, is known less well than that there is none
            assert 0.01 < loss.detection_limit < 2.5 * loss.u
            assert loss.status == "ok"
        assert rows["coating_loss", "difference"].detection_limit == pytest.approx(
            np.hypot(loss.detection_limit, blank.detection_limit)
        )


@pytest.mark.parametrize(("noise", "code"), [(0.006, None), (0.2, "coating-colour-noisy")])
def test_a_colour_too_noisy_to_tell_carbide_by(noise, code):
    """A cheap camera's colours scatter more than they differ: no loss seen is no loss of nothing."""
    fit = light_fit(u_silhouette_um=1.0)
    strip = bared(
        np.where(USED, 60.0, -99.0), coating=(0.22, 0.16, 0.11), bare=(0.17, 0.16, 0.16), noise=noise
    )
    edge = measured(strip, np.where(USED, 1, -1).astype(np.int8), EDGE_UM, used=fit, unused=fit)
    rows = {(row.quantity, row.zone): row for row in coating_findings(edge, read_coating(edge), "light-fit")}
    loss = rows["coating_loss", "used"]
    if code is None:
        assert loss.value == pytest.approx(0.6, abs=0.03)
    else:
        assert (loss.status, loss.value, loss.reasons[0].code) == ("refused", None, code)
