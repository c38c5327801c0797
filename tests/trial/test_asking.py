"""The least that a trial file must say, and what a command asks for by name when it runs."""

from __future__ import annotations

import numpy as np
import pytest

from wearscope.economics.decision import outcome_of
from wearscope.errors import TrialError
from wearscope.light.zone_light import Lighting
from wearscope.pipeline.face_known import edge_of
from wearscope.pipeline.face_outcome import method_words
from wearscope.process.fairness import fair_trial
from wearscope.process.other_signs import occasion, recorded_level
from wearscope.report.fairness_words import doubt_lines, fair_head, fair_lines, fair_warnings
from wearscope.report.trial_words import facts
from wearscope.trial import load_trial
from wearscope.trial.asking import stated
from wearscope.trial.entries import BROAD_WEDGE_DEG

LEAST = """\
[trial]
name = "Drawer fronts"

[[scale]]
name = "bench"
um_per_px = 3.5
u_um_per_px = 0.01

[[bit]]
name = "A"
coating = "none"

[[photo]]
bit = "A"
flute = 1
parts = 0
file = "A.jpg"
"""


@pytest.fixture
def load(tmp_path):
    def load(text):
        (tmp_path / "A.jpg").write_text("one")
        (tmp_path / "B.jpg").write_text("two")
        (tmp_path / "trial.toml").write_text(text)
        return load_trial(tmp_path / "trial.toml")

    return load


def test_the_least_is_enough(load):
    trial = load(LEAST)
    (bit,), (photo,) = trial.bits, trial.photos
    assert (bit.price, bit.flutes, bit.diameter_mm) == (None, None, None)
    assert (photo.view, photo.scale) == ("relief", "bench")
    assert trial.depth_of(bit) is trial.rpm_of(bit) is trial.feed_of(bit) is trial.workpiece_of(bit) is None


def test_the_one_scale_is_meant_for_a_pattern_too(load, tmp_path):
    (tmp_path / "A-0-1.jpg").write_text("one")
    trial = load(LEAST.split("[[photo]]")[0] + '[photos]\npattern = "{bit}-{parts}-{flute}.jpg"\n')
    assert [(photo.view, photo.scale) for photo in trial.photos] == [("relief", "bench")]


def test_of_two_scales_each_photo_names_its_own(load):
    second = '[[scale]]\nname = "other"\num_per_px = 2\nu_um_per_px = 0.01\n\n[[bit]]'
    with pytest.raises(TrialError) as refusal:
        load(LEAST.replace("[[bit]]", second))
    (says,) = refusal.value.mistakes
    assert "line 18: photo.scale (A.jpg) is missing; give a scale's name" in says


def test_a_wedge_that_is_not_stated_is_broad_and_said_so(load):
    bit = load(LEAST).bit("A")
    assert (bit.wedge_angle_deg, bit.u_wedge_angle_deg) == BROAD_WEDGE_DEG == (60, 8)
    stated_60 = load(LEAST.replace("coating", "wedge_angle_deg = 60\ncoating")).bit("A")
    assert (stated_60.wedge_angle_deg, stated_60.u_wedge_angle_deg) == (60, 1.5)
    trial = load(LEAST)
    (photo,) = trial.photos
    broad, narrow = (edge_of(one, photo).factor for one in (bit, stated_60))
    # d(cot(beta/2) - 1)/d(beta) = -1/(2 sin²(beta/2)): 2 at 60°
    assert broad.u == pytest.approx(np.hypot(2 * np.radians(8), np.radians(1.5)), rel=0.02)
    assert narrow.value == pytest.approx(broad.value)
    edge = edge_of(bit, photo)
    assert method_words("new-state", edge, Lighting(), wedge_known=False)[-1] == "broad-wedge"
    assert "broad-wedge" not in method_words("new-state", edge, Lighting(), wedge_known=True)
    assert (
        "wedge angle not given: 60 ± 16° assumed (common practice, no source)" in dict(facts(trial))["Bit A"]
    )


@pytest.mark.parametrize(
    ("key", "without"),
    [("u_wedge_angle_deg = 2", "wedge_angle_deg"), ("helix_angle_deg = 20", "diameter_mm")],
)
def test_what_belongs_together(load, key, without):
    with pytest.raises(TrialError, match=f"without {without}; give both or neither"):
        load(LEAST.replace("coating", f"{key}\ncoating"))


def test_the_outcome_asks_for_flutes(load):
    with pytest.raises(TrialError) as refusal:
        outcome_of(load(LEAST), [])
    (flutes,) = refusal.value.mistakes
    assert (
        "trial.toml, line 9: bit.flutes (A) is missing, and the outcome needs it; give a whole number"
        in flutes
    )


def test_a_recording_asks_for_what_makes_the_tone(load, tmp_path):
    at = occasion(load(LEAST), "A", 0, 0, "me")
    with pytest.raises(TrialError, match=r"line 1: trial\.spindle_rpm is missing, and the tone"):
        recorded_level(at, [tmp_path / "any.wav"])


def test_fairness_names_what_it_was_not_told(load):
    fair = fair_trial(load(LEAST))
    assert fair.unfair == ()
    named = [each.named for each in fair.unsaid]
    assert named[:2] == ["trial.workpiece", "trial.depth_of_cut_mm"]
    assert named[-2:] == ["bit.diameter_mm (A)", "bit.flutes (A)"]
    assert fair_head(fair).startswith(
        "Not told whether the trial is fair: its file does not say trial.workpiece,"
    )
    assert fair_warnings(fair) == (fair_head(fair),)
    assert any("trial.spindle_rpm (line 1)" in line for line in doubt_lines(fair))
    assert "chip load unknown, surface speed unknown" in fair_lines(fair)[-1]


def test_what_many_bits_do_not_say_is_told_once(load, tmp_path):
    bits = [f"B{number}" for number in range(20)]
    for bit in bits:
        (tmp_path / f"{bit}.jpg").write_bytes(b"")
    many = LEAST + "".join(
        f'[[bit]]\nname = "{bit}"\ncoating = "none"\n'
        f'[[photo]]\nbit = "{bit}"\nflute = 1\nparts = 0\nfile = "{bit}.jpg"\n'
        for bit in bits
    )
    head = fair_head(fair_trial(load(many)))
    assert "bit.diameter_mm (A, B0, B1, B2, B3, B4, B5, B6 and 13 more)" in head
    assert "B7" not in head


def test_what_only_one_bit_says_is_no_difference(load):
    two = LEAST.replace(
        "[[photo]]", '[[bit]]\nname = "B"\ncoating = "none"\nspindle_rpm = 9000\n\n[[photo]]', 1
    )
    two += '\n[[photo]]\nbit = "B"\nflute = 1\nparts = 0\nfile = "B.jpg"\n'
    fair = fair_trial(load(two))
    assert fair.unfair == ()
    assert "trial.spindle_rpm" in [each.key for each in fair.unsaid]


def test_a_length_is_told_although_nothing_else_is(load):
    fair = fair_trial(load(LEAST.replace('"Drawer fronts"', '"Drawer fronts"\ncut_length_m_per_part = 2.5')))
    assert fair.bits[0].cut_length_m_per_part == 2.5
    assert fair_lines(fair)[-1].endswith("2.500 m per part as stated")


def test_nothing_is_made_up_where_nobody_asked():
    with pytest.raises(LookupError):
        stated(None)
