"""Sections with more in the picture than one tip before an even ground: rims, second lines, burnt-out light, other tips."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from sections import Wedge, save_grey
from seldom import but_seldom, seldom

from wearscope.errors import PhotoRefused
from wearscope.imaging.photo import read_photo
from wearscope.imaging.section import find_section
from wearscope.imaging.section_beside import light_beside

TOOL = Wedge(radius_px=15.0, size=(420, 520), turned_deg=80.0, wedge_deg=65.0, fine=3)
NOISE = 0.01


def section_of(folder, light, **how):
    noisy = np.clip(light + np.random.default_rng(5).normal(0.0, NOISE, light.shape), 0.0, 1.0)
    return find_section(read_photo(save_grey(noisy, folder / "section.png")), **how)


def codes(section):
    return [each.code for each in section.doubts]


def into_tool(wedge):
    turn = np.radians(wedge.turned_deg)
    return np.array([np.cos(turn), np.sin(turn)])


def inner(wedge, wide_px):
    """The tool less a rim so wide along both faces."""
    deeper = into_tool(wedge) * wide_px / np.sin(np.radians(wedge.wedge_deg / 2))
    return replace(wedge, apex_px=tuple(wedge.apex + deeper))


def rimmed(wedge, tool, ground, rim, wide_px=14.0):
    whole, core = wedge.share(), inner(wedge, wide_px).share()
    return tool * core + rim * np.clip(whole - core, 0.0, 1.0) + ground * (1.0 - whole)


def off_outline(section, wedge):
    """Signed distance from the drawn faces of the points on them, positive into the tool."""
    half, relative = np.radians(wedge.wedge_deg / 2), section.points_px - wedge.apex
    into = into_tool(wedge)
    depth, across = relative @ into, np.abs(relative @ np.array([into[1], -into[0]]))
    on_face = across * np.sin(half) + depth * np.cos(half) > wedge.radius_px / np.tan(half)
    return (depth * np.sin(half) - across * np.cos(half))[on_face]


class TestSecondOutline:
    @pytest.mark.parametrize(
        ("tool", "ground", "rim"), [(0.08, 0.8, 0.72), (0.08, 0.8, 0.88), (0.05, 0.7, 0.5)]
    )
    def test_a_land_nearly_as_bright_as_the_ground(self, tmp_path, tool, ground, rim):
        # the strongest outline is the land's inner border; its own lies 14 px further out
        section = section_of(tmp_path, rimmed(TOOL, tool, ground, rim))
        assert np.median(off_outline(section, TOOL)) > 10.0
        assert "second-outline" in codes(section)

    @pytest.mark.parametrize("wide_px", [5.0, 8.0])
    def test_a_land_too_narrow_to_lie_beside_the_outline(self, tmp_path, wide_px):
        # 30 % darker than the ground: it begins within the blur, and no line further out is seen
        section = section_of(tmp_path, rimmed(TOOL, 0.06, 0.8, 0.56, wide_px))
        assert "outline-rimmed" in codes(section)

    @pytest.mark.parametrize("blur_px", [0.8, 3.0])
    def test_a_blur_is_no_narrow_land(self, tmp_path, blur_px):
        wedge = replace(TOOL, blur_px=blur_px, noise=0.0)
        assert codes(section_of(tmp_path, 0.06 * wedge.share() + 0.8 * (1.0 - wedge.share()))) == []

    def test_on_one_face_alone(self, tmp_path):
        light = rimmed(TOOL, 0.08, 0.8, 0.7)
        into = into_tool(TOOL)
        y, x = np.indices(light.shape)
        left = (x - TOOL.apex[0]) * into[1] - (y - TOOL.apex[1]) * into[0] > 0
        plain = 0.08 * TOOL.share() + 0.8 * (1.0 - TOOL.share())
        assert "second-outline" in codes(section_of(tmp_path, np.where(left, plain, light)))

    @pytest.mark.parametrize("backlit", [True, False])
    def test_uneven_light_dust_and_reflections_are_none(self, tmp_path, backlit):
        light = replace(TOOL, uneven=0.3, noise=0.0, backlit=backlit).light()
        rng = np.random.default_rng(3)
        for _ in range(20):
            at = (int(rng.integers(520)), int(rng.integers(420)))
            cv2.circle(light, at, int(rng.integers(2, 6)), float(rng.uniform(0.0, 0.3)), -1)
        y, x = np.indices(light.shape)
        # a glare across the tool, and a band across the ground that does not run along a face
        light = light + 0.2 * np.exp(-(((y - 300.0) / 8.0) ** 2)) * TOOL.share()
        light = np.clip(light - 0.2 * np.exp(-(((x - 60.0 - 0.1 * y) / 10.0) ** 2)) * light, 0.0, 1.0)
        assert codes(section_of(tmp_path, light)) == []

    def test_the_step_is_that_drawn(self):
        # by definition: 0.2 of the contrast at 30 px from a straight outline
        y, x = np.indices((200, 300)).astype(np.float32)
        away, outside = np.abs(y - 100.0), y < 100.0
        off = (np.where(outside, 1.0, 0.0), np.where(outside & (away > 30), 0.2, 0.0))
        along = (np.where(x < 150, 150.0 - x, np.nan), np.where(x >= 150, x - 150.0, np.nan))
        found = light_beside(off, away, outside, along, (5.0, 65.0))
        assert found.second_share == pytest.approx(0.2, abs=0.01)
        assert found.rim_share == pytest.approx(0.0, abs=1e-6)

    def test_light_right_beside_the_outline_goes_into_the_level(self, tmp_path):
        plain, bright = (section_of(tmp_path, rimmed(TOOL, 0.4, 0.03, rim, 9.0)) for rim in (0.4, 0.5))
        # the level of the tool is 0.27 of the contrast too low there, which moves half of it by that times
        # sqrt(pi / 2) blurs
        assert bright.u_level_px - plain.u_level_px > 0.1 * bright.contour_blur_px
        assert abs(np.median(off_outline(bright, TOOL))) < 1.96 * bright.u_level_px
        assert (codes(plain), codes(bright)) == ([], ["outline-rimmed"])


class TestBurntOut:
    @pytest.mark.parametrize("times", [1.5, seldom(2.5), 4.0])
    def test_the_outline_is_stated_as_unsure_as_it_is(self, tmp_path, times):
        # light beyond full is cut off, so half of what is left lies further out than half of what there was
        share = TOOL.share()
        section = section_of(tmp_path, np.clip(0.05 * share + times * (1.0 - share), 0.0, 1.0))
        off = abs(np.median(off_outline(section, TOOL)))
        assert 0.1 < off < 1.96 * section.u_level_px
        assert codes(section) == ["outline-burnt-out"]


def several(wedges, ground=0.7, tool=0.05):
    beyond = np.prod([1.0 - wedge.share() for wedge in wedges], axis=0)
    return tool * (1.0 - beyond) + ground * beyond


LARGE = Wedge(12.0, 50.0, size=(480, 640), apex_px=(370.0, 150.0), fine=3)
SMALL = Wedge(5.0, 60.0, size=(480, 640), apex_px=(310.0, 200.0), fine=3)
TEETH = [
    Wedge(radius, 45.0, turned, (480, 640), (float(column), 180.0 + radius), fine=3)
    for radius, turned, column in ((28.0, 96.0, 120), (14.0, 84.0, 250), (6.0, 90.0, 380))
]


class TestSeveralTips:
    @pytest.mark.parametrize("wedge", [LARGE, SMALL], ids=["large", "small"])
    def test_the_marked_one_though_another_has_longer_faces(self, tmp_path, wedge):
        x, y = wedge.apex
        near = [(x - 5.0, y + 10.0), (x + 10.0, y + 5.0)]
        section = section_of(tmp_path, several([LARGE, SMALL]), near_px=near)
        assert np.hypot(*(section.apex_px - wedge.apex)) < 4.0

    @pytest.mark.parametrize("tooth", but_seldom(1, (1, 0, 2)))
    def test_each_of_a_row_of_teeth(self, tmp_path, tooth):
        wedge = TEETH[tooth]
        x, y = wedge.apex
        section = section_of(tmp_path, several(TEETH), near_px=[(x - 10.0, y), (x + 20.0, y + 15.0)])
        assert np.hypot(*(section.apex_px - wedge.apex)) < 4.0
        assert np.degrees(section.wedge_angle) == pytest.approx(45.0, abs=3.0)
        assert codes(section) == []  # the next tooth is neither the ground's light nor a second outline

    def test_none_is_taken_unless_one_is_marked(self, tmp_path):
        with pytest.raises(PhotoRefused, match="several corners") as refused:
            section_of(tmp_path, several(TEETH))
        assert "edge_near" in refused.value.cure

    @pytest.mark.parametrize("beyond_px", [1.0, 8.0, 40.0])
    def test_a_tip_that_the_frame_cuts_off(self, tmp_path, beyond_px):
        # the end of the rounding lies so far beyond the upper border
        up = TOOL.radius_px * (1.0 / np.sin(np.radians(32.5)) - 1.0)
        cut = replace(TOOL, turned_deg=90.0, apex_px=(260.0, -beyond_px - up))
        for near in (None, [(250.0, 2.0), (270.0, 2.0)]):
            with pytest.raises(PhotoRefused):
                section_of(tmp_path, several([cut]), near_px=near)
