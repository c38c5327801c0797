"""Where a picture of the bench is filed."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from pictures import write_trial

from wearscope.errors import WearscopeError
from wearscope.live import taking
from wearscope.live.filing import Place, file_picture
from wearscope.live.source import Frame
from wearscope.live.taking import keep_frame
from wearscope.log import export
from wearscope.trial import load_trial


@pytest.mark.parametrize("link", [False, True], ids=["by its path", "by a link"])
def test_nothing_is_written_outside_the_folder_of_the_trial(tmp_path, link):
    folder = tmp_path / "trial"
    folder.mkdir()
    outside, picture = tmp_path / "outside.png", tmp_path / "new.png"
    for path, grey in ((outside, 90), (picture, 120)):
        cv2.imwrite(str(path), np.full((80, 96), grey, np.uint8))
    inside = folder / "0.png"
    inside.symlink_to(outside)
    trial = write_trial(folder, {0: inside}, um_per_px=3.5, wedge_angle_deg=60.0, coating="none")
    if not link:
        text = trial.path.read_text()
        inside.unlink()
        trial.path.write_text(text.replace(trial.photos[0].file, "../outside.png"))
        trial = load_trial(trial.path)
    before = outside.read_bytes()
    entry = trial.photos[0]
    with pytest.raises(WearscopeError, match="outside the folder of the trial, where nothing is written"):
        file_picture(trial, picture, Place(entry.bit, entry.flute, entry.parts, entry.view, entry.scale))
    assert outside.read_bytes() == before


FRAME = Frame(1, np.random.default_rng(1).integers(0, 255, (60, 80, 3)).astype(np.uint8), 0.0)


def test_a_frame_is_kept_beside_the_log_even_before_there_is_a_folder(tmp_path):
    picture = keep_frame(FRAME, tmp_path / "results of the trial")
    assert picture.parent == tmp_path / "results of the trial" / "taken"
    assert np.array_equal(cv2.imread(str(picture))[..., ::-1], FRAME.pixels)


def test_where_the_trial_cannot_be_written_a_frame_goes_to_the_persons_own_folder(tmp_path, monkeypatch):
    trial, home = tmp_path / "trial", tmp_path / "home"
    trial.mkdir()
    home.mkdir()
    monkeypatch.setattr("pathlib.Path.home", lambda: home)
    (trial / "taken").write_text("in the way of a folder, as a folder that is only to be read")
    picture = keep_frame(FRAME, trial)
    assert picture.parent == home / "wearscope-taken"
    assert np.array_equal(cv2.imread(str(picture))[..., ::-1], FRAME.pixels)


def test_where_no_disk_has_room_the_reason_is_said_and_nothing_lies_about(tmp_path, monkeypatch):
    def full(path, content):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.home", lambda: tmp_path / "home")
    monkeypatch.setattr(taking, "write_bytes", full)
    with pytest.raises(WearscopeError, match="No space left on device") as problem:
        keep_frame(FRAME, tmp_path)
    assert "make room" in str(problem.value)
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


@pytest.mark.parametrize("parts", [0, 100], ids=["one that takes another's place", "a new one"])
@pytest.mark.parametrize("which", ["the picture", "the trial file"])
def test_what_cannot_be_written_leaves_nothing_half_filed(tmp_path, monkeypatch, parts, which):
    """A disk that is full, or a folder only to be read: the trial is as before, and so is every file beside it."""
    for name, grey in (("0.png", 90), ("new.png", 120)):
        cv2.imwrite(str(tmp_path / name), np.full((80, 96), grey, np.uint8))
    trial = write_trial(
        tmp_path, {0: tmp_path / "0.png"}, um_per_px=3.5, wedge_angle_deg=60.0, coating="none"
    )
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    replace_file = export.replace_file

    def full(path, content):
        if (path.suffix == ".toml") == (which == "the trial file"):
            raise OSError(28, "No space left on device")
        replace_file(path, content)

    monkeypatch.setattr(export, "replace_file", full)
    entry = trial.photos[0]
    place = Place(entry.bit, entry.flute, parts, entry.view, entry.scale)
    if (which, parts) == ("the trial file", 0):  # it need not be written for one that is listed already
        file_picture(trial, tmp_path / "new.png", place)
        return
    with pytest.raises(WearscopeError, match="No space left on device") as problem:
        file_picture(trial, tmp_path / "new.png", place)
    assert "make room" in str(problem.value)
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before
