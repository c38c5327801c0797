"""One picture under many names, and pictures that only look alike, made from the sample photos and drawn flutes.

The truth is how each file was made: by saving one picture again, or by exposing the flute again.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from itertools import combinations, cycle
from pathlib import Path

import cv2
import numpy as np
import pytest
from pictures import CARD, Flute
from seldom import every_other, seldom

from wearscope.imaging.likeness import (
    BLOCKS,
    IN_VAIN,
    MOST_APART,
    ROWS_AT_ONCE,
    TURNS,
    Likeness,
    apart,
    first_of_same,
    likeness_of,
    same_exposure,
)
from wearscope.imaging.photo import Photo, read_photo

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_images" / "photos"


@lru_cache(maxsize=4)
def seen(path: Path) -> tuple[Photo, Likeness]:
    photo = read_photo(path)
    return photo, likeness_of(photo)


def same(one: Path, other: Path) -> bool:
    """What the program makes of two files."""
    photos, likenesses = zip(seen(one), seen(other), strict=True)
    return first_of_same(likenesses, lambda _one, _other, turn: same_exposure(*photos, turn)) == [0, 0]


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


# milder than another, or the same way again
SELDOM = {"JPEG 95", "JPEG 75", "TIFF", "BMP", "at 90 %", "darker", "turned right"}


@pytest.mark.parametrize(
    ("copy", "name"),
    [
        seldom(copy, name) if copy in SELDOM else (copy, name)
        for copy, name in zip(
            COPIES, cycle(["wren-300-1.jpg", "plover-000-2.jpg", "heron-150-1.jpg"]), strict=False
        )
    ],
)
def test_a_copy_is_the_same_picture(name, copy, tmp_path):
    original = SAMPLE / name
    assert same(original, COPIES[copy](cv2.imread(str(original)), tmp_path / "copy"))


@pytest.mark.parametrize("orientation", [2, seldom(3), seldom(4), 5, 6, seldom(7), seldom(8)])
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
    assert first_of_same(likenesses, lambda *_: pytest.fail("they look alike")) == list(range(len(photos)))
    assert (
        min(apart(one.blocks, other.blocks) for one, other in combinations(likenesses, 2)) > MOST_APART + 1.0
    )


FLUTES = {
    "card": Flute(background=CARD),
    "dark": Flute(),
    "hardly any marks": Flute(background=CARD, marks=0.01),
    "at an angle": Flute(background=CARD, angle_deg=37.0),
}
MOVED = ((2.0, 0.0), (-2.0, 0.0), (0.0, 2.0), (0.0, -2.0), (3.0, 3.0), (5.0, 0.0), (0.0, 5.0), (2.4, -1.3))


@pytest.mark.parametrize(
    ("flute", "shift_px", "ending"),
    every_other(
        (flute, MOVED[of], (".png", ".jpg")[at % 2])
        for at, flute in enumerate(FLUTES)
        for of in range(at % 2, len(MOVED), 2)
    ),
)
def test_the_flute_photographed_again_is_another_picture(flute, shift_px, ending, tmp_path):
    """Put back within 2 to 5 pixels, seconds later: other noise, no wear."""
    first = FLUTES[flute]
    again = replace(first, shift_px=shift_px, seed=first.seed + 1)
    assert not same(first.save(tmp_path / f"a{ending}"), again.save(tmp_path / f"b{ending}"))


@pytest.mark.parametrize(
    ("shift_px", "name"),
    every_other(zip(MOVED, cycle(["wren-000-1.jpg", "heron-150-1.jpg", "plover-150-1.jpg"]), strict=False)),
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
    assert not same_exposure(*(read_photo(path) for path in paths)), "by all of the grain too"


def test_blank_pictures_are_not_one(tmp_path):
    """Two lids left on: nothing says that they are one exposure."""
    grey = np.full((400, 600, 3), 90, np.uint8)
    rng = np.random.default_rng(1)
    noisy = [np.clip(grey + rng.normal(0, 3, grey.shape), 0, 255).astype(np.uint8) for _ in range(2)]
    assert not same(*(saved(each, tmp_path / f"{at}.png") for at, each in enumerate(noisy)))


def test_all_ways_to_turn_a_picture():
    picture = np.arange(6).reshape(2, 3)
    assert len({turn.of(picture).tobytes() + bytes(turn.of(picture).shape) for turn in TURNS}) == 8


def blocks_alone(rng, how_many):
    """Pictures whose grain says nothing, as small ones have it."""
    blocks = rng.integers(0, 255, (how_many, BLOCKS, BLOCKS), dtype=np.uint8)
    return [Likeness(each, np.zeros((BLOCKS, BLOCKS), np.int8), (90, 90)) for each in blocks]


def test_many_pictures_are_compared_in_parts():
    """Of more than fit in one part, the copies are found wherever they stand, turned or not."""
    many = blocks_alone(np.random.default_rng(5), 2 * ROWS_AT_ONCE + 9)
    pairs = [
        (3, 7),
        (20, ROWS_AT_ONCE + 4),
        (ROWS_AT_ONCE + 5, ROWS_AT_ONCE + 6),
        (ROWS_AT_ONCE + 8, 2 * ROWS_AT_ONCE + 8),
    ]
    for one, other in pairs:
        turned = np.rot90(many[one].blocks) if one == 20 else many[one].blocks
        many[other] = replace(many[other], blocks=np.ascontiguousarray(turned))
    first = first_of_same(many, lambda *_: True)
    assert [(of, at) for at, of in enumerate(first) if of != at] == sorted(pairs, key=lambda pair: pair[1])


def test_a_new_picture_is_compared_with_all_and_the_others_are_left():
    """Among thousands that were compared already: what one more is the same as is found, wherever that stands."""
    many = blocks_alone(np.random.default_rng(6), ROWS_AT_ONCE + 9)
    for one, other in ((3, 7), (5, ROWS_AT_ONCE + 2), (8, 9), (9, ROWS_AT_ONCE + 4)):
        many[other] = replace(many[other], blocks=many[one].blocks)
    asked = []

    def same(one, other, _turn):
        asked.append((one, other))
        return True

    whole = first_of_same(many, same)
    assert {whole[at] for at in (3, 7)} == {3}
    assert {whole[at] for at in (8, 9, ROWS_AT_ONCE + 4)} == {8}
    asked.clear()
    for new in (
        7,
        8,
        ROWS_AT_ONCE + 4,
        100,
    ):  # one of a pair, the first of three, the last of three, one alone
        group = [at for at, of in enumerate(whole) if of == whole[new] and at != new]
        before = [None if at == new else min(group) if at in group else of for at, of in enumerate(whole)]
        assert first_of_same(many, same, before) == whole, new
    assert all({7, 8, ROWS_AT_ONCE + 4, 100} & set(pair) for pair in asked)
    asked.clear()
    assert first_of_same(many, same, whole) == whole
    assert asked == []


def on_one_surface(rng, how_many, noise, moved=0):
    """Likenesses of photos that share all but noise, and where the surface lies."""
    marks = cv2.GaussianBlur(rng.normal(0.0, 25.0, (740, 940)).astype(np.float32), (0, 0), 0.8)
    surface = 60.0 + 130.0 * (np.arange(940) > 440) + marks
    made = []
    for _ in range(how_many):
        top, left = rng.integers(0, 2 * moved + 1, 2)  # 20 px are free
        seen = surface[top : top + 720, left : left + 920]
        codes = np.clip(seen + rng.normal(0.0, noise, seen.shape), 0, 255).astype(np.uint8)
        made.append(read_like(codes))
    return made


def read_like(codes):
    """A grey picture as one that was read."""
    pixels = np.repeat(codes[..., np.newaxis], 3, axis=2)
    return likeness_of(Photo(Path("drawn.png"), "0" * 64, pixels, "srgb", True, 255, None, "", ()))


@pytest.mark.statistics
def test_how_many_are_compared_closely_does_not_grow_as_their_square():
    """Photos of one surface in the same place, whose noise is all that differs, are the worst that there is."""
    asked = []
    rng = np.random.default_rng(2)
    many = on_one_surface(rng, 60, noise=6.0)
    many[50] = many[4]

    def same(one, other, _turn):
        asked.append((one, other))
        return {one, other} == {4, 50}

    first = first_of_same(many, same)
    assert first == [4 if at == 50 else at for at in range(60)], "the copy is found all the same"
    assert 60 < len(asked) <= 60 * IN_VAIN < 60 * 59 / 2
    assert len(set(asked)) == len(asked)


def test_what_is_known_to_be_one_picture_is_asked_for_no_more():
    asked = []
    many = on_one_surface(np.random.default_rng(2), 30, noise=4.0)
    assert first_of_same(many, lambda *pair: asked.append(pair) or True) == [0] * 30
    assert len(asked) == 29


@pytest.mark.statistics
def test_photos_of_one_surface_that_was_moved_are_hardly_compared():
    asked = []
    many = on_one_surface(np.random.default_rng(3), 60, noise=4.0, moved=8)
    first_of_same(many, lambda *pair: asked.append(pair) and False)
    assert len(asked) <= 60 * 59 / 2 / 17**2 * 3, "one in 17 x 17 lies as another does"
