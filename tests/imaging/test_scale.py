"""The scale from a ruled scale's photograph, against pictures whose truth is known and against a real one."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from graticules import Graticule, half_plane_area, through_file
from scipy import ndimage
from seldom import but_seldom, seldom

from wearscope.errors import PhotoRefused
from wearscope.imaging.calibration import axes, ruling
from wearscope.imaging.calibration.scale import (
    Scale,
    scale_from_embedded,
    scale_from_graticule,
    scale_from_value,
)
from wearscope.report.reason_words import note_of

REFERENCE = Path(__file__).parents[3] / "shared" / "reference"
LIMIT = 5e-4  # DEVELOPERS.md
FULL = ((-1e3, 1e3),)
DIVISION_UM = 100.0


def measured(graticule: Graticule) -> Scale:
    return scale_from_graticule(graticule.luminance(), DIVISION_UM, file="scale.jpg")


def error(found: Scale, graticule: Graticule) -> float:
    """The larger relative error of the two axes."""
    x, y = graticule.um_per_px(DIVISION_UM)
    return max(abs(found.um_per_px_x / x - 1), abs(found.um_per_px_y / y - 1))


def linear(path: Path) -> np.ndarray:
    code = cv2.imread(str(path)).astype(float)[..., ::-1] / 255
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return light @ [0.2126, 0.7152, 0.0722]  # luminance of linear sRGB


# The pictures themselves


@pytest.mark.parametrize("angle_deg", [0.0, 20.0, 45.0, 77.0])
def test_the_test_pictures_cover_pixels_exactly(angle_deg):
    """Against counting 200 by 200 points in a pixel."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    grid = (np.arange(200) + 0.5) / 200 - 0.5
    inside = grid[:, None] * c + grid[None, :] * s
    for t in (-0.6, -0.3, 0.0, 0.21, 0.55):
        assert half_plane_area(np.array(t), c, s) == pytest.approx((inside < t).mean(), abs=4e-3)


# What it reads


@pytest.mark.parametrize("angle_deg", [0.0, seldom(3.0), 17.0, seldom(45.0), seldom(90.0), 133.0])
def test_any_angle(angle_deg):
    graticule = Graticule(angle_deg=angle_deg, pitch_px=20.13)
    found = measured(graticule)
    assert found.status == "ok", note_of(found.remarks)
    assert error(found, graticule) < LIMIT


@pytest.mark.parametrize(
    "changes",
    [
        seldom({"bright_on_dark": True}, id="bright lines on dark"),
        pytest.param({"vignette": 1.0, "gradient": 0.9, "line_width": 0.4}, id="uneven light, thick lines"),
        seldom({"vignette": 0.9, "bright_on_dark": True}, id="uneven light on bright lines"),
        pytest.param({"pitch_px": 8.07, "blur_px": 0.8, "line_width": 0.25}, id="8 px per division"),
        seldom({"pitch_px": 61.7, "blur_px": 2.0, "line_width": 0.1}, id="62 px per division"),
        pytest.param({"pitch_px": 90.3, "blur_px": 3.0, "line_width": 0.05}, id="90 px per division"),
        pytest.param({"tick_rows": ((0, 3),), "base_line": True, "long_extra": (3, 6)}, id="long and short"),
        seldom({"tick_rows": ((-10, -4), (3, 8))}, id="two rows"),
        seldom({"tick_rows": FULL, "line_width": 0.5, "phase": 0.11}, id="bars as wide as gaps"),
        seldom({"first": -4, "last": 11}, id="part of the frame"),
        seldom({"missing": (2, 3, -6)}, id="lines missing"),
        pytest.param({"text": ("0.1 mm / div", "BENCH 40x 12:34")}, id="text burned in"),
        seldom({"cross_hair": True}, id="cross-hair"),
        pytest.param(
            {"cross_hair": True, "angle_deg": 1.2, "tick_rows": ((0, 3),)}, id="cross-hair near lines"
        ),
        pytest.param({"jpeg_quality": 40}, id="poor JPEG"),
        seldom({"blur_px": 3.5}, id="out of focus"),
        seldom({"noise": 0.08}, id="noisy"),
    ],
)
def test_what_real_pictures_do(changes):
    graticule = Graticule(angle_deg=5.0, pitch_px=20.13).but(**changes)
    found = measured(graticule)
    assert found.status == "ok", note_of(found.remarks)
    assert error(found, graticule) < LIMIT


def test_light_that_falls_off_does_not_shift_wide_soft_lines():
    # towards the bright side by their mean square half width times the slope of the light: 1.3e-3 of the scale here
    graticule = Graticule(angle_deg=5.0, pitch_px=60.0, line_width=0.5, blur_px=6.0, vignette=0.9)
    assert error(measured(graticule), graticule) < LIMIT


def test_colour_and_unit_of_light_do_not_matter():
    light = Graticule(angle_deg=11.0).luminance()
    grey = scale_from_graticule(light, DIVISION_UM)
    colour = scale_from_graticule(np.stack([1000 * light] * 3, axis=2), DIVISION_UM)
    assert colour.um_per_px == pytest.approx(grey.um_per_px, rel=1e-6)


def test_one_direction_takes_pixels_as_square_and_says_so():
    upright = measured(Graticule(angle_deg=0.0))
    assert "square" in note_of(upright.remarks)
    assert upright.um_per_px_x == upright.um_per_px_y
    assert upright.u_um_per_px_y > 3 * upright.u_um_per_px_x
    lying = measured(Graticule(angle_deg=90.0))
    assert lying.u_um_per_px_x > 3 * lying.u_um_per_px_y


@pytest.mark.parametrize("angle_deg", [33.0, seldom(0.0), seldom(5.0), seldom(45.0)])
def test_crossed_gives_both_axes(angle_deg):
    graticule = Graticule(angle_deg=angle_deg, crossed=True, tick_rows=FULL)
    found = measured(graticule)
    assert found.status == "ok", note_of(found.remarks)
    assert "both axes" in note_of(found.remarks)
    assert error(found, graticule) < LIMIT


@pytest.mark.parametrize("angle_deg", [0.0, seldom(8.0), 45.0])
@pytest.mark.parametrize("rows", [seldom(FULL), ((-4.0, 4.0),)])
def test_unequal_axes_are_measured_and_warned_of(angle_deg, rows):
    graticule = Graticule(angle_deg=angle_deg, crossed=True, tick_rows=rows, aspect=1.008)
    found = measured(graticule)
    assert found.status == "doubtful"
    assert "axes differ" in note_of(found.remarks)
    assert error(found, graticule) < 2 * LIMIT


# Which lines are the division


def ruled(*graticules: Graticule, weights=None) -> np.ndarray:
    """Several rulings on one plate."""
    weights = weights or [1.0] * len(graticules)
    cover = np.max([w * g.coverage() for w, g in zip(weights, graticules, strict=True)], axis=0)
    light = cv2.GaussianBlur(0.75 - 0.6 * cover, (0, 0), 1.0)
    noise = np.random.default_rng(0).standard_normal(light.shape)
    return through_file(light * (1 + 0.01 * noise), 90)


COARSE = Graticule(angle_deg=4.0, pitch_px=40.0, line_width=0.1, phase=0.2)
HALVES = COARSE.but(phase=0.7, long_extra=(0, 0), tick_rows=((-4.0, -1.0),))
TALL = Graticule(angle_deg=4.0, pitch_px=75.0, line_width=0.05, phase=0.2, long_extra=(0, 0))
FIFTHS = Graticule(
    angle_deg=4.0, pitch_px=15.0, line_width=0.2, phase=1.0, long_extra=(0, 0), tick_rows=((-20.0, -16.0),)
)


@pytest.mark.parametrize(
    ("plate", "pitch_px"),
    [
        pytest.param((COARSE, HALVES), 20.0, id="short lines halfway"),
        pytest.param((COARSE, HALVES.but(tick_rows=((-4.0, 4.0),))), 20.0, id="equal lines halfway"),
        pytest.param((TALL, FIFTHS), 15.0, id="fifths at the rim of the picture"),
        pytest.param((COARSE,), 40.0, id="nothing between"),
    ],
)
def test_the_smallest_regular_division_is_found(plate, pitch_px):
    found = scale_from_graticule(ruled(*plate), DIVISION_UM)
    assert found.status == "ok", note_of(found.remarks)
    assert found.um_per_px == pytest.approx(DIVISION_UM / pitch_px, rel=LIMIT)


@pytest.mark.parametrize(
    ("plate", "weights"),
    [
        pytest.param((COARSE, HALVES), (1.0, 0.2), id="faint halves"),
        pytest.param((COARSE, HALVES.but(first=-3, last=3)), None, id="halves in places"),
        pytest.param((TALL, FIFTHS), (1.0, 0.3), id="faint fifths"),
        pytest.param(
            (
                COARSE,
                FIFTHS.but(pitch_px=8.0, line_width=0.3, tick_rows=((-20.0, -8.0),), first=0, last=5),
            ),
            None,
            id="one division divided",
        ),
    ],
)
def test_lines_between_the_divisions_are_warned_of(plate, weights):
    found = scale_from_graticule(ruled(*plate, weights=weights), DIVISION_UM)
    assert found.status == "doubtful"
    assert "between the divisions" in note_of(found.remarks)


# Doubts


def test_few_lines_are_doubtful():
    found = measured(Graticule(angle_deg=5.0, first=0, last=4))
    assert found.status == "doubtful"
    assert "only 5 lines" in note_of(found.remarks)


def test_tilt_is_warned_of_and_in_the_uncertainty():
    graticule = Graticule(angle_deg=5.0, tick_rows=FULL, keystone=0.01)
    found = measured(graticule)
    assert found.status == "doubtful"
    assert "tilt" in note_of(found.remarks)
    x, _ = graticule.um_per_px(DIVISION_UM)  # of the middle of the picture
    assert abs(found.um_per_px_x - x) < 2 * found.u_um_per_px_x
    assert found.u_um_per_px_x > 1e-3 * found.um_per_px_x


def test_a_carelessly_ruled_scale_is_less_certain():
    fine, careless = (measured(Graticule(angle_deg=5.0, pitch_px=40.0, ruling_jitter=j)) for j in (0.0, 0.02))
    assert careless.u_um_per_px_x > 3 * fine.u_um_per_px_x


# Honest uncertainty


@pytest.mark.statistics
def test_truth_within_two_standard_uncertainties(monkeypatch):
    """On scatter alone: what is assumed of the ruling and the pixels is taken out, and the ruling is uneven."""
    monkeypatch.setattr(ruling, "RULING_STD", 0.0)
    monkeypatch.setattr(axes, "SQUARE_PIXEL_STD", 0.0)
    rng = np.random.default_rng(8)
    within = []
    for seed in range(60):
        pitch_px = float(rng.uniform(9, 40))
        graticule = Graticule(
            shape=(int(rng.integers(260, 420)), int(rng.integers(380, 560))),
            pitch_px=pitch_px,
            angle_deg=float(rng.uniform(0, 180)),
            phase=float(rng.uniform(0, 10)),
            line_width=float(rng.uniform(0.12, 0.35)),
            bright_on_dark=bool(rng.random() < 0.4),
            contrast=float(rng.uniform(0.3, 0.65)),
            blur_px=float(rng.uniform(0.6, 0.1 * pitch_px)),
            noise=float(rng.uniform(0.003, 0.04)),
            vignette=float(rng.uniform(0, 0.6)),
            ruling_jitter=float(rng.choice([0.002, 0.005, 0.01])),
            tick_rows=[((-4, 4),), ((-3, 2),), ((-7, -2), (2, 7))][rng.integers(3)],
            seed=seed,
        )
        found = measured(graticule)
        x, _ = graticule.um_per_px(DIVISION_UM)
        within.append(abs(found.um_per_px_x - x) < 2 * found.u_um_per_px_x)
    assert np.mean(within) >= 0.9, f"{np.mean(within):.2f} of {len(within)}"


@pytest.mark.statistics
def test_stated_uncertainty_covers_a_shops_pictures():
    """As the person gets it, with a ruling as good as assumed: at least 90 %, and never idle."""
    rng = np.random.default_rng(4)
    ratio = []
    for seed in range(40):
        graticule = Graticule(
            shape=(300, 420),
            pitch_px=float(rng.uniform(9, 40)),
            angle_deg=float(rng.uniform(0, 180)),
            noise=float(rng.uniform(0.005, 0.04)),
            jpeg_quality=int(rng.integers(60, 95)),
            seed=seed,
        )
        true_division_um = DIVISION_UM * (1 + ruling.RULING_STD * rng.standard_normal())
        aspect = 1 + axes.SQUARE_PIXEL_STD * rng.standard_normal()
        x, y = graticule.but(aspect=aspect).um_per_px(true_division_um)
        found = measured(graticule.but(aspect=aspect))
        ratio += [
            (found.um_per_px_x - x) / found.u_um_per_px_x,
            (found.um_per_px_y - y) / found.u_um_per_px_y,
        ]
    assert np.mean(np.abs(ratio) < 2) >= 0.9
    assert 0.6 < np.std(ratio) < 1.3


# Refusals


def weave(thread_px):
    """Plain weave: each thread a round back, over and under by turns."""
    y, x = np.mgrid[0:500, 0:600].astype(float)
    over = (np.floor(x / thread_px) + np.floor(y / thread_px)) % 2 == 0
    return 0.2 + 0.6 * np.where(
        over, np.abs(np.sin(np.pi * x / thread_px)), np.abs(np.sin(np.pi * y / thread_px))
    )


def text_page(spacing_px, size, same):
    page = np.full((600, 800), 255, np.uint8)
    rng = np.random.default_rng(2)
    words = ["the", "quick", "wear", "of", "tools", "in", "wood", "grows", "slowly", "and", "resin", "sticks"]
    line = "The illicit milliliter fills 1111 bottles illicitly"
    for row in range(600 // spacing_px):
        shown = line if same else " ".join(rng.choice(words, 12))
        cv2.putText(
            page, shown, (20, 30 + spacing_px * row), cv2.FONT_HERSHEY_SIMPLEX, size, 0, 2, cv2.LINE_AA
        )
    return page / 255


def nothing_ruled():
    """Each drawn when it is asked for."""
    rng = np.random.default_rng(3)
    noise = rng.standard_normal((500, 600))
    y, x = np.mgrid[0:500, 0:600].astype(float)
    walk = np.cumsum(rng.uniform(15, 25, 40))
    squares = ((x // 20 + y // 20) % 2) * 0.6 + 0.2
    small_squares = cv2.GaussianBlur(((x // 13 + y // 13) % 2) * 0.6 + 0.2, (0, 0), 1.2)
    shown = 0.5 + 0.45 * np.sin(x / 4)
    return {
        "blank": lambda: np.full((500, 600), 0.5),
        "black": lambda: np.zeros((500, 600)),
        "noise": lambda: 0.5 + 0.1 * noise,
        "noise in coarse JPEG blocks": lambda: through_file(0.5 + 0.1 * noise, 5),
        "soft noise in JPEG blocks": lambda: through_file(0.5 + 2 * ndimage.gaussian_filter(noise, 4), 5),
        "shaded": lambda: 1 - 0.5 * ((x - 300) ** 2 + (y - 250) ** 2) / 300**2,
        "one edge": lambda: through_file((x > 280) * 0.5 + 0.2),
        "one line": lambda: through_file((abs(x - 280) < 6) * 0.5 + 0.2),
        "three lines": lambda: Graticule(first=0, last=2).luminance(),
        "wood grain": lambda: 0.5 + 3 * ndimage.gaussian_filter(noise, (60, 3)),
        "wide wood grain": lambda: 0.5 + 8 * ndimage.gaussian_filter(noise, (150, 6)),
        "unevenly spaced lines": lambda: through_file(
            0.8 - 0.5 * (np.abs(x[..., None] - walk) < 2.5).any(axis=-1)
        ),
        "jittered lines": lambda: Graticule(ruling_jitter=0.1, angle_deg=10).luminance(),
        "spacing that grows": lambda: through_file(
            0.8 - 0.5 * (np.abs((x / 20 * (1 + x / 1200)) % 1 - 0.5) < 0.1)
        ),
        "wave": lambda: 0.5 + 0.3 * np.sin(x / 5 + y / 40),
        "wave as shown": lambda: np.where(shown <= 0.04045, shown / 12.92, ((shown + 0.055) / 1.055) ** 2.4),
        "crossed waves": lambda: 0.5 + 0.2 * np.sin(x / 4) + 0.2 * np.sin(y / 4),
        "egg box": lambda: 0.5 + 0.4 * np.sin(x / 4) * np.sin(y / 4),
        "cloth": lambda: through_file(weave(20)),
        "fine cloth": lambda: through_file(np.clip(weave(12) + 0.02 * noise, 0, 1)),
        "turned cloth": lambda: through_file(ndimage.rotate(weave(16), 23, reshape=False, mode="reflect")),
        "chessboard": lambda: squares,
        "small soft chessboard": lambda: through_file(small_squares),
        "text": lambda: text_page(36, 0.9, same=False),
        "same text in rows": lambda: text_page(36, 0.9, same=True),
        "small soft text": lambda: cv2.GaussianBlur(text_page(24, 0.6, same=False), (0, 0), 1.5),
        "hopelessly blurred scale": lambda: Graticule(blur_px=9.0).luminance(),
        "one pixel": lambda: np.zeros((1, 1)),
        "tiny": lambda: rng.random((30, 40)),
        "not numbers": lambda: np.full((200, 200), np.nan),
        "one bad pixel": lambda: np.where((x == 3) & (y == 3), np.inf, 0.5 + 0.1 * noise),
    }


NOTHING_RULED = nothing_ruled()


@pytest.mark.parametrize("name", but_seldom(15, NOTHING_RULED))
def test_what_is_no_ruled_scale_is_refused(name):
    with pytest.raises(PhotoRefused, match=r"bench\.jpg: .+; .+") as refusal:
        scale_from_graticule(NOTHING_RULED[name](), DIVISION_UM, file="bench.jpg")
    assert "\n" not in str(refusal.value)


PHOTOS = sorted(
    [
        *REFERENCE.glob("photos/*/*.png"),
        *REFERENCE.glob("photos/*/*.jpg"),
        *REFERENCE.glob("real/coated_inserts/*.jpg"),
    ]
)


@pytest.mark.statistics
@pytest.mark.skipif(not PHOTOS, reason="the reference photographs are not here")
def test_photographs_of_tools_are_refused():
    accepted = []
    for path in PHOTOS:
        try:
            accepted.append((path, scale_from_graticule(linear(path), DIVISION_UM, file=path.name)))
        except PhotoRefused as refusal:
            assert path.name in str(refusal)  # noqa: PT017 (all photographs are tried before the verdict)
    assert not accepted


@pytest.mark.parametrize("division_um", [0.0, -1.0, np.nan, np.inf])
def test_a_division_must_be_a_length(division_um):
    with pytest.raises(ValueError, match="division_um"):
        scale_from_graticule(Graticule().luminance(), division_um)


def test_only_pictures_are_looked_at():
    with pytest.raises(ValueError, match="picture"):
        scale_from_graticule(np.zeros((100, 100, 7)), DIVISION_UM)


# The real one


def test_the_real_ruled_scale():
    """Written in the picture: 22 divisions of 10 µm measure 684.53 px along the scale, 0.3214 µm per px."""
    path = REFERENCE / "real" / "ruled_scale" / "ruled-10um.png"
    if not path.exists():
        pytest.skip("the reference picture is not here")
    found = scale_from_graticule(linear(path), 10.0, file=path.name)
    assert found.um_per_px == pytest.approx(0.3214, rel=5e-3)
    assert found.um_per_px == pytest.approx(220 / 684.53, rel=5e-3)


@pytest.mark.statistics
def test_a_12_megapixel_picture():
    graticule = Graticule(shape=(750, 4000), pitch_px=23.7, tick_rows=FULL)
    light = np.concatenate([graticule.luminance().astype(np.float32)] * 4)
    found = scale_from_graticule(light, DIVISION_UM)
    assert error(found, graticule) < LIMIT


# Stated and embedded scales


def test_stated():
    found = scale_from_value(3.487, 0.004, "bench 60x")
    assert (found.um_per_px, found.u_um_per_px, found.status, found.source) == (3.487, 0.004, "ok", "stated")
    assert (found.um_per_px_x, found.um_per_px_y, found.name) == (3.487, 3.487, "bench 60x")


@pytest.mark.parametrize(("value", "u"), [(0.0, 0.1), (-1.0, 0.1), (np.nan, 0.1), (3.0, -0.1), (3.0, np.inf)])
def test_stated_nonsense(value, u):
    with pytest.raises(ValueError, match="um_per_px"):
        scale_from_value(value, u, "bench 60x")


def test_embedded_is_taken_as_good_to_half_a_per_cent():
    found = scale_from_embedded(2.0, 2.0, "bench 60x", "TIFF resolution")
    assert found.u_um_per_px == pytest.approx(0.01)
    assert found.status == "ok"
    assert found.source == "embedded"
    assert "TIFF resolution" in note_of(found.remarks)
    assert "0.5%" in note_of(found.remarks)


def test_embedded_unequal_axes_are_doubtful():
    found = scale_from_embedded(2.0, 2.1, "bench 60x", "TIFF resolution")
    assert found.status == "doubtful"
    assert found.um_per_px == pytest.approx(2.05)


def test_embedded_nonsense():
    with pytest.raises(ValueError, match="um_per_px_y"):
        scale_from_embedded(2.0, 0.0, "bench 60x", "TIFF resolution")
