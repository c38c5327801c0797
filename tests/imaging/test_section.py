"""The outline of a wedge in drawn photos: where it is, how sharp, what must not matter, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from sections import Wedge, save_grey
from seldom import every_other, seldom

from wearscope.errors import PhotoRefused
from wearscope.imaging.photo import read_photo
from wearscope.imaging.section import SMOOTH_PX, find_section

TURNED_DEG = (0.0, 37.0, 90.0, 160.0, 251.0, 305.0)
USUAL = Wedge(radius_px=12.0, size=(360, 480), turned_deg=75.0, fine=6)


def section_in(path, **how):
    return find_section(read_photo(path), **how)


def found(folder, light, **how):
    return section_in(save_grey(light, folder / "section.png"), **how)


def outline_error(section, wedge):
    """Signed distance of the points from the drawn outline: rounding and faces, positive into the tool."""
    turn, half, r = np.radians(wedge.turned_deg), np.radians(wedge.wedge_deg / 2), wedge.radius_px
    into = np.array([np.cos(turn), np.sin(turn)])
    relative = section.points_px - wedge.apex
    depth, across = relative @ into, relative @ np.array([into[1], -into[0]])
    on_face = np.abs(across) * np.sin(half) + depth * np.cos(half) > r / np.tan(half)
    face = depth * np.sin(half) - np.abs(across) * np.cos(half)
    return np.where(on_face, face, r - np.hypot(across, depth - r / np.sin(half))), on_face


def stamped(light, text, at, value=0.0, size=1.2):
    """The photo with a caption burned in."""
    mask = np.zeros(light.shape, np.uint8)
    cv2.putText(mask, text, at, cv2.FONT_HERSHEY_SIMPLEX, size, 255, 3)
    return np.where(mask > 0, value, light)


class TestContour:
    # by default each direction before one of the lights
    @pytest.mark.parametrize(
        ("turned_deg", "backlit"),
        every_other((turned, lit) for lit in (True, False) for turned in sorted(TURNED_DEG, reverse=lit)),
    )
    def test_lies_on_the_drawn_outline(self, tmp_path, turned_deg, backlit):
        wedge = replace(USUAL, turned_deg=turned_deg, backlit=backlit, uneven=0.2)
        section = section_in(wedge.save(tmp_path / "a.png"))
        error, on_face = outline_error(section, wedge)
        assert len(section.points_px) > 200
        assert abs(np.median(error[on_face])) < 0.02
        assert np.std(error[on_face]) < 0.06
        assert section.noise_px == pytest.approx(np.std(error[on_face]), rel=0.4)
        # on the rounding half level lies inside by the blur's square over twice the radius
        inside = section.contour_blur_px**2 / (2 * wedge.radius_px)
        assert np.median(error[~on_face]) == pytest.approx(inside, abs=0.04)
        assert section.dark_tool is backlit
        assert np.degrees(section.wedge_angle) == pytest.approx(60.0, abs=3.0)
        assert (np.degrees(section.bisector_angle) - turned_deg + 180) % 360 - 180 == pytest.approx(
            0, abs=3.0
        )

    @pytest.mark.parametrize("blur_px", [2.5, *map(seldom, (0.7, 1.3))])
    def test_blur(self, tmp_path, blur_px):
        section = section_in(replace(USUAL, blur_px=blur_px).save(tmp_path / "a.png"))
        drawn = np.sqrt(blur_px**2 + 1 / 12)  # a pixel's own area adds its variance
        assert section.blur_px == pytest.approx(drawn, rel=0.04)
        assert section.contour_blur_px == pytest.approx(np.hypot(drawn, SMOOTH_PX), rel=0.02)

    def test_files_of_every_kind_agree(self, tmp_path):
        light = replace(USUAL, noise=0.003).light()
        usual = section_in(save_grey(light, tmp_path / "8.png"))
        for name, how in (
            ("16.png", {"depth": 16}),
            ("c.png", {"colour": True}),
            ("j.jpg", {"colour": True}),
        ):
            other = section_in(save_grey(light, tmp_path / name, **how))
            np.testing.assert_allclose(other.apex_px, usual.apex_px, atol=1.0)
            error, on_face = outline_error(other, USUAL)
            assert abs(np.median(error[on_face])) < 0.05, name

    def test_a_large_photo_is_searched_small_and_read_whole(self, tmp_path):
        wedge = replace(USUAL, size=(1300, 1900), fine=3)
        section = section_in(wedge.save(tmp_path / "a.png"))
        error, on_face = outline_error(section, wedge)
        assert abs(np.median(error[on_face])) < 0.03
        assert np.hypot(*(section.apex_px - wedge.apex)) < 4.0


@pytest.fixture(scope="module")
def light():
    return USUAL.light()


class TestWhatMustNotMatter:
    def same(self, folder, light):
        section = found(folder, light)
        error, on_face = outline_error(section, USUAL)
        assert on_face.sum() > 100
        assert abs(np.median(error[on_face])) < 0.03
        assert np.hypot(*(section.apex_px - USUAL.apex)) < 4.0

    def test_captions_and_scale_bar(self, tmp_path, light):
        light = stamped(light, "100 um 60x", (20, 50))
        light = stamped(light, "12:30", (330, 340), 1.0)
        light[330:336, 40:140] = 0.0
        self.same(tmp_path, light)

    def test_a_label(self, tmp_path, light):
        light = light.copy()
        light[:60, :220] = 0.95
        self.same(tmp_path, stamped(light, "Tool 12", (10, 45)))

    def test_cross_hairs(self, tmp_path, light):
        light = light.copy()
        light[180], light[:, 240] = 0.0, 1.0
        self.same(tmp_path, light)

    def test_dust(self, tmp_path, light):
        rng = np.random.default_rng(1)
        light = light.copy()
        for _ in range(20):
            at = (int(rng.integers(480)), int(rng.integers(360)))
            cv2.circle(light, at, int(rng.integers(2, 7)), float(rng.uniform(0, 0.3)), -1)
        self.same(tmp_path, light)

    @pytest.mark.parametrize("beyond", [0.01, 0.7])
    def test_a_round_field_of_view(self, tmp_path, light, beyond):
        y, x = np.mgrid[:360, :480]
        self.same(tmp_path, np.where(np.hypot(x - 240, y - 180) > 175, beyond, light))


class TestRefusals:
    def refusal(self, folder, light, **how):
        with pytest.raises(PhotoRefused) as caught:
            found(folder, light, **how)
        assert caught.value.cure
        assert str(caught.value).startswith("section.png: ")
        return str(caught.value)

    def test_no_wedge(self, tmp_path):
        rng = np.random.default_rng(0)
        for light in (0.5 + rng.normal(0, 0.02, (300, 400)), rng.uniform(0, 1, (300, 400))):
            said = self.refusal(tmp_path, light)
            assert "no outline" in said or "hardly stands out" in said
        assert "no outline" in self.refusal(tmp_path, np.full((300, 400), 0.4))
        y, x = np.mgrid[:300, :400]
        assert "no outline" in self.refusal(tmp_path, np.where(x < 200, 0.1, 0.8))  # one straight edge
        self.refusal(tmp_path, np.where(np.hypot(x - 200, y - 150) < 100, 0.1, 0.8))  # a disc

    def test_the_tip_outside_the_frame(self, tmp_path):
        light = replace(USUAL, turned_deg=90.0, apex_px=(240.0, -60.0)).light()
        assert "outside the frame" in self.refusal(tmp_path, light)

    def test_the_tip_outside_the_frame_with_specks_on_the_faces(self, tmp_path):
        light = replace(USUAL, turned_deg=90.0, apex_px=(240.0, -60.0)).light()
        rows, columns = np.nonzero(np.diff(light > light.mean(), axis=1))
        for row in (60, 150, 230):
            for column in columns[rows == row]:
                cv2.circle(light, (int(column), row), 9, float(light.min()), -1)
        assert "outside the frame" in self.refusal(tmp_path, light)

    def test_two_tips_unless_one_is_marked(self, tmp_path):
        one = replace(USUAL, turned_deg=90.0, size=(400, 300)).light()
        both = np.hstack([one, one])
        assert "edge_near" in self.refusal(tmp_path, both)
        apex = replace(USUAL, turned_deg=90.0, size=(400, 300)).apex
        near = [(apex[0] - 20, apex[1] + 10), (apex[0] + 20, apex[1] + 10)]
        assert np.hypot(*(found(tmp_path, both, near_px=near).apex_px - apex)) < 4.0
        second = [(x + 300, y) for x, y in near]
        assert found(tmp_path, both, near_px=second).apex_px[0] == pytest.approx(apex[0] + 300, abs=4.0)

    def test_marks_far_from_any_tip(self, tmp_path):
        assert "near the marks" in self.refusal(tmp_path, USUAL.light(), near_px=[(470, 350), (460, 340)])

    def test_out_of_focus(self, tmp_path):
        assert "out of focus" in self.refusal(tmp_path, replace(USUAL, blur_px=8.0, fine=3).light())

    def test_no_contrast(self, tmp_path):
        assert "hardly stands out" in self.refusal(tmp_path, 0.4 + 0.03 * replace(USUAL, noise=0.0).light())


class TestDoubts:
    def test_burnt_out(self, tmp_path):
        section = found(tmp_path, np.clip(1.8 * USUAL.light(), 0, 1))
        assert [each.code for each in section.doubts] == ["outline-burnt-out"]
        assert section.clipped_share > 0.5

    def test_one_face_blurred_as_by_a_camera_off_the_edge(self, tmp_path):
        wedge = replace(USUAL, turned_deg=90.0)
        light = wedge.light()
        half = light.shape[1] // 2
        light[:, half:] = cv2.GaussianBlur(light, (0, 0), 2.5)[:, half:]
        assert [each.code for each in found(tmp_path, light).doubts] == ["faces-unlike-sharp"]

    def test_none_on_a_clean_section(self, tmp_path):
        assert found(tmp_path, USUAL.light()).doubts == ()
