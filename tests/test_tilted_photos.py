"""Path-traced pairs whose photos were taken at stated tilts, another for each: recession is that along the face normal.

Both pairs of ``tests/reference/tilted`` are of `sample_images/make_photos.py --reference`; camera and lamps were tilted
together, as a microscope's are.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from reference_pairs import (
    SHIPPED,
    Pair,
    as_taken,
    errors_of,
    inspect_pair,
    measured,
    pairs_in,
    rows_of,
    transition_error,
)

from wearscope.light.strip import USED

PAIRS = pairs_in(SHIPPED / "tilted")
each_pair = pytest.mark.parametrize("pair", PAIRS, ids=Pair.name.fget)


def test_the_pairs_are_tilted_both_ways_and_before_both_backgrounds():
    assert {pair.bright for pair in PAIRS} == {True, False}
    assert {pair.tilt_deg("worn") > 0.0 for pair in PAIRS} == {True, False}
    assert all(abs(pair.tilt_deg("worn") - pair.tilt_deg("new")) >= 15.0 for pair in PAIRS)
    assert max(file.stat().st_size for file in Path(SHIPPED / "tilted").rglob("*.jpg")) < 300_000


@each_pair
def test_limits(pair):
    # those of photos taken square to the face: DEVELOPERS.md
    found, refusal = measured(pair)
    assert not refusal
    assert transition_error(pair, found)[0] < 50.0
    for error in errors_of(pair, found):
        if error.record.status == "refused":
            assert error.key[0] == "coating_loss", error.quantity  # one coating is as grey as carbide
            continue
        assert abs(error.error) <= error.limit, (error.quantity, error.error, error.limit)
        assert error.inside, error.quantity


@pytest.mark.parametrize("pair", [pair for pair in PAIRS if pair.truth["chips"]], ids=Pair.name.fget)
def test_chips(pair):
    # a depth across the face, beside an edge whose rounding the tilt has moved
    found, _ = measured(pair)
    (chip,) = pair.truth["chips"]
    deepest = found["chip_depth_max", "used"]
    assert abs(deepest.value - chip["depth_um"]) < 1.96 * deepest.std_uncertainty


@each_pair
def test_what_is_drawn(pair):
    # recession along the edge is that of the row; the edge as it was new stays a line in the picture
    view, (found, _) = as_taken(pair).now, measured(pair)
    used = (view.zone == USED) & np.isfinite(view.recession_um)
    assert view.recession_um[used].mean() == pytest.approx(
        found["edge_recession", "difference"].value, rel=0.05
    )
    assert np.ptp(view.new_edge_um[used]) < 0.01


@each_pair
def test_what_the_tilt_does_when_it_is_not_stated(pair):
    # or `test_limits` would not notice a tilt that does nothing
    found, _ = rows_of(inspect_pair(pair, tilt_deg=0.0))
    (error,) = [error for error in errors_of(pair, found) if error.key[0] == "edge_recession"]
    assert abs(error.error) > error.limit


def test_a_tilt_beyond_what_was_tried_is_refused():
    (pair,) = PAIRS[:1]
    found, _ = rows_of(inspect_pair(pair, tilt_deg=16.0))
    for key in (("edge_recession", "difference"), ("edge_radius", "used"), ("edge_radius", "unused")):
        assert found[key].status == "refused"
        assert "15°" in found[key].note
        assert "square" in found[key].note
