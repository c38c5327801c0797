"""The ring angle from photos of pins made by summing rays and by path tracing, and the photos that must be refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from pins import Scene, across, photograph
from seldom import seldom

from wearscope.errors import PhotoRefused
from wearscope.imaging.calibration.pin import ring_angle_from_pin
from wearscope.imaging.photo import read_photo
from wearscope.report.reason_words import note_of

UM_PER_PX = (4.0, 0.01)
SAMPLES = Path(__file__).parents[2] / "sample_images"


def measured(scene, *, scale=None):
    # the lamps of these scenes are infinitely far, which is as a very thin pin sees them
    return ring_angle_from_pin(
        photograph(scene), 2 * scene.radius_px * UM_PER_PX[0] / 1000, um_per_px=scale, file="pin.png"
    )


def test_a_mirror_shows_the_lamps_halfway():
    # the mirror law, for the maker of these photos: the lamps square to the axis at R sin(θ/2)
    u, light = across(Scene(ring_deg=40.0, lamp_deg=1.0, rough_round=0.01, rough_along=0.01, coaxial=0.15))
    assert abs(u[np.argmax(light)]) == pytest.approx(np.sin(np.radians(20.0)), abs=0.02)


@pytest.mark.parametrize(
    ("ring_deg", "rough_round", "rough_along", "rotation_deg", "card"),
    [
        (*of, card) if (of[0], card) in {(47, 0.005)} else seldom(*of, card)
        for of, cards in (
            ((25, 0.05, 0.06, 0), (0.35, 0.005)),
            ((34, 0.1, 0.15, 37), (0.005, 0.35)),
            ((40, 0.03, 0.08, 90), (0.35, 0.005)),
            ((47, 0.08, 0.08, 141), (0.005, 0.35)),
            ((58, 0.06, 0.12, -64), (0.35, 0.005)),
        )
        for card in cards
    ],
)
def test_ring_angle(ring_deg, rough_round, rough_along, rotation_deg, card):
    scene = Scene(
        ring_deg=ring_deg,
        rough_round=rough_round,
        rough_along=rough_along,
        rotation_deg=rotation_deg,
        card=card,
        off_px=13.0,
    )
    found = measured(scene, scale=UM_PER_PX if card < 0.1 else None)
    assert found.status == "ok"
    assert abs(found.ring_angle_deg - ring_deg) < 2.0
    assert abs(found.ring_angle_deg - ring_deg) < 1.96 * found.u_ring_angle_deg
    assert found.u_ring_angle_deg < 2.0
    assert found.diameter_px == pytest.approx(280.0, abs=4.0)


@pytest.mark.statistics
def test_a_large_photo_is_found_as_well():
    scene = Scene(radius_px=260.0, shape=(900, 1900), rotation_deg=4.0)
    found = measured(scene)
    assert found.diameter_px == pytest.approx(520.0, abs=6.0)
    assert abs(found.ring_angle_deg - 40.0) < 1.96 * found.u_ring_angle_deg


@pytest.mark.statistics
def test_a_ring_out_of_line_is_doubtful_and_less_certain():
    square, tilted = measured(Scene()), measured(Scene(tilt_deg=3.5))
    assert tilted.status == "doubtful"
    assert "square" in note_of(tilted.remarks)
    assert tilted.u_ring_angle_deg > square.u_ring_angle_deg + 1.0
    assert abs(tilted.ring_angle_deg - 40.0) < 1.96 * tilted.u_ring_angle_deg


@pytest.mark.parametrize(
    ("changed", "why", "cure"),
    [
        ({"azimuths_deg": (20.0, 160.0)}, "like light on both", "under the whole lamp ring"),
        seldom({"tilt_deg": 7.0}, "not alike|one side", "square|whole lamp ring"),
        seldom({"rings_deg": (72.0,)}, "several lamp rings", "one ring alone"),
        seldom({"lamp": 0.15}, "no two bright lines", "whole lamp ring"),
        seldom({"lamp": 1.0, "lamp_deg": 30.0, "coaxial": 1.0}, "too diffuse", "without a diffuser"),
        ({"exposure": 28.0}, "burnt out", "shorten the exposure"),
        ({"card": 0.005}, "cannot be told", "white card"),
        seldom({"off_px": 150.0}, "not both in view", "whole pin"),
    ],
)  # fmt: skip
def test_refused(changed, why, cure):
    with pytest.raises(PhotoRefused) as refusal:
        measured(replace(Scene(), **changed))
    assert "pin.png" in str(refusal.value)
    assert any(words in refusal.value.what for words in why.split("|")), refusal.value
    assert any(words in refusal.value.cure for words in cure.split("|")), refusal.value


def test_a_diameter_that_contradicts_the_scale_is_refused():
    with pytest.raises(PhotoRefused, match="280 px thick, but 233 px"):
        measured(Scene(), scale=(4.8, 0.01))


@pytest.mark.parametrize("what", ["nothing", "an edge", "lines", "noise"])
def test_no_pin(what):
    rng = np.random.default_rng(1)
    picture = np.full((480, 640), 0.4)
    if what == "an edge":
        picture[240:] = 0.7
    if what == "lines":
        picture[:, ::40] = picture[:, 1::40] = 0.05
    picture += rng.normal(0.0, 0.3 if what == "noise" else 0.005, picture.shape)
    with pytest.raises(PhotoRefused, match="pin"):
        ring_angle_from_pin(np.clip(picture, 0, 1), 1.5, file="x.png")


@pytest.mark.statistics
@pytest.mark.parametrize(
    ("name", "scale"),
    [
        ("wren-300-1", (3.418, 0.003)),
        ("plover-300-1", None),
        seldom("graticule", None),
        seldom("heron-000-2", (3.418, 0.003)),
        seldom("graticule", (3.418, 0.003)),
        seldom("wren-300-1", None),
        seldom("plover-300-1", (3.418, 0.003)),
        seldom("heron-000-2", None),
    ],
)
def test_other_photos_of_a_trial_are_no_pins(name, scale):
    with pytest.raises(PhotoRefused):
        ring_angle_from_pin(read_photo(SAMPLES / f"photos/{name}.jpg").linear(), 1.5, um_per_px=scale)


@pytest.mark.parametrize(
    ("turned", "scale"),
    [
        (cv2.ROTATE_90_CLOCKWISE, (3.418, 0.003)),
        seldom(None, None),
        seldom(None, (3.418, 0.003)),
        seldom(cv2.ROTATE_90_CLOCKWISE, None),
        seldom(cv2.ROTATE_180, None),
        seldom(cv2.ROTATE_180, (3.418, 0.003)),
    ],
)
def test_the_path_traced_pin_of_the_sample_trial(turned, scale):
    light = read_photo(SAMPLES / "photos/pin.jpg").linear()
    light = light if turned is None else cv2.rotate(light, turned)
    found = ring_angle_from_pin(light, 1.5, um_per_px=scale)
    assert found.status == "ok"
    assert abs(found.ring_angle_deg - 40.0) < min(2.0, 1.96 * found.u_ring_angle_deg)
    assert found.diameter_px == pytest.approx(1500 / 3.418, abs=4.0)
