"""The live picture in the window: from a stream to a photo that is filed, and what becomes of it when things go away."""

from __future__ import annotations

import time
from dataclasses import replace

import cv2
import numpy as np
import pytest
import sections
from flutes import NEW
from graticules import Graticule
from hands import Hands
from pictures import save_light
from qtpy.QtWidgets import QApplication
from stream import Microscope, jpeg
from wearscope_napari import capture, live_panel
from wearscope_napari.contributions import open_bench
from wearscope_napari.signals import Became

from wearscope.errors import WearscopeError
from wearscope.live import taking
from wearscope.trial import load_trial

ONE_WINDOW = True


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
        hands.wait(lambda: "filed as" in live.last.text() or hands.bench.capture.parts.value() != 300, 60.0)
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
        hands.wait(lambda: "take it again" in live.last.text(), 60.0)
        became, seen = live.last.text(), live._number
        hands.wait(lambda: live._number > seen + 2, 60.0)
        assert live.last.text() == became  # stays to be read; what is wrong with the frame stands above it
        assert "focus on the edge" in live.way.text()
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


def test_that_a_video_is_over_stays_said(hands, folder, worn, tmp_path, monkeypatch):
    """Its last frames are looked at after it has ended."""
    path = tmp_path / "walk.avi"
    video = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 20.0, worn.shape[1::-1])
    for _ in range(8):
        video.write(worn[..., ::-1])
    video.release()
    look = live_panel._looked

    def look_late(guide, frame):
        while not source.over:
            time.sleep(0.01)
        time.sleep(0.5)  # the window has said so meanwhile
        return look(guide, frame)

    monkeypatch.setattr(live_panel, "_looked", look_late)
    live = live_at(hands, folder)
    live.by_itself.setChecked(False)
    live.start(str(path))
    source = live.source
    hands.wait(lambda: live._look is not None, 60.0)
    hands.wait(lambda: live.way.text() == "the video is over", 10.0)
    live.finish_camera()


def test_a_picture_that_cannot_be_filed_is_kept(hands, folder, worn):
    live = live_at(hands, folder)
    (folder / "photos").write_text("in the way of a folder")
    content = jpeg(worn)
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: "is not filed" in live.last.text(), 60.0)
        live.finish_camera()
    kept = list((folder / "taken").iterdir())
    assert kept
    assert str(kept[0]) in hands.bench.capture.verdict.text() or len(kept) > 1
    assert len(load_trial(folder).photos) == 3


@pytest.mark.parametrize(
    "error", [WearscopeError("it cannot be filed", "take it again"), ValueError("out of range")], ids=repr
)
def test_a_picture_that_could_not_be_looked_at_is_kept_and_the_next_taken(
    hands, folder, worn, monkeypatch, error
):
    takes = capture.take

    def fail_once(*what):
        monkeypatch.setattr(capture, "take", takes)
        raise error

    monkeypatch.setattr(capture, "take", fail_once)
    live = live_at(hands, folder)
    content = jpeg(worn)
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: "is not filed" in live.last.text(), 60.0)
        (kept,) = (folder / "taken").iterdir()
        assert str(kept) in live.last.text()
        assert str(error).split(";")[0] in live.last.text()
        hands.wait(lambda: "filed as" in live.last.text(), 60.0)
        hands.idle()
        live.finish_camera()
    assert list((folder / "taken").iterdir()) == [kept]
    assert len(load_trial(folder).photos) == 4


def test_what_is_said_of_another_picture_leaves_the_one_taken_alone(hands, folder, worn, tmp_path):
    """A folder may be watched beside; its pictures are judged in between."""
    live = live_at(hands, folder)
    live.by_itself.setChecked(False)
    content = jpeg(worn)
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: live._look is not None, 60.0)
        other = Became(tmp_path / "IMG_1.jpg", "IMG_1.jpg: take it again.", done_with=True)
        meanwhile = []

        def said_meanwhile(picture):
            hands.bench.state.judged.emit(other)
            meanwhile.append((picture.exists(), live.last.text()))

        live.take_now()
        hands.bench.state.judged.emit(other)  # before it is written
        hands.bench.state.picture_came.connect(said_meanwhile)
        hands.wait(lambda: "filed as" in live.last.text(), 60.0)
        hands.bench.state.picture_came.disconnect(said_meanwhile)
        assert meanwhile == [(True, "taken; looking at it …")]
        hands.idle()
        live.finish_camera()
    assert len(load_trial(folder).photos) == 4


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


def ruled_frame(tmp_path_factory):
    light = Graticule(shape=(420, 900), pitch_px=28.57).luminance()
    path = save_light(np.repeat(light[..., None], 3, axis=2), tmp_path_factory.mktemp("slide") / "frame.png")
    return np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])


def lossless(pixels):
    return cv2.imencode(".png", np.ascontiguousarray(pixels[..., ::-1]))[1].tobytes()


def test_the_graticule_is_taken_from_the_window_and_guides_from_then_on(hands, folder, tmp_path_factory):
    """Slide first, then the flute: what leads to its picture knows the new scale."""
    text = (folder / "trial.toml").read_text()
    before = "um_per_px = 3.5\nu_um_per_px = 0.00175\n"
    assert before in text
    (folder / "slide.png").write_bytes(lossless(ruled_frame(tmp_path_factory)))
    keys = 'graticule = "slide.png"\ndivision_um = 100.0\n'
    (folder / "trial.toml").write_text(text.replace(before, keys))
    live = live_at(hands, folder)
    live.by_itself.setChecked(False)
    sent = jpeg(ruled_frame(tmp_path_factory))
    live.take_graticule()
    assert "pitch" in hands.bench.status.text()
    live.pitch.setValue(100.0)
    live.take_graticule()
    assert "start the camera first" in hands.bench.status.text()
    with Microscope(lambda _: sent) as camera:
        live.start(camera.address)
        hands.wait(lambda: live.source.newest() is not None and live.guide is not None, 60.0)
        guide = live.guide
        live.take_graticule()
        hands.wait(lambda: "the graticule of scale bench from now on" in hands.bench.status.text(), 90.0)
        hands.wait(lambda: live.guide is not None and live.guide is not guide, 90.0)
        live.finish_camera()
    said = float(hands.bench.status.text().split(" um per px")[0].split()[-1])
    assert said == pytest.approx(100.0 / 28.57, rel=5e-4)
    assert len(list((folder / "replaced").iterdir())) == 1
    assert not list((folder / "taken").iterdir())


def test_a_picture_without_lines_is_no_graticule(hands, folder, worn):
    live = live_at(hands, folder)
    live.by_itself.setChecked(False)
    live.pitch.setValue(100.0)
    trial = (folder / "trial.toml").read_bytes()
    content = jpeg(np.full_like(worn, 120))
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: live.source.newest() is not None, 60.0)
        live.take_graticule()
        hands.wait(lambda: "take it again" in hands.bench.status.text(), 90.0)
        live.finish_camera()
    assert (folder / "trial.toml").read_bytes() == trial
    assert not list((folder / "taken").iterdir())


def test_a_full_disk_is_said_and_the_next_picture_is_taken(
    hands, folder, worn, monkeypatch, tmp_path_factory
):
    """Nothing is filed while it is full; with room again the live view goes on by itself."""
    full = True
    write = taking.write_bytes

    def write_bytes(path, content):
        if full:
            raise OSError(28, "No space left on device")
        write(path, content)

    monkeypatch.setattr(taking, "write_bytes", write_bytes)
    monkeypatch.setattr("pathlib.Path.home", lambda: tmp_path_factory.getbasetemp() / "home")
    live = live_at(hands, folder)
    content = jpeg(worn)
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: "No space left on device" in live.last.text(), 90.0)
        assert len(load_trial(folder).photos) == 3
        full = False
        hands.wait(lambda: hands.bench.capture.parts.value() != 300, 90.0)
        hands.idle()
        live.finish_camera()
    assert [photo.parts for photo in load_trial(folder).photos if photo.parts == 300] == [300]


def test_a_trial_folder_only_to_be_read_loses_no_picture(hands, folder, worn, monkeypatch, tmp_path_factory):
    """Neither beside the log nor in the trial anything can be written: the picture goes to the person's own folder."""
    home = tmp_path_factory.mktemp("home")
    mkdir = type(folder).mkdir

    def make(self, *how, **more):
        if self.is_relative_to(folder):
            raise PermissionError(13, "Permission denied", str(self))
        mkdir(self, *how, **more)

    monkeypatch.setattr("pathlib.Path.home", lambda: home)
    monkeypatch.setattr("pathlib.Path.mkdir", make)
    live = live_at(hands, folder)
    content = jpeg(worn)
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: "is not filed" in live.last.text(), 90.0)
        live.finish_camera()
    assert "Permission denied" in hands.bench.capture.verdict.text()
    kept = list((home / "wearscope-taken").iterdir())
    assert kept
    assert np.array_equal(cv2.imread(str(kept[0])), cv2.imdecode(np.frombuffer(content, np.uint8), 1))
    assert len(load_trial(folder).photos) == 3


def test_closed_while_a_picture_is_taken_it_is_filed_or_kept(make_napari_viewer, folder, worn, monkeypatch):
    """And the next sitting says where pictures lie that were not filed."""
    slow = taking.write_bytes

    def write_bytes(path, content):
        time.sleep(0.5)
        slow(path, content)

    monkeypatch.setattr(taking, "write_bytes", write_bytes)
    viewer = make_napari_viewer()
    hands = Hands(open_bench(viewer))
    live = live_at(hands, folder)
    content = jpeg(worn)
    with Microscope(lambda _: content) as camera:
        live.start(camera.address)
        hands.wait(lambda: live._judging, 90.0)
        viewer.close()
    kept = list((folder / "taken").iterdir())
    filed = [photo.path for photo in load_trial(folder).photos if photo.parts == 300]
    (picture,) = kept + filed
    assert np.array_equal(cv2.imread(str(picture)), cv2.imdecode(np.frombuffer(content, np.uint8), 1))
    again = Hands(open_bench(make_napari_viewer()))
    again.open(folder)
    assert (str(folder / "taken") in again.bench.live.last.text()) == bool(kept)
    again.bench.finish()


def test_a_number_without_a_camera_is_said(hands, folder, monkeypatch):
    monkeypatch.setattr("wearscope.live.source.PAUSES_S", (0.01,))
    live = live_at(hands, folder)
    live.start("97")
    hands.wait(lambda: "no camera answers by the number 97" in live.way.text(), 60.0)
    assert live.switch.text() == "Start"


def test_a_profile_is_guided_too(hands, tmp_path):
    """No line to follow and no new-state photo laid over: what would refuse the photo is said, then it is taken."""
    good, blurred = sections.Wedge(fine=4), sections.Wedge(fine=4, blur_px=9.0)
    sections.write_trial(tmp_path, {0: good.save(tmp_path / "0.png")})
    other = replace(good, seed=4).save(tmp_path / "frame.png")
    contents = [path.read_bytes() for path in (blurred.save(tmp_path / "b.png"), other)]
    contents = [jpeg(cv2.imdecode(np.frombuffer(one, np.uint8), 1)[..., ::-1]) for one in contents]
    hands.open(tmp_path)
    bench, live = hands.bench, hands.bench.live
    bench.capture.view.setCurrentIndex(bench.capture.view.findData("profile"))
    bench.capture.parts.setValue(100)
    shown = 0
    with Microscope(lambda _: contents[shown]) as camera:
        live.start(camera.address)
        hands.wait(lambda: "focus on the section" in live.way.text(), 90.0)
        shown = 1
        hands.wait(lambda: len(bench.on_photo.layers["live edge"].data) > 10, 90.0)
        hands.wait(lambda: bench.capture.parts.value() != 100 or "filed as" in live.last.text(), 120.0)
        hands.idle()
        live.finish_camera()
    (photo,) = [photo for photo in load_trial(tmp_path).photos if photo.parts == 100]
    assert photo.view == "profile"
