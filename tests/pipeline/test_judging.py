"""Judging a photo says what measuring it would say."""

from __future__ import annotations

from dataclasses import replace

import fake_photos as fake
import pytest
from reference_pairs import SHIPPED, Pair, inspect_pair
from seldom import but_seldom

from wearscope.log.corrections import CorrectionLog, changes, logged
from wearscope.log.place import LOG_NAME, LogFile
from wearscope.pipeline import run, sources
from wearscope.pipeline.inspect import inspect_photo, judge_photo
from wearscope.pipeline.judgement import Judgement, OwnStep
from wearscope.pipeline.kept_judgements import FILE_NAME
from wearscope.pipeline.run import judge_trial
from wearscope.pipeline.time_order import judged_in_time
from wearscope.quantities.reasons import reason
from wearscope.report.reason_words import words_of
from wearscope.trial.correction import Correction

DARK, OTHER, CLUTTERED = (Pair(SHIPPED / name) for name in ("90210-1", "90210-4", "90210-6"))
THROUGH_THE_TOOL = [[400, 60], [420, 640]]


def both(pair: Pair, **more):
    return inspect_pair(pair, way=inspect_photo, **more), inspect_pair(pair, way=judge_photo, **more)


def with_worn(file_of: Pair):
    """The worn photo of another flute in the place of this one's."""
    return lambda file, _folder: file_of.photo("worn") if file.stem == "worn" else file


@pytest.mark.parametrize("pair", but_seldom(1, [DARK, CLUTTERED]), ids=Pair.name.fget)
def test_a_photo_that_is_measured_is_fit(pair):
    measured, judged = both(pair)
    assert not measured.refusal
    assert judged.verdict == "fit", judged.remarks


def test_another_flute_is_refused_in_the_same_words():
    measured, judged = both(DARK, change=with_worn(OTHER))
    assert measured.refusal_code == "other-flute"
    assert judged.verdict == "refused"
    assert " ".join(judged.remarks) == measured.refusal


@pytest.mark.statistics
def test_a_doubtful_edge_in_the_new_state_makes_the_later_photo_doubtful(monkeypatch):
    follow = sources.follow_edge

    def doubted(prepared, found, scale):
        located = follow(prepared, found, scale)
        new = prepared.photo.path.stem == "new"
        return replace(located, doubts=(reason("edge-disputed"),)) if new else located

    monkeypatch.setattr(sources, "follow_edge", doubted)
    measured, judged = both(DARK)
    assert all(
        "new-state-edge-doubtful" in row.reasons for row in measured.records if row.status == "doubtful"
    )
    assert judged.verdict == "doubtful"
    assert words_of(reason("new-state-edge-doubtful")) in judged.remarks


@pytest.mark.statistics
def test_marks_beside_the_edge_count_for_judging_too():
    marks = dict.fromkeys(("new", "worn"), THROUGH_THE_TOOL)
    measured, judged = both(DARK, edge_near=marks)
    assert bool(measured.refusal) == (judged.verdict == "refused")
    if measured.refusal:
        assert " ".join(judged.remarks) == measured.refusal


def test_what_people_said_of_a_photo_and_whose_picture_it_is_count(tmp_path, monkeypatch):
    trial = fake.a_trial(tmp_path / "trial")
    seen = []

    def spy(trial, entry, scales, corrections=None, not_its_own=None, of_new_states=None):
        seen.append((corrections, not_its_own))
        return fake.judge(trial, entry, scales)

    monkeypatch.setattr("wearscope.pipeline.run.judge_photo", spy)
    judge_trial(trial, jobs=1, log=LogFile(tmp_path / LOG_NAME))
    assert {repr(corrections) for corrections, _ in seen} == {"{}"}
    assert not (tmp_path / LOG_NAME).exists()
    photo = trial.photos[0]
    with CorrectionLog(tmp_path / LOG_NAME) as by_hand:
        said = changes(Correction(), Correction(transition_px=(3.0, 4.0)))
        place = {key: getattr(photo, key) for key in ("bit", "flute", "parts", "view")} | {
            "trial": trial.name
        }
        by_hand.append(logged(place, "a" * 64, said, "Ada"))
    seen.clear()
    judge_trial(trial, jobs=1, log=LogFile(tmp_path / LOG_NAME))
    assert {tuple(corrections) for corrections, _ in seen} == {("a" * 64,)}
    assert all(not_its_own is not None for _, not_its_own in seen)


@pytest.fixture
def looked_at(monkeypatch):
    """Photos that were judged and not recalled; each steps back by something of its own."""
    seen = []

    def spy(trial, entry, scales, corrections=None, not_its_own=None, of_new_states=None):
        seen.append(entry)
        step = OwnStep(entry.parts / 7, 0.1 + entry.flute / 3)
        return replace(fake.judge(trial, entry, scales), remarks=(f"{entry.file}: a remark",), step=step)

    monkeypatch.setattr("wearscope.pipeline.run.judge_photo", spy)
    return seen


def test_what_was_judged_holds_until_something_changes(tmp_path, looked_at):
    """A photo is looked at again when it, its new-state photo or what was said of it is another, and only then."""
    trial = fake.a_trial(tmp_path / "trial")
    log = LogFile(trial.folder / LOG_NAME)
    judge_trial(trial, jobs=1, log=log)
    assert sorted(path.name for path in trial.folder.iterdir() if "results" in path.name) == []
    (trial.folder / "results").mkdir()
    looked_at.clear()
    first = judge_trial(trial, jobs=1, log=log)
    assert len(looked_at) == len(trial.photos)
    looked_at.clear()
    assert judge_trial(trial, jobs=1, log=log) == first
    assert looked_at == []
    new = next(entry for entry in trial.photos if entry.parts == 0)
    new.path.write_text("glare")
    judge_trial(trial, jobs=1, log=log)
    of_flute = [each for each in trial.photos if (each.bit, each.flute) == (new.bit, new.flute)]
    assert sorted(each.file for each in looked_at) == sorted(each.file for each in of_flute)
    assert 1 < len(of_flute) < len(trial.photos)
    kept = trial.folder / "results" / FILE_NAME
    kept.write_text(kept.read_text().replace("a remark", "no remark", 1))
    looked_at.clear()
    judge_trial(trial, jobs=1, log=log)
    assert len(looked_at) == len(trial.photos)


def test_a_refused_photo_is_looked_at_again(tmp_path, monkeypatch, looked_at):
    trial = fake.a_trial(tmp_path / "trial")
    (trial.folder / "results").mkdir()
    log = LogFile(trial.folder / LOG_NAME)
    inner = run.judge_photo

    def refusing(trial, entry, scales, *args, **more):
        judged = inner(trial, entry, scales, *args, **more)
        return replace(judged, verdict="refused") if entry == trial.photos[1] else judged

    monkeypatch.setattr("wearscope.pipeline.run.judge_photo", refusing)
    judge_trial(trial, jobs=1, log=log)
    looked_at.clear()
    judge_trial(trial, jobs=1, log=log)
    assert looked_at == [trial.photos[1]]


def test_photos_of_many_flutes_are_compared_flute_by_flute(tmp_path):
    """Only photos of one flute can contradict each other, however many there are."""
    entries = fake.a_trial(tmp_path / "trial", bits=("A",), parts=(0, 20, 40)).photos
    steps = {(1, 0): 0.0, (1, 20): 90.0, (1, 40): 10.0, (2, 0): 0.0, (2, 20): 5.0, (2, 40): 50.0}
    judged = {
        entry: Judgement(
            entry, "fit", (), 1.0, 0.0, 0.5, "dark", OwnStep(steps[entry.flute, entry.parts], 1.0)
        )
        for entry in entries
    }
    found = judged_in_time(judged)
    assert {(e.flute, e.parts) for e, each in found.items() if each.verdict == "doubtful"} == {
        (1, 20),
        (1, 40),
    }
