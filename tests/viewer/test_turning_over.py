"""From one photo to the next: what is seen belongs to one photo alone, and comes without waiting."""

from __future__ import annotations

import itertools
import threading
import time

import numpy as np
from flutes import NEW
from hands import Hands  # noqa: F401 - skips where there is no viewer
from pictures import CARD, Flute, write_trial
from qtpy.QtWidgets import QApplication
from wearscope_napari import session as at_work
from wearscope_napari.layers import all_layers

ONE_WINDOW = True


def drawn(bench):
    """What each layer of the bench holds."""
    return {
        part: [np.asarray(one) for one in layer.data] if part in SHAPES else np.asarray(layer.data)
        for part, layer in bench.on_photo.layers.items()
    }


SHAPES = ("zones", "lines", "chips", "edge", "ignored")


def same(a, b):
    assert a.keys() == b.keys()
    for part in a:
        assert len(a[part]) == len(b[part]), part
        for one, other in zip(a[part], b[part], strict=True):
            assert np.array_equal(one, other), part


def looks(bench):
    names = ("edge_color", "edge_width")
    return {
        part: [np.asarray(getattr(bench.on_photo.layers[part], name)) for name in names] for part in SHAPES
    }


def test_layers_kept_show_what_new_ones_would(hands, folder):
    """Every order of photos: nothing of the photo before may stay, not even a colour or a width."""
    bench = hands.bench
    hands.open(folder)
    opacities = [layer.opacity for layer in bench.viewer.layers]
    for parts in (100, 0, 200, 100):
        before = dict(bench.on_photo.layers)
        hands.choose(parts)
        kept, colours = drawn(bench), looks(bench)
        assert all(bench.on_photo.layers[part] is layer for part, layer in before.items() if before)
        assert [layer.opacity for layer in bench.viewer.layers] == opacities
        shown = bench.state.shown
        bench.on_photo.renew(shown, all_layers(shown.inspection, shown.said, shown.photo))
        same(kept, drawn(bench))
        for part, values in looks(bench).items():
            for now, then in zip(values, colours[part], strict=True):
                assert np.array_equal(now, then), part


def test_another_trial_is_shown_on_the_layers_that_are_there(hands, folder, tmp_path_factory, monkeypatch):
    """Until its first photo is measured nothing of the trial before is seen; then each layer is as a new one."""
    bench, measure = hands.bench, at_work.inspect_photo
    hands.open(folder, 100)
    before, opacities = dict(bench.on_photo.layers), [layer.opacity for layer in bench.viewer.layers]
    bench.strip.pointed.emit(250.0)
    other = tmp_path_factory.mktemp("other")
    new = Flute(background=CARD, um_per_px=4.0, marks_seed=5)
    worn = new.worn(transition_um=-200.0)
    write_trial(other, {0: new.save(other / "0.png"), 100: worn.save(other / "100.png")}, um_per_px=4.0)
    begun, go = threading.Event(), threading.Event()
    monkeypatch.setattr(
        at_work, "inspect_photo", lambda *what: (begun.set(), go.wait(60), measure(*what))[-1]
    )
    assert bench.open_trial(other)
    assert "place" not in bench.on_photo.layers
    assert not any(layer.opacity for layer in bench.on_photo.layers.values())
    assert not bench.viewer.canvas.overlays.scale_bar.visible
    hands.wait(begun.is_set)
    seen = {part for part, layer in bench.on_photo.layers.items() if layer.opacity}
    assert seen <= {"photo"}
    go.set()
    hands.idle()
    hands.choose(100)
    assert bench.on_photo.layers == before
    assert [layer.opacity for layer in bench.viewer.layers] == opacities
    assert {tuple(layer.scale) for layer in before.values()} == {(4.0, 4.0)}
    kept, colours, shown = drawn(bench), looks(bench), bench.state.shown
    bench.on_photo.renew(shown, all_layers(shown.inspection, shown.said, shown.photo))
    same(kept, drawn(bench))
    for part, values in looks(bench).items():
        for now, then in zip(values, colours[part], strict=True):
            assert np.array_equal(now, then), part


def test_the_picture_comes_before_its_numbers_and_alone(hands, folder, monkeypatch):
    hands.open(folder, 0)
    bench, measure = hands.bench, at_work.inspect_photo
    worn = next(photo for photo in bench.state.session.trial.photos if photo.parts == 100)
    monkeypatch.setattr(at_work, "inspect_photo", lambda *what: (time.sleep(1.0), measure(*what))[1])
    bench.state.session._looked_at = at_work.LookedAt()  # as if it had not been read ahead
    before = bench.on_photo.layers["photo"].data.copy()
    bench.state.choose(worn)
    hands.wait(lambda: not np.array_equal(bench.on_photo.layers["photo"].data, before))
    assert bench.state.shown is None  # no number, and nothing can be said of the photo before
    assert not bench.numbers.isEnabled()
    assert not bench.viewer.canvas.overlays.scale_bar.visible
    seen = {part for part, layer in bench.on_photo.layers.items() if layer.visible and layer.opacity > 0}
    assert seen == {"photo"}
    bench.state.correct(transition_px=(10.0, 10.0))
    hands.idle()
    assert bench.state.shown.inspection.entry == worn
    assert bench.state.shown.said.empty


def test_the_next_photo_is_read_ahead_and_read_anew_if_it_changes(hands, folder, monkeypatch):
    bench, measure, asked = hands.bench, at_work.inspect_photo, []

    def inspect(trial, entry, *more):
        asked.append(entry.parts)
        return measure(trial, entry, *more)

    monkeypatch.setattr(at_work, "inspect_photo", inspect)
    hands.open(folder, 0)
    following = bench.photos.after()
    hands.wait(lambda: following.parts in asked and not bench.state.work._glancing, 60.0)
    rows = {row.parts for row in bench.state.session.earlier(following)}
    assert following.parts not in rows  # looked at, but nobody has asked: nothing is written
    hands.choose(following.parts)
    assert asked.count(following.parts) == 1
    first = bench.state.shown.inspection
    assert following.parts == 200 or first.records
    hands.choose(0)
    NEW.worn(seed=9).save(following.path)
    hands.choose(following.parts)
    assert asked.count(following.parts) == 2
    assert bench.state.shown.inspection.photo_sha256 != first.photo_sha256


def test_a_change_of_photo_hardly_holds_up_the_window(hands, folder, benchmark):
    """By hand, `pytest -m benchmark tests/viewer`: 0.25 s to the picture is what was asked for."""
    hands.open(folder, 0)
    hands.choose(100)
    places = itertools.cycle((0, 100))

    def turn():
        hands.choose(next(places))
        QApplication.processEvents()

    benchmark.pedantic(turn, rounds=6)
