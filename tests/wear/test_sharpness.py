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
    ("blur_um", "finest_um", "um_per_px", "moved"),
    [
        # the least of path-traced edges in focus, sharpened ones too, and the most of those that came out wrong
        (3.06, 3.67, 3.5, False),
        (8.93, 15.39, 4.54, True),
        (3.9, 9.8, 3.5, True),
        (4.0, float("inf"), 3.5, False),
        # two inserts that the eye sees sharp to the pixel
        (3.5, 6.3, 5.0, False),
        (5.7, 10.7, 5.0, False),
    ],
)
def test_no_edge_is_sharper_than_its_photo(blur_um, finest_um, um_per_px, moved):
    assert shaken(blur_um, finest_um, um_per_px) is moved
