"""Wear curves that are fitted once: whoever fits them, and whether they were kept, the numbers are the same."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from hashlib import sha256

import fake_photos as fake
import numpy as np
import pytest
from seldom import but_seldom

from wearscope.economics.decision import outcome_of
from wearscope.pipeline import kept_curves, reporting
from wearscope.pipeline.kept_curves import FOLDER_NAME, WORTH_KEEPING, solver
from wearscope.trial import load_trial

BITS = ("Wren", "Robin", "Finch", "Owl")
N_DRAWS = 40
assert len(BITS) >= WORTH_KEEPING


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kept") / "trial"
    fake.write_trial(folder, bits=BITS, flutes=(1, 2), parts=(0, 60, 120))
    return load_trial(folder / "trial.toml")


def rows(trial, rates=(0.11, 0.13, 0.17, 0.19), u_um=1.5, coating=False):
    """Two flutes of four bits at two checkpoints; a second quantity, which is fitted too, only where it is asked for."""
    of = dict(zip(BITS, rates, strict=True))
    draw = np.random.default_rng(5)
    return [
        fake.row(photo, quantity, "used", growth * of[photo.bit] * photo.parts + u * draw.normal(), unit, std_uncertainty=u)
        for photo in trial.photos
        if photo.parts
        for quantity, growth, u, unit in (("edge_radius", 1.0, u_um, "um"), ("coating_loss", 0.01, 0.02, "1"))[: 1 + coating]
    ]  # fmt: skip


def digits(of):
    """All that a result holds, arrays to their last bit."""
    if is_dataclass(of):
        return tuple(digits(getattr(of, field.name)) for field in fields(of))
    if isinstance(of, np.ndarray):
        return of.dtype.str, of.shape, of.tobytes()
    if isinstance(of, list | tuple):
        return tuple(map(digits, of))
    return repr(of)


def told(trial, records, solve=None, n_draws=N_DRAWS):
    more = {} if solve is None else {"solve": solve}
    return digits(outcome_of(trial, records, n_draws=n_draws, **more))


@pytest.fixture
def asked(monkeypatch):
    """Bits whose curves were not there yet."""
    bits, really = [], kept_curves._answered

    def counted(trial, questions, jobs):
        bits.extend(one.bit for one in questions)
        return really(trial, questions, jobs)

    monkeypatch.setattr(kept_curves, "_answered", counted)
    return bits


@pytest.mark.statistics
def test_one_process_several_and_what_was_kept_are_the_same_to_the_last_digit(
    trial, tmp_path, asked, monkeypatch
):
    monkeypatch.setattr(kept_curves, "WORTH_SHARING", 2)
    records = rows(trial, coating=True)
    plain = told(trial, records)
    assert told(trial, records, solver(trial, tmp_path / "one", 1)) == plain
    n_curves = len(asked)
    assert n_curves >= len(BITS)
    assert told(trial, records, solver(trial, tmp_path / "two", 2)) == plain
    assert told(trial, records, solver(trial, tmp_path / "two", 2)) == plain
    assert len(asked) == 2 * n_curves
    kept = [{path.name: path.read_bytes() for path in (tmp_path / each / FOLDER_NAME).iterdir()} for each in ("one", "two")]  # fmt: skip
    assert kept[0].keys() == kept[1].keys()


def test_no_more_processors_than_asked_for_fit_curves_of_a_report(trial, tmp_path, monkeypatch):
    asked = []

    def solver(_trial, _results, jobs=None):
        asked.append(jobs)
        raise KeyboardInterrupt

    monkeypatch.setattr(reporting, "solver", solver)
    with pytest.raises(KeyboardInterrupt):
        reporting.publish(trial, tmp_path, None, jobs=3)
    assert asked == [3]


def test_what_was_fitted_before_an_interruption_is_kept(trial, tmp_path, asked, monkeypatch):
    """Of hundreds of curves, each of seconds, nobody fits one again because he stopped at the last."""
    records, really = rows(trial), kept_curves.answer

    def interrupted(one):
        if one.bit == BITS[2]:
            raise KeyboardInterrupt
        return really(one)

    monkeypatch.setattr(kept_curves, "answer", interrupted)
    with pytest.raises(KeyboardInterrupt):
        told(trial, records, solver(trial, tmp_path, 1))
    monkeypatch.setattr(kept_curves, "answer", really)
    asked.clear()
    assert told(trial, records, solver(trial, tmp_path, 1)) == told(trial, records)
    assert set(asked) == set(BITS[2:])


def test_only_what_has_changed_is_fitted_again(trial, tmp_path, asked):
    records = rows(trial)
    told(trial, records, solver(trial, tmp_path, 1))
    files = set((tmp_path / FOLDER_NAME).iterdir())
    del asked[:]
    changed = rows(trial, rates=(0.11, 0.13, 0.171, 0.19))
    assert told(trial, changed, solver(trial, tmp_path, 1)) == told(trial, changed)
    assert set(asked) == {"Finch"}
    assert len(set((tmp_path / FOLDER_NAME).iterdir()) - files) == len(asked)


def test_of_what_is_asked_no_more_the_oldest_goes(trial, tmp_path, asked, monkeypatch):
    monkeypatch.setattr(kept_curves, "MOST_FOR_A_BIT", 1)
    records = rows(trial)
    told(trial, records, solver(trial, tmp_path, 1))
    files = set((tmp_path / FOLDER_NAME).iterdir())
    assert len(files) == len(BITS)
    other = rows(trial, rates=(0.111, 0.13, 0.17, 0.19))
    told(trial, other, solver(trial, tmp_path, 1))
    after = set((tmp_path / FOLDER_NAME).iterdir())
    assert (len(after), len(after - files)) == (len(files), 1)
    del asked[:]
    told(trial, other, solver(trial, tmp_path, 1))
    assert asked == []


@pytest.mark.parametrize("change", but_seldom(2, ["u", "program", "draws", "limit"]))
def test_whatever_an_answer_follows_from_has_it_answered_anew(trial, tmp_path, asked, monkeypatch, change):
    records, n_draws, seen = rows(trial), N_DRAWS, trial
    told(trial, records, solver(trial, tmp_path, 1))
    n_curves = len(asked)
    if change == "u":
        records = rows(trial, u_um=1.6)
    elif change == "draws":
        n_draws = N_DRAWS + 1
    elif change == "program":
        monkeypatch.setattr(kept_curves, "_program", lambda: b"another")
    else:
        life = trial.life.model_copy(update={"edge_radius_um": 31.0})
        seen = trial.model_copy(update={"life": life})
    del asked[:]
    again = told(seen, records, solver(seen, tmp_path, 1), n_draws)
    assert len(asked) >= n_curves / 2
    assert again == told(seen, records, n_draws=n_draws)


@pytest.mark.parametrize("damage", but_seldom(2, ["a byte", "another form", "cut off", "words"]))
def test_what_was_kept_and_is_damaged_is_fitted_again(trial, tmp_path, asked, damage):
    records = rows(trial)
    plain = told(trial, records, solver(trial, tmp_path, 1))
    n_curves = len(asked)
    for path in (tmp_path / FOLDER_NAME).iterdir():
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        if damage == "cut off":
            content = content[: len(content) // 2]
        elif damage == "words":
            content = b"nothing"
        elif damage == "another form":
            content = sha256(b"").digest()
        path.write_bytes(content)
    assert told(trial, records, solver(trial, tmp_path, 1)) == plain
    assert len(asked) == 2 * n_curves


def test_where_nothing_can_be_kept_it_is_fitted_all_the_same(trial, tmp_path):
    (tmp_path / FOLDER_NAME).write_text("in the way")
    records = rows(trial)
    assert told(trial, records, solver(trial, tmp_path, 1)) == told(trial, records)


def test_the_next_checkpoint_is_of_bits_that_have_a_price(trial, tmp_path):
    """Others may have been photographed later; then it is asked once more."""
    bits = tuple(bit.model_copy(update={"price": None} if bit.name == "Owl" else {}) for bit in trial.bits)
    priced = trial.model_copy(update={"bits": bits})
    records = [row for row in rows(trial) if row.bit == "Owl" or row.parts == 60]
    found = outcome_of(priced, records, n_draws=N_DRAWS, solve=solver(priced, tmp_path, 1))
    assert found.next_checkpoint is None or found.next_checkpoint.parts == 120
    assert digits(found) == told(priced, records)
