"""What numbers rest on: fingerprints that change with every input and with nothing else."""

from __future__ import annotations

import hashlib
import json
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearscope.log.inputs import Inputs, PhotoInputs, ToolInputs, changed_between, fingerprint_of

PHOTO = PhotoInputs(
    "ab" * 32, "bench 60x", 3.5, 0.004, "cd" * 32, 100.0, 40.0, 3.0, 1.0, 1.5, ((10.0, 20.0), (30.0, 40.5)), "start",
    (50.0, 60.0), "ef" * 32, ("b.jpg",),
)  # fmt: skip
TOOL = ToolInputs(60.0, 1.5, 30.0, 6.35, "ZrN", 6.0, 2.0, 4.0)
FULL = Inputs(PHOTO, TOOL, "2", replace(PHOTO, photo_sha256="01" * 32))


def other(value):
    if isinstance(value, str):
        return value + "x"
    return (*value, *value) if isinstance(value, tuple) else value * (1 + 1e-15) + 1e-15


@pytest.mark.parametrize("part", ["photo", "tool", "new_state"])
def test_every_input_counts_and_is_named(part):
    assert all(
        field.default != getattr(FULL.photo, field.name) or field.name == "u_view_tilt_deg"
        for field in fields(PhotoInputs)
    )
    for field in fields(getattr(FULL, part)):
        was = getattr(getattr(FULL, part), field.name)
        changed = replace(FULL, **{part: replace(getattr(FULL, part), **{field.name: other(was)})})
        assert fingerprint_of(changed) != fingerprint_of(FULL), field.name
        name = f"new_state.{field.name}" if part == "new_state" else field.name
        assert changed_between(FULL.named(), changed.named()) == (name,)


def test_the_estimator_counts():
    later = replace(FULL, estimator="3")
    assert fingerprint_of(later) != fingerprint_of(FULL)
    assert changed_between(FULL.named(), later.named()) == ("estimator",)


def test_the_same_inputs_have_the_same_fingerprint_whatever_they_are_made_of():
    same = replace(
        FULL,
        photo=replace(PHOTO, division_um=100, um_per_px=np.float64(3.5)),
        tool=replace(TOOL, wedge_angle_deg=np.float32(60), depth_of_cut_mm=4),
    )
    assert fingerprint_of(same) == fingerprint_of(FULL) == fingerprint_of(FULL.named())
    assert fingerprint_of(json.loads(json.dumps(FULL.named()))) == fingerprint_of(FULL)
    shuffled = dict(reversed(FULL.named().items()))
    assert fingerprint_of(shuffled) == fingerprint_of(FULL)


def test_the_fingerprint_stays_what_it_is():
    """Logs hold it: the SHA-256, of hashlib, of this text."""
    made = Inputs(PhotoInputs("ab"), ToolInputs(wedge_angle_deg=60), "1")
    text = '{"estimator":"1","photo_sha256":"ab","u_view_tilt_deg":1.5,"view_tilt_deg":0.0,"wedge_angle_deg":60.0}'
    assert fingerprint_of(made) == hashlib.sha256(text.encode()).hexdigest()


def test_what_says_nothing_leaves_the_fingerprint_alone():
    """So an input that a later version adds does not put all earlier numbers out of date."""
    assert set(Inputs(PhotoInputs("ab"), ToolInputs(), "1").named()) == {
        "photo_sha256",
        "view_tilt_deg",
        "u_view_tilt_deg",
        "estimator",
    }


def test_a_new_state_photo_that_comes_or_goes_is_named_once():
    without = replace(FULL, new_state=None)
    assert changed_between(without.named(), FULL.named()) == ("new_state",)
    assert changed_between(FULL.named(), without.named()) == ("new_state",)


def test_inputs_that_a_version_does_not_know_are_named_last():
    assert changed_between(FULL.named(), FULL.named() | {"camera": "ab", "wedge_angle_deg": 45.0}) == (
        "wedge_angle_deg",
        "camera",
    )


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_is_no_number_has_no_fingerprint(value):
    with pytest.raises(ValueError, match="JSON"):
        fingerprint_of(Inputs(PhotoInputs("ab", um_per_px=value), ToolInputs(), "1"))


NUMBER = st.none() | st.floats(0, 180)
TOOLS = st.builds(ToolInputs, *[NUMBER] * 4, st.text(), *[NUMBER] * 3)
PHOTOS = st.builds(PhotoInputs, st.text(min_size=1), st.text(), NUMBER, NUMBER)
INPUTS = st.builds(Inputs, PHOTOS, TOOLS, st.sampled_from("12"), st.none() | PHOTOS)


@given(INPUTS, INPUTS)
def test_fingerprints_differ_where_a_name_does(one, two):
    changed = changed_between(one.named(), two.named())
    assert (fingerprint_of(one) == fingerprint_of(two)) == (changed == ())
    assert set(changed) == set(changed_between(two.named(), one.named()))
