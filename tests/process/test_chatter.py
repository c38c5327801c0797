from __future__ import annotations

from math import cos, pi, radians, sin

import numpy as np
import pytest
from scipy import ndimage
from seldom import seldom

from wearscope.process.chatter import MarkPitch, MarksRefused, mark_cause, mark_pitch
from wearscope.report.note_words import sign_text

SHAPE = (400, 900)


def part(pitch_px, *, amplitude=0.1, slant=0.0, turned_deg=0.0, noise=0.1, jitter=0.0, deeper=0.0, seed=0):
    """Photo of marks across the feed on a milled face with fibres along it; every second one may be deeper."""
    rng = np.random.default_rng(seed)
    row, column = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    angle = radians(turned_deg)
    along, across = column * cos(angle) + row * sin(angle), row * cos(angle) - column * sin(angle)
    phase = (along + slant * across) / pitch_px
    phase += jitter * np.interp(phase, np.arange(-1000, 1000), rng.normal(size=2000))
    marks = 1 + amplitude * np.cos(2 * pi * phase) + deeper * np.cos(pi * phase + 1)
    fibres = 8 * ndimage.gaussian_filter(rng.normal(size=SHAPE), (2, 30))
    grey = 0.4 * marks * (1 + 0.3 * column / SHAPE[1]) + 0.4 * noise * (rng.normal(size=SHAPE) + fibres)
    return np.repeat(np.clip(grey, 0, 1)[..., None], 3, 2).astype(np.float32)


LINE = ((50.0, 200.0), (850.0, 200.0))


WAYS = ({}, {"slant": 0.25}, {"slant": -0.25}, {"noise": 0.4}, {"jitter": 0.05}, {"amplitude": 0.02})
PITCHES_PX = (6.4, 28.6, 57.1)


# by default each way once, each pitch twice
@pytest.mark.parametrize(
    ("pitch_px", "how"),
    [
        seldom(pitch_px, how) if (i + j) % 3 else (pitch_px, how)
        for i, pitch_px in enumerate(PITCHES_PX)
        for j, how in enumerate(WAYS)
    ],
    ids=str,
)
def test_the_pitch_is_found(how, pitch_px):
    found = mark_pitch(part(pitch_px, **how), 3.5, 0.0, LINE)
    assert found.pitch_um == pytest.approx(3.5 * pitch_px, abs=max(3 * found.u_um, 0.002 * 3.5 * pitch_px))
    assert found.u_um < 0.01 * found.pitch_um
    assert found.n_marks == pytest.approx(800 / pitch_px, rel=0.01)
    assert found.longer_um == ()


@pytest.mark.parametrize("turned_deg", [20.0, -25.0, 90.0])
def test_the_line_may_lie_at_any_angle(turned_deg):
    angle = radians(turned_deg)
    start = {20.0: (60.0, 60.0), -25.0: (60.0, 340.0), 90.0: (400.0, 20.0)}[turned_deg]
    end = (start[0] + 350 * cos(angle), start[1] + 350 * sin(angle))
    photo = part(14.3, turned_deg=turned_deg)
    for line in ((start, end), (end, start)):
        assert mark_pitch(photo, 3.5, 0.0, line).pitch_um == pytest.approx(3.5 * 14.3, rel=2e-3)


def test_across_the_feed_there_are_no_marks():
    with pytest.raises(MarksRefused, match="no regular marks stand out"):
        mark_pitch(part(14.3), 3.5, 0.0, ((400.0, 20.0), (400.0, 380.0)))


@pytest.mark.statistics
def test_the_interval_holds_the_truth():
    rng = np.random.default_rng(2)
    held = []
    for seed in range(30):
        pitch_px = rng.uniform(8, 60)
        jitter = float(rng.choice([0.0, 0.08]))
        found = mark_pitch(
            part(pitch_px, amplitude=0.05, noise=0.2, jitter=jitter, seed=seed), 3.5, 0.0, LINE
        )
        held.append(abs(found.pitch_um - 3.5 * pitch_px) <= 1.96 * found.u_um)
    assert np.mean(held) >= 0.9


@pytest.mark.statistics
def test_noise_and_fibres_are_no_marks():
    for seed in range(25):
        with pytest.raises(MarksRefused):
            mark_pitch(part(30, amplitude=0.0, noise=(0.02, 0.1, 0.3)[seed % 3], seed=seed), 3.5, 0.0, LINE)


def test_the_scale_enters_the_uncertainty():
    sure, unsure = (mark_pitch(part(28.6), 3.5, u, LINE).u_um for u in (0.0, 0.035))
    assert unsure == pytest.approx(np.hypot(sure, 0.01 * 3.5 * 28.6), rel=1e-3)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (((50, 200), (950, 200)), "leaves the photo of 900 × 400 pixels"),
        (((-1, 200), (500, 200)), "leaves the photo"),
        (((50, 200), (60, 200)), "10 pixels long"),
        (((50, 200), (50, 200)), "0 pixels long"),
    ],
)
def test_a_line_that_cannot_be(line, says):
    with pytest.raises(MarksRefused, match=says):
        mark_pitch(part(28.6), 3.5, 0.0, line)


# --- What explains the pitch. 3600 mm/min, 18 000 rpm, two flutes: 0.1 mm per tooth, 0.2 mm per revolution (derived).


def cause(pitch_px, flutes=2, **how):
    return mark_cause(mark_pitch(part(pitch_px, **how), 3.5, 0.01, LINE), 3600, 18000, flutes)


def said(found):
    return sign_text([found.reason])


def test_a_mark_for_each_tooth():
    found = cause(100 / 3.5)
    assert (found.verdict, found.every_revolution) == ("per tooth", False)
    assert (found.per_tooth_um, found.per_revolution_um) == (pytest.approx(100), pytest.approx(200))
    assert said(found) == "matches the feed per tooth (feed per tooth 100 µm, per revolution 200 µm)"


def test_a_mark_for_each_revolution():
    found = cause(200 / 3.5)
    assert found.verdict == "per revolution"
    assert "one flute cuts deeper" in said(found)


def test_marks_of_each_tooth_that_repeat_every_revolution():
    found = cause(100 / 3.5, deeper=0.04)
    assert (found.verdict, found.every_revolution) == ("per tooth", True)
    assert "the flutes do not cut alike" in said(found)


@pytest.mark.parametrize("pitch_um", [70, 130, 160])
def test_marks_of_something_else(pitch_um):
    found = cause(pitch_um / 3.5)
    assert found.verdict == "neither"
    assert "such as chatter" in said(found)


def test_a_spindle_that_slips_still_matches():
    assert cause(102 / 3.5).verdict == "per tooth"


def test_one_flute_has_one_pitch():
    found = cause(200 / 3.5, flutes=1)
    assert found.verdict == "per tooth"
    assert "single flute" in said(found)


def test_sharp_marks_whose_overtone_is_stronger():
    found = MarkPitch(50.0, 0.2, 40, 0.1, (100.0, 200.0))
    assert mark_cause(found, 3600, 18000, 2).verdict == "per tooth"
