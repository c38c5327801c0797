"""What a trial is asked for by name."""

from __future__ import annotations

import fake_photos as fake
import pytest


@pytest.fixture
def trial(tmp_path):
    return fake.a_trial(tmp_path)


def test_each_photo_finds_the_new_state_of_its_own_flute(trial):
    for photo in trial.photos:
        alike = [
            one for one in trial.photos if (one.bit, one.flute, one.parts) == (photo.bit, photo.flute, 0)
        ]
        assert trial.new_state(photo) is (alike[0] if photo.parts else None)
        assert trial.bit(photo.bit).name == photo.bit
        assert trial.scale(photo.scale) is trial.scales[0]
    assert [photo for bit in trial.bits for photo in trial.photos_of(bit.name)] == list(trial.photos)
    assert trial.photos_of("Heron") == ()


@pytest.mark.parametrize(
    ("stated", "seen", "n"),
    [(3, [1], 3), (None, [2, 1], 2), (None, [], 1)],
    ids=["stated", "seen", "neither"],
)
def test_all_flutes_are_those_stated_or_seen_and_one_at_least(trial, stated, seen, n):
    bit, photo = trial.bits[0].model_copy(update={"flutes": stated}), trial.photos[0]
    photos = tuple(photo.model_copy(update={"flute": flute}) for flute in seen)
    asked = trial.model_copy(update={"bits": (bit,), "photos": photos})
    assert asked.all_flutes() == [(bit.name, flute) for flute in range(1, n + 1)]


def test_a_copy_with_other_photos_asks_those(trial):
    """What was gathered of a trial must not outlive its photos: the camera's panel adds one at a time."""
    later = trial.photos[-1]
    assert trial.new_state(later) is not None
    without = trial.model_copy(update={"photos": trial.photos[-1:]})
    assert without.new_state(later) is None
    assert without.photos_of(trial.bits[0].name) == ()
    assert trial.new_state(later) is not None


def test_having_been_asked_changes_nothing_that_a_trial_is(trial, tmp_path):
    other = fake.a_trial(tmp_path)
    before = repr(other)
    other.new_state(other.photos[-1])
    assert other == trial
    assert repr(other) == before
