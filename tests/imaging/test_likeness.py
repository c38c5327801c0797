"""One picture under many names, and pictures that only look alike, made from the sample photos and drawn flutes.

The truth is how each file was made: by saving one picture again, or by exposing the flute again.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, cycle
from pathlib import Path

import cv2
import numpy as np
import pytest
from pictures import CARD, Flute

from wearscope.imaging.likeness import (
    BLOCKS,
    MOST_APART,
    ROWS_AT_ONCE,
    TURNS,
    alike,
    apart,
    likeness_of,
    same_exposure,
)
from wearscope.imaging.photo import read_photo

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_images" / "photos"


def same(one: Path, other: Path) -> bool:
    """What the program makes of two files."""
    photos = [read_photo(path) for path in (one, other)]
    pairs = alike([likeness_of(photo) for photo in photos])
    return any(same_exposure(*photos, turn) for _, _, turn in pairs)


def saved(pixels: np.ndarray, path: Path, *options: int) -> Path:
    assert cv2.imwrite(str(path), pixels, list(options))
    return path


def jpeg(quality):
    return lambda bgr, path: saved(bgr, path.with_suffix(".jpg"), cv2.IMWRITE_JPEG_QUALITY, quality)


def as_format(ending):
    return lambda bgr, path: saved(bgr, path.with_suffix(ending))


def resized(share, ending=".png"):
    def save(bgr, path):
        size = [round(side * share) for side in bgr.shape[1::-1]]
        return saved(cv2.resize(bgr, size, interpolation=cv2.INTER_CUBIC), path.with_suffix(ending))

    return save


def toned(gain, power=1.0):
    def save(bgr, path):
        codes = np.round(255.0 * gain * (bgr / 255.0) ** power)
        return saved(np.clip(codes, 0, 255).astype(np.uint8), path.with_suffix(".png"))

    return save


def turned(quarters, mirrored=False):
    def save(bgr, path):
        pixels = np.rot90(bgr[:, ::-1] if mirrored else bgr, quarters)
        return saved(np.ascontiguousarray(pixels), path.with_suffix(".png"))

    return save


def sixteen_bits(bgr, path):
    return saved(bgr.astype(np.uint16) * 257, path.with_suffix(".tif"))


COPIES = {
    "JPEG 95": jpeg(95),
    "JPEG 75": jpeg(75),
    "JPEG 60": jpeg(60),
    "PNG": as_format(".png"),
    "TIFF": as_format(".tif"),
    "BMP": as_format(".bmp"),
    "16 bits": sixteen_bits,
    "at 90 %": resized(0.9),
    "at 50 %": resized(0.5),
    "at 85 %, JPEG": resized(0.85, ".jpg"),
    "darker": toned(0.8),
    "tone curve": toned(0.95, 0.9),
    "turned left": turned(1),
    "upside down": turned(2),
    "turned right": turned(3),
    "mirrored": turned(0, True),
}


@pytest.mark.parametrize(
    ("copy", "name"),
    list(zip(COPIES, cycle(["wren-300-1.jpg", "plover-000-2.jpg", "heron-150-1.jpg"]), strict=False)),
)
def test_a_copy_is_the_same_picture(name, copy, tmp_path):
    original = SAMPLE / name
    assert same(original, COPIES[copy](cv2.imread(str(original)), tmp_path / "copy"))


@pytest.mark.parametrize("orientation", range(2, 9))
def test_turned_by_exif_alone(orientation, tmp_path):
    """The file's pixels stay as they are; the note in it (EXIF 2.3, tag 0x0112) turns or mirrors the picture."""
    exif = b"Exif\0\0II*\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0" + bytes(
        [orientation, 0, 0, 0, 0, 0, 0, 0]
    )
    content = (SAMPLE / "wren-150-2.jpg").read_bytes()
    assert content[:2] == b"\xff\xd8"
    segment = b"\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif
    (tmp_path / "turned.jpg").write_bytes(b"\xff\xd8" + segment + content[2:])
    photo = read_photo(tmp_path / "turned.jpg")
    assert (photo.pixels.shape[:2] == (1600, 900)) == (orientation >= 5)
    assert same(SAMPLE / "wren-150-2.jpg", tmp_path / "turned.jpg")


@pytest.mark.parametrize("folder", ["sample_images/photos", "tests/reference/*"])
def test_no_two_photos_of_a_trial_look_alike(folder):
    photos = [read_photo(path) for path in sorted(ROOT.glob(f"{folder}/*.[jp][pn]g"))]
    assert len(photos) >= 12
    likenesses = [likeness_of(photo) for photo in photos]
    assert alike(likenesses) == []
    assert min(apart(*pair) for pair in combinations(likenesses, 2)) > MOST_APART + 1.0


FLUTES = {
    "card": Flute(background=CARD),
    "dark": Flute(),
    "hardly any marks": Flute(background=CARD, marks=0.01),
    "at an angle": Flute(background=CARD, angle_deg=37.0),
}
MOVED = ((2.0, 0.0), (-2.0, 0.0), (0.0, 2.0), (0.0, -2.0), (3.0, 3.0), (5.0, 0.0), (0.0, 5.0), (2.4, -1.3))


@pytest.mark.parametrize(
    ("flute", "shift_px", "ending"),
    [
        (flute, shift_px, (".png", ".jpg")[(at + of) // 2 % 2])
        for at, flute in enumerate(FLUTES)
        for of, shift_px in enumerate(MOVED)
        if (at + of) % 2
    ],
)
def test_the_flute_photographed_again_is_another_picture(flute, shift_px, ending, tmp_path):
    """Put back within 2 to 5 pixels, seconds later: other noise, no wear."""
    first = FLUTES[flute]
    again = replace(first, shift_px=shift_px, seed=first.seed + 1)
    assert not same(first.save(tmp_path / f"a{ending}"), again.save(tmp_path / f"b{ending}"))


@pytest.mark.parametrize(
    ("shift_px", "name"),
    list(zip(MOVED, cycle(["wren-000-1.jpg", "heron-150-1.jpg", "plover-150-1.jpg"]), strict=False)),
)
def test_a_rendered_flute_photographed_again(name, shift_px, tmp_path):
    """A path-traced photo moved, with noise of its own: two exposures that share all but the noise."""
    calm = cv2.medianBlur(cv2.imread(str(SAMPLE / name)), 3)
    turn = np.float64([[1, 0, shift_px[0]], [0, 1, shift_px[1]]])
    moved = cv2.warpAffine(calm, turn, calm.shape[1::-1], borderMode=cv2.BORDER_REFLECT)
    rng = np.random.default_rng(7)
    paths = []
    for at, picture in enumerate((calm, moved)):
        noisy = picture + rng.normal(0.0, 2.5, picture.shape)
        paths.append(saved(np.clip(noisy, 0, 255).astype(np.uint8), tmp_path / f"{at}.jpg"))
    assert not same(*paths)


def test_blank_pictures_are_not_one(tmp_path):
    """Two lids left on: nothing says that they are one exposure."""
    grey = np.full((400, 600, 3), 90, np.uint8)
    rng = np.random.default_rng(1)
    noisy = [np.clip(grey + rng.normal(0, 3, grey.shape), 0, 255).astype(np.uint8) for _ in range(2)]
    assert not same(*(saved(each, tmp_path / f"{at}.png") for at, each in enumerate(noisy)))


def test_all_ways_to_turn_a_picture():
    picture = np.arange(6).reshape(2, 3)
    assert len({turn.of(picture).tobytes() + bytes(turn.of(picture).shape) for turn in TURNS}) == 8


def test_many_pictures_are_compared_in_parts():
    """Of more than fit in one part, the copies are found wherever they stand, turned or not."""
    rng = np.random.default_rng(5)
    many = list(rng.integers(0, 255, (2 * ROWS_AT_ONCE + 9, BLOCKS, BLOCKS), dtype=np.uint8))
    pairs = [
        (3, 7),
        (20, ROWS_AT_ONCE + 4),
        (ROWS_AT_ONCE + 5, ROWS_AT_ONCE + 6),
        (ROWS_AT_ONCE + 8, 2 * ROWS_AT_ONCE + 8),
    ]
    for one, other in pairs:
        many[other] = many[one] if one != 20 else np.ascontiguousarray(np.rot90(many[one]))
    assert [(one, other) for one, other, _ in alike(many)] == pairs
