"""A folder that the microscope's own program saves into: new pictures are judged and filed."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest
from flutes import NEW, WORN
from hands import Hands
from pictures import CARD, Flute, save_light
from wearscope_napari import session as at_work

from wearscope.errors import WearscopeError
from wearscope.live.filing import Place, file_picture, judge, next_place
from wearscope.pipeline.sources import read_scales
from wearscope.trial import load_trial

PLACE = Place("Dunlin", 1, 300, "relief", "bench")

ONE_WINDOW = True


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


def test_another_flutes_picture_does_not_replace_a_new_state_photo(folder, tmp_path):
    """By itself it is as good a photo as any; what was taken later of this flute shows that it is not its own."""
    trial = load_trial(folder)
    scales, _ = read_scales(trial)
    new = Place("Dunlin", 1, 0, "relief", "bench")
    other = judge(trial, replace(NEW, marks_seed=7, seed=5).save(tmp_path / "other.png"), new, scales)
    assert not other.fit
    assert "100.png" in other.lines[0]
    assert judge(trial, replace(NEW, seed=5).save(tmp_path / "same.png"), new, scales).fit


def test_the_same_picture_is_not_filed_twice(folder):
    trial = load_trial(folder)
    again = folder / "IMG_7.png"
    again.write_bytes((folder / "100.png").read_bytes())
    verdict = judge(trial, again, Place("Dunlin", 1, 100, "relief", "bench"), read_scales(trial)[0])
    assert not verdict.fit
    assert "already" in verdict.lines[0]


def test_a_name_does_not_say_another_kind_than_the_picture_is(folder, tmp_path):
    text = (folder / "trial.toml").read_text()
    head = text[: text.index("[[photo]]")]
    (folder / "trial.toml").write_text(
        head + '[photos]\npattern = "p/{bit}/{parts}/{flute}.jpg"\nview = "relief"\nscale = "bench"\n'
    )
    (folder / "p/Dunlin/0").mkdir(parents=True)
    NEW.save(folder / "p/Dunlin/0/1.jpg")
    trial = file_picture(load_trial(folder), WORN.save(tmp_path / "IMG.bmp"), PLACE)
    assert {photo.file for photo in trial.photos} == {"p/Dunlin/0/1.jpg", "p/Dunlin/300/1.bmp"}
    before = (folder / "trial.toml").read_bytes()
    with pytest.raises(WearscopeError, match="another kind"):
        file_picture(trial, NEW.save(tmp_path / "new.bmp"), replace(PLACE, parts=0))
    assert (folder / "trial.toml").read_bytes() == before
    assert not (folder / "replaced").exists()


def test_flute_and_checkpoint_move_on(folder):
    trial = load_trial(folder)
    (bit,) = trial.bits
    two = trial.model_copy(update={"bits": (bit.model_copy(update={"flutes": 2}),)})
    here = Place("Dunlin", 1, 100, "relief", "bench")
    assert next_place(two, here) == replace(here, flute=2)
    assert next_place(trial, here) == replace(here, parts=200)  # the only flute
    assert next_place(trial, replace(here, parts=200)) == replace(here, parts=300)  # as far on as before
    alone = trial.model_copy(update={"photos": ()})
    assert next_place(alone, here) == here  # nothing says how far apart checkpoints are


def test_a_trial_file_that_is_wrong_is_not_the_pictures_fault(watching, folder, inbox):
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text.replace("um_per_px = 3.5", "um_per_px = -3.5"))
    WORN.worn(seed=21).save(inbox / "IMG_9.png")
    told(watching, "not filed")
    assert "um_per_px" in watching.bench.capture.verdict.text()
    assert "take it again" not in watching.bench.capture.verdict.text()


@pytest.mark.usefixtures("plotted")
def test_nothing_of_the_trial_before_stays_when_an_empty_one_is_opened(hands, folder, tmp_path_factory):
    hands.open(folder, 100)
    empty = tmp_path_factory.mktemp("empty") / "trial.toml"
    text = (folder / "trial.toml").read_text()
    empty.write_text(text[: text.index("[[photo]]")])
    hands.open(empty)
    assert hands.bench.numbers.table.rowCount() == 0
    assert not hands.bench.numbers.isEnabled()
    assert not hands.bench.strip.figure.axes
    assert not hands.bench.on_photo.layers


def test_napari_asks_nothing_of_its_own_while_all_are_measured(hands, viewer, folder, monkeypatch):
    """What it would ask by names a function of the program."""
    # who measures is nothing to napari, and processes of one's own take long to begin
    alone = partial(at_work.measure_trial, jobs=1)
    monkeypatch.setattr(at_work, "measure_trial", lambda *of, progress, **_: alone(*of, progress=progress))
    hands.open(folder)
    hands.bench.run.measure_all()
    assert hands.bench.run.measuring
    assert not viewer.window._task_status_manager.is_busy()
    hands.idle()
    assert "measured" in hands.bench.status.text()
