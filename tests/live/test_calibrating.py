"""Pictures of a graticule and a pin of known truth, as frames of a camera: what is read, what is kept, what is as before."""

from __future__ import annotations

import re

import cv2
import numpy as np
import pytest
from flutes import NEW
from graticules import Graticule
from pictures import save_light, write_trial
from pins import Scene, photograph
from seldom import seldom

from wearscope.errors import WearscopeError
from wearscope.live import calibrating
from wearscope.live.calibrating import NotKeptError, keep_graticule, keep_pin
from wearscope.pipeline.sources import read_scales
from wearscope.trial import load_trial

DIVISION_UM = 100.0
BY_NUMBER = "um_per_px = 3.5\nu_um_per_px = 0.00175\n"


def grey_frame(light, path):
    return save_light(np.repeat(light[..., None], 3, axis=2), path)


def ruled(path, pitch_px, **but):
    return grey_frame(Graticule(pitch_px=pitch_px, **but).luminance(), path)


@pytest.fixture
def trial(tmp_path):
    """Its scale is a number; see `by_picture`."""
    folder = tmp_path / "trial"
    folder.mkdir()
    return write_trial(folder, {0: NEW.save(folder / "0.png")})


def by_picture(trial, name="graticule.png", pitch_px=25.0):
    text = trial.path.read_text()
    assert BY_NUMBER in text
    ruled(trial.folder / name, pitch_px)
    keys = f'graticule = "{name}"\ndivision_um = {DIVISION_UM:g}\n'
    trial.path.write_text(text.replace(BY_NUMBER, keys))
    return load_trial(trial.path)


def test_the_frame_becomes_the_graticule_of_the_scale(trial, tmp_path):
    """And the one before is set aside; the truth is the drawing's pitch."""
    trial = by_picture(trial)
    old = (trial.folder / "graticule.png").read_bytes()
    picture = ruled(tmp_path / "live.png", 28.57)
    done = keep_graticule(trial, picture, "bench", DIVISION_UM)
    assert done.kept == trial.folder / "graticule.png"
    assert done.kept.read_bytes() == picture.read_bytes()
    (aside,) = (trial.folder / "replaced").iterdir()
    assert aside.read_bytes() == old
    assert float(done.line.split()[0]) == pytest.approx(DIVISION_UM / 28.57, rel=5e-4)
    scale = read_scales(load_trial(trial.path))[0]["bench"]
    assert scale.um_per_px == pytest.approx(DIVISION_UM / 28.57, rel=5e-4)


@pytest.mark.statistics
@pytest.mark.parametrize("other", ["a number", seldom("a jpg"), seldom("another pitch")])
def test_elsewhere_the_line_says_what_to_write(trial, tmp_path, other):
    """And what it says makes the trial measure by it."""
    if other != "a number":
        trial = by_picture(trial, "g.jpg" if other == "a jpg" else "g.png")
    pitch_um = 50.0 if other == "another pitch" else DIVISION_UM
    before = trial.path.read_bytes()
    done = keep_graticule(trial, ruled(tmp_path / "live.png", 20.0), "bench", pitch_um)
    assert trial.path.read_bytes() == before
    assert done.kept == trial.folder / "graticule-bench.png"
    keys = re.search(r'(graticule = "[^"]+"), (division_um = \S+) in the trial file', done.line)
    text = trial.path.read_text()
    head, tail = text[: text.index('name = "bench"\n') + 15], text[text.index("[[bit]]") :]
    trial.path.write_text(f"{head}{keys[1]}\n{keys[2]}\n\n{tail}")
    scale = read_scales(load_trial(trial.path))[0]["bench"]
    assert scale.um_per_px == pytest.approx(pitch_um / 20.0, rel=5e-4)


def test_the_name_of_a_scale_leads_to_no_other_folder(trial, tmp_path):
    text = trial.path.read_text().replace('"bench"', '"../60x / new"')
    trial.path.write_text(text)
    done = keep_graticule(
        load_trial(trial.path), ruled(tmp_path / "live.png", 20.0), "../60x / new", DIVISION_UM
    )
    assert done.kept.parent == trial.folder
    assert done.kept.exists()


@pytest.mark.parametrize("wrong", [{"noise": 0.0, "contrast": 0.0}, seldom({"keystone": 0.12})])
def test_a_picture_that_gives_no_scale_changes_nothing(trial, tmp_path, wrong):
    trial = by_picture(trial)
    before = {path: path.read_bytes() for path in trial.folder.iterdir()}
    with pytest.raises(WearscopeError) as refused:
        keep_graticule(trial, ruled(tmp_path / "live.png", 25.0, **wrong), "bench", DIVISION_UM)
    assert not isinstance(refused.value, NotKeptError)
    assert {path: path.read_bytes() for path in trial.folder.iterdir()} == before


@pytest.mark.statistics
def test_a_pin_gives_the_angle_of_its_ring(trial, tmp_path):
    scene = Scene(ring_deg=45.0)
    picture = grey_frame(photograph(scene), tmp_path / "live.png")
    scale = read_scales(trial)[0]["bench"]
    done = keep_pin(trial, picture, 2 * scene.radius_px * 3.5 / 1000.0, scale)
    assert done.kept == trial.folder / "pin.png"
    assert done.kept.read_bytes() == picture.read_bytes()
    angle, u = map(
        float, re.search(r"ring_angle_deg = (\S+) and u_ring_angle_deg = (\S+) ", done.line).groups()
    )
    assert abs(angle - 45.0) < max(1.96 * u, 1.0)
    again = keep_pin(trial, grey_frame(photograph(scene, seed=3), tmp_path / "b.png"), 0.98, scale)
    assert again.kept == done.kept
    assert len(list((trial.folder / "replaced").iterdir())) == 1


def test_no_pin_is_said(trial, tmp_path):
    card = tmp_path / "live.png"
    cv2.imwrite(str(card), np.full((480, 640, 3), 120, np.uint8))
    with pytest.raises(WearscopeError):
        keep_pin(trial, card, 1.0, None)
    assert not (trial.folder / "pin.png").exists()


@pytest.mark.parametrize("what", ["graticule", seldom("pin")])
def test_a_picture_that_cannot_be_kept_says_where_it_stays(trial, tmp_path, monkeypatch, what):
    def full(path, content):
        raise OSError(28, "No space left on device")

    scene = Scene(ring_deg=45.0)
    light = Graticule(pitch_px=25.0).luminance() if what == "graticule" else photograph(scene)
    picture = grey_frame(light, tmp_path / "live.png")
    trial = by_picture(trial)
    before = {path: path.read_bytes() for path in trial.folder.iterdir()}
    monkeypatch.setattr(calibrating, "write_bytes", full)
    keep = {
        "graticule": lambda: keep_graticule(trial, picture, "bench", DIVISION_UM),
        "pin": lambda: keep_pin(trial, picture, 0.98, None),
    }
    with pytest.raises(NotKeptError, match=re.escape(str(picture))) as problem:
        keep[what]()
    assert "No space left on device" in str(problem.value)
    after = {path: path.read_bytes() for path in trial.folder.iterdir() if path.is_file()}
    assert after == before
