"""From the strip to the photo and back, for any line across any frame."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from wearscope.imaging.edge_line import EdgeLine
from wearscope.imaging.strip import cut_strip, points_on_photo

WIDTH, HEIGHT = 320, 240
COLUMNS, ROWS = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
# three channels that say where a sample comes from
PLACES = np.dstack([COLUMNS, ROWS, np.ones_like(ROWS)]).astype(np.float32)
PLACE_PX = 0.05  # OpenCV's bicubic kernel (a = -0.75) does not reproduce a ramp: up to 0.048 px off

lines = st.builds(
    lambda turn, x, y, offset, bend: EdgeLine(
        np.array([x, y]),
        np.array([np.cos(turn), np.sin(turn)]),
        np.array([-np.sin(turn), np.cos(turn)]),
        np.array([offset, 0.0, bend]),
        -100.0,
        100.0,
    ),
    st.floats(0.0, 2 * np.pi),
    st.floats(60.0, 260.0),
    st.floats(60.0, 180.0),
    st.floats(-10.0, 10.0),
    st.floats(-4e-4, 4e-4),
)


@given(lines, st.floats(0.8, 6.0))
@settings(max_examples=15, deadline=None, derandomize=True)
def test_samples_come_from_where_the_photo_has_their_places(line, um_per_px):
    strip = cut_strip(PLACES, line, um_per_px, depth_um=(-20.0 * um_per_px, 60.0 * um_per_px))
    seen = np.argwhere(np.isfinite(strip.light[..., 0]))[::97]
    assert len(seen)
    s_um, d_um = strip.s_um[seen[:, 1]], strip.d_um[seen[:, 0]]
    places = points_on_photo(line, um_per_px, s_um, d_um)
    shown = strip.light[seen[:, 0], seen[:, 1], :2]
    assert np.abs(places - shown).max() < PLACE_PX + 0.01
    # a length on the strip is a length on the photo, and the strip is not mirrored
    assert np.allclose(np.diff(strip.s_um), um_per_px)
    along, into = (
        points_on_photo(line, um_per_px, np.array([0.0, s]), np.array([0.0, d]))
        for s, d in ((um_per_px, 0.0), (0.0, um_per_px))
    )
    for pair in (along, into):
        assert abs(np.linalg.norm(pair[1] - pair[0]) - 1.0) < 0.02
    assert np.linalg.det([along[1] - along[0], into[1] - into[0]]) > 0.9


@given(lines, st.floats(0.8, 6.0))
@settings(max_examples=10, deadline=None, derandomize=True)
def test_what_the_photo_does_not_show_is_nothing(line, um_per_px):
    strip = cut_strip(PLACES, line, um_per_px, depth_um=(-200.0 * um_per_px, 200.0 * um_per_px))
    s_um, d_um = (axis.ravel() for axis in np.meshgrid(strip.s_um[::7], strip.d_um[::7]))
    column, row = points_on_photo(line, um_per_px, s_um, d_um).T
    outside = (column < -1) | (column > WIDTH) | (row < -1) | (row > HEIGHT)
    within = (
        17  # OpenCV works on 16 samples at a time, and one outside the frame can take its neighbours along
    )
    inside = (column > within) & (column < WIDTH - within) & (row > within) & (row < HEIGHT - within)
    light = strip.light[::7, ::7, 2].ravel()
    assert np.isnan(light[outside]).all()
    assert np.isfinite(light[inside]).all()
