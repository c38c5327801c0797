"""Profile views from the file to the rows: how right, how honest the intervals, and the sheet."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from sections import Wedge, write_trial
from seldom import seldom

from wearscope.pipeline.inspect import inspect_photo, judge_photo
from wearscope.pipeline.run import measure_trial
from wearscope.pipeline.sources import read_scales
from wearscope.report.budget_words import what_to_improve

UM = 1.5
ROWS = {
    "edge_radius",
    "wedge_angle",
    "apex_to_arc",
    "departure_length_a",
    "departure_length_b",
    "departure_ratio",
    "sharpness",
}


def inspected(folder, wedge, *, gamma=None, **trial):
    photo = wedge.save(folder / "100.png", gamma=gamma)
    trial = write_trial(folder, {100: photo}, **({"wedge_deg": wedge.wedge_deg} | trial))
    return inspect_photo(trial, trial.photos[0], read_scales(trial)[0])


def rows(inspection):
    assert not inspection.refusal
    assert {record.zone for record in inspection.records} == {"whole"}
    return {record.quantity: record for record in inspection.records}


def room(radius_px, wedge_deg, least=280):
    """Side of a photo in which both faces are seen for about as long as the rounding."""
    return int(max(least, 3.2 * radius_px / np.tan(np.radians(wedge_deg / 2)) + 200))


# radius px, wedge angle, blur px, turned, backlit
CASES = [
    seldom(2, 35, 0.7, 10, True),
    seldom(2, 95, 1.4, 100, False),
    (2, 60, 2.5, 222, True),
    seldom(3, 80, 1.6, 300, False),
    seldom(5, 45, 2.5, 45, True),
    seldom(8, 100, 0.7, 135, False),
    seldom(12, 60, 1.2, 180, True),
    seldom(20, 35, 2.0, 260, False),
    seldom(35, 90, 0.7, 350, True),
    seldom(60, 55, 1.8, 80, False),
    seldom(100, 75, 2.5, 190, True),
    seldom(200, 100, 0.7, 30, True),
    seldom(200, 50, 2.0, 250, False),
]


@pytest.mark.parametrize(("radius_px", "wedge_deg", "blur_px", "turned_deg", "backlit"), CASES)
def test_radius_and_wedge_angle_within_their_limits(
    tmp_path, radius_px, wedge_deg, blur_px, turned_deg, backlit
):
    side = room(radius_px, wedge_deg)
    wedge = Wedge(
        radius_px=radius_px,
        wedge_deg=wedge_deg,
        blur_px=blur_px,
        turned_deg=turned_deg,
        backlit=backlit,
        size=(side, side + 40),
        uneven=0.15,
        seed=radius_px,
        fine=5 if side < 400 else 3,
    )
    found = rows(inspected(tmp_path, wedge))
    assert set(found) == ROWS
    radius, angle = found["edge_radius"], found["wedge_angle"]
    assert radius.value / UM == pytest.approx(radius_px, abs=max(0.5, 0.02 * radius_px))
    assert angle.value == pytest.approx(wedge_deg, abs=0.3)
    assert radius.status == "ok"
    assert radius.low95 <= radius_px * UM <= radius.high95


@pytest.mark.statistics
@pytest.mark.parametrize("wedge_deg", [70, seldom(100)])
def test_a_rounding_lost_in_the_blur_says_so(tmp_path, wedge_deg):
    # 2 px behind 2.5 px of blur move the outline by some hundredths of a pixel: no half-pixel of radius can be had
    wedge = Wedge(radius_px=2.0, wedge_deg=wedge_deg, blur_px=2.5, turned_deg=100.0, size=(280, 320))
    radius = rows(inspected(tmp_path, wedge))["edge_radius"]
    if wedge_deg == 100:
        assert radius.status == "below_detection"
    assert radius.low95 <= 2 * UM <= radius.high95


def drawn_at_random(rng):
    """A wedge as a shop would photograph it: tilted, out of focus a little, unevenly lit."""
    radius_px, wedge_deg = float(np.exp(rng.uniform(np.log(2), np.log(40)))), float(rng.uniform(35, 100))
    side = room(radius_px, wedge_deg, 240)
    return Wedge(
        radius_px=radius_px,
        wedge_deg=wedge_deg,
        turned_deg=float(rng.uniform(0, 360)),
        size=(side, side),
        blur_px=float(rng.uniform(0.7, 2.0)),
        defocus_px=float(rng.choice([0.0, rng.uniform(0.5, 2.5)])),
        backlit=bool(rng.integers(2)),
        noise=float(rng.uniform(0.003, 0.02)),
        uneven=float(rng.uniform(0, 0.3)),
        tilt_deg=float(abs(rng.normal(0, 5))),
        tilted_towards_deg=float(rng.uniform(0, 360)),
        seed=int(rng.integers(1_000_000)),
        fine=5 if side < 400 else 3,
    )


@pytest.mark.statistics
def test_the_intervals_hold_the_truth(tmp_path):
    # what the intervals promise to cover is drawn at random too: scale, tilt, tone curve, and a blur that is no Gaussian
    rng, held, shares, doubts = np.random.default_rng(11), [], {}, []
    for _ in range(36):
        wedge, off = drawn_at_random(rng), rng.normal(0, 0.002)
        found = rows(
            inspected(
                tmp_path,
                wedge,
                gamma=rng.normal(2.2, 0.2),
                um_per_px=UM * (1 + off),
                u_um_per_px=0.002 * UM,
                more="u_view_tilt_deg = 5",
            )
        )
        half = np.radians(wedge.wedge_deg / 2)
        side = wedge.radius_px * UM / np.tan(half)
        truth = {
            "edge_radius": wedge.radius_px * UM,
            "wedge_angle": wedge.wedge_deg,
            "apex_to_arc": wedge.radius_px * UM * (1 / np.sin(half) - 1),
            "departure_length_a": side,
            "departure_length_b": side,
            "departure_ratio": 1.0,
        }
        for quantity, value in truth.items():
            record = found[quantity]
            if record.value is not None:
                inside = record.low95 <= value <= record.high95
                held.append(inside)
                shares.setdefault(quantity, []).append(inside)
        doubts.append(found["edge_radius"].status == "doubtful")
    assert len(held) > 200
    assert 0.90 <= np.mean(held) <= 0.99, {k: np.mean(v) for k, v in shares.items()}
    assert min(np.mean(v) for v in shares.values()) > 0.8  # 36 of 0.95 each
    assert sum(doubts) <= 1  # a circle is not called something else


class TestShapes:
    BASE = Wedge(radius_px=30.0, wedge_deg=60.0, size=(360, 420), turned_deg=110.0, fine=5)

    @pytest.mark.parametrize(
        ("shape", "stretch"),
        [seldom("ellipse", 0.6), seldom("ellipse", 1.6), ("chamfer", 1.0), seldom("chip", 1.0)],
    )
    def test_what_is_no_circle_is_doubtful_and_says_why(self, tmp_path, shape, stretch):
        found = rows(inspected(tmp_path, replace(self.BASE, shape=shape, stretch=stretch)))
        assert found["edge_radius"].status == "doubtful"
        assert "round" in found["edge_radius"].note
        if shape == "ellipse":
            assert found["departure_length_a"].status == "ok"
            assert found["departure_length_a"].method == "section+conic"
            assert found["wedge_angle"].value == pytest.approx(60.0, abs=0.3)

    def test_departure_lengths_of_a_chamfer(self, tmp_path):
        found = rows(inspected(tmp_path, replace(self.BASE, shape="chamfer")))
        drawn = 30 * UM / np.tan(np.radians(30))
        for face in "ab":
            assert found[f"departure_length_{face}"].value == pytest.approx(drawn, rel=0.05)

    def test_a_circle_is_not(self, tmp_path):
        assert rows(inspected(tmp_path, self.BASE))["edge_radius"].status == "ok"

    def test_a_tip_sharper_than_the_photo(self, tmp_path):
        found = rows(inspected(tmp_path, replace(self.BASE, radius_px=0.3)))
        radius = found["edge_radius"]
        assert radius.status == "below_detection"
        assert 0.3 * UM < radius.high95 < 4 * UM
        assert found["departure_ratio"].status == "refused"
        assert "magnification" in found["departure_ratio"].note
        assert found["wedge_angle"].status == "ok"


class TestWords:
    BASE = Wedge(radius_px=14.0, size=(320, 400), fine=5)

    def test_faces_are_named(self, tmp_path):
        found = rows(inspected(tmp_path, self.BASE))
        assert "left" in found["departure_length_a"].note
        assert "right" in found["departure_length_b"].note
        assert found["edge_radius"].method == "section+arc"
        assert found["edge_radius"].view == "profile"

    def test_another_wedge_angle_than_the_trial_says(self, tmp_path):
        (warning,) = inspected(tmp_path, self.BASE, wedge_deg=70.0).warnings
        assert warning.startswith("100.png: its wedge angle is 60")

    def test_marked_by_hand(self, tmp_path):
        x, y = self.BASE.apex
        more = f"edge_near = [[{x - 20:.0f}, {y:.0f}], [{x + 20:.0f}, {y:.0f}]]"
        found = rows(inspected(tmp_path, self.BASE, more=more))
        assert {record.method for record in found.values()} == {"section+arc+hand", "section+hand"}

    def test_the_scale_goes_in(self, tmp_path):
        known, rough = (
            rows(inspected(tmp_path, self.BASE, u_um_per_px=u))["edge_radius"] for u in (0.001, 0.15)
        )
        assert known.value == pytest.approx(rough.value)
        added = np.sqrt(rough.std_uncertainty**2 - known.std_uncertainty**2)
        assert added == pytest.approx(0.1 * known.value, rel=0.05)

    def test_out_of_focus_against_the_radius(self, tmp_path):
        inspection = inspected(tmp_path, replace(self.BASE, radius_px=3.0, blur_px=4.0, fine=3))
        assert "out of focus" in inspection.refusal
        assert "focus on the section" in inspection.refusal
        assert inspection.section is None

    def test_judged_before_it_is_measured(self, tmp_path):
        trial = write_trial(tmp_path, {100: self.BASE.save(tmp_path / "100.png")})
        judged = judge_photo(trial, trial.photos[0], read_scales(trial)[0])
        assert judged.verdict == "fit"
        assert judged.background == "bright"
        assert judged.sharpness_um == pytest.approx(UM * np.sqrt(1.2**2 + 1 / 12), rel=0.05)
        (tmp_path / "100.png").write_bytes((tmp_path / "100.png").read_bytes()[:900])
        assert judge_photo(trial, trial.photos[0], read_scales(trial)[0]).verdict == "refused"


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sections")
    new = Wedge(radius_px=6.0, size=(420, 520), turned_deg=70.0, fine=5).save(folder / "0.png")
    used = Wedge(radius_px=25.0, size=(420, 520), turned_deg=62.0, seed=2, fine=5).save(folder / "200.png")
    return measure_trial(write_trial(folder, {0: new, 200: used}), folder / "out", jobs=1)


def test_new_beside_now(measured):
    assert not measured.refusals
    radius = {r.parts: r.value for r in measured.records if r.quantity == "edge_radius"}
    assert radius[0] == pytest.approx(6 * UM, abs=0.5 * UM)
    assert radius[200] == pytest.approx(25 * UM, abs=0.5 * UM)
    quantities = [r.quantity for r in measured.records if r.parts == 200]
    assert (
        quantities.index("edge_radius") < quantities.index("departure_ratio") < quantities.index("sharpness")
    )


def test_the_sheet_shows_the_outline_in_place(measured):
    sheet = cv2.imread(str(next(path for path in measured.sheets if "0200" in path.name)))
    assert sheet.shape[1] == 1600
    blue = np.abs(sheet.astype(int) - (178, 114, 0)).sum(axis=2) < 40  # the arc and faces fitted
    orange = np.abs(sheet.astype(int) - (0, 159, 230)).sum(axis=2) < 40
    for left in (64, 836):  # now, and when new
        picture = slice(300, 1000), slice(left, left + 700)
        assert blue[picture].sum() > 200
        rows_at, columns_at = np.nonzero(orange[picture])
        assert len(rows_at) > 500
        # the outline is where dark turns to bright: bright above its highest place, dark below
        grey = sheet[picture].mean(axis=2)
        top = rows_at[np.abs(columns_at - 350) < 3].max()
        assert grey[top - 30, 340:360].mean() > 180
        assert grey[top + 30, 340:360].mean() < 120


def test_every_row_has_a_budget(tmp_path):
    inspection = inspected(tmp_path, Wedge(30.0, 60.0, blur_px=1.2, seed=2))
    for record in inspection.records:
        if record.value is None:
            continue
        budget = inspection.budgets[record.quantity, "whole"]
        assert budget.u == pytest.approx(record.std_uncertainty)
        # GUM 5.1.2: independent contributions add by their squares
        assert np.sqrt(np.sum(budget.contributions**2)) == pytest.approx(budget.u)
        assert what_to_improve(budget)
