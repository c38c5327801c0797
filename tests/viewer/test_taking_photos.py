"""A folder that the microscope's own program saves into: new pictures are judged and filed."""

from __future__ import annotations

import pytest
from flutes import NEW, WORN
from hands import Hands
from pictures import CARD, Flute, save_light
from wearscope_napari.filing import Place, file_picture, judge

from wearscope.errors import WearscopeError
from wearscope.pipeline.sources import read_scales
from wearscope.trial import load_trial

PLACE = Place("Dunlin", 1, 300, "relief", "bench")


@pytest.fixture
def inbox(tmp_path_factory):
    return tmp_path_factory.mktemp("microscope")


@pytest.fixture
def watching(hands, folder, inbox):
    hands.open(folder)
    capture = hands.bench.capture
    capture._timer.setInterval(40)
    NEW.save(inbox / "old.png")  # was there before: left alone
    capture.start(inbox)
    capture.parts.setValue(300)
    return hands


def told(hands, word, seconds=90.0):
    hands.wait(lambda: word in hands.bench.capture.verdict.text(), seconds)
    hands.idle()


def test_a_good_picture_is_filed_under_the_flute_one_is_on(watching, folder, inbox, tmp_path_factory):
    content = WORN.worn(seed=21).save(tmp_path_factory.mktemp("x") / "a.png").read_bytes()
    with (inbox / "IMG_1.png").open("wb") as file:  # written in two goes, as programs do
        file.write(content[: len(content) // 2])
        file.flush()
        watching.wait(lambda: inbox / "IMG_1.png" in watching.bench.capture._growing)

        file.write(content[len(content) // 2 :])
    told(watching, "filed as")
    (photo,) = [photo for photo in load_trial(folder).photos if photo.parts == 300]
    assert photo.path.read_bytes() == content
    assert (inbox / "IMG_1.png").exists()
    assert watching.bench.state.entry == photo
    assert watching.bench.state.shown.inspection.entry == photo
    assert watching.bench.photos.count() == 4


def test_a_blurred_picture_is_to_be_taken_again(watching, folder, inbox):
    NEW.worn(blur_px=14.0).save(inbox / "IMG_2.png")
    told(watching, "take it again")
    assert "focus" in watching.bench.capture.verdict.text()
    assert len(load_trial(folder).photos) == 3


def test_another_flute_is_to_be_taken_again(folder, tmp_path):
    trial = load_trial(folder)
    scales, _ = read_scales(trial)
    other = WORN.worn(marks_seed=7, seed=5).save(tmp_path / "other.png")
    verdict = judge(trial, other, PLACE, scales)
    assert not verdict.fit
    assert "another flute" in verdict.lines[0]
    assert judge(trial, WORN.worn(seed=5).save(tmp_path / "same.png"), PLACE, scales).fit


def test_one_that_is_taken_again_takes_its_place_and_the_old_one_is_kept(folder, tmp_path):
    trial = load_trial(folder)
    old = (folder / "100.png").read_bytes()
    again = WORN.worn(seed=8).save(tmp_path / "again.png")
    before = (folder / "trial.toml").read_text()
    file_picture(trial, again, Place("Dunlin", 1, 100, "relief", "bench"))
    assert (folder / "100.png").read_bytes() == again.read_bytes()
    (kept,) = (folder / "replaced").iterdir()
    assert kept.read_bytes() == old
    assert (folder / "trial.toml").read_text() == before


def test_a_pattern_says_where_a_picture_goes(folder, tmp_path):
    text = (folder / "trial.toml").read_text()
    head = text[: text.index("[[photo]]")]
    (folder / "trial.toml").write_text(
        head + '[photos]\npattern = "p/{bit}/{parts}/{flute}.png"\nview = "relief"\nscale = "bench"\n'
    )
    (folder / "p/Dunlin/0").mkdir(parents=True)
    (folder / "0.png").rename(folder / "p/Dunlin/0/1.png")
    picture = WORN.save(tmp_path / "IMG.png")
    trial = file_picture(load_trial(folder), picture, PLACE)
    assert {photo.file for photo in trial.photos} == {"p/Dunlin/0/1.png", "p/Dunlin/300/1.png"}


def test_what_the_trial_cannot_take_leaves_it_as_it_was(folder, tmp_path):
    picture = WORN.save(tmp_path / "IMG.png")
    before = (folder / "trial.toml").read_bytes()
    with pytest.raises(WearscopeError, match=r"IMG\.png"):
        file_picture(load_trial(folder), picture, Place("Dunlin", 2, 300, "relief", "bench"))
    assert (folder / "trial.toml").read_bytes() == before
    assert not list(folder.glob("photos/*"))


def test_a_folder_that_goes_away_is_said(watching, inbox):
    for path in inbox.iterdir():
        path.unlink()
    inbox.rmdir()
    told(watching, "cannot be read")
    assert watching.bench.capture.folder is None


def test_nothing_to_be_seen_in_it(watching, inbox):
    save_light(Flute(background=CARD, face=CARD, marks=0.0).light(), inbox / "IMG_3.png")
    told(watching, "take it again")
    assert isinstance(watching, Hands)
