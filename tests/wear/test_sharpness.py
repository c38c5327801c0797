"""How sharp the edge is: a fitted blur, and what it may not be."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from wearscope.quantities.reasons import reason
from wearscope.wear.sharpness import shaken, sharpness_finding


@pytest.mark.parametrize(("finest_um", "status"), [(6.0, "ok"), (4.0, "ok"), (2.0, "doubtful")])
def test_no_blur_is_told_that_the_photo_contradicts(finest_um, status):
    # a photo that shows steps of 2 um is not blurred by 6
    fit = SimpleNamespace(blur_um=6.0)
    row = sharpness_finding(fit, finest_um, 0.001, reason("no-chip", depth_um=15.0), "light-fit")
    assert (row.value, row.status) == (6.0, status)


@pytest.mark.parametrize(
    ("blur_um", "finest_um", "moved"),
    [
        # the least of path-traced edges in focus, sharpened ones too, and the most of those that came out wrong
        (3.06, 3.67, False),
        (8.93, 15.39, True),
        (3.9, 9.8, True),
        (4.0, float("inf"), False),
    ],
)
def test_no_edge_is_sharper_than_its_photo(blur_um, finest_um, moved):
    assert shaken(blur_um, finest_um) is moved
