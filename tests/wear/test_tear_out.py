"""Break-outs of a part's top layer, on drawn edges of known shape."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from parts import BELOW, BRIGHT, DARK, Part
from seams import contributions
from seldom import seldom

from wearscope.metrology.findings import DETECTION
from wearscope.quantities.reasons import Reason
from wearscope.wear.tear_out import TEAR_OUT_UM, TearOut, find_tear_out, tear_out_findings

TORN = ((-1900.0, 600.0, 400.0), (-300.0, 300.0, 250.0), (1500.0, 800.0, 600.0), (2400.0, 300.0, 60.0))
STRAIGHT = Part(turned_deg=0.0)


def rows(part):
    return tear_out_findings(find_tear_out(part.strip()), 0.002, "part-edge")


@pytest.mark.parametrize(
    ("ground", "below"),
    [(DARK, None), seldom(BRIGHT, None), seldom(DARK, BELOW), (BRIGHT, (0.95, 0.9, 0.85))],
)
def test_depth_and_share(ground, below):
    part = replace(STRAIGHT, torn=TORN, ground=ground, below=below)
    deepest, share = rows(part)
    assert (deepest.status, share.status) == ("ok", "ok")
    assert abs(deepest.value - 600.0) < min(1.96 * deepest.u, 25.0)
    assert abs(share.value - part.share(TEAR_OUT_UM)) < min(1.96 * share.u, 0.03)


def test_none_is_a_result():
    for ground in (DARK, BRIGHT):
        for row in rows(replace(STRAIGHT, ground=ground)):
            assert row.status == "below_detection"
            assert row.interval95[0] <= 0.0 < row.interval95[1]


@pytest.mark.statistics
def test_intervals_hold_the_truth():
    inside = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        torn = tuple(
            zip([-1800.0, 0.0, 1800.0], rng.uniform(300, 1200, 3), rng.uniform(40, 700, 3), strict=True)
        )
        part = replace(STRAIGHT, torn=torn, seed=seed, size=(320, 560), ground=(DARK, BRIGHT)[seed % 2])
        deepest, share = rows(part)
        for row, truth in ((deepest, max(depth for *_, depth in torn)), (share, part.share(TEAR_OUT_UM))):
            inside.append(row.interval95[0] <= truth <= row.interval95[1])
    assert np.mean(inside) >= 0.9


@pytest.mark.parametrize("um_per_px", [5.0, 20.0])
def test_at_another_scale(um_per_px):
    size = (480, 600) if um_per_px == 5.0 else (260, 300)
    deepest, _ = rows(replace(STRAIGHT, torn=((200.0, 700.0, 400.0),), um_per_px=um_per_px, size=size))
    assert abs(deepest.value - 400.0) < 1.96 * deepest.u


def test_a_layer_like_the_one_above_is_doubtful():
    # half-way in brightness between the two: nobody can say by its light whether it is the top layer
    for row in rows(replace(STRAIGHT, torn=TORN, below=(0.32, 0.25, 0.17))):
        assert row.status == "doubtful"
        assert row.reasons[0] == Reason("layer-below-alike")


@pytest.mark.parametrize(
    ("part", "why"),
    [
        (Part(turned_deg=0.0, ground=(0.5, 0.4, 0.3)), "cut-edge-unclear"),
        seldom(Part(turned_deg=0.0, grain=0.5), "cut-edge-unclear"),
        (Part(turned_deg=0.0, torn=((-1400.0, 2600.0, 500.0), (1400.0, 2500.0, 700.0))), "little-whole-edge"),
    ],
)
def test_what_cannot_be_told_is_refused(part, why):
    for row in rows(part):
        assert (row.status, row.reasons) == ("refused", (Reason(why),))


def test_fibres_and_dust_are_no_break_outs():
    strip = STRAIGHT.strip()
    light = strip.light.copy()
    middle = len(strip.d_um) // 2
    light[middle - 15 : middle - 12, 200:260] = STRAIGHT.face  # a fibre on the ground, 30 µm thick
    light[middle : middle + 30, 300:305] = DARK  # a slit of 50 µm
    for row in tear_out_findings(find_tear_out(replace(strip, light=light)), 0.002, "part-edge"):
        assert row.status == "below_detection"


def test_its_budget_and_its_limits():
    depth = np.zeros(500)
    seen = TearOut(depth, depth, ((0.0, 250.0), (900.0, 1150.0)), 400.0, 8.0, 5.0, 3.0, 5000.0, False)
    deepest, share = tear_out_findings(seen, 0.01, "part-edge")
    # the deepest of a hundred independent places lies sqrt(2 ln 100) standard deviations out
    wandering = 5.0 * np.sqrt(2.0 * np.log(100.0)) / 1.96
    assert contributions(deepest.budget) == pytest.approx(
        {"scatter of the trace": wandering, "rim of the notch": 3.0, "what the blur hides": 8.0, "scale": 4.0}
    )
    assert deepest.detection_limit == pytest.approx(DETECTION * np.hypot(wandering, 3.0))
    assert share.value == pytest.approx(0.1)
    assert contributions(share.budget) == pytest.approx(
        {"ends of the notches": 2.0 * 100.0 / np.sqrt(12.0) / 5000.0}
    )
    near = replace(seen, depth_um=np.where(np.arange(500) < 50, TEAR_OUT_UM + 1.0, 0.0))
    _, unsure = tear_out_findings(near, 0.01, "part-edge")
    assert contributions(unsure.budget)["notches near the limit"] == pytest.approx(0.05)
