"""What the photo, its scale and its registration bring into the budgets, and where pixels could be lost."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from graticules import Graticule
from pictures import CARD, Flute, grind_marks, measured, rows, write_trial
from pins import Scene, photograph
from seams import Strip, contributions, match_marks, ring_angle_from_pin, scale_from_graticule, strip_quality
from seldom import seldom

from wearscope.imaging.photo import read_photo
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.sources import read_scales
from wearscope.trial import load_trial
from wearscope.trial.correction import Correction

# --- Scale


RULING, SQUARE_PIXELS = 2e-4, 1e-3  # assumed of a graticule without a certificate, and of a camera


@pytest.mark.parametrize(("angle_deg", "seen", "assumed"), [(0.0, "x", "y"), (90.0, "y", "x")])
def test_lines_in_one_direction_say_the_other_axis_by_square_pixels(angle_deg, seen, assumed):
    found = scale_from_graticule(Graticule(angle_deg=angle_deg, pitch_px=20.13).luminance(), 100.0)
    u = {axis: getattr(found, f"u_um_per_px_{axis}") / found.um_per_px for axis in "xy"}
    assert RULING <= u[seen] < 2.5 * RULING
    assert u[assumed] == pytest.approx(np.hypot(u[seen], SQUARE_PIXELS), rel=1e-3)
    assert found.u_um_per_px == pytest.approx((found.u_um_per_px_x + found.u_um_per_px_y) / 2)


def test_both_axes_of_a_cross():
    ruled = Graticule(crossed=True, aspect=1.012, pitch_px=24.6, angle_deg=4.0)
    found = scale_from_graticule(ruled.luminance(), 100.0)
    for axis, true in zip("xy", ruled.um_per_px(100.0), strict=True):
        value, u = (getattr(found, f"{prefix}um_per_px_{axis}") for prefix in ("", "u_"))
        assert abs(value / true - 1) < 5e-4
        assert RULING <= u / value < 3.0 * RULING
    assert found.um_per_px_y / found.um_per_px_x == pytest.approx(1.012, abs=5e-4)


@pytest.mark.statistics
def test_the_scale_scatters_as_stated():
    # Monte Carlo over noise and lines drawn unevenly; what is assumed of the ruling as a whole was not drawn
    found = [
        scale_from_graticule(Graticule(ruling_jitter=0.02, noise=0.03, seed=k).luminance(), 100.0)
        for k in range(16)
    ]
    scatter = np.std([each.um_per_px_x for each in found], ddof=1) / found[0].um_per_px_x
    u = np.median([each.u_um_per_px_x / each.um_per_px_x for each in found])
    assert np.sqrt(max(u**2 - RULING**2, 0.0)) == pytest.approx(scatter, rel=0.6)


# --- Registration


UM_PER_PX = 3.5


def strip_of(shift_um, zoom, noise, seed):
    d_um, s_um = np.arange(-160.0, 540.0, UM_PER_PX), np.arange(700) * UM_PER_PX
    middle = s_um.mean()
    signal = 0.08 * grind_marks(1, middle + (s_um - middle) * zoom + shift_um)
    light = np.where(d_um[:, None, None] < 0, 0.02, 0.4 * (1.0 + signal)[None, :, None] * np.ones(3))
    light = light + np.random.default_rng(seed).normal(0.0, noise, light.shape)
    return Strip(light.astype(np.float32), s_um, d_um, UM_PER_PX)


def test_zoom_of_the_marks_scatters_as_stated():
    # Monte Carlo over the noise of both photos; neighbours count as correlated, which is on the safe side
    found = [
        match_marks(strip_of(33.0, 1.012, 0.25, k), strip_of(0.0, 1.0, 0.25, 100 + k)) for k in range(24)
    ]
    assert {match.verdict for match in found} == {"same"}
    zooms = [match.zoom for match in found]
    scatter, stated = np.std(zooms, ddof=1), np.median([match.u_zoom for match in found])
    # 60 pairs: 2.1 times; of 24, 1.7 to 2.6
    assert 1.2 * scatter < stated < 3.2 * scatter
    assert abs(np.mean(zooms) - 1.012) < 3 * stated
    middles = [match.shift_um + (match.zoom - 1.0) * 699 / 2 * UM_PER_PX for match in found]
    assert abs(np.mean(middles) - 33.0) < 0.5


@pytest.fixture(scope="module")
def zoomed(tmp_path_factory):
    """A drawn pair, the later photo taken closer by 2 %; the inspection, and what the marks gave."""
    folder = tmp_path_factory.mktemp("zoomed")
    new = Flute(shape=(330, 700), um_per_px=3.5, background=CARD, noise=0.012)
    worn = replace(new.worn(), um_per_px=3.5 / 1.02, angle_deg=1.0)
    trial = write_trial(folder, {0: new.save(folder / "0.png"), 90: worn.save(folder / "90.png")})
    path = folder / "trial.toml"
    path.write_text(path.read_text().replace(f"u_um_per_px = {3.5 * 5e-4}", "u_um_per_px = 0.00007"))
    with pytest.MonkeyPatch.context() as patch:
        seen = []
        patch.setattr(
            "wearscope.imaging.registration.match_marks", lambda *a: seen.append(match_marks(*a)) or seen[-1]
        )
        inspection = measured(load_trial(path), 90)
    return inspection, seen[0], trial


def test_a_zoom_goes_into_scale_and_uncertainty(zoomed):
    inspection, match, _ = zoomed
    found = rows(inspection)
    assert found["used_length", "whole"].um_per_px == pytest.approx(3.5 / 1.02, rel=2e-3)
    assert match.zoom == pytest.approx(1 / 1.02, rel=2e-3)
    assert match.u_zoom > 2e-5
    u_scale = np.hypot(2e-5, match.u_zoom)
    for key in (("used_length", "whole"), ("sharpness", "whole"), ("edge_radius", "used")):
        scale = contributions(inspection.budgets[key])["scale"]
        assert scale == pytest.approx(found[key].value * u_scale, rel=1e-6), key


# --- The place of the transition


@pytest.mark.parametrize("angle_deg", [0.0, seldom(90.0)])
def test_place_of_the_transition(tmp_path, angle_deg):
    side = (700, 330) if angle_deg else (330, 700)
    new = Flute(shape=side, angle_deg=angle_deg, background=CARD)
    photos = {0: new.save(tmp_path / "0.png"), 90: new.worn().save(tmp_path / "90.png")}
    inspection = measured(write_trial(tmp_path, photos), 90)
    found, budgets = rows(inspection), inspection.budgets
    x, y = (contributions(budgets[f"transition_{axis}_px", "whole"]) for axis in "xy")
    length = contributions(budgets["used_length", "whole"])
    along = "place of the transition along the edge"
    across = "depth of the edge at the transition"
    u_along_um = length[along] * 1e3
    assert u_along_um > 15.0  # wear is no clean step: photographs of known transitions show so much
    turn = np.radians(angle_deg + 1.3)
    for axis, own in ((x, abs(np.cos(turn))), (y, abs(np.sin(turn)))):
        assert axis.get(along, 0.0) == pytest.approx(own * u_along_um / 3.5, rel=0.1, abs=0.3)
        assert axis.get(across, 0.0) == pytest.approx(np.sqrt(1 - own**2), rel=0.02, abs=0.03)  # one pixel
    assert length["scale"] == pytest.approx(found["used_length", "whole"].value * 5e-4, rel=1e-6)
    assert set(length) == {along, "scale"}


# --- What a helix turns


def test_a_helix_turns_the_face_by_its_angle_over_the_radius(tmp_path):
    # tan(helix) / (D / 2) per length along the axis: over half of the distance between the middles of the zones
    new = Flute(shape=(330, 700), background=CARD)
    photos = {0: new.save(tmp_path / "0.png"), 90: new.worn().save(tmp_path / "90.png")}
    write_trial(tmp_path, photos)
    path = tmp_path / "trial.toml"
    path.write_text(
        path.read_text().replace("diameter_mm = 6.35", "diameter_mm = 6.35\nhelix_angle_deg = 20")
    )
    inspection = measured(load_trial(path), 90)
    view, found = inspection.now, rows(inspection)
    middles = [view.strip.s_um[view.zone == zone].mean() for zone in set(view.zone[view.zone != 0])]
    turned = np.tan(np.radians(20)) / (6350 / 2) * abs(np.subtract(*middles)) / 2
    terms = contributions(inspection.budgets["edge_recession", "difference"])
    grown = found["edge_radius", "difference"].value
    # the fit of the used edge goes by the same tilt, through the wedge angle: as far as it does, the error cancels
    tilted = abs(terms["view tilt"]) / (grown * np.radians(1.5))
    assert 0.5 < tilted < 0.7
    assert abs(terms["turning of the helix"]) == pytest.approx(tilted * grown * turned, rel=0.01)


# --- Pixels


@pytest.mark.statistics
def test_a_photo_of_blocks_is_the_photo_itself(tmp_path):
    times = 3
    # each pixel made a block of equal ones: the same light, and places at (x + 1/2) times - 1/2
    new = Flute(shape=(330, 900), um_per_px=2.4, background=CARD)
    inspections = []
    for k, size in enumerate((1, times)):
        folder = tmp_path / str(k)
        folder.mkdir()
        photos = {}
        for parts, flute in ((0, new), (90, new.worn())):
            picture = cv2.imread(str(flute.save(folder / f"{parts}.png")))
            photos[parts] = folder / f"{parts}.png"
            cv2.imwrite(str(photos[parts]), picture.repeat(size, axis=0).repeat(size, axis=1))
        near = (np.array([new.worn().at_px(s_um, 30.0) for s_um in (-900.0, 900.0)]) + 0.5) * size - 0.5
        more = {90: f"edge_near = {near.tolist()}"}
        inspections.append(rows(measured(write_trial(folder, photos, um_per_px=2.4 / size, more=more), 90)))
    plain, blocks = inspections
    assert set(plain) == set(blocks)
    for key, row in plain.items():
        if row.value is None:
            continue
        of_px = row.unit == "px"
        expected = (row.value + 0.5) * times - 0.5 if of_px else row.value
        # the light is not the same to the last digit; half a pixel lost would be half a pixel or more
        within = 0.3 if of_px else 0.03 * row.std_uncertainty
        assert blocks[key].value == pytest.approx(expected, abs=within), key
        if not of_px:  # across the edge a place is as sure as one pixel, whatever its size
            assert blocks[key].std_uncertainty == pytest.approx(row.std_uncertainty, rel=0.02), key


@pytest.mark.statistics
def test_a_transition_set_by_hand_stays_where_it_was_set(tmp_path):
    # in a photo that is reduced by three: from its pixels to the strip and back
    worn = Flute(shape=(990, 2700), um_per_px=0.8, blur_px=3.3, background=CARD).worn()
    trial = write_trial(tmp_path, {90: worn.save(tmp_path / "90.png")}, um_per_px=0.8)
    scales, _ = read_scales(trial)
    at = tuple(worn.at_px(120.0).tolist())
    (entry,) = trial.photos
    sha = read_photo(entry.path).sha256
    found = rows(inspect_photo(trial, entry, scales, {sha: Correction(transition_px=at)}))
    row = {axis: found[f"transition_{axis}_px", "whole"] for axis in "xy"}
    assert row["x"].method.endswith("hand")
    off = np.array([row[axis].value for axis in "xy"]) - at
    assert abs(off @ worn.direction) < 0.3


def test_light_is_burnt_out_where_any_channel_is():
    light = np.full((80, 300, 3), 0.4, np.float32)
    d_um, s_um = (np.arange(80) - 40) * 3.5, np.arange(300) * 3.5
    light[:40] = 0.05
    light[41:, 0:90, 0] = 1.0  # red alone in three tenths of the edge
    assert strip_quality(Strip(light, s_um, d_um, 3.5)).clipped_share == pytest.approx(0.3, abs=0.01)


# --- The ring angle from a pin


PER_LAMP, PER_LENS = (
    0.027,
    0.0125,
)  # per mm: lamps 25 to 75 mm away, the lens 40 mm or more; common practice, no source


@pytest.mark.statistics
def test_terms_of_the_ring_angle():
    # every term but noise and fit has its formula: the path of the light from a near lamp, the pin's own radius
    scene = Scene(ring_deg=40.0, radius_px=200.0, shape=(600, 640))
    exact, rough = (ring_angle_from_pin(photograph(scene), 1.6, um_per_px=(4.0, u)) for u in (1e-6, 0.08))
    # sin(θ/2) = y / R: dθ = 2 tan(θ/2) dR/R, of 2 % of the radius
    by_radius = np.degrees(2 * np.tan(np.radians(exact.ring_angle_deg / 2)) * 0.02)
    more = np.sqrt(rough.u_ring_angle_deg**2 - exact.u_ring_angle_deg**2)
    assert more == pytest.approx(by_radius, rel=0.05)
    assert rough.u_diameter_px == pytest.approx(0.02 * rough.diameter_px, rel=0.01)


@pytest.mark.statistics
def test_a_thick_pin_is_nearer_to_lamp_and_lens():
    scene = Scene(ring_deg=40.0, radius_px=200.0, shape=(600, 640))
    thin, thick = (ring_angle_from_pin(photograph(scene), mm, um_per_px=None) for mm in (0.2, 3.0))
    # y (cos θ / lamp distance + 1 / lens distance) more, y = R sin(θ/2)
    y_mm = 0.5 * (3.0 - 0.2) * np.sin(np.radians(20.0))
    assert thick.ring_angle_deg - thin.ring_angle_deg == pytest.approx(
        np.degrees(y_mm * (np.cos(np.radians(40.0)) * PER_LAMP + PER_LENS)), rel=0.05
    )
    assert thick.u_ring_angle_deg > thin.u_ring_angle_deg


@pytest.mark.statistics
def test_the_two_halves_of_a_pin_that_disagree():
    # the ring seems 1.5° wider in one half of the picture: half of the difference is not known
    whole = Scene(ring_deg=40.0, radius_px=200.0, shape=(600, 640))
    other = replace(whole, ring_deg=44.0)
    left, right = photograph(whole), photograph(other)
    alike, split = left, np.concatenate([left[:, :320], right[:, 320:]], axis=1)
    u = [ring_angle_from_pin(picture, 0.2).u_ring_angle_deg for picture in (alike, split)]
    assert np.sqrt(u[1] ** 2 - u[0] ** 2) == pytest.approx(2.0, rel=0.25)
