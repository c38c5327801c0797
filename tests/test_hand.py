"""Corrections by hand: each does to the numbers what the known truth of the photo says it should."""

from __future__ import annotations

import numpy as np
import pytest
from pictures import CARD, Flute, measured, rows, transition_error_um, write_trial

from wearscope.errors import WearscopeError
from wearscope.hand import Correction, DrawnEdge, HandScale, scale_between
from wearscope.inspect import Memory, inspect_photo, read_scales

NEW = Flute(background=CARD)
WORN = NEW.worn(transition_um=120.0)


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pair")
    return write_trial(folder, {0: NEW.save(folder / "0.png"), 100: WORN.save(folder / "100.png")})


@pytest.fixture(scope="module")
def plain(trial):
    return measured(trial, 100)


def with_hand(trial, said, parts=100, of=100, memory=None):
    """The photo at `parts`, with what was said of the photo at `of`."""
    scales, _ = read_scales(trial)
    by_parts = {photo.parts: photo for photo in trial.photos}
    sha256 = inspect_photo(trial, by_parts[of], scales, memory=memory).photo_sha256
    return inspect_photo(trial, by_parts[parts], scales, {sha256: said}, memory)


def edge_px(flute, off_um=0.0):
    return tuple(tuple(map(float, flute.at_px(s, off_um))) for s in (-1200.0, -400.0, 400.0, 1200.0))


def test_a_marked_transition_is_taken(trial):
    """The place is set where the truth is, then 200 µm beside it; the row says by hand, last."""
    at = rows(with_hand(trial, Correction(transition_px=tuple(WORN.transition_px))))
    assert abs(transition_error_um(WORN, at)[0]) < 1.0
    beside = rows(with_hand(trial, Correction(transition_px=tuple(WORN.at_px(320.0)))))
    assert transition_error_um(WORN, beside)[0] == pytest.approx(200.0, abs=1.0)
    for found in (at, beside):
        assert all(row.method.split("+")[-1] == "hand" for row in found.values())
        assert all(row.method.count("hand") == 1 for row in found.values())
        along_um = found["transition_x_px", "whole"].std_uncertainty * 3.5
        assert 25.0 < along_um < 35.0


def test_a_transition_off_the_edge_is_refused(trial):
    refusal = with_hand(trial, Correction(transition_px=tuple(WORN.at_px(0.0, 400.0)))).refusal
    assert "100.png" in refusal
    assert "does not lie on the edge" in refusal


def test_the_used_side_turns_the_zones_round(trial):
    towards = (tuple(WORN.at_px(300.0)), tuple(WORN.at_px(-300.0)))
    found = with_hand(trial, Correction(transition_px=tuple(WORN.transition_px), used_towards_px=towards))
    recession = rows(found)["edge_recession", "difference"]
    assert recession.value < 0 or recession.status == "below_detection"
    assert (
        rows(with_hand(trial, Correction(used_towards_px=towards[::-1])))[
            "edge_recession", "difference"
        ].value
        > 10
    )


def test_a_drawn_edge_is_followed_from_either_end(trial, plain):
    truth = rows(plain)["edge_recession", "difference"].value
    for points, tool in ((edge_px(WORN, 20.0), "right"), (edge_px(WORN, -15.0)[::-1], "left")):
        found = rows(with_hand(trial, Correction(edge=DrawnEdge(points, tool))))
        assert found["edge_recession", "difference"].value == pytest.approx(truth, abs=0.5)
        assert abs(transition_error_um(WORN, found)[0]) < 50.0


def test_the_heel_is_measured_where_it_was_drawn(tmp_path):
    """What a person draws is taken, not the stronger line beside it."""
    new = Flute(background=CARD, heel_um=350.0)
    trial = write_trial(tmp_path, {0: new.save(tmp_path / "0.png")})
    said = Correction(edge=DrawnEdge(edge_px(new, 350.0), "right"))
    found = with_hand(trial, said, parts=0, of=0)
    s_um, d_um = found.on_photo.on_strip(tuple(new.at_px(0.0, 350.0)))
    assert abs(d_um) < 30.0
    by_itself = measured(trial, 0)
    assert abs(by_itself.on_photo.on_strip(tuple(new.at_px(0.0, 0.0)))[1]) < 10.0


def test_resin_is_painted_away(trial, plain, tmp_path):
    """A blob stuck on the used edge spoils the photo; painted away, the clean photo's numbers come back."""
    light = WORN.light()
    for s in (700.0, 760.0, 820.0):
        column, row = np.round(WORN.at_px(s, -20.0)).astype(int)
        light[row - 22 : row + 22, column - 22 : column + 22] = (0.2, 0.12, 0.05)
    from pictures import save_light

    soiled = write_trial(
        tmp_path, {0: NEW.save(tmp_path / "0.png"), 100: save_light(light, tmp_path / "100.png")}
    )
    patch = tuple(
        tuple(map(float, WORN.at_px(s, d))) for s, d in ((580, -140), (940, -140), (940, 120), (580, 120))
    )
    found = rows(with_hand(soiled, Correction(ignored_px=(patch,))))
    clean = rows(plain)
    for number in (("edge_recession", "difference"), ("edge_radius", "used")):
        assert found[number].value == pytest.approx(clean[number].value, abs=0.7)
    assert found["coating_loss", "used"].value == pytest.approx(clean["coating_loss", "used"].value, abs=0.03)
    view = with_hand(soiled, Correction(ignored_px=(patch,))).now
    inside = (view.strip.s_um > 620) & (view.strip.s_um < 900)
    assert np.isnan(view.silhouette_um[inside]).all()


def test_lengths_follow_the_scale_set_by_hand(trial, plain):
    said = Correction(scale=HandScale(7.0, 0.01, "two points"))
    new_too = {measured(trial, 0).photo_sha256: said, plain.photo_sha256: said}
    scales, _ = read_scales(trial)
    found = rows(inspect_photo(trial, trial.photos[1], scales, new_too))
    assert found["used_length", "whole"].value == pytest.approx(
        2.0 * rows(plain)["used_length", "whole"].value, rel=0.02
    )
    assert found["used_length", "whole"].um_per_px == pytest.approx(7.0, rel=0.005)
    assert "two points" in found["used_length", "whole"].note


def test_scale_between_two_points():
    """3-4-5: 500 px for 1 mm; the uncertainty is that of two ends of 1 px each."""
    scale = scale_between((10.0, 20.0), (310.0, 420.0), 1000.0)
    assert scale.um_per_px == pytest.approx(2.0)
    assert scale.u_um_per_px == pytest.approx(2.0 * np.hypot(np.sqrt(2.0) / 500.0, 0.001))
    for a, b, distance in (
        ((0, 0), (3, 4), 100.0),
        ((0, 0), (300, 4), 0.0),
        ((0, 0), (300, 4), float("nan")),
    ):
        with pytest.raises(WearscopeError):
            scale_between(a, b, distance)


def test_what_was_said_of_the_new_state_counts_for_later_photos(trial):
    found = rows(with_hand(trial, Correction(edge=DrawnEdge(edge_px(NEW), "right")), of=0))
    assert {row.method.split("+")[-1] for row in found.values()} == {"hand"}


def test_a_photo_taken_again_starts_without_corrections(trial, plain):
    scales, _ = read_scales(trial)
    found = inspect_photo(trial, trial.photos[1], scales, {"0" * 64: Correction(transition_px=(1.0, 1.0))})
    assert [r.value for r in found.records] == [r.value for r in plain.records]


def test_memory_changes_no_number(trial, plain, tmp_path):
    """Measured afresh, from memory, and from memory of other corrections."""
    memory = Memory()
    said = Correction(transition_px=tuple(WORN.at_px(150.0)))
    afresh = with_hand(trial, said)
    for what, wanted in ((said, afresh), (Correction(), plain), (said, afresh)):
        found = with_hand(trial, what, memory=memory)
        assert [(r.value, r.std_uncertainty, r.method) for r in found.records] == [
            (r.value, r.std_uncertainty, r.method) for r in wanted.records
        ]


def test_memory_notices_another_picture(tmp_path):
    path = NEW.save(tmp_path / "0.png")
    trial = write_trial(tmp_path, {0: path})
    scales, _ = read_scales(trial)
    memory = Memory()
    first = inspect_photo(trial, trial.photos[0], scales, memory=memory).photo_sha256
    Flute(background=CARD, seed=5).save(path)
    assert inspect_photo(trial, trial.photos[0], scales, memory=memory).photo_sha256 != first


def test_the_new_photo_lies_on_the_later_one(plain):
    """Places on the tool's unused edge, where each photo is known to show them."""
    to_now = plain.on_photo.new_onto_now_px
    for s, d in ((-1200.0, 0.0), (-600.0, 200.0), (-100.0, 0.0), (600.0, 300.0)):
        # the worn flute's edge has gone back; its grind marks have not
        there = WORN.middle_px + (s * WORN.direction + d * WORN.inward) / WORN.um_per_px
        mapped = to_now @ np.append(NEW.middle_px + (s * NEW.direction + d * NEW.inward) / NEW.um_per_px, 1.0)
        assert np.hypot(*(mapped - there)) < 1.0


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: DrawnEdge(((1.0, 1.0), (1.0, 1.0))),
        lambda: Correction(ignored_px=(((0.0, 0.0), (1.0, 1.0)),)),
        lambda: HandScale(0.0, 0.0, "nothing"),
        lambda: HandScale(3.0, 4.0, "too unsure"),
    ],
)
def test_corrections_that_cannot_be(wrong):
    with pytest.raises(WearscopeError, match=";"):
        wrong()
