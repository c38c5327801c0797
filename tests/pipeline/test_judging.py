"""Judging a photo says what measuring it would say."""

from __future__ import annotations

from dataclasses import replace

import fake_photos as fake
import pytest
from reference_pairs import SHIPPED, Pair, inspect_pair
from seldom import but_seldom

from wearscope.log.corrections import CorrectionLog, changes, logged
from wearscope.log.place import LOG_NAME, LogFile
from wearscope.pipeline import sources
from wearscope.pipeline.inspect import inspect_photo, judge_photo
from wearscope.pipeline.run import judge_trial
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
