from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from wearscope.light.strip import UNUSED, USED
from wearscope.quantities.reasons import reason
from wearscope.wear.band_light import BandLight
from wearscope.wear.datum import find_zones, lay_datum
from wearscope.wear.zones import GUARD_UM, UNCONFIRMED_U_UM, Sign

S_UM = np.arange(-2400.0, 2400.0, 3.5)


def difference(*, recession=18.0, at_um=200.0, side=1, turned=0.0, moved=0.0, noise=0.4, seed=0):
    """Worn edge less new edge: put back `moved` deeper and `turned` by so many radians."""
    noises = np.random.default_rng(seed).normal(0.0, noise, len(S_UM))
    return recession * expit(side * (S_UM - at_um) / 25.0) + turned * S_UM + moved + noises


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(("turned", "moved"), [(0.0, 0.0), (0.02, -30.0), (-0.01, 55.0)])
def test_departure_is_the_recession_however_the_bit_was_put_back(turned, moved, side):
    apart = difference(turned=turned, moved=moved, side=side)
    zones = find_zones(S_UM, apart, 1, [], None)
    datum = lay_datum(S_UM, apart, 1, zones)
    assert zones.transition.used_side == side
    used, unused = zones.labels == USED, zones.labels == UNUSED
    assert np.mean(datum.departure_um[used]) == pytest.approx(18.0, abs=0.3)
    assert np.mean(datum.departure_um[unused]) == pytest.approx(0.0, abs=0.1)
    assert datum.residual_um == pytest.approx(0.4, rel=0.15)


def test_no_wear():
    apart = difference(recession=0.0, turned=0.01, moved=12.0)
    zones = find_zones(S_UM, apart, 1, [], None)
    assert zones.transition is None
    assert zones.absent == reason("no-sign-of-wear")
    assert set(zones.labels) == {0, USED}
    assert np.mean(lay_datum(S_UM, apart, 1, zones).departure_um) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize(("at_um", "word"), [(2000.0, "used"), (-2000.0, "unused")])
def test_a_zone_too_short_to_average_over(at_um, word):
    zones = find_zones(S_UM, difference(at_um=at_um), 1, [], None)
    assert zones.transition is None
    assert zones.absent == reason("zone-out-of-frame", zone=word)
    # its place is told all the same; what is used may still be held against the new-state photo
    assert zones.place.at_um == pytest.approx(at_um, abs=30.0)
    assert zones.one_kind is (word == "unused")
    if zones.one_kind:
        assert S_UM[zones.labels == USED].min() > at_um + GUARD_UM - 35.0


def test_a_place_whose_used_side_nothing_tells():
    bright = Sign(
        "bright-line", difference(noise=0.05) / 18.0, 0, rises=False, smallest=0.05, u_place_um=30.0
    )
    flat = np.random.default_rng(5).normal(0.0, 0.3, len(S_UM))
    zones = find_zones(S_UM, flat, 1, [bright], None)
    assert (zones.transition, zones.absent, zones.one_kind) == (None, reason("used-side-unknown"), False)
    assert zones.place.at_um == pytest.approx(200.0, abs=30.0)
    assert find_zones(S_UM, flat, 1, [bright], -1).transition.used_side == -1


def test_a_place_that_the_light_of_the_band_alone_shows_is_doubtful():
    s_um = S_UM[::4]
    departs = np.where(s_um > 200.0, 0.9, 0.1) + 0.01 * np.sin(s_um)
    band = BandLight(s_um, departs[None])
    flat = np.random.default_rng(5).normal(0.0, 0.3, len(S_UM))
    zones = find_zones(S_UM, flat, 1, [], None, band=band)
    assert (zones.place.at_um, zones.place.used_side) == (pytest.approx(200.0, abs=20.0), 1)
    assert zones.doubts == (reason("band-alone"),)
    assert not find_zones(S_UM, difference(), 1, [], None, band=band).doubts


@pytest.mark.parametrize("band_ends_um", [200.0, 700.0, None])
def test_a_bright_line_counts_where_the_light_of_the_band_ends_too(band_ends_um):
    bright = Sign(
        "bright-line", difference(noise=0.05) / 18.0, 0, rises=False, smallest=0.05, u_place_um=30.0
    )
    flat = np.random.default_rng(5).normal(0.0, 0.3, len(S_UM))
    s_um = S_UM[::4]
    worn = np.zeros(len(s_um), bool) if band_ends_um is None else s_um > band_ends_um
    band = BandLight(s_um, (np.where(worn, 0.9, 0.1) + 0.01 * np.sin(s_um))[None])
    zones = find_zones(S_UM, flat, 1, [bright], 1, band=band)
    assert zones.place.signs == ("bright-line",)
    assert zones.doubts == (() if band_ends_um == 200.0 else (reason("place-unconfirmed"),))
    assert (zones.place.u_at_um > UNCONFIRMED_U_UM) is bool(zones.doubts)
    assert not find_zones(S_UM, difference(), 1, [bright], 1, band=band).doubts  # the edge line will do


@pytest.mark.parametrize("again", [0.0, 0.95])
def test_signs_that_change_as_much_elsewhere_do_not_confirm_a_place(again):
    rng = np.random.default_rng(7)
    signs = []
    for name, noise in (("bright-line", 0.05), ("colour", 0.06)):
        value = expit((S_UM + 200.0) / 20.0) + again * expit((S_UM - 700.0) / 20.0)
        signs.append(
            Sign(
                name,
                value + rng.normal(0.0, noise, len(S_UM)),
                0,
                rises=False,
                smallest=0.05,
                u_place_um=30.0,
            )
        )
    flat = rng.normal(0.0, 0.3, len(S_UM))
    s_um = S_UM[::4]
    band = BandLight(s_um, (0.1 + 0.01 * np.sin(s_um))[None])  # which ends nowhere
    zones = find_zones(S_UM, flat, 1, signs, 1, band=band)
    assert zones.place.signs == ("bright-line", "colour")
    assert zones.doubts == ((reason("place-unconfirmed"),) if again else ())


@pytest.mark.parametrize("side", [1, -1])
def test_the_light_of_the_band_names_the_side_and_contradicts_it(side):
    bright = Sign(
        "bright-line", difference(noise=0.05) / 18.0, 0, rises=False, smallest=0.05, u_place_um=30.0
    )
    flat = np.random.default_rng(5).normal(0.0, 0.3, len(S_UM))
    s_um = S_UM[::4]
    departs = np.where((s_um - 200.0) * side > 0.0, 0.9, 0.1) + 0.01 * np.sin(s_um)
    band = BandLight(s_um, departs[None])
    assert find_zones(S_UM, flat, 1, [bright], None, band=band).transition.used_side == side
    told = find_zones(S_UM, difference(), 1, [], None, band=band)  # whose edge line says +1
    assert (told.transition is None) is (side == -1)
    assert told.absent == (None if side == 1 else reason("used-side-unknown"))


def test_chips_do_not_count_as_recession():
    notch = 40.0 * np.maximum(1 - ((S_UM - 1200.0) / 100.0) ** 2, 0.0)
    apart = difference() + notch
    zones = find_zones(S_UM, apart, 1, [], None)
    datum = lay_datum(S_UM, apart, 1, zones)
    assert len(zones.chips_um) == 1
    assert np.mean(datum.departure_um[zones.labels == USED]) == pytest.approx(18.0, abs=0.4)


def test_beads_that_stand_proud_do_not_count_as_edge():
    beads = sum(30.0 * np.maximum(1 - ((S_UM - at) / 120.0) ** 2, 0.0) for at in (900.0, 1300.0, 1900.0))
    apart = difference() - beads
    zones = find_zones(S_UM, apart, 1, [], None)
    datum = lay_datum(S_UM, apart, 1, zones)
    assert zones.chips_um == ()
    assert np.mean(datum.departure_um[zones.labels == USED]) == pytest.approx(18.0, abs=0.8)


def test_what_is_hidden_is_in_no_zone():
    hidden = (S_UM > 800.0) & (S_UM < 1500.0)
    zones = find_zones(S_UM, difference() - 25.0 * hidden, 1, [], None, hidden=hidden)
    assert zones.transition.at_um == pytest.approx(200.0, abs=25.0)
    assert not zones.labels[hidden].any()
    everything = find_zones(S_UM, difference(), 1, [], None, hidden=np.ones(len(S_UM), bool))
    assert (everything.labels == USED).any()  # so that there is a number to call doubtful


def test_the_line_is_less_sure_far_from_the_unused_zone():
    apart = difference(at_um=-1500.0)
    datum = lay_datum(S_UM, apart, 1, find_zones(S_UM, apart, 1, [], None))
    assert datum.u_datum_um[-1] > 3 * datum.u_datum_um[0]


@pytest.mark.statistics
def test_uncertainty_of_the_datum_covers_its_error():
    z = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        # independent every 100 µm, as the stated uncertainty takes it
        wander = rng.normal(0.0, 0.5, 49)[((S_UM + 2400.0) // 100.0).astype(int)]
        apart = difference(noise=0.2, seed=seed, turned=0.01) + wander
        zones = find_zones(S_UM, apart, 1, [], None)
        datum = lay_datum(S_UM, apart, 1, zones)
        used = zones.labels == USED
        true = wander[used].mean() + 18.0  # the used zone's own wandering is no error of the datum
        z.append((datum.departure_um[used].mean() - true) / datum.line_error(used).u)
    assert np.mean(np.abs(z) < 1.96) >= 0.9
    assert 0.7 < np.std(z) < 1.4
