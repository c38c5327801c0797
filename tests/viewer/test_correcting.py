"""Corrections by hand, as a person makes them: dragged, saved, measured again, taken back, honoured later."""

from __future__ import annotations

import numpy as np
import pytest
from flutes import NEW, WORN
from graticules import Graticule
from hands import Hands
from pictures import CARD, Flute, save_light, transition_error_um, write_trial

from wearscope.log.corrections import CorrectionLog
from wearscope.log.wear_log import WearLog
from wearscope.pipeline.run import measure_trial
from wearscope.trial import load_trial

ONE_WINDOW = True


def numbers(bench):
    return {(row.quantity, row.zone): row for row in bench.state.shown.inspection.records}


def history(folder):
    with CorrectionLog(folder / "wear-log.sqlite") as log:
        return log.history("Step edges")


def transition_px(bench):
    row, column = bench.on_photo.layers["transition"].data[0]
    return column, row


def test_the_transition_is_dragged(hands, folder):
    """By 300 µm: the numbers follow at once, the log says who, the batch run honours it, its rows say so."""
    hands.open(folder, 100)
    bench = hands.bench
    bench.who.setText("Ada")
    bench.who.editingFinished.emit()
    goal = WORN.at_px(420.0)
    hands.drag("transition", transition_px(bench), (goal + transition_px(bench)) / 2, goal)
    assert transition_error_um(WORN, numbers(bench))[0] == pytest.approx(300.0, abs=4.0)
    (row,) = history(folder)
    assert (row.kind, row.by, row.parts) == ("transition_px", "Ada", 100)
    assert "Ada" in bench.status.text()
    with WearLog(folder / "wear-log.sqlite") as log:
        assert {r.method.split("+")[-1] for r in log.current(parts=100)} == {"hand"}

    result = measure_trial(load_trial(folder), folder, jobs=1)
    found = {(r.quantity, r.zone): r for r in result.records if r.parts == 100}
    assert {r.method.split("+")[-1] for r in found.values()} == {"hand"}
    for number, row in numbers(bench).items():
        assert found[number].value == pytest.approx(row.value, abs=1e-9) if row.value is not None else True
    assert {r.method.split("+")[-1] for r in result.records if r.parts == 0} != {"hand"}


def test_it_is_taken_back_and_made_again(hands, folder):
    hands.open(folder, 100)
    bench = hands.bench
    before = numbers(bench)
    assert not bench.hand.undo_button.isEnabled()
    hands.drag("transition", transition_px(bench), WORN.at_px(500.0))
    moved = numbers(bench)
    hands.press("Control-Z")
    assert {n: r.value for n, r in numbers(bench).items()} == {n: r.value for n, r in before.items()}
    assert bench.hand.redo_button.isEnabled()
    hands.press("Control-Shift-Z")
    assert {n: r.value for n, r in numbers(bench).items()} == {n: r.value for n, r in moved.items()}
    assert [row.value is None for row in history(folder)] == [False, True, False]


@pytest.mark.usefixtures("viewer")  # it ends the bench
def test_a_correction_is_there_when_the_trial_is_opened_again(hands, second_hands, folder):
    hands.open(folder, 100)
    hands.drag("transition", transition_px(hands.bench), WORN.at_px(420.0))
    hands.bench.finish()
    second_hands.open(folder, 100)
    assert transition_px(second_hands.bench) == pytest.approx(transition_px(hands.bench))
    assert transition_error_um(WORN, numbers(second_hands.bench))[0] == pytest.approx(300.0, abs=4.0)
    second_hands.bench.hand.forget(2)  # let the program decide
    second_hands.idle()
    assert abs(transition_error_um(WORN, numbers(second_hands.bench))[0]) < 50.0


def test_the_edge_line_is_nudged(hands, folder):
    """One of its points is dragged; the edge is where it was, for the line is refined, but now by hand."""
    hands.open(folder, 100)
    bench = hands.bench
    at = np.array(bench.on_photo.layers["edge"].data[0][3])[::-1]
    nudged = np.add(at, (0.0, 5.0))
    hands.drag("edge", at, (at + nudged) / 2, nudged)
    (row,) = history(folder)
    assert row.kind == "edge"
    assert '"tool": "right"' in row.value
    assert np.array(bench.state.shown.said.edge.points_px[3]) == pytest.approx(nudged, abs=0.51)
    assert {r.method.split("+")[-1] for r in numbers(bench).values()} == {"hand"}
    assert abs(transition_error_um(WORN, numbers(bench))[0]) < 50.0


@pytest.mark.parametrize("backwards", [False, True])
def test_the_edge_is_drawn_anew_where_the_program_finds_none(hands, tmp_path, backwards):
    """A photo in which nothing tells the two sides apart is refused; drawn by hand, from either end, it is measured."""
    vague = Flute(background=(0.5, 0.5, 0.5), face=(0.42, 0.42, 0.42), marks=0.0)
    write_trial(tmp_path, {0: vague.save(tmp_path / "0.png")}, coating="none")
    shown = hands.open(tmp_path, 0)
    assert shown.inspection.refusal
    hands.bench.hand.draw("edge", "add_path")
    places = [vague.at_px(s) for s in np.linspace(-1400, 1400, 15)]
    hands.drag("edge", *(places[::-1] if backwards else places))
    if (
        hands.bench.state.shown.inspection.on_photo is None
    ):  # the side of the tool cannot be seen: the person says it
        hands.bench.hand.turn_tool()
        hands.idle()
    placing = hands.bench.state.shown.inspection.on_photo
    assert placing is not None, hands.bench.status.text()
    _, d_um = placing.on_strip(tuple(vague.at_px(0.0)))
    assert abs(d_um) < 10.0
    before = placing.located.line.inward
    hands.bench.hand.turn_tool()
    hands.idle()
    after = hands.bench.state.shown.inspection.on_photo
    assert after is None or after.located.line.inward @ before < 0


def test_resin_is_left_out(hands, folder):
    hands.open(folder, 100)
    hands.bench.hand.draw("ignored", "add_polygon_lasso")
    corners = [WORN.at_px(s, d) for s, d in ((600, -100), (900, -100), (900, 120), (600, 120), (605, -90))]
    hands.drag("ignored", *corners)
    (row,) = history(folder)
    assert row.kind == "ignored_px"
    view, placing = hands.bench.state.shown.inspection.now, hands.bench.state.shown.inspection.on_photo
    s_um = [placing.on_strip(tuple(WORN.at_px(s)))[0] for s in (630.0, 870.0)]
    hidden = (view.strip.s_um > min(s_um)) & (view.strip.s_um < max(s_um))
    assert hidden.sum() > 50
    assert np.isnan(view.silhouette_um[hidden]).all()
    layer = hands.bench.on_photo.layers["ignored"]
    layer.selected_data = {0}
    layer.remove_selected()
    hands.idle()
    assert hands.bench.state.shown.said.ignored_px == ()
    assert (
        np.isfinite(hands.bench.state.shown.inspection.now.silhouette_um).sum()
        > np.isfinite(view.silhouette_um).sum()
    )


def test_used_and_unused_are_swapped(hands, folder):
    hands.open(folder, 100)
    before = hands.bench.state.shown.inspection.now
    said = []
    hands.bench.state.work.failed.connect(said.append)
    hands.bench.hand.swap_sides()
    hands.idle()
    assert said == []
    found = hands.bench.state.shown.inspection
    assert found.now is None or found.now.transition_um is None or (found.now.zone * before.zone).min() < 0
    hands.bench.hand.swap_sides()
    hands.idle()
    assert hands.bench.state.shown.inspection.now.transition_um == pytest.approx(
        before.transition_um, abs=30.0
    )
    assert [row.kind for row in history(folder)] == ["used_towards_px"] * 2


def test_a_scale_from_two_points(hands, folder):
    """A line of 400 pixels, said to be 2 mm long: 5 µm per pixel, everywhere."""
    hands.open(folder, 0)
    hands.bench.hand.distance.setValue(2000.0)
    hands.bench.hand.draw("ruler", "add_line")
    hands.drag("ruler", (100.0, 50.0), (300.0, 50.0), (500.0, 50.0))
    shown = hands.bench.state.shown
    assert shown.said.scale.um_per_px == pytest.approx(5.0, abs=0.02)
    assert shown.um_per_px == shown.said.scale.um_per_px
    assert {tuple(np.round(layer.scale, 9)) for layer in hands.bench.viewer.layers} == {
        (round(shown.um_per_px, 9),) * 2
    }
    assert "ruler" not in hands.bench.on_photo.layers
    assert {row.um_per_px for row in shown.inspection.records} == {shown.um_per_px}


def test_a_scale_from_a_graticule_boxed_in_the_photo(hands, tmp_path):
    """Its pitch is known from how the picture was drawn: 20 px for 100 µm."""
    new = Flute(shape=(900, 900), background=CARD, shift_px=(0.0, -250.0))
    light = new.light()
    light[520:880, 50:850] = Graticule(shape=(360, 800), pitch_px=20.0).luminance()[..., None]
    write_trial(tmp_path, {0: save_light(light, tmp_path / "0.png")})
    hands.open(tmp_path, 0)
    hands.bench.hand.pitch.setValue(100.0)
    hands.bench.hand.draw("ruler", "add_rectangle")
    hands.drag("ruler", (55.0, 525.0), (400.0, 700.0), (845.0, 875.0))
    hands.idle()
    assert hands.bench.state.shown.said.scale is not None, hands.bench.status.text()
    assert hands.bench.state.shown.said.scale.um_per_px == pytest.approx(5.0, rel=5e-4)


def test_what_makes_no_sense_is_said_and_not_saved(hands, folder):
    hands.open(folder, 0)
    hands.bench.hand.distance.setValue(1000.0)
    hands.bench.hand.draw("ruler", "add_line")
    hands.drag("ruler", (100.0, 50.0), (104.0, 50.0), (105.0, 50.0))
    assert "pixels apart" in hands.bench.status.text()
    assert history(folder) == []


def test_what_someone_else_said_meanwhile_is_shown_not_overwritten(hands, second_hands, folder):
    """Two viewers on one wear log."""
    for person, name in ((hands, "Ada"), (second_hands, "Grace")):
        person.open(folder, 100)
        person.bench.who.setText(name)
        person.bench.who.editingFinished.emit()
    hands.drag("transition", transition_px(hands.bench), WORN.at_px(420.0))
    mine = transition_px(second_hands.bench)
    second_hands.drag("transition", mine, WORN.at_px(-300.0))
    assert [row.by for row in history(folder)] == ["Ada"]
    # the second person now sees what the first one said, and can correct that
    assert transition_px(second_hands.bench) == pytest.approx(transition_px(hands.bench))
    second_hands.drag("transition", transition_px(second_hands.bench), WORN.at_px(0.0))
    assert [row.by for row in history(folder)] == ["Ada", "Grace"]


def test_another_picture_in_its_place_starts_afresh(hands, folder):
    hands.open(folder, 100)
    hands.drag("transition", transition_px(hands.bench), WORN.at_px(420.0))
    NEW.worn(transition_um=120.0, seed=11).save(folder / "100.png")
    hands.choose(0)
    hands.choose(100)
    assert hands.bench.state.shown.said.empty
    assert isinstance(hands, Hands)
