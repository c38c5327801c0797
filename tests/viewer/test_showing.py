"""What the person sees: order, scale, places, numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import sections
from flutes import NEW, WORN
from hands import Hands  # noqa: F401 - skips where there is no viewer
from pictures import CARD, Flute, write_trial
from wearscope_napari import layers as drawing
from wearscope_napari.coordinates import from_napari, to_napari

from wearscope.pipeline.run import measure_trial
from wearscope.trial import load_trial

ONE_WINDOW = True


def lines(bench):
    return [bench.photos.item(row).text() for row in range(bench.photos.count())]


def test_what_needs_an_eye_comes_first(hands, folder):
    hands.open(folder)
    for parts in (0, 100, 200):
        hands.choose(parts)
    before = [line.split(": ")[1] for line in lines(hands.bench)]
    assert before == sorted(before, key=lambda line: ("new" not in line, line))  # has not moved meanwhile
    hands.bench.photos.list_photos()
    states = [line.split(":")[0] for line in lines(hands.bench)]
    order = ["refused", "doubtful", "to measure", "done"]
    assert states == sorted(states, key=order.index)
    assert states[0] == "refused"
    assert "after 200 parts" in lines(hands.bench)[0]
    assert hands.bench.state.entry.parts == 200  # the chosen one stays chosen when the list changes
    assert "200.png" in hands.bench.status.text()


def test_how_a_run_left_the_photos_is_known(hands, folder):
    measure_trial(load_trial(folder), folder, jobs=1)
    hands.bench.open_trial(folder)
    hands.wait(lambda: hands.bench.state.entry is not None)
    states = {line.split(":")[0] for line in lines(hands.bench)}
    assert "refused" in states
    assert "to measure" not in states
    hands.idle()


def test_a_photo_taken_again_is_to_be_measured(hands, folder):
    measure_trial(load_trial(folder), folder, jobs=1)
    NEW.worn(seed=9).save(folder / "100.png")
    hands.bench.open_trial(folder)
    hands.wait(lambda: hands.bench.state.entry is not None)
    (line,) = [line for line in lines(hands.bench) if "100 parts" in line]
    assert line.startswith("to measure")
    hands.idle()


@pytest.mark.usefixtures("viewer")  # it ends the bench
def test_keys_go_through_the_photos(hands, folder):
    hands.open(folder)
    bench = hands.bench
    rows = [bench.photos.currentRow()]
    for key in ("PageDown", "PageDown", "PageDown", "PageUp"):
        hands.press(key)
        rows.append(bench.photos.currentRow())
        assert bench.state.entry is not None
    assert rows == [0, 1, 2, 2, 1]
    bench.finish()
    assert "PageDown" not in map(str, bench.viewer.keymap)


def test_everything_lies_on_the_photos_scale(hands, folder):
    shown = hands.open(folder, 100)
    layers = list(hands.bench.viewer.layers)
    assert len(layers) == 8
    for layer in layers:
        assert tuple(layer.scale) == pytest.approx((3.5, 3.5), rel=0.01)
        assert [f"{unit:~}" for unit in layer.units] == ["µm", "µm"]
    assert shown.um_per_px == pytest.approx(3.5, rel=0.01)
    assert hands.bench.viewer.canvas.overlays.scale_bar.visible


@pytest.mark.parametrize("angle_deg", [0.0, 37.0, 90.0, 180.0, 270.0])
def test_places_are_where_they_are_on_the_photo(hands, tmp_path, angle_deg):
    """The truth of the picture, for every direction: a swap of row and column cannot hide."""
    new = Flute(shape=(620, 760), background=CARD, angle_deg=angle_deg)
    worn = new.worn(transition_um=150.0)
    write_trial(tmp_path, {0: new.save(tmp_path / "0.png"), 100: worn.save(tmp_path / "100.png")})
    hands.open(tmp_path, 100)
    layers = hands.bench.on_photo.layers
    row, column = layers["transition"].data[0]
    off = (np.array([column, row]) - worn.transition_px) * 3.5
    assert abs(off @ worn.direction) < 50.0
    along = np.vstack(layers["lines"].data)[:, ::-1]
    across_um = (along - worn.middle_px) @ worn.inward * 3.5
    low, high = np.quantile(across_um, [0.02, 0.98])  # single columns may stray; this is about places
    assert low > -8.0
    assert high < 45.0
    rows, columns = np.nonzero(layers["coating"].data)
    bare_um = (np.column_stack([columns, rows]) - worn.middle_px) @ worn.inward * 3.5
    s_um = (np.column_stack([columns, rows]) - worn.middle_px) @ worn.direction * 3.5
    assert len(rows) > 500
    assert np.quantile(bare_um, [0.02, 0.98]) == pytest.approx(
        [25.0, 75.0], abs=25.0
    )  # 60 µm wide, from 20 on
    assert np.mean(s_um > 100.0) > 0.9


def test_now_and_new_lie_over_each_other(hands, folder):
    hands.open(folder, 100)
    bench = hands.bench
    bench.compare.over.setChecked(True)
    hands.wait(lambda: "over" in bench.on_photo.layers)
    over = drawing.new_on_now(bench.state.shown.inspection)
    assert bench.on_photo.layers["over"].data.shape[1] == pytest.approx(over.shape[1] / 2, abs=1)
    bench.compare.swipe.setValue(100)
    assert bench.on_photo.layers["over"].data.shape == over.shape
    # deep in the tool, away from the edge, both show the same grind marks
    deep = [
        WORN.middle_px + (s * WORN.direction + 250.0 * WORN.inward) / 3.5 for s in np.arange(-1200, 1200, 3.5)
    ]
    at = np.round(deep).astype(int)
    now = bench.state.shown.photo.pixels[at[:, 1], at[:, 0], 1].astype(float)
    new = over[at[:, 1], at[:, 0], 1].astype(float)
    assert np.corrcoef(now, new)[0, 1] > 0.9
    bench.compare.over.setChecked(False)
    assert "over" not in bench.on_photo.layers


def test_it_blinks(hands, folder):
    hands.open(folder, 100)
    bench = hands.bench
    bench.overlay.blink.setInterval(30)
    bench.compare.blink.setChecked(True)
    hands.wait(lambda: "over" in bench.on_photo.layers)
    seen = set()

    def both():
        seen.add(bench.on_photo.layers["over"].visible)
        return seen == {True, False}

    hands.wait(both, 20.0)
    bench.compare.blink.setChecked(False)
    assert not bench.overlay.blink.isActive()


@pytest.mark.usefixtures("plotted")
def test_numbers_status_reason_and_earlier_ones(hands, folder):
    hands.open(folder, 0)
    hands.choose(100)
    table = hands.bench.numbers.table
    headings = [table.horizontalHeaderItem(column).text() for column in range(table.columnCount())]
    assert headings == ["quantity", "after 100 parts", "status", "new"]
    cells = {
        table.item(row, 0).text(): [table.item(row, c).text() for c in (1, 2, 3)]
        for row in range(table.rowCount())
    }
    records = {(r.quantity, r.zone): r for r in hands.bench.state.shown.inspection.records}
    assert len(cells) == len(records)
    blur = cells["blur of the edge"]
    assert "±" in blur[0]
    assert "±" in blur[2]
    assert cells["edge recession, used minus unused"][1] == records[
        "edge_recession", "difference"
    ].status.replace("_", " ")
    row = [table.item(n, 0).text() for n in range(table.rowCount())].index("blur of the edge")
    table.selectRow(row)
    assert "blur of the edge" in hands.bench.numbers.reason.text()
    (axes,) = hands.bench.numbers.figure.axes
    assert {container.lines[0].get_xdata()[0] for container in axes.containers} == {0, 100}


def test_a_refused_photo_says_why_and_shows_the_picture(hands, folder):
    hands.open(folder, 200)
    assert "200.png" in hands.bench.why.text()
    assert "photo" in hands.bench.on_photo.layers
    assert hands.bench.numbers.table.rowCount() == 0


@pytest.mark.usefixtures("plotted")
def test_the_strip_is_drawn_with_the_recession(hands, folder):
    hands.open(folder, 100)
    assert len(hands.bench.strip.figure.axes) == 3
    hands.choose(0)
    assert len(hands.bench.strip.figure.axes) == 2
    hands.choose(200)
    assert hands.bench.strip.figure.axes == []


def test_points_change_their_order_in_one_place():
    points = np.array([[3.0, 10.0], [4.0, 20.0]])
    assert to_napari(points).tolist() == [[10.0, 3.0], [20.0, 4.0]]
    assert from_napari(to_napari(points)) == ((3.0, 10.0), (4.0, 20.0))


@pytest.mark.usefixtures("plotted")
@pytest.mark.parametrize("turned_deg", [0.0, 65.0, 180.0])
def test_a_section_is_drawn_where_it_lies_on_the_photo(hands, tmp_path, turned_deg):
    """Outline, both faces and the arc against the truth of the picture, in micrometres from each."""
    wedge = sections.Wedge(size=(360, 420), radius_px=24.0, turned_deg=turned_deg)
    new = replace(wedge, turned_deg=turned_deg + 4.0, seed=1)
    sections.write_trial(tmp_path, {0: new.save(tmp_path / "0.png"), 100: wedge.save(tmp_path / "1.png")})
    into = np.array([np.cos(np.radians(turned_deg)), np.sin(np.radians(turned_deg))])
    centre = wedge.apex + wedge.radius_px / np.sin(np.radians(wedge.wedge_deg) / 2) * into
    shown = hands.open(tmp_path, 100)
    bench = hands.bench
    assert not shown.inspection.refusal, shown.inspection.refusal
    names = {layer.name for layer in bench.viewer.layers}
    assert names == {"photo", "outline as read", "faces and arc fitted", "left out as dust"} | {
        "mark near the tip"
    }
    face_a, arc, face_b = (path[:, ::-1] for path in bench.on_photo.layers["tip"].data)
    from_centre = np.hypot(*(arc - centre).T)
    assert from_centre == pytest.approx(wedge.radius_px, abs=0.7)
    for face in (face_a, face_b):
        along = (face[1] - face[0]) / np.hypot(*(face[1] - face[0]))
        off = face[0] - wedge.apex
        assert abs(along[0] * off[1] - along[1] * off[0]) < 0.7  # its line goes through the apex
        assert np.arccos(along @ into) == pytest.approx(np.radians(wedge.wedge_deg) / 2, abs=0.02)
    outline = np.vstack(bench.on_photo.layers["outline"].data)[:, ::-1]
    gap = np.abs(np.hypot(*(outline - centre).T) - wedge.radius_px)
    near_arc = np.hypot(*(outline - arc[45]).T) < 0.4 * wedge.radius_px
    assert near_arc.sum() > 5
    assert gap[near_arc].max() < 0.7
    assert len(bench.strip.figure.axes) == 2
    assert "profile view" in bench.numbers.title.text()
    assert any("wedge angle" in bench.numbers.table.item(row, 0).text() for row in range(5))
    assert not any(button.isEnabled() for button in bench.hand.for_faces)


def test_a_section_is_marked_and_scaled_by_hand(hands, tmp_path):
    wedge = sections.Wedge(size=(360, 420), radius_px=24.0)
    sections.write_trial(tmp_path, {0: wedge.save(tmp_path / "0.png")})
    hands.open(tmp_path, 0)
    bench = hands.bench
    bench.hand.draw("edge", "add_path")
    hands.drag("edge", *[tuple(np.add(wedge.apex, (0.0, d))) for d in (-20.0, 0.0, 15.0, 30.0)])
    assert bench.state.shown.said.edge is not None
    assert {row.method.split("+")[-1] for row in bench.state.shown.inspection.records} == {"hand"}
    bench.hand.distance.setValue(300.0)
    bench.hand.draw("ruler", "add_line")
    hands.drag("ruler", (50.0, 20.0), (150.0, 20.0), (250.0, 20.0))
    radius = next(row for row in bench.state.shown.inspection.records if row.quantity == "edge_radius")
    assert radius.value == pytest.approx(24.0 * 1.5, rel=0.06)
    assert bench.viewer.layers["photo"].scale[0] == pytest.approx(1.5, rel=0.01)
