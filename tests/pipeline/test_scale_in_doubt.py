"""A scale in doubt makes doubtful whatever rests on it, and says so in words."""

from __future__ import annotations

import pytest
from reference_pairs import SHIPPED, Known, Pair, inspect_pair, rows_of

from wearscope.imaging.calibration.scale import Scale
from wearscope.metrology.findings import in_doubt, refused
from wearscope.pipeline.inspect import judge_photo
from wearscope.quantities.reasons import reason

PAIR = Pair(SHIPPED / "90210-1")
UM = PAIR.truth["new"]["um_per_px"]
BY_ITSELF = {"transition_x_px", "transition_y_px"}


def scale(status):
    few = reason("lines-few", n=4, enough=6)
    return Scale("bench", UM, 5e-4 * UM, UM, 5e-4 * UM, status, (few,), "graticule")


@pytest.fixture(scope="module")
def rows():
    """Rows of the worn photo by the status of its scale."""
    return {status: rows_of(inspect_pair(PAIR, by_axis=scale(status)))[0] for status in ("ok", "doubtful")}


def test_rows_that_rest_on_a_doubtful_scale_are_doubtful(rows):
    sure, unsure = rows["ok"], rows["doubtful"]
    assert any(record.status == "ok" for record in sure.values())
    assert any(record.status == "below_detection" for record in sure.values())
    for key, record in unsure.items():
        before = sure[key]
        assert (record.value, record.std_uncertainty) == (before.value, before.std_uncertainty)
        if key[0] in BY_ITSELF or before.status == "refused":
            assert record.status == before.status
        else:
            assert record.status == "doubtful", key
            assert record.reasons.startswith("scale-doubtful"), key
            assert "photograph the graticule again" in record.note
            assert "only 4 lines" in record.note
            assert "lines-few(n=4, enough=6)" in record.reasons


def test_what_is_refused_stays_refused():
    why = refused("edge_radius", "used", reason("wedge-too-blunt"), "light-fit")
    assert in_doubt([why], [reason("scale-doubtful")]) == [why]


@pytest.mark.parametrize(
    ("times", "more", "code"),
    [(0.1, "", "field-implausible"), (1.0, "depth_of_cut_mm = 0.45", "scale-against-cut")],
)
def test_a_stated_scale_far_off_is_asked_about(times, more, code):
    # the photo shows 1.0 mm of used edge
    off = {"um_per_px": UM * (times - 1.0)}
    found, refusal = rows_of(inspect_pair(PAIR, Known(off=off), more=more))
    assert not refusal
    assert sum(record.value is not None for record in found.values()) > 8
    for key, record in found.items():
        if record.value is not None and key[0] not in BY_ITSELF:
            assert record.status == "doubtful", key
            assert code in record.reasons, key
            assert "is um_per_px, or the graticule's division_um, really right?" in record.note


@pytest.mark.parametrize("um_per_px", [18.0, 60.0, 499.0])
def test_a_scale_at_which_no_edge_can_be_followed_is_refused_by_its_name(um_per_px):
    _, refusal = rows_of(inspect_pair(PAIR, Known(off={"um_per_px": um_per_px - UM})))
    assert f"at {um_per_px:.3g} µm per pixel" in refusal
    assert "check the scale" in refusal


def test_checking_says_so_before_anything_is_measured():
    judgement = inspect_pair(PAIR, by_axis=scale("doubtful"), way=judge_photo)
    assert judgement.verdict == "doubtful"
    assert any("photograph the graticule again" in remark for remark in judgement.remarks)
