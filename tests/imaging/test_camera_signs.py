"""Halos beside a graticule's lines: there where a camera sharpens, and not where it does not."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from graticules import Graticule
from seldom import but_seldom

from wearscope.imaging.camera_signs import STRONG_HALO, line_halo
from wearscope.imaging.photo import read_photo
from wearscope.pipeline.sources import scale_of_graticule
from wearscope.report.reason_words import note_of

SHIPPED = Path(__file__).parents[2] / "sample_images" / "photos" / "graticule.jpg"
RULINGS = [
    Graticule(angle_deg=5.0, jpeg_quality=None),
    Graticule(angle_deg=31.0, tick_rows=((-1e3, 1e3),), vignette=0.9, noise=0.03, jpeg_quality=None),
    Graticule(angle_deg=93.0, crossed=True, tick_rows=((-1e3, 1e3),), pitch_px=31.0, jpeg_quality=None),
]


def codes_of(graticule: Graticule) -> np.ndarray:
    return np.round(255 * np.clip(graticule.luminance(), 0, 1) ** (1 / 2.2)).astype(np.uint8)


def sharpened(codes: np.ndarray, amount: float) -> np.ndarray:
    return cv2.addWeighted(codes, 1 + amount, cv2.GaussianBlur(codes, (0, 0), 1.5), -amount, 0)


def halo(codes: np.ndarray, graticule: Graticule) -> float:
    return line_halo(codes.astype(np.float32), graticule.pitch_px, graticule.angle_deg)


@pytest.mark.parametrize("graticule", but_seldom(1, RULINGS))
def test_sharpening_shows_and_grows(graticule):
    codes = codes_of(graticule)
    plain, mild, strong = (halo(sharpened(codes, amount), graticule) for amount in (0.0, 0.6, 1.2))
    assert plain < STRONG_HALO / 2
    assert plain < mild < strong
    assert strong > STRONG_HALO


@pytest.mark.statistics
@pytest.mark.parametrize("graticule", but_seldom(1, RULINGS))
def test_noise_reduction_jpeg_and_blur_are_no_halo(graticule):
    codes = codes_of(graticule)
    _, written = cv2.imencode(".jpg", codes, [cv2.IMWRITE_JPEG_QUALITY, 80])
    for changed in (
        cv2.fastNlMeansDenoising(codes, None, 6),
        cv2.imdecode(written, cv2.IMREAD_GRAYSCALE),
        cv2.GaussianBlur(codes, (0, 0), 2.0),
    ):
        assert halo(changed, graticule) < STRONG_HALO


@pytest.mark.statistics
def test_the_scale_says_so_and_stays_what_it_is(tmp_path):
    plain = scale_of_graticule(read_photo(SHIPPED), 100.0)
    assert cv2.imwrite(str(tmp_path / "sharp.png"), sharpened(cv2.imread(str(SHIPPED)), 1.2))
    sharp = scale_of_graticule(read_photo(tmp_path / "sharp.png"), 100.0)
    assert "sharpening" not in note_of(plain.remarks)
    assert "switch sharpening off" in note_of(sharp.remarks)
    assert sharp.um_per_px == pytest.approx(plain.um_per_px, rel=5e-4)
