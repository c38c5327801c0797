"""Scales that cannot be right are asked about, plausible ones are not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from graticules import Graticule
from seldom import seldom

from wearscope.imaging.calibration.plausible import doubts_against_bit, doubts_of_scale, line_share
from wearscope.imaging.photo import read_photo
from wearscope.imaging.prepared_photo import PhotoScale
from wearscope.pipeline.sources import scale_of_graticule
from wearscope.report.reason_words import note_of

SAMPLE = Path(__file__).parents[2] / "sample_images" / "photos" / "graticule.jpg"
REAL = Path(__file__).parents[3] / "shared" / "reference" / "real" / "ruled_scale" / "ruled-10um.png"
# a scale of 10 µm with lines of 2.5 µm, 0.73 µm per pixel
FINE = Graticule(shape=(500, 900), pitch_px=10 / 0.73, line_width=0.25, contrast=0.7, blur_px=0.9)


def photo_of(graticule, folder):
    light = graticule.luminance()
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    assert cv2.imwrite(str(folder / "ruled.png"), np.round(255 * np.clip(coded, 0, 1)).astype(np.uint8))
    return read_photo(folder / "ruled.png")


@pytest.mark.parametrize("angle_deg", [30.0, *map(seldom, (0.0, 90.0, 141.0))])
def test_a_scale_of_10_um_taken_for_one_of_100(angle_deg, tmp_path):
    photo = photo_of(replace(FINE, angle_deg=angle_deg), tmp_path)
    wrong, right = (scale_of_graticule(photo, division_um) for division_um in (100.0, 10.0))
    assert wrong.um_per_px == pytest.approx(7.3, rel=0.002)
    assert wrong.status == "doubtful"
    assert "is division_um really 100?" in note_of(wrong.remarks)
    assert "state um_per_px" in note_of(wrong.remarks)
    assert (right.status, right.um_per_px) == ("ok", pytest.approx(0.73, rel=0.002))


@pytest.mark.parametrize(
    "graticule", [FINE, replace(FINE, blur_px=2.5), replace(FINE, tick_rows=((-40.0, 40.0),))]
)
def test_thickness_is_a_lower_bound_whatever_the_blur(graticule):
    share = line_share(graticule.luminance().astype(np.float32), graticule.pitch_px, 0.0)
    assert 0.19 < share < 0.25 + 0.01  # of 0.25, dark to 0.05 of 0.75


def test_the_sample_graticule_is_not_asked_about():
    assert scale_of_graticule(read_photo(SAMPLE), 100.0).status == "ok"
    ten_times = scale_of_graticule(read_photo(SAMPLE), 3000.0)
    assert "is division_um really 3000?" in note_of(ten_times.remarks)
    assert ten_times.status == "doubtful"


@pytest.mark.skipif(not REAL.exists(), reason="the photograph of the ruled scale is not there")
def test_a_real_scale_of_10_um_taken_for_one_of_100():
    found = scale_of_graticule(read_photo(REAL), 100.0)
    assert found.status == "doubtful"
    assert "is division_um really 100?" in note_of(found.remarks)


# --- Of a photo


def blank(tmp_path, width, height):
    assert cv2.imwrite(str(tmp_path / "blank.png"), np.zeros((height, width), np.uint8))
    return read_photo(tmp_path / "blank.png")


@pytest.mark.parametrize(("width", "height"), [(1155, 866), (1600, 900), (4000, 3000)])
@pytest.mark.parametrize("um_per_px", [0.5, 1.0, 3.4, 7.3, 20.0])
def test_no_false_alarm(um_per_px, width, height, tmp_path):
    photo = blank(tmp_path, width, height)
    assert doubts_of_scale(photo, PhotoScale.even(um_per_px, 0.01)) == ()
    assert doubts_against_bit(um_per_px, photo.pixels.shape, 6.35) == ()


@pytest.mark.parametrize(("um_per_px", "code"), [(0.3, "field-implausible"), (73.0, "field-implausible")])
def test_pictures_that_no_flute_makes(um_per_px, code, tmp_path):
    (doubt,) = doubts_of_scale(blank(tmp_path, 1600, 900), PhotoScale.even(um_per_px, 0.01))
    assert doubt.code == code
    assert dict(doubt.values)["field_mm"] == pytest.approx(1.6 * um_per_px)


def test_a_picture_far_wider_than_the_bit():
    (doubt,) = doubts_against_bit(20.0, (900, 1600), 2.0)
    assert doubt.code == "field-wider-than-bit"
    assert doubts_against_bit(20.0, (900, 1600), None) == ()


@pytest.mark.parametrize(
    ("file_um_per_px", "asked"), [(3.4, False), (6.5, False), (34.0, True), (0.34, True)]
)
def test_a_file_that_says_quite_another_scale(file_um_per_px, asked, tmp_path):
    photo = replace(blank(tmp_path, 1600, 900), embedded_um_per_px=(file_um_per_px, file_um_per_px))
    doubts = doubts_of_scale(photo, PhotoScale.even(3.4, 0.01))
    assert [each.code for each in doubts] == (["scale-against-file"] if asked else [])
