"""What is said of frames whose faults are known: against the drawn truth, and on photographs moved by hand."""

from __future__ import annotations

import time
from dataclasses import replace

import cv2
import numpy as np
import pytest
from flutes import NEW
from pictures import grind_marks, save_light, write_trial
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks
from seldom import seldom

from wearscope.live.guide import Guide
from wearscope.live.source import Frame
from wearscope.live.taking import STEADY_FRAMES, Patience
from wearscope.live.words import advice, meters
from wearscope.pipeline.face_new import locate_new
from wearscope.pipeline.sources import Memory, Sources, read_scales

UM = 3.5


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("live")
    trial = write_trial(folder, {0: NEW.save(folder / "0.png"), 100: NEW.worn().save(folder / "100.png")})
    scales, _ = read_scales(trial)
    new = locate_new(trial, trial.photos[0], Sources(scales, {}, Memory()))
    return folder, trial, scales, new


@pytest.fixture
def guide(bench):
    _, trial, scales, new = bench
    made = Guide(trial.photos[1], scales, new)
    yield made
    made.close()


def pixels(flute, folder):
    return np.ascontiguousarray(cv2.imread(str(save_light(flute.light(), folder / "frame.png")))[..., ::-1])


def looked(guide, picture, first=1):
    """The second look at a picture, once its edge is found."""
    for n in range(first, first + 900):
        if guide.look(Frame(n, picture, n / 30)).followed:
            return guide.look(Frame(n + 1, picture, n / 30))
        time.sleep(0.01)
    raise AssertionError("no edge")


def same_place(**changed):
    return NEW.worn(angle_deg=NEW.angle_deg, shift_px=(0.0, 0.0), **changed)


@pytest.mark.parametrize("blur_px", [2.0, seldom(1.1), seldom(3.0)])
def test_blur_of_the_edge_is_that_of_the_drawing(guide, bench, blur_px):
    look = looked(guide, pixels(same_place(blur_px=blur_px), bench[0]))
    assert look.blur_um == pytest.approx(blur_px * UM, rel=0.15)
    assert not advice(look)
    assert "blur" in meters(look)


def test_the_way_back_is_the_way_it_was_moved(guide, bench):
    look = looked(guide, pixels(NEW.worn(angle_deg=NEW.angle_deg + 4.0, shift_px=(-120.0, 60.0)), bench[0]))
    pose = look.pose
    assert pose.marks == "same"
    assert pose.turn_deg == pytest.approx(-4.0, abs=0.6)
    assert (pose.right_mm, pose.down_mm) == pytest.approx((0.12 * UM, -0.06 * UM), abs=0.1)
    said = " ".join(advice(look))
    assert "turn it 4° back" in said
    assert "0.4 mm right" in said


def test_a_picture_taken_from_farther_is_to_be_closer(guide, bench):
    far = pixels(same_place(um_per_px=UM * 1.04), bench[0])
    look = looked(guide, far)
    assert look.pose.zoom == pytest.approx(1.04, abs=0.006)
    assert any(line.startswith("closer") and "4%" in line for line in advice(look))


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        seldom({"blur_px": 5.0}, "focus"),
        ({"brightness": 3.0}, "less light"),
        seldom({"brightness": 0.08}, "more light"),
        ({"marks_seed": 9}, "right flute"),
        ({"background": (0.46, 0.36, 0.2)}, "card"),
    ],
)
def test_what_is_wrong_is_said_first(guide, bench, wrong, word):
    look = looked(guide, pixels(same_place(**wrong), bench[0]))
    assert word in advice(look)[0]
    patience = Patience()
    assert not any(patience.ready(replace(look, moved_um=0.0)) for _ in range(20))


def test_the_edge_is_followed_while_it_drifts_and_found_again_when_lost(guide, bench):
    picture = pixels(same_place(), bench[0])
    look = looked(guide, picture)
    height, width = picture.shape[:2]
    for n in range(25):  # 2 px and 0.4 degrees a frame
        onto = cv2.getRotationMatrix2D((width / 2, height / 2), 0.4 * n, 1.0)
        onto[1, 2] += 2.0 * n
        drifted = cv2.warpAffine(picture, onto, (width, height), borderMode=cv2.BORDER_REFLECT_101)
        look = guide.look(Frame(1000 + n, drifted, n / 30))
        assert look.followed, n
    assert look.moved_um == pytest.approx(2.0 * UM, abs=3.0)
    assert not Patience().ready(look)
    blank = np.full_like(picture, 200)
    assert not guide.look(Frame(2000, blank, 0.0)).followed
    assert advice(guide.look(Frame(2001, blank, 0.0)))[0].startswith("looking for the cutting edge")
    assert looked(guide, picture, 3000).followed


def test_a_frame_is_taken_when_it_is_still_and_not_at_once_again(guide, bench):
    look = looked(guide, pixels(same_place(), bench[0]))
    patience = Patience()
    taken = [patience.ready(replace(look, moved_um=0.5)) for _ in range(STEADY_FRAMES)]
    assert taken == [False] * (STEADY_FRAMES - 1) + [True]
    assert not patience.ready(replace(look, moved_um=40.0))
    patience.not_good(look)
    soon = replace(look, moved_um=0.5, frame=replace(look.frame, at_s=look.frame.at_s + 0.5))
    assert not any(patience.ready(soon) for _ in range(20))
    later = replace(soon, frame=replace(look.frame, at_s=look.frame.at_s + 5.0))
    assert patience.ready(later)


def test_the_ghost_is_the_new_edge(guide, bench):
    ghost = guide.ghost.edge_px
    assert len(ghost) > 20
    off = (ghost - NEW.middle_px) @ NEW.inward * UM
    assert np.abs(off).max() < 5.0


def test_the_ghosts_marks_are_where_the_drawing_has_them(guide):
    """Each lies on a turn of the drawn brightness, the brightest and darkest marks of all, and runs square to the edge."""
    marks = guide.ghost.marks_px
    of_mark = marks.reshape(-1, 9, 2)  # the whole face is in the frame
    assert 10 <= len(of_mark) <= 24
    along = (of_mark - NEW.middle_px) @ NEW.direction * UM
    assert np.ptp(along, axis=1).max() < 2.0 * UM
    down = (of_mark - NEW.middle_px) @ NEW.inward * UM
    assert (down.min(), down.max()) == pytest.approx((130.0, 520.0), abs=8.0)
    s_um = np.arange(-1400.0, 1400.0)
    drawn = grind_marks(NEW.marks_seed, s_um)
    drawn = gaussian_filter1d(drawn, NEW.blur_px * UM) - gaussian_filter1d(
        drawn, 40.0
    )  # fine ones, as they are seen
    turns = s_um[np.sort(np.concatenate([find_peaks(drawn)[0], find_peaks(-drawn)[0]]))]
    off = np.abs(along.mean(axis=1)[:, None] - turns).min(axis=1)
    assert np.median(off) < UM
    at = np.abs(np.interp(along.mean(axis=1), s_um, drawn))
    assert np.median(at) > np.quantile(np.abs(drawn), 0.85)


def test_without_clear_marks_the_ghost_has_none(bench):
    folder, trial, scales, _ = bench
    plain = replace(NEW, marks=0.0).save(folder / "plain.png")
    entry = trial.photos[0].model_copy(update={"file": plain.name, "path": plain})
    new = locate_new(trial, entry, Sources(scales, {}, Memory()))
    made = Guide(trial.photos[1], scales, new)
    assert len(made.ghost.edge_px) > 20
    assert len(made.ghost.marks_px) == 0
    made.close()
