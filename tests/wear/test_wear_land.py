"""The wear land on drawn faces of known width, and what must not be taken for one."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from types import SimpleNamespace

import numpy as np
import pytest
from faces import D_UM, FACE, S_UM, face, labels_with_transition, marks
from lands import BARE, COATING, RADIUS_UM, RECESSION_UM, SILHOUETTE, USED_EDGE, ends, scene
from measured import coating_map
from seldom import but_seldom, every_other, seldom
from worn_lands import worn_land

from wearscope.light.strip import USED
from wearscope.pipeline.face_view import Worn, _with_land
from wearscope.quantities.reasons import reason
from wearscope.wear.grinding_marks import marks_of
from wearscope.wear.land_seen import best_land, land_as_seen
from wearscope.wear.wear_land import find_land, land_findings


def truth(end_um):
    counted = end_um[labels_with_transition() == USED]
    return counted.mean(), counted.max()


@pytest.mark.parametrize(
    ("width_um", "brightness"), every_other(product([70.0, 150.0, 320.0], [0.6, 0.8, 2.0, 1.3, 1.5]))
)
def test_width_from_the_original_edge_line(width_um, brightness):
    end = ends(width_um)
    strip = face(SILHOUETTE, bands=[(end, FACE * brightness, False)], texture=marks(1))
    land = find_land(scene(strip))
    mean, widest = truth(end)
    assert land.verdict == "seen"
    assert abs(land.mean.value - mean) < max(5.0, 0.05 * mean)
    assert abs(land.widest.value - widest) < max(6.0, 0.06 * widest)
    assert abs(land.mean.value - mean) < 1.96 * land.mean.u
    assert land.mean.u < 5.0


@pytest.mark.statistics
def test_intervals_hold_the_truth():
    held = []
    for seed in range(12):
        end = ends(110.0, seed=seed)
        strip = face(SILHOUETTE, bands=[(end, FACE * 1.4, False)], noise=0.03, texture=marks(seed), seed=seed)
        land = find_land(scene(strip))
        mean, _ = truth(end)
        held.append(abs(land.mean.value - mean) < 1.96 * land.mean.u)
    assert np.mean(held) >= 0.9


def test_a_tilted_view_shortens_the_land():
    end = ends(200.0)
    strip = face(SILHOUETTE, bands=[(end, FACE * 1.4, False)])
    square, tilted = (find_land(scene(strip, tilt=np.radians(a))) for a in (0.0, 10.0))
    assert tilted.mean.value / square.mean.value == pytest.approx(1.0 / np.cos(np.radians(10.0)))


def test_the_lamps_image_in_the_rounding_is_no_land():
    strip = face(SILHOUETTE, lamp_um=np.where(USED_EDGE, 0.65 * RADIUS_UM, 0.0), texture=marks(1))
    land = find_land(scene(strip))
    assert land.verdict == "none"
    # from the original line to the end of the arc, and what it takes to tell a flat beyond it
    assert RECESSION_UM + RADIUS_UM < land.limit_um < RECESSION_UM + RADIUS_UM + 35.0
    rows = land_findings(land, (), "light-fit")
    assert [row.status for row in rows] == ["below_detection"] * 2
    for row in rows:
        low, high = row.interval95
        assert low <= 0.0
        assert high >= land.limit_um
        assert row.detection_limit == pytest.approx(3.29 * row.u)


def test_a_land_within_the_rounding_is_not_seen_but_inside_the_interval():
    end = ends(30.0)
    strip = face(SILHOUETTE, bands=[(end, FACE * 1.4, False)])
    (mean, _) = land_findings(find_land(scene(strip)), (), "light-fit")
    assert mean.status == "below_detection"
    assert mean.interval95[0] <= truth(end)[0] <= mean.interval95[1]


def coated_scene(end, *, keeps, strength=0.06, **more):
    texture = marks(5, strength)
    strip = face(SILHOUETTE, bands=[(end, BARE * 1.2, keeps), (1e3, COATING, True)], texture=texture)
    new = face(0.0, bands=[(1e3, COATING, True)], texture=texture, seed=9)
    return scene(strip, coated=True, new=new, **more)


def test_where_the_coating_ends_in_a_line_the_marks_decide():
    end = ends(140.0)
    assert find_land(coated_scene(end, keeps=False)).verdict == "seen"
    assert find_land(coated_scene(end, keeps=True)).verdict == "none"
    faint = find_land(coated_scene(end, keeps=False, strength=0.0))
    assert faint.verdict == "unsure"
    assert all(row.status == "doubtful" for row in land_findings(faint, (), "light-fit"))
    without_new = find_land(replace(coated_scene(end, keeps=False), new=None))
    assert without_new.verdict == "unsure"
    # the edge has moved back further than its rounding explains, or not
    assert without_new.confirmed(15.0, 4.0).verdict == "seen"
    assert without_new.confirmed(8.0, 4.0).verdict == "unsure"


def test_a_ragged_end_of_the_coating_is_no_land():
    end = ends(140.0, ragged_um=8.0)
    seen = coated_scene(end, keeps=True, strength=0.0)
    assert find_land(seen, coating_map(D_UM[:, None] < end[None, :])).verdict == "none"
    # where the coating was not read, the line that was seen is not explained by it
    unread = find_land(seen)
    assert (unread.verdict, unread.why) == ("unsure", reason("ragged-flat"))
    assert abs(unread.mean.value - truth(end)[0]) < 6.0


@pytest.mark.parametrize(("shown", "code"), [(0.6, "patchy-flat"), (1.0, "ragged-flat")])
def test_what_was_seen_but_is_no_clean_flat_is_doubtful_and_never_nothing(shown, code):
    end = ends(130.0, ragged_um=8.0 if shown == 1.0 else 0.0)
    end = np.where(np.less(S_UM, 1600.0 * shown - 1900.0), end, -1e3)
    land = find_land(scene(face(SILHOUETTE, bands=[(end, FACE * 1.4, False)], texture=marks(1))))
    rows = land_findings(land, (), "light-fit")
    assert [(row.status, row.reasons[0].code) for row in rows] == [("doubtful", code)] * 2
    width = np.maximum(end, 0.0)[labels_with_transition() == USED].mean()
    assert abs(rows[0].value - width) < 1.96 * rows[0].u


def test_a_land_within_the_bare_face_is_seen_beside_the_end_of_the_coating():
    end, coating_end = ends(110.0), ends(230.0, ragged_um=12.0, seed=8)
    bands = [(end, BARE * 1.5, False), (coating_end, BARE, True), (1e3, COATING, True)]
    strip = face(SILHOUETTE, bands=bands, texture=marks(2))
    bare = D_UM[:, None] < coating_end[None, :]
    land = find_land(scene(strip, coated=True), coating_map(bare))
    assert land.verdict == "seen"
    assert abs(land.mean.value - truth(end)[0]) < 5.0


@pytest.mark.parametrize(
    ("share", "beside_um", "verdict"),
    [(0.25, 28.0, "none"), (0.45, 34.0, "unsure"), (0.8, 28.0, "unsure")],
)
def test_what_a_camera_leaves_beside_the_end_of_the_coating_is_no_land(share, beside_um, verdict):
    # the same change of light once more, far weaker, as halos and colour at half the resolution leave
    end = ends(140.0, ragged_um=12.0)
    shoulder = COATING + share * (BARE - COATING)
    strip = face(
        SILHOUETTE, bands=[(end, BARE, False), (end + beside_um, shoulder, False), (1e3, COATING, False)]
    )
    land = find_land(scene(strip, coated=True), coating_map(D_UM[:, None] < end[None, :]))
    assert land.verdict == verdict
    if verdict == "none":
        # a flat that ends there would go unseen, and the limit says so
        assert land.limit_um > truth(end)[0] + 15.0


def test_colour_that_is_no_brighter_and_no_darker_is_no_flat():
    stain = FACE * (1.0 + 0.06 * np.array([-1.0, 0.0, 1.0]))
    assert FACE[0] == FACE[2] or abs(stain.sum() / FACE.sum() - 1.0) < 0.02
    land = find_land(scene(face(SILHOUETTE, bands=[(ends(140.0), stain, True)])))
    assert land.verdict == "none"
    # a flat that mirrors as much light as the face and ends there would go unseen, and the limit says so
    assert land.limit_um > truth(ends(140.0))[0] - 5.0
    assert find_land(scene(face(SILHOUETTE))).limit_um < 80.0
    # as strong in light it is seen
    assert find_land(scene(face(SILHOUETTE, bands=[(ends(140.0), FACE * 1.06, True)]))).verdict != "none"


def test_what_the_tool_had_when_new_is_no_land():
    facet = np.full(len(S_UM), 150.0)
    strip = face(SILHOUETTE, bands=[(facet, FACE * 1.4, False)])
    assert find_land(scene(strip)).verdict == "none"


def test_a_coloured_stain_is_doubtful():
    strip = face(SILHOUETTE, bands=[(ends(140.0), FACE * [1.0, 0.8, 0.4], True)])
    land = find_land(scene(strip))
    assert land.verdict == "unsure"
    assert land.why == reason("tinted-flat")


def test_too_little_face_is_refused():
    strip = face(SILHOUETTE)
    shallow = replace(
        strip, light=np.where(D_UM[:, None, None] < 80.0, strip.light, np.nan).astype(np.float32)
    )
    rows = land_findings(find_land(scene(shallow)), (), "light-fit")
    assert [(row.status, row.value) for row in rows] == [("refused", None)] * 2


def test_a_notch_at_the_transition_is_told_apart():
    end = ends(120.0)
    end = np.where(USED_EDGE & (S_UM > -220.0) & (S_UM < -60.0), 170.0, end)
    land = find_land(scene(face(SILHOUETTE, bands=[(end, FACE * 1.4, False)])))
    mean, widest = truth(end)
    assert abs(land.mean.value - mean) < 5.0
    assert land.widest.value < widest + 6.0
    assert land.notch_um == pytest.approx(170.0, abs=8.0)
    assert [each.code for each in land_findings(land, (), "light-fit")[0].reasons] == ["wider-at-transition"]


def test_marks_kept_against_a_texture_made_half_as_strong():
    texture = marks(4)
    new = face(0.0, texture=texture, noise=0.002)
    now = face(0.0, texture=1.0 + 0.5 * (texture - 1.0), noise=0.002, seed=5)
    everywhere = np.ones(len(S_UM), bool)
    [(slope, u)] = marks_of(now, new).kept(
        [(np.full(len(S_UM), 50.0), np.full(len(S_UM), 250.0))], everywhere
    )
    assert slope == pytest.approx(0.5, abs=max(3.0 * u, 0.03))


def without_line(end, light, **more):
    """A scene whose unused zone says hardly anything of the line under the used one."""
    strip = face(SILHOUETTE, bands=[(end, light, False)], texture=marks(1), noise=0.02)
    seen = scene(strip, u_datum_um=40.0, **more)
    return replace(seen, zones=replace(seen.zones, place=seen.zones.transition))


@pytest.mark.parametrize(
    ("brightness", "ragged_um"), [(0.55, 0.0), (1.5, 8.0), seldom(0.55, 8.0), seldom(1.5, 0.0)]
)
def test_without_the_original_line_the_width_is_that_from_todays_edge(brightness, ragged_um):
    end = ends(120.0, ragged_um=ragged_um)
    land = best_land(without_line(end, FACE * brightness))
    mean = truth(end)[0]
    # it lacks the recession, which the stated uncertainty holds
    assert abs(land.mean.value - (mean - RECESSION_UM)) < 10.0
    assert abs(land.mean.value - mean) < 1.96 * land.mean.u
    assert land.mean.u < 20.0
    rows = land_findings(land, (), "light-fit")
    assert [(row.status, row.reasons[0].code) for row in rows] == [("doubtful", "land-from-todays-edge")] * 2


def test_a_known_line_is_not_given_up():
    end = ends(120.0)
    seen = scene(face(SILHOUETTE, bands=[(end, FACE * 1.5, False)], texture=marks(1), noise=0.02))
    assert best_land(seen).mean == find_land(seen).mean


@pytest.mark.parametrize("end_um", [-1e3, 120.0])
def test_what_runs_along_all_of_the_edge_is_no_land_from_todays_edge(end_um):
    # nothing at all, and a facet that the tool had when new
    assert land_as_seen(without_line(np.full(len(S_UM), end_um), FACE * 1.5)) is None


def right(drawn, land):
    """Whether a width is right within what is asked of it."""
    return land is not None and abs(land.mean.value - drawn.width_um) < max(10.0, 0.15 * drawn.width_um)


@pytest.mark.parametrize("seed", [3, seldom(4), seldom(5)])
def test_streaks_along_a_flat_are_not_its_end(seed):
    drawn = worn_land(seed)
    land = land_as_seen(drawn.seen)
    assert right(drawn, land)
    assert abs(land.mean.value - drawn.width_um) < 1.96 * land.mean.u


@pytest.mark.statistics
def test_most_flats_drawn_at_random_are_measured():
    drawn = [worn_land(seed) for seed in range(20)]
    assert sum(right(each, land_as_seen(each.seen)) for each in drawn) >= 16


def test_a_land_read_between_its_borders_needs_no_fit_of_the_light():
    # the used zone of a real flank, 0.4 mm of it in the frame, had none
    seen = worn_land(4).seen
    assert seen.fits.used is None
    land = land_as_seen(seen)
    fitted = SimpleNamespace(measured=seen, lights=SimpleNamespace(fits=lambda _: seen.fits))
    assert _with_land(Worn(None, [], land, seen), land, fitted).land is land


@pytest.mark.parametrize("off_um", [0.0, 40.0])
def test_how_far_inside_of_the_outermost_line_the_edge_was_traced(off_um):
    seen = worn_land(4).seen
    land = land_as_seen(replace(seen, departure_um=seen.departure_um + off_um))
    assert land.inside_um == pytest.approx(off_um, abs=4.0)


@pytest.mark.parametrize("seed", but_seldom(2, range(8)))
def test_a_face_with_specks_or_marks_and_glare_is_no_land(seed):
    assert land_as_seen(worn_land(seed, worn=False).seen) is None


def test_a_flat_bright_here_and_dark_there_is_doubtful_with_its_width():
    end = ends(120.0)
    light = np.where(np.less(S_UM, -1100.0)[:, None], FACE * 1.5, FACE * 0.55)[None]
    land = find_land(scene(face(SILHOUETTE, bands=[(end, light, False)])))
    assert (land.verdict, land.why) == ("unsure", reason("two-toned-flat"))
    assert abs(land.mean.value - truth(end)[0]) < 5.0
