"""What new-state photos gave is kept for the later ones of their flutes: bounded, and no number is another for it."""

from __future__ import annotations

import pickle
import threading
import time
import weakref
from collections import Counter
from dataclasses import dataclass, replace
from functools import partial
from itertools import product

import cv2
import numpy as np
import pytest
from pictures import CARD, Flute, write_trial

from wearscope.errors import PhotoRefused
from wearscope.imaging.prepared_photo import prepare
from wearscope.pipeline import sources
from wearscope.pipeline.calls import ByFlute, Call
from wearscope.pipeline.inspect import inspect_photo, judge_photo
from wearscope.pipeline.sources import Memory, memory_of_new_states, read_scales


@dataclass(frozen=True, eq=False)
class Held:
    pixels: np.ndarray
    part: object = None


def test_bytes_of_arrays_that_results_share_count_once():
    memory, made = Memory(kept=10, most_bytes=250), []
    shared = np.zeros(100, np.uint8)

    def hold(number, of=shared):
        made.append(number)
        return Held(of, Held(of))

    def hold_alone(number):
        return hold(number, np.zeros(100, np.uint8))

    for number in (1, 2, 3, 1, 2, 3):
        memory(hold, number)
    assert made == [1, 2, 3], "one array of 100 bytes, however many hold it"
    for number in (4, 5):
        memory(hold_alone, number)
    memory(hold, 3)
    assert made == [1, 2, 3, 4, 5, 3], "three arrays are more than there is room for: what is oldest went"


def test_the_last_result_is_kept_whatever_it_takes():
    memory, made = Memory(most_bytes=10), []

    def large(number):
        made.append(number)
        return np.zeros(100)

    for number in (1, 1, 2, 2, 1):
        memory(large, number)
    assert made == [1, 2, 1]


def test_a_memory_travels_empty():
    memory = Memory(kept=3)
    memory(partial(np.zeros, 4))
    there = pickle.loads(pickle.dumps(memory))
    assert (there._kept, there._results) == (3, {})


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    folder = tmp_path_factory.mktemp("later")
    paths = {
        parts: Flute(background=CARD, recession_um=recession, seed=parts).save(folder / f"{parts}.png")
        for parts, recession in ((0, 0.0), (50, 4.0), (100, 8.0))
    }
    return write_trial(folder, paths)


@pytest.mark.statistics
def test_later_photos_read_and_follow_the_new_state_once_and_give_the_same_numbers(trial, monkeypatch):
    scales, _ = read_scales(trial)
    alone = [inspect_photo(trial, entry, scales).records for entry in trial.photos]
    assert all(alone)
    judged = [judge_photo(trial, entry, scales).verdict for entry in trial.photos[1:2]]
    read, followed = Counter(), Counter()
    really_read, really_follow = sources.read_photo, sources.follow_edge
    monkeypatch.setattr(sources, "read_photo", lambda path: (read.update([path.name]), really_read(path))[1])
    monkeypatch.setattr(
        sources,
        "follow_edge",
        lambda prepared, *more: (
            followed.update([prepared.photo.path.name]),
            really_follow(prepared, *more),
        )[1],
    )
    kept = memory_of_new_states()
    together = [inspect_photo(trial, entry, scales, of_new_states=kept).records for entry in trial.photos]
    for some, others in zip(together, alone, strict=True):
        assert [(r.quantity, r.zone, r.value, r.std_uncertainty, r.status, r.note) for r in some] == [
            (r.quantity, r.zone, r.value, r.std_uncertainty, r.status, r.note) for r in others
        ]
    assert set(read.values()) == set(followed.values()) == {1}
    assert judged == [
        judge_photo(trial, entry, scales, of_new_states=kept).verdict for entry in trial.photos[1:2]
    ]


def test_new_states_of_flutes_that_are_done_are_let_go():
    """A process that went through a hundred flutes holds no more than after four: small photos fill no room."""
    kept, made = memory_of_new_states(), []

    def result(flute, step):
        one = Result()
        made.append(weakref.ref(one))
        return one

    for flute, step in product(range(100), range(6)):
        kept(result, flute, step)
    assert sum(one() is not None for one in made) <= 4 * 6
    assert all(one() is not None for one in made[-6:])


class Result:
    """Something that a weak reference can follow."""


def test_calls_come_flute_by_flute_as_they_are_wanted():
    calls = ByFlute(Call(None, int, flute=flute) for flute in "ABACABBC")
    began = [calls.next(wanted).flute for wanted in ((), ("A",), ("A",), ("A",), ("B",), ("A", "B"), (), ())]
    assert began == ["A", "A", "A", "B", "B", "B", "C", "C"]
    assert calls.next(("A",)) is None
    assert not calls


def test_where_no_flute_is_left_to_begin_the_longest_is_shared():
    calls = ByFlute(Call(None, int, flute=flute) for flute in "ABABBB")
    assert [calls.next().flute for _ in range(6)] == ["A", "B", "B", "B", "A", "B"]


@pytest.fixture
def threads():
    """Sets how many threads OpenCV may take, for the time of a test."""
    before = cv2.getNumThreads()
    yield cv2.setNumThreads
    cv2.setNumThreads(before)


def _untimed(records):
    return [replace(row, measured_at="") for row in records]


def test_a_second_processor_looks_at_the_photo_while_its_new_state_is_followed(trial, monkeypatch, threads):
    scales, _ = read_scales(trial)
    whose = []

    def noted(photo, side):
        by_main = threading.current_thread() is threading.main_thread()
        whose.append((photo.path.name, by_main))
        if not by_main:
            time.sleep(0.5)  # the slower of the two is waited for
        return prepare(photo, side)

    monkeypatch.setattr(sources, "prepare", noted)
    threads(1)
    alone = _untimed(inspect_photo(trial, trial.photos[1], scales).records)
    assert alone
    assert sorted(whose) == [("0.png", True), ("50.png", True)]
    whose.clear()
    threads(2)
    assert _untimed(inspect_photo(trial, trial.photos[1], scales).records) == alone
    assert sorted(whose) == [("0.png", True), ("50.png", False)]


def test_what_goes_wrong_on_the_second_processor_is_told_as_on_the_first(trial, monkeypatch, threads):
    scales, _ = read_scales(trial)

    def refused(photo, side):
        if photo.path.name == "50.png":
            raise PhotoRefused("50.png: no light in it", "take it with the lamp on", "too-dark")
        return prepare(photo, side)

    monkeypatch.setattr(sources, "prepare", refused)
    running = threading.active_count()
    for number in (1, 2):
        threads(number)
        assert "take it with the lamp on" in inspect_photo(trial, trial.photos[1], scales).refusal
        assert threading.active_count() == running


def test_who_gives_up_does_not_wait_for_the_second_processor(trial, monkeypatch, threads):
    scales, _ = read_scales(trial)
    there = threading.Event()
    monkeypatch.setattr(sources, "prepare", lambda photo, side: there.wait(60))
    threads(2)
    known = sources.Sources(scales, {}, Memory())
    try:
        with pytest.raises(TimeoutError), known.looking_at(trial.photos[1]):
            raise TimeoutError
        assert not there.is_set()
        assert threading.active_count() > 1  # it is still at work
    finally:
        there.set()
