"""The live picture in the window: from a stream to a photo that is filed, and what becomes of it when things go away."""

from __future__ import annotations

import time

import cv2
import numpy as np
import pytest
from flutes import NEW
from hands import Hands
from pictures import save_light
from qtpy.QtWidgets import QApplication
from stream import Microscope, jpeg
from wearscope_napari.contributions import open_bench

from wearscope.trial import load_trial


@pytest.fixture(scope="module")
def worn(tmp_path_factory):
    """The flute after 300 parts, where its new-state photo was taken, as the camera sends it."""
    flute = NEW.worn(angle_deg=NEW.angle_deg, shift_px=(4.0, -3.0), seed=31)
    path = save_light(flute.light(), tmp_path_factory.mktemp("camera") / "frame.png")
    return np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])


def live_at(hands, folder, parts=300):
    hands.open(folder)
    hands.bench.capture.parts.setValue(parts)
    return hands.bench.live


def test_a_good_picture_is_taken_by_itself_and_filed(hands, folder, worn):
    live = live_at(hands, folder)
    content = jpeg(worn)
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: "live" in hands.bench.on_photo.layers, 60.0)
        hands.wait(lambda: "filed as" in live.way.text() or hands.bench.capture.parts.value() != 300, 60.0)
        hands.idle()
        live.finish_camera()
    (photo,) = [photo for photo in load_trial(folder).photos if photo.parts == 300]
    filed = cv2.imread(str(photo.path))
    sent = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR)
    assert np.array_equal(filed, sent)  # as if the camera had saved it in a file
    hands.idle()
    shown = hands.bench.state.shown.inspection
    assert (shown.entry, shown.refusal) == (photo, "")
    assert hands.bench.capture.parts.value() == 400  # moved on by itself
    assert not list((folder / "taken").iterdir())
    assert not hands.bench.on_photo.layers["live"].visible


def test_the_window_says_what_is_wrong_and_takes_nothing(hands, folder, worn):
    live = live_at(hands, folder)
    content = jpeg(cv2.GaussianBlur(worn, (0, 0), 6.0))
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: "focus on the edge" in live.way.text(), 60.0)
        assert "blur" in live.meter.text()
        live.take_now()  # by hand: judged all the same
        hands.wait(lambda: "take it again" in live.way.text(), 60.0)
        live.finish_camera()
    assert len(load_trial(folder).photos) == 3
    assert not list((folder / "taken").iterdir())


def test_the_window_stays_free_when_the_camera_breaks_off(hands, folder, worn):
    live = live_at(hands, folder)
    live.by_itself.setChecked(False)
    content = jpeg(worn)
    with Microscope(lambda n: content if n % 40 != 39 else None) as camera:
        live.start(camera.address)
        hands.wait(lambda: camera.connections > 1 and live._number > 0, 60.0)
    hands.wait(lambda: "trying again" in live.way.text() or "gone" in live.way.text(), 60.0)
    start = time.monotonic()
    QApplication.processEvents()
    live.finish_camera()
    assert time.monotonic() - start < 5.0  # 0.1 by itself


def test_a_picture_that_cannot_be_filed_is_kept(hands, folder, worn):
    live = live_at(hands, folder)
    (folder / "photos").write_text("in the way of a folder")
    content = jpeg(worn)
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: "is not filed" in live.way.text(), 60.0)
        live.finish_camera()
    kept = list((folder / "taken").iterdir())
    assert kept
    assert str(kept[0]) in hands.bench.capture.verdict.text() or len(kept) > 1
    assert len(load_trial(folder).photos) == 3


def test_the_window_closes_while_the_camera_runs(make_napari_viewer, folder, worn):
    viewer = make_napari_viewer()
    hands = Hands(open_bench(viewer))
    live = live_at(hands, folder)
    content = jpeg(worn)
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: live._number > 0, 60.0)
        source, start = live.source, time.monotonic()
        viewer.close()
        hands.wait(lambda: source.over, 20.0)
        assert time.monotonic() - start < 20.0
