"""One photo to its records: what each kind of photo gives, and what is refused with which words."""

from __future__ import annotations

import re
from dataclasses import replace

import cv2
import numpy as np
import pictures
import pytest
from pictures import BARE, CARD, DARK, VIOLET, Flute, measured, rows, save_light, write_trial
from seldom import but_seldom, seldom

from wearscope.errors import PhotoRefused
from wearscope.imaging.edge_search import NO_MARKS
from wearscope.light.strip import UNUSED
from wearscope.metrology.uncertainty import coverage_factor
from wearscope.pipeline import sources
from wearscope.pipeline.inspect import inspect_photo, judge_photo
from wearscope.pipeline.sources import read_scales
from wearscope.report.budget_words import ADVICE, lines, what_to_improve
from wearscope.trial import load_trial

ROUNDING = {
    ("edge_recession", "difference"),
    ("edge_radius", "used"),
    ("edge_radius", "unused"),
    ("edge_radius", "difference"),
}
COATING = {
    (quantity, zone) for quantity in ("coating_loss", "coating_setback") for zone in ("used", "unused")
} | {("coating_loss", "difference")}
PLACE = {("transition_x_px", "whole"), ("transition_y_px", "whole"), ("used_length", "whole")}
WHOLE = {("sharpness", "whole"), ("registration_residual", "whole")}
CHIPS = ("chip_count", "chip_depth_max", "chip_length", "edge_roughness")
LAND = {("wear_land", "used"), ("wear_land_max", "used")}
NEW = Flute()
WORN = NEW.worn()


def inspected(folder, new=NEW, worn=WORN, **trial):
    """Records of the worn photo of a pair; None in place of a flute leaves its photo out."""
    photos = {0: new_state_photo(folder.parent, new)} if new else {}
    if worn:
        photos[100] = worn.save(folder / "100.png")
    return measured(write_trial(folder, photos, **trial), 100, NEW_STATES)


NEW_STATES = sources.memory_of_new_states()


def new_state_photo(beside, flute):
    """One file for all tests that compare with this flute when new, so that it is read and followed once."""
    folder = beside / "new-states"
    folder.mkdir(exist_ok=True)
    path = folder / f"{hash(flute)}.png"
    return path if path.exists() else flute.save(path)


def refusal_of(folder, **how):
    """The one line a photo was refused with; it names the file and holds what is wrong and the cure."""
    inspection = inspected(folder, **how)
    assert inspection.records == ()
    assert inspection.now is None
    assert inspection.refusal.startswith("100.png: ")
    assert "; " in inspection.refusal
    assert "\n" not in inspection.refusal
    return inspection.refusal


def statuses(found, keys):
    return {found[key].status for key in keys}


@pytest.fixture(scope="module")
def usual(tmp_path_factory):
    """A coated flute, worn, with its new-state photo."""
    return inspected(tmp_path_factory.mktemp("usual"))


class TestRows:
    def test_every_quantity_has_its_row(self, usual):
        missing = (ROUNDING | COATING | PLACE | WHOLE) - set(rows(usual))
        assert not missing

    def test_rows_of_rounding_coating_and_place(self, usual):
        assert set(rows(usual)) >= ROUNDING | COATING | PLACE | WHOLE

    def test_units(self, usual):
        units = {
            "edge": "um",
            "coating_loss": "1",
            "coating_setback": "um",
            "transition": "px",
            "used_length": "mm",
        }
        for (quantity, _), record in rows(usual).items():
            for start, unit in units.items():
                if quantity.startswith(start):
                    assert record.unit == unit

    def test_intervals_are_those_of_the_stated_uncertainty(self, usual):
        for record in usual.records:
            if record.status == "refused":
                continue
            assert record.std_uncertainty > 0
            expanded = (record.high95 - record.low95) / 2
            assert record.value == pytest.approx((record.high95 + record.low95) / 2)
            if record.quantity in (
                "edge_recession",
                "edge_radius",
            ):  # partly from few independent lengths of edge
                expected = coverage_factor(usual.budgets[record.quantity, record.zone].dof)
                assert expanded / record.std_uncertainty == pytest.approx(expected, abs=1e-4)
                assert expected < 2.2
            else:
                assert expanded == pytest.approx(1.96 * record.std_uncertainty)

    def test_every_number_has_its_budget(self, usual):
        for record in usual.records:
            if record.status == "refused":
                continue
            budget = usual.budgets[record.quantity, record.zone]
            assert (budget.value, budget.u) == pytest.approx((record.value, record.std_uncertainty))
            assert budget.shares.sum() == pytest.approx(1.0)
            # each kind of source has its words
            assert {term.source.kind for term in budget.terms} <= set(ADVICE)
            assert what_to_improve(budget)
            assert sum(line.contribution**2 for line in lines(budget)) == pytest.approx(budget.u**2, rel=0.01)

    def test_where_each_row_comes_from(self, usual):
        for record in usual.records:
            assert (record.bit, record.flute, record.parts, record.view) == ("Dunlin", 1, 100, "relief")
            assert record.scale == "bench"
            assert record.um_per_px == pytest.approx(3.5)
            assert re.fullmatch(r"[0-9a-f]{64}", record.photo_sha256)
            assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", record.measured_at)

    def test_method_is_lower_case_words_joined_by_plus(self, usual):
        for record in usual.records:
            assert re.fullmatch(r"[a-z0-9-]+(\+[a-z0-9-]+)*", record.method), record.method

    def test_refused_rows_are_empty_and_say_what_would_help(self, tmp_path):
        refused = [
            record
            for record in inspected(tmp_path, wedge_angle_deg=90.0, new=None).records
            if record.status == "refused"
        ]
        assert refused
        for record in refused:
            assert (record.value, record.std_uncertainty, record.low95, record.high95) == (None,) * 4
            assert re.search("photograph|show|state|save|mark|check|see their rows", record.note), record.note

    def test_the_views_are_on_one_axis(self, usual):
        assert usual.now is not None
        assert usual.new is not None
        np.testing.assert_array_equal(usual.now.strip.s_um, usual.new.strip.s_um)
        assert usual.now.substrate is not None
        assert usual.now.substrate.shape == usual.now.strip.light.shape[:2]
        assert usual.now.transition_um is not None


class TestNumbers:
    def test_transition(self, usual):
        along, across = pictures.transition_error_um(WORN, rows(usual))
        assert abs(along) < 25.0
        assert abs(across) < 12.0

    @pytest.mark.statistics
    @pytest.mark.parametrize(
        ("angle_deg", "background"),
        # the others of either ground, and with the used zone on either side
        [
            (38.0, CARD),
            *map(
                seldom,
                [322.0, 0.0, 142.0, 90.0, 218.0, 180.0, 270.0],
                [DARK, DARK, DARK, CARD, CARD, DARK, CARD],
            ),
        ],
    )
    def test_every_direction(self, tmp_path, angle_deg, background):
        # the used zone on either side, the tool on every side of its edge: no swap or mirror can hide
        side = 1 if angle_deg < 180.0 else -1
        new = Flute(angle_deg=angle_deg, shape=(640, 680), background=background)
        worn = new.worn(transition_um=150.0, used_side=side)
        found = rows(inspected(tmp_path, new, worn))
        along, across = pictures.transition_error_um(worn, found)
        assert abs(along) < 30.0
        assert abs(across) < 12.0
        # the true length of used edge in the frame, from its ends
        s_um = np.arange(-3000.0, 3000.0, 1.0)
        at = np.array([worn.at_px(s) for s in s_um])
        inside = ((at >= 0) & (at <= np.array([679, 639]))).all(axis=1)
        used_mm = (inside & ((s_um - 150.0) * side > 0)).sum() / 1000.0
        assert found["used_length", "whole"].value == pytest.approx(used_mm, abs=0.06)
        assert found["coating_loss", "unused"].value == pytest.approx(0.0, abs=0.02)
        assert found["coating_loss", "used"].value > 0.4
        assert found["edge_recession", "difference"].value > 4.0

    @pytest.mark.parametrize("background", [CARD, seldom(DARK)])
    def test_recession_of_an_edge_that_is_not_rounded(self, tmp_path, background):
        # broken off, or under light from all sides: a clean step 20 µm further in; right within what is stated, or
        # said to be doubtful
        worn = replace(WORN, background=background)
        record = rows(inspected(tmp_path, replace(NEW, background=background), worn))[
            "edge_recession", "difference"
        ]
        assert record.status in ("doubtful", "refused") or record.low95 <= 20.0 <= record.high95

    @pytest.mark.parametrize("background", [DARK, seldom(CARD)])
    def test_an_edge_without_wear_is_below_detection(self, tmp_path, background):
        new = Flute(background=background)
        worn = new.worn(recession_um=0.0, setback_um=0.0)
        found = rows(inspected(tmp_path, new, worn))
        assert statuses(found, PLACE) == {"refused"}
        for key in (
            ("edge_recession", "difference"),
            ("edge_radius", "used"),
            ("edge_radius", "difference"),
            ("coating_loss", "used"),
        ):
            assert found[key].status == "below_detection"
            assert found[key].value is not None
        assert abs(found["edge_recession", "difference"].value) < 2.0
        assert ("coating_loss", "unused") not in found  # the whole visible edge is written as used

    @pytest.mark.parametrize("setback_um", [70.0])
    def test_coating_loss_of_a_bit_that_has_lost_nothing_else(self, tmp_path, setback_um):
        worn = NEW.worn(recession_um=4.0, setback_um=setback_um)
        found = rows(inspected(tmp_path, worn=worn))
        assert found["coating_loss", "used"].value == pytest.approx(setback_um / 100.0, abs=0.05)
        assert found["coating_loss", "difference"].value == pytest.approx(setback_um / 100.0, abs=0.05)
        assert found["coating_setback", "used"].value == pytest.approx(setback_um, abs=5.0)

    @pytest.mark.parametrize("zoom", [0.97, *map(seldom, (1.25, 1.02, 0.8))])
    def test_zoom_against_the_new_state_photo(self, tmp_path, zoom):
        # the stated scale holds for the new-state photo; the later one follows from the grind marks
        worn = replace(WORN, um_per_px=3.5 * zoom)
        inspection = inspected(tmp_path, worn=worn)
        record = rows(inspection)["edge_recession", "difference"]
        assert record.um_per_px == pytest.approx(3.5 * zoom, rel=1e-3)
        assert "zoom" in record.note
        along, _ = pictures.transition_error_um(worn, rows(inspection))
        assert abs(along) < 25.0

    def test_blur_is_what_it_is(self, usual):
        record = rows(usual)["sharpness", "whole"]
        assert record.low95 < 1.1 * 3.5 < record.high95

    def test_a_chip_does_not_count_as_wear(self, tmp_path):
        chipped = replace(WORN, chips=((800.0, 90.0, 45.0), (-900.0, 70.0, 30.0)))
        plain, broken = (
            rows(inspected(folder, worn=worn)) for folder, worn in ((tmp_path, WORN), (tmp_path, chipped))
        )
        for key in (("edge_recession", "difference"), ("coating_loss", "used")):
            assert broken[key].value == pytest.approx(plain[key].value, abs=1.5 * plain[key].std_uncertainty)


class TestKindsOfPhotos:
    def test_a_new_state_photo(self, tmp_path):
        trial = write_trial(tmp_path, {0: NEW.save(tmp_path / "0.png")})
        found = rows(measured(trial, 0))
        assert set(found) == {
            ("edge_radius", "unused"),
            ("coating_loss", "unused"),
            ("coating_setback", "unused"),
            ("sharpness", "whole"),
            *((quantity, "unused") for quantity in CHIPS),
        }
        assert found["coating_loss", "unused"].value == pytest.approx(0.0, abs=0.01)
        assert found["coating_loss", "unused"].status == "below_detection"

    def test_a_later_photo_has_rows_of_land_and_chips(self, usual):
        assert set(rows(usual)) >= LAND | {
            (quantity, zone) for quantity in CHIPS for zone in ("used", "unused")
        }

    def test_a_rake_face_has_no_wear_land(self, tmp_path):
        photos = {parts: flute.save(tmp_path / f"{parts}.png") for parts, flute in ((0, NEW), (100, WORN))}
        write_trial(tmp_path, photos)
        file = tmp_path / "trial.toml"
        file.write_text(file.read_text().replace('view = "relief"', 'view = "rake"'))
        found = rows(measured(load_trial(file), 100))
        assert not set(found) & LAND
        assert set(found) >= ROUNDING | {("chip_count", "used")}

    def test_an_uncoated_bit_has_no_coating_rows(self, tmp_path):
        new = Flute(face=BARE)
        found = rows(inspected(tmp_path, new, new.worn(setback_um=0.0), coating="none"))
        assert not set(found) & COATING
        assert set(found) >= ROUNDING | PLACE
        along, _ = pictures.transition_error_um(new.worn(setback_um=0.0), found)
        assert abs(along) < 30.0

    def test_without_a_new_state_photo(self, tmp_path):
        inspection = inspected(tmp_path, new=None)
        found = rows(inspection)
        assert set(found) >= ROUNDING | COATING | PLACE | WHOLE
        assert inspection.new is None
        assert found["registration_residual", "whole"].status == "refused"
        assert found["edge_recession", "difference"].status == "doubtful"  # these steps mirror no lamp
        assert "no lamp" in found["edge_recession", "difference"].note
        assert "unused-zone" in found["edge_recession", "difference"].method
        along, _ = pictures.transition_error_um(WORN, found)
        assert abs(along) < 25.0

    def test_without_transition_and_without_new_state_photo_nothing_is_compared(self, tmp_path):
        worn = NEW.worn(transition_um=-9000.0)
        found = rows(inspected(tmp_path, new=None, worn=worn))
        assert statuses(found, PLACE | ROUNDING) == {"refused"}

    @pytest.mark.parametrize("zoom", [0.95, seldom(1.0), seldom(1.05)])
    def test_a_photo_that_shows_used_edge_only(self, tmp_path, zoom):
        # compared with the new state: the whole visible edge is written as used
        worn = NEW.worn(transition_um=-9000.0, um_per_px=3.5 * zoom)
        found = rows(inspected(tmp_path, worn=worn))
        assert statuses(found, PLACE) == {"refused"}
        assert found["coating_loss", "used"].value == pytest.approx(0.6, abs=0.06)
        assert ("coating_loss", "unused") not in found
        assert found["edge_radius", "used"].value is not None

    def test_a_grey_photo(self, tmp_path):
        grey = Flute(face=(0.4,) * 3, substrate=(0.33,) * 3, background=DARK)
        photos = {}
        for parts, flute in ((0, grey), (100, grey.worn())):
            photos[parts] = save_light(
                np.repeat(flute.light()[..., :1], 3, axis=2), tmp_path / f"{parts}.png"
            )
        found = rows(measured(write_trial(tmp_path, photos), 100))
        assert statuses(found, COATING) == {"refused"}
        assert "colour" in found["coating_loss", "used"].note
        assert statuses(found, ROUNDING) <= {
            "ok",
            "doubtful",
        }  # a number, if in doubt: these steps mirror no lamp
        along, _ = pictures.transition_error_um(grey.worn(), found)
        assert abs(along) < 25.0

    def test_a_wedge_of_90_degrees_refuses_recession_and_radius_only(self, tmp_path):
        found = rows(inspected(tmp_path, wedge_angle_deg=90.0))
        assert statuses(found, ROUNDING) == {"refused"}
        assert "90" in found["edge_recession", "difference"].note
        assert found["coating_loss", "used"].status == "ok"
        assert found["transition_x_px", "whole"].status == "ok"

    def test_an_obtuse_wedge_of_a_new_bit(self, tmp_path):
        trial = write_trial(tmp_path, {0: NEW.save(tmp_path / "0.png")}, wedge_angle_deg=110.0)
        found = rows(measured(trial, 0))
        assert found["edge_radius", "unused"].status == "refused"
        assert found["coating_loss", "unused"].value is not None


class TestRefusals:
    def test_the_wrong_flute(self, tmp_path):
        assert "grind marks" in refusal_of(tmp_path, worn=replace(WORN, marks_seed=5))

    def test_the_wrong_bit(self, tmp_path):
        # another coating before the same card, its grind marks too faint to tell
        new, worn = (replace(flute, marks=0.0, background=CARD) for flute in (NEW, WORN))
        assert "colour" in refusal_of(tmp_path, new=new, worn=replace(worn, face=VIOLET))

    @pytest.mark.statistics
    @pytest.mark.parametrize("gains", but_seldom(1, [(1.2, 1.0, 0.75), (0.75, 1.0, 1.2)]))
    def test_another_white_balance_is_not_another_bit(self, tmp_path, gains):
        # grind marks too faint to tell, as in the test before
        new, worn = (replace(flute, marks=0.0, background=(0.5, 0.5, 0.5)) for flute in (NEW, WORN))
        paths = {0: new.save(tmp_path / "0.png"), 100: tmp_path / "100.png"}
        save_light(worn.light() * np.array(gains), paths[100])
        assert measured(write_trial(tmp_path, paths), 100).refusal_code != "other-colour"

    def test_out_of_focus(self, tmp_path):
        said = refusal_of(tmp_path, worn=replace(WORN, blur_px=8.0), new=None)
        assert "focus" in said
        assert "take it again" in said

    def test_blank(self, tmp_path):
        for level in (0.0, 0.4, 1.0):
            save_light(np.full((400, 600, 3), level), tmp_path / "100.png")
            inspection = measured(write_trial(tmp_path, {100: tmp_path / "100.png"}), 100)
            assert inspection.refusal.startswith("100.png: ")
            assert "edge" in inspection.refusal

    @pytest.mark.parametrize("seed", but_seldom(1, range(3)))
    def test_no_edge_in_it(self, tmp_path, seed):
        # a face without end, noise and grind marks and all
        flute = Flute(shift_px=(0.0, -4000.0), seed=seed)
        assert "edge" in refusal_of(tmp_path, worn=flute, new=None)

    def test_burnt_out(self, tmp_path):
        said = refusal_of(
            tmp_path, worn=replace(WORN, face=(1.6, 1.5, 1.4), substrate=(1.6, 1.5, 1.4)), new=None
        )
        assert "burnt out" in said or "edge" in said

    def test_no_scale(self, tmp_path):
        trial = write_trial(tmp_path, {100: WORN.save(tmp_path / "100.png")})
        (entry,) = trial.photos
        inspection = inspect_photo(trial, entry, {})
        assert "scale" in inspection.refusal
        assert "graticule" in inspection.refusal

    def test_no_such_file(self, tmp_path):
        trial = write_trial(tmp_path, {100: WORN.save(tmp_path / "100.png")})
        (tmp_path / "100.png").unlink()
        assert measured(trial, 100).refusal

    def test_a_new_state_photo_that_cannot_be_used_is_a_warning(self, tmp_path):
        save_light(np.full((400, 600, 3), 0.3), tmp_path / "0.png")
        trial = write_trial(tmp_path, {0: tmp_path / "0.png", 100: WORN.save(tmp_path / "100.png")})
        inspection = measured(trial, 100)
        assert inspection.records
        (warning,) = inspection.warnings
        assert "0.png" in warning
        assert "new-state" in warning


class TestWhatThePersonMarked:
    def test_edge_near_and_used_side(self, tmp_path):
        for end, side in (("start", -1), ("end", 1)):
            worn = NEW.worn(used_side=side, transition_um=100.0)
            near = [[float(c) for c in worn.at_px(s, 150.0)] for s in (-1200.0, 0.0, 1200.0)]
            photos = {0: NEW.save(tmp_path / "0.png"), 100: worn.save(tmp_path / "100.png")}
            more = {100: f'edge_near = {near}\nused_side = "{end}"'}
            found = rows(measured(write_trial(tmp_path, photos, more=more), 100))
            along, _ = pictures.transition_error_um(worn, found)
            assert abs(along) < 30.0
            assert found["used_length", "whole"].value == pytest.approx(1.57 - 0.1 * side, abs=0.15)
            by_hand = found["transition_x_px", "whole"].method
            assert by_hand.endswith("+hand")
            # the signs that show the transition stand before it, after what all rows rest on
            assert by_hand.startswith(found["sharpness", "whole"].method.removesuffix("hand"))
            assert by_hand.count("+") > found["sharpness", "whole"].method.count("+")

    def test_used_side_against_the_evidence_shows_no_transition_there(self, tmp_path):
        near = [[float(c) for c in WORN.at_px(s)] for s in (-1200.0, 1200.0)]
        photos = {0: NEW.save(tmp_path / "0.png"), 100: WORN.save(tmp_path / "100.png")}
        more = {100: f'edge_near = {near}\nused_side = "start"'}
        found = rows(measured(write_trial(tmp_path, photos, more=more), 100))
        for key in PLACE:
            assert found[key].status == "refused" or "bright-line" in found[key].method

    def test_a_photo_with_two_lines_needs_the_person(self, tmp_path):
        # a plain grey land between two equal neighbours: refused with the request to mark the edge
        light = np.full((500, 700, 3), 0.30) + 0.08 * (np.arange(500) >= 250)[:, None, None]
        light = light + np.random.default_rng(1).normal(0.0, 0.004, light.shape)
        photo = save_light(light, tmp_path / "100.png")
        inspection = measured(write_trial(tmp_path, {100: photo}), 100)
        assert "edge_near" in inspection.refusal
        marked = {100: "edge_near = [[50, 250], [650, 250]]"}
        guided = measured(write_trial(tmp_path, {100: photo}, more=marked), 100)
        assert "edge_near" not in guided.refusal

    def test_a_scale_of_the_photos_own(self, tmp_path):
        photos = {0: NEW.save(tmp_path / "0.png"), 100: WORN.save(tmp_path / "100.png")}
        own = "um_per_px = 7.0\nu_um_per_px = 0.01"
        found = rows(measured(write_trial(tmp_path, photos, more={0: own, 100: own}), 100))
        assert found["sharpness", "whole"].value == pytest.approx(1.1 * 7.0, rel=0.2)
        assert found["sharpness", "whole"].um_per_px == pytest.approx(7.0, rel=0.01)


@pytest.mark.statistics
def test_judging_without_measuring(tmp_path):
    trial = write_trial(
        tmp_path,
        {0: NEW.save(tmp_path / "0.png"), 100: replace(WORN, blur_px=8.0).save(tmp_path / "100.png")},
    )
    scales, _ = read_scales(trial)
    fit, refused = (judge_photo(trial, entry, scales) for entry in trial.photos)
    assert fit.verdict == "fit"
    assert fit.background == "dark"
    assert fit.sharpness_um == pytest.approx(3.85, rel=0.2)
    assert refused.verdict == "refused"
    assert "focus" in refused.remarks[0]


HELD = Flute(angle_deg=12.0, shape=(440, 800), seed=17)
HELD_WORN = HELD.worn(transition_um=-200.0)


def held(folder, gain=1.0, light_of=lambda light: light):
    """Rows of one flute, its photos turned and lit in some way."""
    photos = {}
    for parts, flute in ((0, HELD), (100, HELD_WORN)):
        light = light_of(replace(flute, brightness=gain).light())
        photos[parts] = save_light(light, folder / f"{parts}.png")
    return rows(measured(write_trial(folder, photos), 100))


@pytest.mark.statistics
def test_numbers_do_not_depend_on_how_the_camera_was_held_and_the_flute_lit(tmp_path):
    """Upside down and lit more brightly; every turn, and less light: tests/test_invariance.py."""
    (tmp_path / "turned").mkdir()
    plain, turned = held(tmp_path), held(tmp_path / "turned", 1.25, lambda light: light[::-1])
    assert set(plain) == set(turned)
    for key, record in plain.items():
        if key in PLACE or record.value is None:
            continue  # the place is compared below; a turned frame shows a little more or less of the end
        u = np.hypot(record.std_uncertainty, turned[key].std_uncertainty)
        assert abs(turned[key].value - record.value) < 1.96 * u, key
    column, row = (turned[f"transition_{axis}_px", "whole"].value for axis in "xy")
    there = HELD_WORN.transition_px
    assert np.hypot(column - there[0], row - (HELD.shape[0] - 1 - there[1])) * 3.5 < 30.0


@pytest.mark.statistics
@pytest.mark.parametrize("upside_down", [True, seldom(False)])
def test_a_dim_photo_is_measured_or_refused(tmp_path, upside_down):
    new = Flute(angle_deg=12.0, shape=(440, 800), seed=231, brightness=0.6167)
    photos = {}
    for parts, flute in ((0, new), (100, new.worn(transition_um=-200.0))):
        light = flute.light()[::-1] if upside_down else flute.light()
        photos[parts] = save_light(light, tmp_path / f"{parts}.png")
    inspection = measured(write_trial(tmp_path, photos), 100)
    if not inspection.refusal:
        record = rows(inspection)["coating_loss", "used"]
        assert record.value is None or record.value == pytest.approx(0.65, abs=0.1)


@pytest.mark.statistics  # by default: how a photo is turned, in tests/imaging/test_photo.py
def test_exif_orientation_counts(tmp_path):
    # a picture stored lying down with the note to turn it gives the same numbers, in upright pixels
    plain = rows(inspected(tmp_path))
    photos = {}
    for parts, flute in ((0, NEW), (100, WORN)):
        path = save_light(np.rot90(flute.light(), 1), tmp_path / f"lying-{parts}.jpg")
        content = path.read_bytes()
        # Orientation 6: turn by 90 degrees clockwise to see it upright (EXIF 2.3, table 4)
        exif = b"Exif\0\0MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\0\0\0\0"
        segment = b"\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif
        path.write_bytes(content[:2] + segment + content[2:])
        photos[parts] = path
    turned = rows(measured(write_trial(tmp_path, photos), 100))
    for key in (("transition_x_px", "whole"), ("transition_y_px", "whole")):
        assert turned[key].value == pytest.approx(plain[key].value, abs=6.0)
    assert turned["coating_loss", "used"].value == pytest.approx(
        plain["coating_loss", "used"].value, abs=0.05
    )


def test_nothing_is_written_to_the_photo(tmp_path):
    photo = WORN.save(tmp_path / "100.png")
    before = photo.read_bytes()
    photo.chmod(0o444)
    assert measured(write_trial(tmp_path, {100: photo}), 100).records
    assert photo.read_bytes() == before
    assert cv2.imread(str(photo)) is not None


def test_an_edge_along_the_border_of_the_frame_is_refused_with_the_cure(tmp_path):
    # hardly any background in the frame: nothing to see the edge against
    light = Flute(shape=(440, 800)).light()
    row = int(Flute(shape=(440, 800)).transition_px[1])
    photo = save_light(light[row - 2 :], tmp_path / "0.png")
    inspection = measured(write_trial(tmp_path, {0: photo}), 0)
    assert inspection.refusal.startswith("0.png: ")
    assert "edge" in inspection.refusal


class TestResin:
    """Brown beads and films on the worn edge of a drawn flute."""

    @staticmethod
    def stuck(folder, middles_um, half_um):
        """Records with a bead, 18 µm proud, at each of some places along the used edge."""
        new = Flute(background=CARD, face=(0.5, 0.49, 0.48))
        worn = new.worn(setback_um=0.0)
        light = worn.light()
        height, width = worn.shape
        x, y = np.meshgrid(np.arange(width) - worn.middle_px[0], np.arange(height) - worn.middle_px[1])
        s, o = ((x * axis[0] + y * axis[1]) * worn.um_per_px for axis in (worn.direction, worn.inward))
        depth = o - worn.silhouette_um(s)
        for at in middles_um:
            bead = (((s - at) / half_um) ** 2 + ((depth - 15.0) / 33.0) ** 2 < 1.0)[..., None]
            light = np.where(bead, np.array([0.2, 0.1, 0.03]), light)
        paths = {0: new.save(folder / "0.png"), 100: save_light(light, folder / "100.png")}
        return rows(measured(write_trial(folder, paths, coating="none"), 100))

    def test_a_few_beads_are_left_out(self, tmp_path):
        clean = self.stuck(tmp_path, [], 1.0)["edge_recession", "difference"]
        found = self.stuck(tmp_path, [500.0, 800.0, 1150.0], 60.0)["edge_recession", "difference"]
        assert "left out" in found.note
        assert "resin" not in clean.note
        assert found.status == clean.status
        assert found.value == pytest.approx(clean.value, abs=1.0)

    @pytest.mark.statistics
    @pytest.mark.parametrize("half_um", [1000.0, seldom(6000.0)])
    def test_a_film_over_the_used_edge_or_all_of_it_is_doubtful(self, tmp_path, half_um):
        found = self.stuck(tmp_path, [1000.0], half_um)
        for key in (("edge_recession", "difference"), ("edge_radius", "used")):
            assert found[key].status == "doubtful"
            assert "clean it" in found[key].note


def test_a_later_photo_tells_which_line_of_the_new_state_photo_is_the_edge(tmp_path, monkeypatch):
    def unclear_alone(prepared, reach_px, marks=NO_MARKS, like=None):
        if prepared.photo.path.name == "000.png" and like is None:
            raise PhotoRefused(
                "000.png: no line in it is clearly the cutting edge", "mark it", "edge-unclear"
            )
        return edge_line(prepared, reach_px, marks, like)

    edge_line = sources.edge_line
    monkeypatch.setattr(sources, "edge_line", unclear_alone)
    paths = {0: NEW.save(tmp_path / "000.png"), 100: WORN.save(tmp_path / "100.png")}
    alone = measured(write_trial(tmp_path, {0: paths[0]}), 0)
    assert alone.refusal_code == "edge-unclear"
    both = write_trial(tmp_path, paths)
    assert rows(measured(both, 0))["edge_radius", "unused"].status == "ok"
    found = measured(both, 100)
    assert not found.warnings
    assert rows(found)["edge_recession", "difference"].method.startswith("light-fit+new-state")


@pytest.mark.statistics
@pytest.mark.parametrize("tilted", ["new", seldom("now")])
def test_the_new_state_photo_of_another_tilt_lies_over_the_whole_face(tmp_path, tilted):
    # a face seen at a tilt is shorter by the cosine across the edge: 14 µm at the heel, 480 µm deep
    shrunk = float(np.cos(np.radians(14.0)))
    heel_um = {100: 480.0, 0: 480.0} | {100 if tilted == "now" else 0: 480.0 * shrunk}
    flute = {0: Flute(background=CARD), 100: Flute(background=CARD).worn(transition_um=120.0)}
    photos = {
        parts: replace(one, heel_um=heel_um[parts]).save(tmp_path / f"{parts:03}.png")
        for parts, one in flute.items()
    }
    more = {100 if tilted == "now" else 0: "view_tilt_deg = 14"}
    found = measured(write_trial(tmp_path, photos, more=more), 100)
    unused = found.now.zone == UNUSED

    def heel_at_um(strip):
        below = strip.between(420.0, 510.0)
        steep = np.abs(np.gradient(np.nanmean(below.light[:, unused], axis=(1, 2))))
        weight = np.where(steep > 0.3 * steep.max(), steep, 0.0)
        return float(weight @ below.d_um / weight.sum())

    assert heel_at_um(found.now.strip) == pytest.approx(heel_um[100], abs=3.0)
    assert heel_at_um(found.new.strip) == pytest.approx(heel_at_um(found.now.strip), abs=5.0)
    # and so does the picture laid under this one: the two heels lie over each other
    below = flute[0].middle_px + heel_um[0] / flute[0].um_per_px * flute[0].inward
    off_px = found.on_photo.new_onto_now_px @ [*below, 1.0] - flute[100].middle_px
    assert off_px @ flute[100].inward * flute[100].um_per_px == pytest.approx(heel_um[100], abs=5.0)
