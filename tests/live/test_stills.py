"""A recording of a hand that goes from flute to flute."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
from bench_camera import View, seen
from flutes import NEW
from pictures import save_light, write_trial

from wearscope.cli import main
from wearscope.live.source import Frame
from wearscope.live.stills import frames_of, stills
from wearscope.trial import load_trial

SIZE = (900, 420)


@pytest.fixture(scope="module")
def flutes(tmp_path_factory):
    """Two worn flutes of one bit as the camera sees them, and their new-state photos."""
    folder = tmp_path_factory.mktemp("flutes")
    found = []
    for seed in (1, 6):
        new = replace(NEW, marks_seed=seed)
        path = save_light(
            new.worn(seed=40 + seed, shift_px=(3.0, 2.0), angle_deg=0.4).light(), folder / "w.png"
        )
        found.append((new, np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])))
    return found


def walk(flutes):
    """Over each flute a moment of focusing, then still; a quick way between."""
    rng = np.random.default_rng(5)
    for at, (_, pixels) in enumerate(flutes):
        if at:
            for n in range(1, 6):
                yield seen(pixels, View(right=700.0 - 140.0 * n, shake_px=40.0), rng)
        for n in range(5):
            yield seen(pixels, View(blur_px=4.0 - n), rng)
        for _ in range(10):
            yield seen(pixels, View(), rng)


def recorded(flutes, path):
    video = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 30.0, SIZE)
    video.set(cv2.VIDEOWRITER_PROP_QUALITY, 97)
    for pixels in walk(flutes):
        video.write(pixels[..., ::-1])
    video.release()
    return path


def two_flutes(folder, flutes):
    trial = write_trial(folder, {0: flutes[0][0].save(folder / "1.png")})
    flutes[1][0].save(folder / "2.png")
    text = trial.path.read_text().replace("flutes = 1\n", "flutes = 2\n")
    second = text[text.index("[[photo]]") :].replace("flute = 1", "flute = 2").replace("1.png", "2.png")
    trial.path.write_text(text + second)
    return load_trial(trial.path)


def test_the_sharpest_still_frame_of_each_flute(flutes):
    found = list(stills(Frame(n, pixels, n / 30) for n, pixels in enumerate(walk(flutes), 1)))
    assert len(found) == len(flutes)
    for still, (_, pixels) in zip(found, flutes, strict=True):
        off = np.abs(still.frame.pixels.astype(int) - pixels)
        assert np.mean(off) < 1.5  # neither blurred nor moved, but for the noise


def test_what_never_stands_still_gives_nothing(flutes):
    pixels = flutes[0][1]
    moving = (Frame(n, seen(pixels, View(right=12.0 * n)), n / 30) for n in range(1, 20))
    assert list(stills(moving)) == []


@pytest.mark.statistics
def test_flutes_of_a_recording_are_filed_one_after_the_other(flutes, tmp_path, capsys):
    trial = two_flutes(tmp_path, flutes)
    video = recorded(flutes, tmp_path / "walk.avi")
    assert main(["frames", str(video), str(trial.path), "--parts", "100", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)["frames"]
    assert [(one["flute"], one["parts"]) for one in said] == [(1, 100), (2, 100)]
    filed = [photo for photo in load_trial(trial.path).photos if photo.parts == 100]
    assert [photo.flute for photo in filed] == [1, 2]
    first = next(frame for frame in frames_of(video) if frame.number == said[0]["frame"])
    assert np.array_equal(cv2.imread(str(filed[0].path))[..., ::-1], first.pixels)


@pytest.mark.statistics
def test_flutes_in_another_order_are_not_filed(flutes, tmp_path, capsys):
    """Their grinding marks are not those of the new-state photos that stand there."""
    trial = two_flutes(tmp_path, flutes)
    video = recorded(flutes[::-1], tmp_path / "walk.avi")
    assert main(["frames", str(video), str(trial.path), "--parts", "100"]) == 1
    assert capsys.readouterr().out.count("not filed") == 2
    assert len(load_trial(trial.path).photos) == 2


def test_what_is_no_video_is_said(tmp_path, flutes, capsys):
    trial = two_flutes(tmp_path, flutes)
    bad = tmp_path / "a.mp4"
    bad.write_text("no video")
    assert main(["frames", str(bad), str(trial.path)]) == 1
    assert "no video that can be read" in capsys.readouterr().err
    assert main(["frames", str(bad), str(trial.path), "--bit", "Ouzel"]) == 2
    assert "Dunlin" in capsys.readouterr().err
