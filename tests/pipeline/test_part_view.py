"""The edge of a part from its photo to its rows and its sheet."""

from __future__ import annotations

import cv2
import pytest
from parts import BRIGHT, Part, write_trial
from seldom import seldom

from wearscope.pipeline.inspect import inspect_photo, judge_photo
from wearscope.pipeline.part_view import PartDrawing
from wearscope.pipeline.sources import read_scales
from wearscope.pipeline.views import Sheet, way_of

TORN = Part(torn=((-1500.0, 600.0, 400.0), (1200.0, 500.0, 250.0)))


def inspected(folder, part, *, turns=0, more=""):
    trial = write_trial(folder, part.save(folder / "part.png", turns), part.um_per_px, more)
    return trial, inspect_photo(trial, trial.photos[0], read_scales(trial)[0])


@pytest.mark.parametrize("turns", [1, *map(seldom, (0, 2, 3))])
def test_whichever_way_up(tmp_path, turns):
    ground = BRIGHT if turns % 2 else TORN.ground
    _, found = inspected(tmp_path, Part(torn=TORN.torn, turned_deg=7.0, ground=ground), turns=turns)
    rows = {row.quantity: row for row in found.records}
    assert set(rows) == set(way_of(found.entry).view.quantities)
    deepest = rows["tear_out_max"]
    assert (deepest.status, deepest.zone, deepest.view) == ("ok", "whole", "part")
    assert abs(deepest.value - 400.0) < 1.96 * deepest.std_uncertainty < 60.0
    assert rows["tear_out_share"].value == pytest.approx(1050.0 / 5650.0, abs=0.03)


def test_its_sheet_and_its_judgement(tmp_path):
    trial, found = inspected(tmp_path, TORN)
    assert isinstance(found.drawing, PartDrawing)
    path = tmp_path / "sheet.png"
    way_of(found.entry).draw(Sheet(path, trial.name, found.entry, found.drawing, found.records, (), ()))
    assert cv2.imread(str(path)).shape[1] == 1600
    assert judge_photo(trial, found.entry, read_scales(trial)[0]).verdict == "fit"


def test_two_edges_need_a_mark(tmp_path):
    two = Part(torn=TORN.torn, edges=2, size=(700, 560))
    _, found = inspected(tmp_path, two)
    assert found.refusal_code == "part-edge-disputed"
    _, marked = inspected(tmp_path, two, more="edge_near = [[20, 336], [540, 364]]\ntool_at = [280, 450]")
    deepest = marked.records[0]
    assert deepest.method == "part-edge+hand"
    assert abs(deepest.value - 400.0) < 1.96 * deepest.std_uncertainty


def test_a_photo_without_an_edge_is_refused(tmp_path):
    _, found = inspected(tmp_path, Part(ground=(0.54, 0.41, 0.27)))
    assert found.records == ()
    assert "plain card" in found.refusal


def test_too_little_of_the_part_is_refused(tmp_path):
    _, found = inspected(tmp_path, Part(size=(180, 560)))
    assert found.refusal_code == "part-at-frame"
    assert found.records == ()
