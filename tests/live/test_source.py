"""A stream with drop-outs: the newest frame only, never waited for, sought again, and given up in the end."""

from __future__ import annotations

import time

import cv2
import numpy as np
import pytest
from stream import Microscope, jpeg

from wearscope.errors import PhotoRefused
from wearscope.live.source import Frame, FrameSource, address_of
from wearscope.live.words import camera_words


def card(level):
    return np.full((120, 160, 3), level, np.uint8)


CARDS = [jpeg(card(level)) for level in range(256)]


def until(so, seconds=8.0):
    end = time.monotonic() + seconds
    while not so():
        time.sleep(0.01)
        assert time.monotonic() < end


def test_the_newest_frame_counts_not_those_before_it():
    with Microscope(lambda n: CARDS[n % 256], fps=100.0) as camera:
        source = FrameSource(camera.address)
        try:
            first = source.wait(timeout_s=8.0)
            assert first is not None
            time.sleep(0.5)  # nobody looks; the camera goes on
            now = source.newest(first.number)
            assert now.number > first.number + 10
            assert (
                abs(float(now.pixels.mean()) - (camera.sent - 1) % 256) < 25
            )  # of the last quarter of a second
            assert source.newest(10**9) is None
            assert not source.stale
        finally:
            source.close()
    assert source.state == "closed"
    assert source.newest() is not None  # what was taken stays


@pytest.mark.parametrize("fault", [None, "stall"])
def test_a_stream_that_breaks_or_stalls_is_sought_again(fault):
    def frames(n):
        return fault if n == 5 else CARDS[n % 256]

    with Microscope(frames, fps=60.0) as camera:
        source = FrameSource(camera.address, stall_s=0.5)
        try:
            until(lambda: camera.connections == 2 and source.newest(6) is not None)
            assert source.state == "running"
            assert source.breaks == 1
        finally:
            source.close()


def test_a_camera_that_is_gone_is_given_up_and_nobody_waits():
    start = time.monotonic()
    source = FrameSource("http://127.0.0.1:9/none", stall_s=0.3, tries=3)
    assert source.newest() is None
    assert time.monotonic() - start < 0.5
    until(lambda: source.over)
    assert source.state == "lost"
    assert source.wait(timeout_s=30.0) is None  # comes back at once
    source.close()
    assert time.monotonic() - start < 10.0


def test_closing_while_a_stream_hangs_does_not_hang():
    with Microscope(lambda n: CARDS[7] if n < 3 else "stall") as camera:
        source = FrameSource(camera.address, stall_s=2.0)
        assert source.wait(timeout_s=8.0) is not None
        until(lambda: camera.sent >= 4)
        start = time.monotonic()
        source.close()
        assert time.monotonic() - start < 1.5
        assert source.over


def test_a_video_is_played_at_its_own_pace_and_ends(tmp_path):
    path = str(tmp_path / "bench.avi")
    video = cv2.VideoWriter(path, cv2.VideoWriter_fourcc(*"MJPG"), 50.0, (160, 120))
    for n in range(25):
        video.write(card(10 * n))
    video.release()
    start = time.monotonic()
    source = FrameSource(path)
    until(lambda: source.over)
    assert source.state == "ended"
    assert source.newest().number == 25
    assert time.monotonic() - start > 0.4
    assert abs(int(source.newest().pixels.mean()) - 240) < 4


def test_a_number_is_a_device():
    assert address_of(" 2 ") == 2
    assert address_of("http://10.0.0.7/a") == "http://10.0.0.7/a"
    source = FrameSource(97, tries=1)  # no such camera
    assert camera_words(source) == "opening the camera …"
    until(lambda: source.over)
    assert source.state == "lost"
    assert camera_words(source).startswith("no camera answers by the number 97: plug it in")


def test_a_device_is_asked_for_its_largest_picture(monkeypatch):
    """No device is needed for it: one of 1920 by 1080 that sends 640 by 480 unless it is asked, as a driver does."""

    class Device:
        def __init__(self, number):
            self.size = [640, 480]

        def set(self, what, value):
            for n, dimension in enumerate((cv2.CAP_PROP_FRAME_WIDTH, cv2.CAP_PROP_FRAME_HEIGHT)):
                if what == dimension:
                    self.size[n] = min(value, (1920, 1080)[n])
            return True

        def read(self):
            time.sleep(0.005)
            return True, np.zeros((self.size[1], self.size[0], 3), np.uint8)

        def get(self, what):
            return 0.0

        def release(self):
            pass

    monkeypatch.setattr(cv2, "VideoCapture", Device)
    source = FrameSource(0)
    try:
        assert source.wait(timeout_s=8.0).pixels.shape == (1080, 1920, 3)
    finally:
        source.close()


@pytest.mark.parametrize(
    ("state", "seen", "words"),
    [
        ("lost", False, "no picture came from http://10.0.0.7/a: check the address"),
        ("lost", True, "the camera is gone"),
        ("broken", True, "has stopped sending; trying again"),
        ("ended", True, "over"),
        ("closed", True, ""),
    ],
)
def test_what_became_of_a_camera_is_said_with_its_cure(state, seen, words):
    source = FrameSource("http://127.0.0.1:9/none", stall_s=0.1, tries=1)
    until(lambda: source.over)
    source.address, source.state = "http://10.0.0.7/a", state
    source._newest = Frame(1, card(9), 0.0) if seen else None
    assert words in camera_words(source)
    assert bool(words) == bool(camera_words(source))


def test_a_frame_is_what_a_file_would_be_to_the_last_bit():
    """Colour in half resolution, as cameras send it: the video library would give back other pixels."""
    noise = np.random.default_rng(3).integers(0, 255, (120, 160, 3)).astype(np.uint8)
    content = jpeg(cv2.GaussianBlur(noise, (0, 0), 2.0))
    with Microscope(lambda _: content) as camera:
        source = FrameSource(camera.address)
        try:
            frame = source.wait(timeout_s=8.0)
        finally:
            source.close()
    of_file = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    assert np.array_equal(frame.pixels, of_file)


def test_a_damaged_frame_is_said():
    with pytest.raises(PhotoRefused, match="damaged"):
        _ = Frame(1, np.frombuffer(CARDS[3][:40], np.uint8), 0.0).pixels
