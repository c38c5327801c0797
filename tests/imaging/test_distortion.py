"""A lens's distortion from a graticule's photo, against drawn pictures and OpenCV's model of a lens."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from graticules import Graticule
from seldom import seldom

from wearscope.imaging.calibration.scale import scale_from_graticule
from wearscope.imaging.edge_line import offset_from
from wearscope.imaging.edge_lines import line_through
from wearscope.imaging.lens import Lens
from wearscope.imaging.photo import read_photo
from wearscope.imaging.strip import cut_strip, points_on_photo
from wearscope.report.reason_words import note_of

FULL = ((-1e3, 1e3),)
DIVISION_UM = 100.0
SCALE_LIMIT = 2e-3  # over the frame, ../shared/design.md section 6
SHIPPED = Path(__file__).parents[2] / "sample_images" / "photos"
REAL = Path(__file__).parents[3] / "shared" / "reference" / "real" / "ruled_scale" / "ruled-10um.png"

RULINGS = {
    "grid": {"crossed": True, "tick_rows": FULL, "angle_deg": 5.0},
    "grid askew": {"crossed": True, "tick_rows": FULL, "angle_deg": 38.0},
    "long lines": {"tick_rows": FULL, "angle_deg": 31.0},
    "ticks along the rows": {"angle_deg": 3.0},
    "ticks along the columns": {"angle_deg": 93.0},
}


def each_ruling_with(name, values, of_each):
    """Every ruling with some of the values, so that each value meets several of them; by default with one of these."""
    cases, met = {}, dict.fromkeys(range(len(values)), 0)
    for at, ruling in enumerate(RULINGS):
        these = [(of_each * at + n) % len(values) for n in range(of_each)]
        usual = min(these, key=met.__getitem__)
        met[usual] += 1
        for k in these:
            case = RULINGS[ruling], values[k]
            cases[f"{ruling}-{values[k]}"] = case if k == usual else seldom(*case)
    return pytest.mark.parametrize(("ruling", name), list(cases.values()), ids=list(cases))


def of(graticule: Graticule):
    return scale_from_graticule(graticule.luminance(), DIVISION_UM)


def errors_over_frame(found, graticule: Graticule) -> np.ndarray:
    """Relative errors of lengths of 20 px along the columns and the rows, at places all over the frame."""
    height, width = graticule.shape
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    half = np.hypot(height, width) / 2
    places = np.stack(np.meshgrid(np.linspace(12, width - 13, 9), np.linspace(12, height - 13, 7)), -1)
    errors = []
    for side in np.eye(2):
        ends = [places.reshape(-1, 2) + sign * 10.0 * side for sign in (-1, 1)]
        true = [(end - middle) * (1 + graticule.barrel * np.sum((end - middle) ** 2, 1, keepdims=True) / half**2)
                for end in ends]  # fmt: skip
        seen = [end if found.lens is None else found.lens.straightened(end) for end in ends]
        lengths = [np.linalg.norm(b - a, axis=1) for a, b in (seen, true)]
        errors.append(lengths[0] * found.um_per_px / (lengths[1] * graticule.um_per_px(DIVISION_UM)[0]) - 1)
    return np.concatenate(errors)


@each_ruling_with("barrel", [0.005, -0.01, 0.02, -0.03, 0.03], 2)
def test_drawn_distortion_is_found_within_its_uncertainty(ruling, barrel):
    graticule = Graticule(barrel=barrel, **ruling)
    found = of(graticule)
    assert found.lens is not None
    assert abs(found.lens.at_corner - barrel) < 2.5 * found.lens.u_corner
    assert found.lens.u_corner < max(0.02 * abs(barrel), 5e-4)
    errors = errors_over_frame(found, graticule)
    assert np.sqrt(np.mean(errors**2)) < SCALE_LIMIT
    assert np.sqrt(np.mean(errors**2)) < 2.5 * found.u_um_per_px / found.um_per_px
    if ruling.get("crossed"):
        assert np.abs(errors).max() < SCALE_LIMIT
        assert found.status == "ok", note_of(found.remarks)
        assert "distortion" in note_of(found.remarks)


@each_ruling_with("changes", [{}, {"noise": 0.04, "seed": 4}, {"ruling_jitter": 0.01}, {"keystone": 0.01}], 2)
def test_none_is_found_where_there_is_none(ruling, changes):
    assert of(Graticule(**ruling).but(**changes)).lens is None


@pytest.mark.parametrize("angle_deg", [0.0, 31.0])
def test_a_tilted_graticule_tells_the_lens_as_well(angle_deg):
    found = of(Graticule(barrel=0.01, keystone=0.01, tick_rows=FULL, angle_deg=angle_deg))
    assert found.lens is not None
    assert abs(found.lens.at_corner - 0.01) < 3e-4
    assert np.hypot(found.lens.centre_px[0] - 399.5, found.lens.centre_px[1] - 299.5) < 0.04 * 500.0


def test_what_ships_has_none():
    photo = read_photo(SHIPPED / "graticule.jpg")
    assert scale_from_graticule(photo.linear(), DIVISION_UM).lens is None


@pytest.mark.skipif(not REAL.is_file(), reason="no open-data photographs here")
def test_a_real_tilted_scale_is_not_taken_for_a_lens():
    assert scale_from_graticule(read_photo(REAL).linear(), 10.0).lens is None


def test_a_ruling_that_crosses_little_says_how_little_it_knows():
    grid, ticks = (of(Graticule(barrel=0.02, angle_deg=3.0, **more))
                   for more in ({"crossed": True, "tick_rows": FULL}, {}))  # fmt: skip
    short = of(Graticule(barrel=0.02, angle_deg=3.0, first=-7, last=8))
    assert ticks.u_um_per_px_x > 1.5 * grid.u_um_per_px_x
    # a centre off by 3 % of half the diagonal changes the scale along the rows by up to 6 x 2 % x 3 %
    assert ticks.u_um_per_px_x / ticks.um_per_px_x > 7e-4
    assert short.lens is None or short.lens.u_corner > 3 * ticks.lens.u_corner


def test_more_than_can_be_taken_out_is_said():
    found = of(Graticule(barrel=0.045, crossed=True, tick_rows=FULL, angle_deg=5.0))
    assert found.status == "doubtful"
    assert "distorts by 4.5%" in note_of(found.remarks)


def test_a_scale_photographed_through_the_lens_of_opencv():
    """Its model says where the lens shows a place, not where a place belongs: another function, with a centre of its own."""
    plain = Graticule(crossed=True, tick_rows=FULL, angle_deg=5.0, jpeg_quality=None, noise=0.0)
    height, width = plain.shape
    half = np.hypot(height, width) / 2
    camera = np.array([[half, 0, (width - 1) / 2 + 8.0], [0, half, (height - 1) / 2 - 6.0], [0, 0, 1]])
    bends = np.array([-0.02, 0.0, 0.0, 0.0])
    columns, rows = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    pixels = np.stack([columns, rows], -1).reshape(-1, 1, 2)
    belongs = cv2.undistortPoints(pixels, camera, bends, P=camera).reshape(height, width, 2)
    light = plain.luminance()
    seen = cv2.remap(light.astype(np.float32), belongs.astype(np.float32), None, cv2.INTER_CUBIC,
                     borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    found = scale_from_graticule(seen, DIVISION_UM)
    ours = found.lens.straightened(pixels.reshape(-1, 2)).reshape(height, width, 2)
    for axis in (0, 1):
        here, there = np.diff(ours, axis=axis), np.diff(belongs, axis=axis)
        lengths = np.linalg.norm(here, axis=-1) * found.um_per_px, np.linalg.norm(there, axis=-1) * 5.0
        assert np.abs(lengths[0] / lengths[1] - 1).max() < SCALE_LIMIT


@pytest.mark.parametrize("k1", [-0.03, 0.01, 0.03])
def test_shown_and_straightened_are_each_other_s_reverse(k1):
    lens = Lens((600, 800), (410.0, 290.0), 500.0, k1, 0.1 * k1, 1e-4)
    places = np.random.default_rng(3).uniform(-100, 900, (2000, 2))
    assert lens.straightened(lens.shown(places)) == pytest.approx(places, abs=1e-9)
    blocks = lens.on_blocks(4)
    assert (blocks.straightened((places + 0.5) / 4 - 0.5) + 0.5) * 4 - 0.5 == pytest.approx(
        lens.straightened(places), abs=1e-9
    )


def test_a_strip_through_a_lens_is_the_strip_without_it():
    lens = Lens((600, 800), (399.5, 299.5), 500.0, 0.03, 0.0, 1e-4)
    columns, rows = np.meshgrid(np.arange(800.0), np.arange(600.0))

    def scene(places):
        x, y = places[..., 0], places[..., 1]
        return np.stack([0.5 + 0.3 * np.sin(x / 9) * np.cos(y / 11), x / 900, y / 900], -1).astype(np.float32)

    flat = scene(np.stack([columns, rows], -1))
    bent = scene(lens.straightened(np.stack([columns, rows], -1)))
    ends = np.column_stack([np.linspace(60, 700, 40), np.linspace(80, 470, 40)])
    line = line_through(ends)
    through = line_through(lens.shown(ends)).with_lens(lens)
    asked = {"depth_um": (-60.0, 200.0), "s_um": np.arange(-200.0, 200.0)}
    before = cut_strip(flat, line, 1.0, **asked)
    onto = points_on_photo(line, 1.0, np.array([-200.0]), np.array([0.0]))
    start = through.described_px(lens.shown(onto))
    assert np.abs(start - onto).max() < 0.05
    shift = float((onto[0] - through.origin_px) @ through.direction) + 200.0
    after = cut_strip(bent, through, 1.0, depth_um=(-60.0, 200.0), s_um=asked["s_um"] + shift)
    assert np.nanmax(np.abs(after.light - before.light)) < 0.03
    assert through.in_picture().lens is None
    back = through.in_picture()
    again = np.column_stack(back.points_px(np.linspace(back.start_px, back.end_px, 9)))
    assert np.abs(offset_from(again, through)).max() < 0.05
