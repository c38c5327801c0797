"""The demo trial: its truth agrees with the geometry, its files exist, its silhouettes lie where it says."""

import importlib
import json
import math
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest

SAMPLES = Path(__file__).parents[1] / "sample_images"
TRIAL = tomllib.loads((SAMPLES / "trial.toml").read_text())
TRUTH = json.loads((SAMPLES / "truth.json").read_text())


@pytest.fixture
def module(monkeypatch):
    """Import a module of the script that makes the photos."""
    monkeypatch.syspath_prepend(str(SAMPLES))
    return importlib.import_module


def test_every_photo_of_the_trial_exists_and_has_truth():
    files = [photo["file"] for photo in TRIAL["photo"]]
    assert len(files) == len(set(files)) == 18
    assert set(files) == set(TRUTH["photos"])
    for file in [*files, *(scale["graticule"] for scale in TRIAL["scale"])]:
        picture = cv2.imread(str(SAMPLES / file))
        assert picture is not None, file
        assert picture.shape == (900, 1600, 3), file


def test_folder_is_small_enough_to_ship():
    assert sum(path.stat().st_size for path in SAMPLES.rglob("*") if path.is_file()) < 20e6


@pytest.mark.parametrize("file", sorted(TRUTH["photos"]))
def test_truth_agrees_with_the_geometry(file):
    """Recession of a rounded wedge seen along the face normal, r (cot(β/2) - 1)."""
    photo = TRUTH["photos"][file]
    half_angle = math.radians(photo["wedge_angle_deg"]) / 2
    # the arc's centre lies r / sin(β/2) from the apex on the bisector, the silhouette r beyond it
    centre = photo["r_used_um"] / math.sin(half_angle) * math.cos(half_angle)
    centre_unused = photo["r_unused_um"] / math.sin(half_angle) * math.cos(half_angle)
    recession = (centre - photo["r_used_um"]) - (centre_unused - photo["r_unused_um"])
    assert photo["recession_um"] == pytest.approx(recession, abs=1e-6)
    assert 0 <= photo["coating_loss_100um_used"] <= 1
    assert photo["coating_loss_100um_unused"] < 0.01
    # only spots can add to the band beyond its mean setback, and only the band's end can cap it
    assert photo["coating_loss_100um_used"] <= photo["setback_um_used"] / 100 + 0.015
    column, row = photo["transition_px"]
    assert 0 < column < 1599
    assert 0 < row < 899


def test_wear_grows_and_stated_angles_hold_the_truth():
    bits = {bit["name"]: bit for bit in TRIAL["bit"]}
    for name, bit in bits.items():
        for flute in range(1, bit["flutes"] + 1):
            photos = sorted(
                (p for p in TRUTH["photos"].values() if (p["bit"], p["flute"]) == (name, flute)),
                key=lambda p: p["parts"],
            )
            assert [p["parts"] for p in photos] == [0, 150, 300]
            assert photos[0]["recession_um"] == pytest.approx(0, abs=1e-9)
            assert photos[0]["recession_um"] < photos[1]["recession_um"] < photos[2]["recession_um"]
            assert all(
                abs(p["wedge_angle_deg"] - bit["wedge_angle_deg"]) < 1.5 * bit["u_wedge_angle_deg"]
                for p in photos
            )


def test_truth_is_what_the_script_says_now(module):
    script = module("make_photos")
    assert _close(json.loads(json.dumps(script.demo_truth())), TRUTH)


def test_the_reference_pairs_are_those_that_the_script_makes(module):
    held_out, folder = module("held_out"), Path(__file__).parent / "reference"
    made = {f"{seed}-{index}": held_out.reference_case(seed, index) for seed, index in held_out.REFERENCE}
    made |= {f"tilted/{case.name}": case for case in (held_out.tilted_case(*one) for one in held_out.TILTED)}
    assert {str(path.parent.relative_to(folder)) for path in folder.rglob("truth.json")} == set(made)
    for name, case in made.items():
        truth = json.loads((folder / name / "truth.json").read_text())
        assert _close(json.loads(json.dumps(held_out.sidecar(case))), truth), name
        for state, frame in (("new", case.new), ("worn", case.worn)):
            picture = cv2.imread(str(folder / name / f"{state}.{case.camera.format}"))
            assert picture.shape == (frame.height_px, frame.width_px, 3)


def _close(a, b):
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(_close(a[key], b[key]) for key in a)
    if isinstance(a, list):
        return len(a) == len(b) and all(map(_close, a, b))
    if isinstance(a, float):
        return a == pytest.approx(b, rel=1e-6, abs=1e-9)
    return a == b


def test_one_photo_only_is_out_of_focus():
    """The steepest step across the edge, against that of the other flute at the same checkpoint."""

    def sharpness(file):
        grey = cv2.imread(str(SAMPLES / file), cv2.IMREAD_GRAYSCALE).astype(float)
        return np.abs(np.diff(cv2.GaussianBlur(grey, (0, 0), 2.0), axis=0)).max(axis=0).mean()

    refused = [file for file, photo in TRUTH["photos"].items() if photo["to_be_refused"]]
    assert refused == ["photos/plover-150-2.jpg"]
    assert sharpness(refused[0]) < 0.4 * sharpness("photos/plover-150-1.jpg")


def test_graticule_has_a_line_every_division():
    """The pitch of the lines, found by Fourier analysis of the rows' mean, is the stated one."""
    stated = TRUTH["graticule"]
    grey = cv2.imread(str(SAMPLES / stated["file"]), cv2.IMREAD_GRAYSCALE).astype(float)
    tilt = math.radians(stated["tilt_deg"])
    height, width = grey.shape
    middle = 0.15 * height  # short lines cross these rows everywhere
    rows = np.arange(-40, 41) + middle
    u = np.arange(width) - (width - 1) / 2
    profile = np.zeros(width)
    for v in rows:
        columns = (u - v * math.sin(tilt)) / math.cos(tilt) + (width - 1) / 2
        profile += np.interp(columns, np.arange(width), grey[round(v + (height - 1) / 2)])
    profile = (profile - np.polyval(np.polyfit(u, profile, 2), u)) * np.hanning(width)
    pitches = np.linspace(0.98, 1.02, 2001) * stated["division_um"] / stated["um_per_px"]
    power = [abs(np.sum(profile * np.exp(-2j * np.pi * u / pitch))) for pitch in pitches]
    assert pitches[int(np.argmax(power))] * stated["um_per_px"] == pytest.approx(
        stated["division_um"], rel=5e-4
    )


@pytest.mark.parametrize(
    ("rotation_deg", "tilt_deg"),
    [(3.0, 0.0), (-90.0, 0.0), (180.0, 0.0), (38.0, 0.0), (3.0, 15.0), (3.0, -15.0), (-90.0, 10.0)],
)
def test_rendered_silhouette_lies_where_truth_says(module, rotation_deg, tilt_deg):
    """The area the tool covers, per length of edge, against the stated silhouette."""
    pytest.importorskip("mitsuba")
    model, renderer = module("edge_model"), module("photo_renderer")
    edge = model.Edge(wedge_angle_deg=58, r_unused_um=6, r_used_um=44, seed=5, curve_mm_per_mm2=-0.03)
    frame = model.Frame(96, 96, 12.0, rotation_deg=rotation_deg, offset_px=(3.3, -2.6), tilt_deg=tilt_deg)
    covered = renderer.silhouette(edge, frame, spp=400, seed=1)

    x, y = model.stations_mm(), model.silhouette_y_mm(edge, tilt_deg)
    row, column = np.mgrid[: frame.height_px, : frame.width_px].astype(float)
    fine = (np.arange(16) + 0.5) / 16 - 0.5
    expected = np.zeros_like(covered)
    for dc in fine:
        for dr in fine:
            px, py = frame.to_mm(column + dc, row + dr)
            expected += (py < np.interp(px, x, y)) / fine.size**2
    length_px = np.count_nonzero((expected > 0) & (expected < 1)) / (
        abs(math.cos(math.radians(rotation_deg))) + abs(math.sin(math.radians(rotation_deg)))
    )
    offset_um = (covered.sum() - expected.sum()) / length_px * frame.um_per_px
    assert abs(offset_um) < 0.2
    used = np.interp(frame.to_mm(column, row)[0], x, model.used_share(edge, x)) > 0.99
    assert abs((covered - expected)[used].sum()) * frame.um_per_px / (length_px / 2) < 0.3


def test_rendered_pin_mirrors_the_lamps_halfway(module):
    """A mirror-smooth pin's brightest places lie R sin(θ/2) from its axis, by the mirror law."""
    pytest.importorskip("mitsuba")
    model, renderer = module("edge_model"), module("photo_renderer")
    pin = renderer.Pin(diameter_mm=0.2, alpha_along=0.3, alpha_round=0.02)  # so thin that the lamps are far
    light = renderer.Light(ring_n=60, ring_elev_deg=48, coax_power=0.0)
    frame = model.Frame(64, 160, 2.0)
    level = renderer.path_trace_pin(pin, light, frame, spp=64, seed=3).mean(axis=(1, 2))
    from_axis_px = np.abs(np.arange(160) - 79.5)
    lines_px = [from_axis_px[half][np.argmax(level[half])] for half in (slice(0, 80), slice(80, 160))]
    assert np.mean(lines_px) == pytest.approx(50 * math.sin(math.radians(21)), abs=1.5)
