"""Chips on drawn edges of known shape: how deep, how long, and what is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faces import FACE, S_UM, face, labels_with_transition, marks
from measured import light_fit, measured, zones
from scipy.ndimage import gaussian_filter1d

from wearscope.light.strip import UNUSED
from wearscope.quantities.reasons import reason
from wearscope.wear.chips import CHIP_UM, chip_findings, find_chips, sides

WIDTH_UM = 150.0
DARK, BRIGHT = (0.02, 0.02, 0.02), (0.8, 0.8, 0.8)


def notch(at_um, depth_um, width_um=WIDTH_UM):
    u = np.clip(2.0 * np.abs(S_UM - at_um) / width_um, 0.0, 1.0)
    return depth_um * (1.0 - u**2.5) ** 0.6


def wandering(size_um, seed=2):
    noise = gaussian_filter1d(np.random.default_rng(seed).standard_normal(len(S_UM)), 50.0, mode="wrap")
    return size_um * noise / noise.std()


def rows(chips_um, *, background=DARK, lamp_um=0.0, u_um=1.0, wander_um=1.0, noise=0.01, coated=False):
    """Findings of an edge, used at s < 0, with chips cut into it; by quantity and zone."""
    level = np.where(S_UM < 0, 15.0, 0.0) + wandering(wander_um) * (S_UM < 0)
    cut = np.sum(chips_um, axis=0) if chips_um else np.zeros(len(S_UM))
    lamp = np.where((S_UM < 0) & (cut < 3.0), lamp_um, 0.0)
    # against a dark background the arc outside the lamps' image is as dark as what lies behind it
    dim = [(level + cut + lamp, background, False)] if lamp_um else []
    strip = face(
        level + cut,
        bands=dim,
        background=background,
        lamp_um=lamp if lamp_um else None,
        texture=marks(3),
        noise=noise,
    )
    labels = labels_with_transition()
    labels[cut > 3.0] = 0
    trace = level + cut + lamp
    used, unused = (light_fit(zone, 0.0, 20.0, u_um) for zone in ("used", "unused"))
    edge = measured(strip, labels, level, departure_um=trace, used=used, unused=unused, coated=coated)
    return {(row.quantity, row.zone): row for row in chip_findings(find_chips(edge), "light-fit")}


@pytest.mark.parametrize("background", [DARK, BRIGHT])
@pytest.mark.parametrize("depth_um", [22.0, 40.0, 70.0])
def test_depth_and_length(depth_um, background):
    found = rows([notch(-1000.0, depth_um), notch(1100.0, 30.0)], background=background)
    for zone, depth in (("used", depth_um), ("unused", 30.0)):
        assert found["chip_count", zone].value == 1
        assert found["chip_count", zone].status == "ok"
        deepest = found["chip_depth_max", zone]
        assert abs(deepest.value - depth) < max(4.0, 0.1 * depth)
        assert abs(deepest.value - depth) < 1.96 * deepest.u
        length = found["chip_length", zone]
        assert abs(length.value - WIDTH_UM) < 1.96 * length.u


def test_chips_are_counted_and_their_lengths_added():
    found = rows([notch(at, 35.0, 120.0) for at in (-1600.0, -1100.0, -600.0)])
    assert found["chip_count", "used"].value == 3
    assert found["chip_count", "unused"].value == 0
    assert abs(found["chip_length", "used"].value - 360.0) < 1.96 * found["chip_length", "used"].u


def test_none_is_a_result():
    found = rows([])
    for zone in ("used", "unused"):
        count = found["chip_count", zone]
        assert (count.value, count.status) == (0, "ok")
        assert count.reasons[0] == reason("no-chip", depth_um=CHIP_UM)
        for size in ("chip_depth_max", "chip_length"):
            assert found[size, zone].status == "below_detection"
            assert found[size, zone].interval95[1] > 0.0


def test_a_shallow_notch_is_not_counted():
    found = rows([notch(-1000.0, 8.0)])
    assert found["chip_count", "used"].value == 0
    assert found["chip_depth_max", "used"].interval95[1] > 8.0


def test_a_notch_near_the_limit_makes_the_count_uncertain():
    found = rows([notch(-1000.0, CHIP_UM + 1.0)], u_um=2.0)
    assert found["chip_count", "used"].u > 0.3
    assert rows([notch(-1000.0, 40.0)])["chip_count", "used"].u < 0.15


def test_wear_that_wanders_has_no_chips():
    found = rows([], wander_um=5.0)
    assert found["chip_count", "used"].value == 0


def test_a_long_gentle_hollow_is_wear_and_not_a_chip():
    hollow = 25.0 * np.exp(-(((S_UM + 1000.0) / 300.0) ** 2) / 2)
    assert rows([hollow])["chip_count", "used"].value == 0


def test_against_the_dark_the_lamps_image_hides_shallow_chips():
    found = rows([notch(-1000.0, 45.0)], lamp_um=24.0)
    assert found["chip_count", "used"].value == 1
    assert found["chip_count", "used"].status == "doubtful"
    assert found["chip_count", "used"].reasons[0].code == "shallow-chips-hidden"
    deepest = found["chip_depth_max", "used"]
    assert deepest.status == "ok"
    assert abs(deepest.value - 45.0) < 6.0
    assert found["chip_count", "unused"].status == "ok"


def test_bare_carbide_before_a_bright_card_is_doubtful():
    found = rows([notch(-1000.0, 40.0)], background=BRIGHT, coated=True)
    assert found["chip_depth_max", "used"].status == "doubtful"
    assert found["chip_depth_max", "used"].u > 10.0
    assert found["chip_count", "unused"].status == "ok"  # nothing broken there


def test_an_edge_like_its_background_is_refused():
    found = rows([notch(-1000.0, 40.0)], background=FACE * 1.03, noise=0.02)
    assert {row.status for row in found.values()} == {"refused"}
    assert all(row.value is None and row.reasons for row in found.values())


def test_the_transition_and_the_ends_are_left_out():
    flat = np.zeros(len(S_UM))
    edge = measured(face(0.0), labels_with_transition(), flat)
    edge = replace(edge, zones=zones(edge.labels, transition_um=100.0))
    parts = dict(sides(edge))
    assert S_UM[parts["used"]].max() == pytest.approx(-200.0, abs=4.1)
    assert S_UM[parts["unused"]].min() == pytest.approx(400.0, abs=4.1)
    assert S_UM[parts["used"]].min() == pytest.approx(-1900.0, abs=4.1)
    whole = replace(edge, zones=zones(np.full(len(S_UM), UNUSED, np.int8)))
    assert [zone for zone, _ in sides(whole)] == ["used"]
    assert [zone for zone, _ in sides(replace(whole, datum=None))] == ["unused"]
