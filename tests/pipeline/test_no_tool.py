"""A picture that shows no tool, declared as the photo of a new one: nothing in it is ok."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from pictures import measured, rows, save_light, write_trial

from wearscope.pipeline.inspect import judge_photo
from wearscope.pipeline.sources import read_scales
from wearscope.quantities.reasons import reasons_in
from wearscope.trial import load_trial

SHAPE = (480, 900)
ROWS, COLUMNS = np.indices(SHAPE)
SAMPLES = Path(__file__).parents[2] / "sample_images/photos"
STATED = "r_unused_um = 3\nu_r_unused_um = 1\n"
MARKED = "edge_near = [[100, 213], [800, 192]]\ntool_at = [450, 300]"


def seen(grey: np.ndarray, path: Path) -> Path:
    noise = np.random.default_rng(4).normal(0.0, 0.006, (*SHAPE, 3))
    return save_light(np.clip(cv2.GaussianBlur(grey, (0, 0), 1.3)[..., None] + noise, 0.0, 1.0), path)


def card_on_card() -> np.ndarray:
    blotches = cv2.GaussianBlur(np.random.default_rng(1).normal(0.0, 1.0, SHAPE), (0, 0), 3.0) * 8.0
    return np.where(ROWS > 216 - 0.03 * COLUMNS, 0.4 + 0.05 * blotches, 0.75)


def brushed_sheet() -> np.ndarray:
    marks = cv2.GaussianBlur(np.random.default_rng(2).normal(0.0, 0.12, (1, SHAPE[1])), (0, 0), 1.5)
    return np.where(ROWS > 216 - 0.03 * COLUMNS, 0.4 + marks, 0.06)


def trial_of(photo: Path, folder: Path, *, stated: bool = False, more: str = ""):
    write_trial(folder, {0: photo}, coating="none", more={0: more})
    file = folder / "trial.toml"
    if not stated:
        text = file.read_text()
        assert STATED in text
        file.write_text(text.replace(STATED, ""))
    return load_trial(file)


@pytest.mark.parametrize("scene", [card_on_card, brushed_sheet], ids=lambda scene: scene.__name__)
def test_nothing_is_ok_where_nothing_shows_a_tool(scene, tmp_path):
    trial = trial_of(seen(scene(), tmp_path / "scene.png"), tmp_path)
    found = rows(measured(trial, 0))
    assert {row.status for row in found.values()} <= {"doubtful", "refused"}
    radius = found["edge_radius", "unused"]
    assert {"no-rounding-seen", "radius-not-seen"} <= {each.code for each in reasons_in(radius.reasons)}
    judged = judge_photo(trial, trial.photos[0], read_scales(trial)[0])
    assert judged.verdict == "doubtful"
    assert "rounded edge" in judged.remarks[0]


@pytest.mark.parametrize(
    ("stated", "more", "status"), [(False, MARKED, "doubtful"), (True, "", "ok")], ids=["marked", "stated"]
)
def test_a_person_may_say_that_it_is_the_edge(stated, more, status, tmp_path):
    trial = trial_of(seen(brushed_sheet(), tmp_path / "scene.png"), tmp_path, stated=stated, more=more)
    found = rows(measured(trial, 0))
    # the marks say where the edge is, but not how large its radius is
    assert found["edge_radius", "unused"].status == status
    assert found["sharpness", "whole"].status == "ok"


@pytest.mark.parametrize("name", ["heron-000-1.jpg", "plover-000-2.jpg"])
def test_a_rounded_edge_before_a_card_shows_its_radius(name, tmp_path):
    found = rows(measured(trial_of(SAMPLES / name, tmp_path), 0))
    assert found["edge_radius", "unused"].status == "ok"
    assert found["sharpness", "whole"].status == "ok"
