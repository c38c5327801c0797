"""Photos whose pixels are wider than they are high: lengths in every direction, by each axis' own µm per pixel.

Path-traced pairs of known wear are squeezed along their columns, as a grabber or a program with the wrong aspect does.
What was measured before must come out again, whichever way the edge runs.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from graticules import Graticule
from reference_pairs import SHIPPED, Pair, errors_of, inspect_pair, measured, rows_of, transition_error
from seldom import but_seldom

from wearscope.imaging.calibration.scale import Scale
from wearscope.imaging.photo import read_photo
from wearscope.pipeline.sources import Memory, Sources, scale_of_graticule

SQUEEZE = 0.84
U_X, U_Y = 4e-3, 1e-3  # relative, of the axes
# edges along the columns, at 40 degrees between, and along the rows
PAIRS = [Pair(SHIPPED / name) for name in ("90210-1", "90210-8", "tilted/4711-3-tilted")]
each_pair = pytest.mark.parametrize("pair", but_seldom(1, PAIRS), ids=Pair.name.fget)


def squeezed(file: Path, folder: Path) -> Path:
    picture = cv2.imread(str(file))
    height, width = picture.shape[:2]
    target = folder / f"{file.stem}.png"
    smooth = cv2.resize(picture, (round(width * SQUEEZE), height), interpolation=cv2.INTER_CUBIC)
    assert cv2.imwrite(str(target), smooth)
    return target


def scale_of(pair: Pair) -> Scale:
    um, width = pair.truth["new"]["um_per_px"], pair.truth["width_px"]
    wide = um * width / round(width * SQUEEZE)
    return Scale("bench", wide, U_X * wide, um, U_Y * um, "ok", (), "graticule")


@cache
def inspected(pair: Pair):
    return inspect_pair(pair, change=squeezed, by_axis=scale_of(pair))


def squeezed_rows(pair: Pair):
    found, refusal = rows_of(inspected(pair))
    assert not refusal
    return found


@each_pair
def test_wear_comes_out_right(pair):
    # as before the squeezing, which is held against the truth elsewhere; it costs a little sharpness
    found, (before, _) = squeezed_rows(pair), measured(pair)
    for error in errors_of(pair, found):
        was = before[error.key].value
        if was is None:
            assert error.record.value is None
        else:
            assert abs(error.record.value - was) < 0.5 * error.limit, error.quantity
            assert error.inside, error.quantity
    column = found["transition_x_px", "whole"].value
    as_taken = replace(found["transition_x_px", "whole"], value=(column + 0.5) / SQUEEZE - 0.5)
    back = found | {("transition_x_px", "whole"): as_taken}
    assert transition_error(pair, back)[0] < 50.0


@each_pair
def test_lengths_along_and_across_the_edge(pair):
    found, (before, _) = squeezed_rows(pair), measured(pair)
    # the ends of the frame show a pixel more or less; wrong by the mean of the axes it would be 9 %
    assert found["used_length", "whole"].value == pytest.approx(
        before["used_length", "whole"].value, rel=0.015
    )
    moved, was = (rows["edge_recession", "difference"].value for rows in (found, before))
    assert moved == pytest.approx(was, abs=max(0.8, 0.02 * was))


def test_a_crossed_graticule_gives_each_axis_its_own(tmp_path):
    # 5.00 µm from column to column and 5.15 from row to row, as a shop would photograph and state it
    ruled = Graticule(pitch_px=20.0, aspect=1.03, crossed=True, tick_rows=((-40.0, 40.0),), angle_deg=2.0)
    coded = np.round(255 * np.clip(ruled.luminance(), 0, 1) ** (1 / 2.2)).astype(np.uint8)
    assert cv2.imwrite(str(tmp_path / "ruled.png"), coded)
    seen = {}

    def look(trial, entry, scales):
        seen["scale"] = Sources(scales, {}, Memory()).scale(entry)
        return seen

    found = scale_of_graticule(read_photo(tmp_path / "ruled.png"), 100.0)
    inspect_pair(PAIRS[0], by_axis=found, way=look)
    scale = seen["scale"]
    assert (scale.um_per_px_x, scale.um_per_px_y) == pytest.approx((5.0, 5.15), rel=5e-4)
    # 1.5 % of the mean, 5.075, which every length was measured by
    assert scale.aspect == pytest.approx((5.0 / 5.075, 5.15 / 5.075), rel=5e-4)


@each_pair
def test_each_direction_has_the_uncertainty_of_its_own_scale(pair):
    turn = np.radians(pair.truth["rotation_deg"]["worn"])
    along, across = (np.cos(turn) ** 2, np.sin(turn) ** 2), (np.sin(turn) ** 2, np.cos(turn) ** 2)
    inspection = inspected(pair)
    for (quantity, zone), (x, y) in {
        ("used_length", "whole"): along,
        ("edge_radius", "used"): across,
        ("sharpness", "whole"): across,
    }.items():
        budget = inspection.budgets[quantity, zone]
        (scale,) = [term for term in budget.terms if term.source.name == "scale"]
        assert abs(scale.contribution / budget.value) == pytest.approx(x * U_X + y * U_Y, rel=0.05), quantity
