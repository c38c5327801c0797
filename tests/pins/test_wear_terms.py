"""Every term of the budgets of wear, by name and size, from the formula worked out beside it.

Two fitted profiles, a line, a map of bare substrate and so on are made up with known uncertainties, different
everywhere; what the rows then say of each source must be what plain arithmetic makes of it. Detection limits are 3.29
times the standard uncertainty (both error risks 5 %: Currie, Anal. Chem. 40 (1968) 586, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from faces import FACE, face, marks
from lands import BLUR_UM, RADIUS_UM, RECESSION_UM, SILHOUETTE, USED_EDGE, ends, scene
from seams import (
    BAND_UM,
    NEITHER,
    UNUSED,
    USED,
    Input,
    Strip,
    a_coating_map,
    a_fit,
    as_budget,
    chip_rows,
    coating_rows,
    contributions,
    detection_limit,
    drawn_on,
    land_rows,
    linear,
    rounding_rows,
    tip_rows,
    with_fit,
)
from tips import arc_tip, fitted

DETECT = 3.29
U_SCALE = 1.5e-3


# --- Recession and radius


S_UM = np.arange(-2000.0, 2000.0, 4.0)
LABELS = np.where(S_UM < -300, USED, np.where(S_UM > 300, UNUSED, NEITHER)).astype(np.int8)
# of the line drawn on: 0.5 µm everywhere, and 0.1 µm more for each 0.5 mm from the middle of the unused zone
LINE_UM = np.column_stack([np.full(len(S_UM), 0.5), 2e-4 * (S_UM - 1150.0)])
OFF_UM = 2e-4 * (-1150.0 - 1150.0)  # of the second column, in the mean over the used zone
U = {"silhouette": (0.8, 0.6), "radius": (1.5, 1.1)}  # used, unused
BETA, TILT_DEG, TURNED_DEG = 60.0, 1.5, 0.7
FACTOR = 1 / np.tan(np.radians(BETA / 2)) - 1


def profiles(recession_um, grown_um, shift_um=4.0):
    """Used and unused edge; every source has a name of its own."""
    of = {
        zone: [
            linear(value, [(1.0, Input(f"{what} ({zone})", 0.0, U[what][k]))])
            for what, value in (("silhouette", silhouette), ("radius", radius))
        ]
        for k, (zone, silhouette, radius) in enumerate(
            [("used", shift_um + recession_um, 6.0 + grown_um), ("unused", shift_um, 6.0)]
        )
    }
    return a_fit(*of["used"]), a_fit(*of["unused"])


def rounding(recession_um, grown_um, labels=LABELS, tilt_deg=0.0):
    return rounding_rows(
        *profiles(recession_um, grown_um),
        line_errors_um=LINE_UM,
        line_dof=7.0,
        labels=labels,
        wedge_deg=(BETA, 1.2),
        tilt_deg=(tilt_deg, TILT_DEG),
        turned_deg=TURNED_DEG,
        u_scale=U_SCALE,
    )


def by_word(budget, *words):
    """Contribution of the one source whose name begins with these words."""
    found = {name: value for name, value in contributions(budget).items() if name.startswith(words)}
    assert len(found) == 1, contributions(budget)
    return abs(next(iter(found.values())))


def test_recession_between_two_zones():
    row = rounding(20.0, 27.0)["edge_recession", "difference"]
    line_um = np.hypot(0.5, OFF_UM)
    expected = {
        "silhouette (used)": 0.8,
        "silhouette (unused)": 0.6,
        "new-state line": line_um,
        "view tilt": 27.0 * np.radians(TILT_DEG),  # d/dτ of r (cot(β/2) cos τ - sin τ - 1) at τ = 0 is -r
        "turning of the helix": 27.0 * np.radians(TURNED_DEG),
        "scale": 20.0 * U_SCALE,
    }
    assert row.value == pytest.approx(20.0)
    for words, size in expected.items():
        assert by_word(row.budget, words) == pytest.approx(size, rel=2e-3), words
    assert len(contributions(row.budget)) == len(expected)
    assert row.u == pytest.approx(np.sqrt(sum(size**2 for size in expected.values())), rel=1e-3)
    # Welch and Satterthwaite: only the line has few degrees of freedom
    assert row.dof == pytest.approx(7.0 * (row.u / line_um) ** 4, rel=0.01)


@pytest.mark.parametrize("tilt_deg", [-12.0, 12.0])
def test_recession_in_a_tilted_view(tilt_deg):
    # square to the face: M / cos τ + Δr ((1 + sin τ) / cos τ - 1), of what the picture shows and of what has grown
    tilt = np.radians(tilt_deg)
    moved_um = 27.0 * (np.cos(tilt) / np.tan(np.radians(BETA / 2)) - np.sin(tilt) - 1)
    row = rounding(moved_um, 27.0, tilt_deg=tilt_deg)["edge_recession", "difference"]
    assert row.value == pytest.approx(27.0 * FACTOR)
    by_grown = (1 + np.sin(tilt)) / np.cos(tilt) - 1
    line_um = np.hypot(0.5, OFF_UM) / np.cos(tilt)
    per_tilt = (moved_um * np.sin(tilt) + 27.0 * (1 + np.sin(tilt))) / np.cos(tilt) ** 2
    expected = {
        "silhouette (used)": 0.8 / np.cos(tilt),
        "silhouette (unused)": 0.6 / np.cos(tilt),
        "radius (used)": 1.5 * abs(by_grown),
        "radius (unused)": 1.1 * abs(by_grown),
        "new-state line": line_um,
        "view tilt": per_tilt * np.radians(TILT_DEG),
        "turning of the helix": per_tilt * np.radians(TURNED_DEG),
        "scale": 27.0 * FACTOR * U_SCALE,
    }
    for words, size in expected.items():
        assert by_word(row.budget, words) == pytest.approx(size, rel=2e-3), words
    assert len(contributions(row.budget)) == len(expected)
    unworn = [expected[word] for word in list(expected)[:5]]
    assert detection_limit(row) == pytest.approx(DETECT * np.linalg.norm(unworn), rel=0.01)


def test_radius_and_its_growth():
    rows = rounding(20.0, 27.0)
    used, unused, grown = (rows["edge_radius", zone] for zone in ("used", "unused", "difference"))
    assert (used.value, unused.value, grown.value) == pytest.approx((33.0, 6.0, 27.0))
    assert contributions(used.budget) == pytest.approx({"radius (used)": 1.5, "scale": 33.0 * U_SCALE})
    assert contributions(unused.budget) == pytest.approx({"radius (unused)": 1.1, "scale": 6.0 * U_SCALE})
    for words, size in (("radius (used)", 1.5), ("radius (unused)", 1.1), ("scale", 27.0 * U_SCALE)):
        assert by_word(grown.budget, words) == pytest.approx(size, rel=2e-3)
    assert len(contributions(grown.budget)) == 3


def test_recession_by_the_wedge_where_no_unused_zone_is_seen():
    labels = np.where(LABELS == NEITHER, NEITHER, USED).astype(np.int8)
    row = rounding(27.0 * FACTOR, 27.0, labels)["edge_recession", "difference"]
    half = np.radians(BETA / 2)
    expected = {
        "radius (used)": 1.5 * FACTOR,
        "radius (unused)": 1.1 * FACTOR,
        "wedge angle": 27.0 * np.radians(1.2) / 2 / np.sin(half) ** 2,  # d/dβ of cot(β/2)
        "view tilt": 27.0 * np.radians(TILT_DEG),
        "turning of the helix": 27.0 * np.radians(TURNED_DEG),
        "scale": 27.0 * FACTOR * U_SCALE,
    }
    for words, size in expected.items():
        assert by_word(row.budget, words) == pytest.approx(size, rel=2e-3), words
    assert len(contributions(row.budget)) == len(expected)


@pytest.mark.parametrize("tilt_deg", [-12.0, 12.0])
def test_recession_by_the_wedge_in_a_tilted_view(tilt_deg):
    # the radius says it without the silhouette: that of a camera square to the face, whichever way this one looks
    labels = np.where(LABELS == NEITHER, NEITHER, USED).astype(np.int8)
    row = rounding(0.0, 27.0, labels, tilt_deg)["edge_recession", "difference"]
    assert row.value == pytest.approx(27.0 * FACTOR)
    half = np.radians(BETA / 2)
    assert by_word(row.budget, "wedge angle") == pytest.approx(
        27.0 * np.radians(1.2) / 2 / np.sin(half) ** 2, rel=2e-3
    )


NO_WEAR_UM = DETECT * np.sqrt(0.8**2 + 0.6**2 + 0.5**2 + OFF_UM**2)


@pytest.mark.parametrize(("share", "status"), [(0.98, "below_detection"), (1.02, "ok")])
def test_detection_limit_of_recession(share, status):
    # without wear there is nothing for scale and tilt to act on
    row = rounding(share * NO_WEAR_UM, share * NO_WEAR_UM / FACTOR)["edge_recession", "difference"]
    assert row.status == status
    if status == "below_detection":
        assert detection_limit(row) == pytest.approx(NO_WEAR_UM, rel=0.01)


@pytest.mark.parametrize(("share", "status"), [(0.97, "below_detection"), (1.03, "ok")])
def test_detection_limit_of_growth(share, status):
    # by the radius itself, or by the recession over the factor, whichever shows less
    limit = min(DETECT * np.hypot(1.5, 1.1), NO_WEAR_UM / FACTOR)
    assert limit == pytest.approx(NO_WEAR_UM / FACTOR, rel=0.35)
    rows = rounding(0.5 * NO_WEAR_UM, share * limit)
    assert rows["edge_radius", "difference"].status == status
    assert rows["edge_radius", "used"].status == status
    if status == "below_detection":
        assert detection_limit(rows["edge_radius", "difference"]) == pytest.approx(limit, rel=0.01)


def test_a_line_drawn_on_scatters_as_stated():
    # Monte Carlo: a trace whose errors are alike over 100 µm, the line through its unused part drawn on under the used
    rng, off, stated = np.random.default_rng(3), [], []
    use, there = S_UM > 300.0, LABELS == USED
    for _ in range(400):
        steps = rng.normal(0.0, 1.0, len(S_UM) // 25)
        trace = np.repeat(steps, 25)[: len(S_UM)] + 0.003 * S_UM + 5.0
        line, errors = drawn_on(S_UM, np.where(use, trace, np.nan), degree=1)
        off.append((line - 0.003 * S_UM - 5.0)[there].mean())
        stated.append(np.linalg.norm(errors[there].mean(axis=0)))
    assert np.mean(stated) == pytest.approx(np.std(off), rel=0.15)
    # of a mean, not the largest along the edge: the far end is less sure than the middle
    far = np.linalg.norm(errors[there], axis=1).max()
    assert stated[-1] < 0.8 * far


# --- Chips


NOTCHES = [
    (100.0, 220.0, 42.0, 3.1),
    (600.0, 690.0, 25.0, 2.2),
    (900.0, 940.0, 13.5, 1.5),
]  # the last: too shallow
SEEN = {"shallowest_um": 15.0, "u_depth_um": 2.6, "u_end_um": 7.0, "u_length_um": 9.0}


def test_chips_that_are_there():
    rows = chip_rows(NOTCHES, **SEEN)
    count, deepest, length = (rows[q, "used"] for q in ("chip_count", "chip_depth_max", "chip_length"))
    assert (count.value, deepest.value, length.value) == (2, 42.0, 120.0 + 90.0)
    assert contributions(deepest.budget) == {"rim of the notch": 3.1}
    assert contributions(length.budget) == pytest.approx(
        {
            "ends of the notches": np.sqrt(4) * 7.0,  # two ends each, independent
            "what the lamps' image hides": 2 * 9.0,  # the same for every chip
        }
    )
    # the third lies 1.5 µm below the limit of 15, of u 1.5: counted with probability Φ(-1); the others for sure
    p = 0.158655
    assert contributions(count.budget) == pytest.approx(
        {"notches near the limit": np.sqrt(p * (1 - p)), "notches by chance": 0.1}, rel=1e-4
    )


def test_the_length_of_chips_goes_by_the_scale_along_the_edge():
    rows = chip_rows(NOTCHES, **SEEN, u_scale_along=U_SCALE)
    assert by_word(rows["chip_length", "used"].budget, "scale") == pytest.approx(210.0 * U_SCALE)


def test_no_chips():
    rows = chip_rows(NOTCHES[2:], **SEEN)
    count, deepest, length = (rows[q, "used"] for q in ("chip_count", "chip_depth_max", "chip_length"))
    assert (count.value, deepest.value, length.value) == (0, 7.5, 0.0)
    assert {deepest.status, length.status} == {"below_detection"}
    assert deepest.u == pytest.approx(15.0 / np.sqrt(12.0))  # anything from none to 15 µm
    assert contributions(length.budget) == {"ends of the notches": 7.0}
    assert detection_limit(length) == pytest.approx(DETECT * 7.0, rel=0.01)
    assert detection_limit(deepest) == pytest.approx(DETECT * 15.0 / np.sqrt(12.0))


# --- Wear land


def flat(width_um, brightness=1.4, **more):
    end = ends(width_um)
    strip = face(SILHOUETTE, bands=[(end, FACE * brightness, False)], texture=marks(1))
    u_datum = np.where(USED_EDGE, 0.8, 5.0)  # what is far off the used zone has no say
    return land_rows(scene(strip, u_datum_um=u_datum, u_scale=U_SCALE, **more)), end


@pytest.mark.parametrize("tilt_deg", [0.0, 4.0])
def test_wear_land(tilt_deg):
    u_tilt = 0.026
    rows, end = flat(150.0, tilt=np.radians(tilt_deg), u_tilt=u_tilt)
    used = scene(None).labels == USED
    along = end[used] / np.cos(np.radians(tilt_deg))
    for quantity, true, own in (
        ("wear_land", along.mean(), "wandering of the inner end (mean)"),
        ("wear_land_max", along.max(), "wandering of the inner end (widest)"),
    ):
        row = rows[quantity, "used"]
        assert abs(row.value - true) < 0.05 * true
        terms = contributions(row.budget)
        assert terms.pop(own) < 3.5
        # 1/cos τ grows by tan τ δτ + δτ²/2
        by_tilt = row.value * (np.tan(np.radians(tilt_deg)) + 0.5 * u_tilt) * u_tilt
        assert terms == pytest.approx(
            {
                "inner end of the flat": 0.3 * BLUR_UM,
                "silhouette when new": 0.5,
                "new-state line drawn on": 0.8,
                "scale": row.value * U_SCALE,
                "view tilt": by_tilt,
            },
            rel=1e-6,
        )
    assert rows["wear_land_max", "used"].value > 1.05 * rows["wear_land", "used"].value


def test_a_land_that_the_rounding_would_hide():
    rows = land_rows(scene(face(SILHOUETTE, texture=marks(1))))
    # from the new edge: recession, rounding, 2 blurs hidden, 2 more and 14 µm of light to tell a flat by
    limit = RECESSION_UM + RADIUS_UM + 4.0 * BLUR_UM + 14.0
    for quantity in ("wear_land", "wear_land_max"):
        row = rows[quantity, "used"]
        # anything from none to all of it: a uniform distribution, JCGM 100:2008, 4.3.7
        assert row.status == "below_detection"
        assert row.value == pytest.approx(limit / 2.0, rel=1e-6)
        assert row.u == pytest.approx(limit / np.sqrt(12.0), rel=1e-6)
        assert detection_limit(row) == pytest.approx(DETECT * limit / np.sqrt(12.0), rel=1e-6)


# --- Coating


def coating(loss_um, *, step_um=2.0, u_silhouette=(0.7, 0.4), **changed):
    """Rows where the coating is gone to a depth from the edge, in the used half of the columns."""
    s_um, d_um = np.arange(0.0, 2000.0, step_um), np.arange(-20.0, 160.0, step_um) + 0.5 * step_um
    labels = np.where(s_um < 900, USED, np.where(s_um > 1100, UNUSED, NEITHER)).astype(np.int8)
    depth_um = np.where(s_um < 1000, loss_um, 0.0)
    substrate = (d_um[:, None] > 0.0) & (d_um[:, None] < depth_um[None, :])
    light = np.zeros((len(d_um), len(s_um), 3), np.float32)
    fits = [
        a_fit(as_budget(Input(f"silhouette {zone}", 0.0, u)), as_budget(Input(f"radius {zone}", 20.0, 1.0)))
        for zone, u in zip(("used", "unused"), u_silhouette, strict=True)
    ]
    strip = Strip(light, s_um, d_um, step_um)
    return coating_rows(strip, a_coating_map(substrate, **changed), np.zeros(len(s_um)), labels, *fits)


def test_coating_loss_and_setback():
    rows = coating(40.0, stray_share=0.02)
    used, unused, lost = (rows["coating_loss", zone] for zone in ("used", "unused", "difference"))
    assert (used.value, unused.value, lost.value) == pytest.approx((0.4, 0.0, 0.4))
    of_used = {
        "silhouette": 0.7 / BAND_UM,  # 1 µm of the edge moves the band by 1 %
        "border between the colours": 2.0 / BAND_UM,
        "noise of the colours": 0.003,
        "colours that stray": STRAY * 0.02,
        "scale": 0.4 * 5e-4,  # twice the µm per pixel is twice the depth, and the band stays 100 µm
    }
    # without loss the band begins in coating on both sides of the edge's error
    of_unused = of_used | {"silhouette": 0.1 * 0.4 / BAND_UM}
    del of_unused["scale"]  # nothing is lost for it to act on
    assert contributions(used.budget) == pytest.approx(of_used)
    assert contributions(unused.budget) == pytest.approx(of_unused)
    assert lost.u == pytest.approx(np.hypot(used.u, unused.u))
    assert unused.status == "below_detection"
    setback = rows["coating_setback", "used"]
    assert setback.value == pytest.approx(40.0, abs=1.0)
    assert contributions(setback.budget) == pytest.approx(
        {
            "silhouette": 0.7,
            "border between the colours": 2.0,
            "colours that stray": STRAY * 0.02 * BAND_UM,
            "scale": setback.value * 5e-4,
        }
    )


STRAY = 0.5  # of a colour that strays without loss, that may pass for substrate


def test_coating_that_cannot_be_read():
    # nothing seen further in: anything from none to all of what is hidden, rectangular
    columns = 1000
    rows = coating(0.0, unreadable_share=np.full(columns, 0.12), found=False)
    used = rows["coating_loss", "used"]
    assert by_word(used.budget, "what cannot be read") == pytest.approx(0.12 / np.sqrt(3.0))
    assert used.status == "below_detection"


@pytest.mark.parametrize(("changed", "u"), [({"faint": True}, 0.15), ({"grey": True}, None)])
def test_faint_colours(changed, u):
    term = by_word(coating(40.0, **changed)["coating_loss", "used"].budget, "faint colours")
    assert term == pytest.approx(u) if u else term > 0.15


def test_detection_limit_of_coating_loss():
    row = coating(0.0, found=False)["coating_loss", "used"]
    terms = contributions(row.budget)
    assert row.u == pytest.approx(np.sqrt(sum(value**2 for value in terms.values())))
    assert detection_limit(row) == pytest.approx(DETECT * row.u, rel=0.01)


def test_detection_limit_of_coating_loss_beside_what_is_lost():
    # as if nothing were lost: a tenth of the edge's error, half of the border's
    row = coating(40.0)["coating_loss", "used"]
    blank = np.sqrt((0.1 * 0.7 / BAND_UM) ** 2 + (0.5 * 2.0 / BAND_UM) ** 2 + 0.003**2)
    assert detection_limit(row) == pytest.approx(DETECT * blank, rel=0.01)


# --- A tip in profile


@pytest.fixture(scope="module")
def tip():
    return fitted(arc_tip(30.0, 60.0, 200.0), blur_um=1.5, u_blur_um=0.1)


def test_rows_of_a_tip(tip):
    fit = with_fit(
        tip,
        u_radius_um=0.31,
        u_wedge_angle=0.004,
        u_apex_to_arc_um=0.42,
        u_departure_a_um=0.53,
        u_departure_b_um=0.74,
        u_departure_ratio=0.03,
    )
    tilt, u_tilt = np.radians(3.0), np.radians(2.0)
    rows = tip_rows(fit, u_scale=U_SCALE, tilt=tilt, u_tilt=u_tilt)
    # a section seen at τ is shorter by τ²/2 along one direction; mean square over a normal τ, by drawing
    tau = np.random.default_rng(0).normal(tilt, u_tilt, 2_000_000)
    short = np.sqrt(np.mean((tau**2 / 2) ** 2))
    sin = np.sin(fit.wedge_angle / 2)
    share = {
        "edge_radius": short * np.sqrt(0.25 + (1 + 2 * sin) ** 2 / 8),
        "apex_to_arc": short * np.sqrt(0.375),
        "departure_length_a": short * np.sqrt(0.375),
        "departure_length_b": short * np.sqrt(0.375),
    }
    own = {
        "edge_radius": (fit.radius_um, 0.31),
        "apex_to_arc": (fit.apex_to_arc_um, 0.42),
        "departure_length_a": (fit.departure_a_um, 0.53),
        "departure_length_b": (fit.departure_b_um, 0.74),
    }
    for quantity, (value, u) in own.items():
        row = rows[quantity, "whole"]
        assert row.value == value
        assert contributions(row.budget) == pytest.approx(
            {
                "outline of the tip": u,
                "tilt of the section": share[quantity] * value,
                "scale": U_SCALE * value,
            },
            rel=5e-3,
        ), quantity
    angle = rows["wedge_angle", "whole"]
    assert angle.value == pytest.approx(60.0, abs=0.2)
    turn = short * np.sin(fit.wedge_angle) / np.sqrt(2.0)
    assert contributions(angle.budget) == pytest.approx(
        {"outline of the tip": np.degrees(0.004), "tilt of the section": np.degrees(turn)}, rel=5e-3
    )
    ratio = rows["departure_ratio", "whole"]
    assert contributions(ratio.budget) == pytest.approx(
        {"outline of the tip": 0.03, "tilt of the section": turn * ratio.value}, rel=5e-3
    )


def test_a_tip_too_small_to_be_told(tip):
    fit = with_fit(tip, u_radius_um=0.4 * tip.radius_um)
    rows = tip_rows(fit, u_scale=0.0, tilt=0.0, u_tilt=0.0)
    radius = rows["edge_radius", "whole"]
    assert radius.status == "below_detection"
    assert detection_limit(radius) == pytest.approx(DETECT * fit.u_radius_um, rel=0.01)
    assert rows["departure_length_a", "whole"].status == "refused"
