"""Which trial is which, what loses its place by a renaming, and rows that follow it."""

from __future__ import annotations

import shutil
from dataclasses import replace

import pytest
from log_rows import REMARK, a_note, inspection, record

from wearscope.errors import LogError
from wearscope.log.corrections import CorrectionLog, LoggedCorrection
from wearscope.log.identity import IdentityLog, Orphan, OtherTrialError, Whose
from wearscope.log.wear_log import WearLog

TRIAL = "Birch drawer fronts"


@pytest.fixture
def path(tmp_path):
    """A log with the trial measured: bits A and B, flutes 1 and 2, parts 0 and 40; notes of A, a correction."""
    path = tmp_path / "log" / "wear-log.sqlite"
    path.parent.mkdir()
    with WearLog(path) as log:
        for bit in "AB":
            for flute in (1, 2):
                for parts in (0, 40):
                    for value in (18.0, 19.0):
                        place = {"bit": bit, "flute": flute, "parts": parts}
                        log.append(inspection(**place), [record(**place, value=value)])
        log.add_note([a_note(), replace(REMARK, flute=2)])
    with CorrectionLog(path) as log:
        log.append(
            [LoggedCorrection(TRIAL, "A", 1, 40, "relief", "ab", "transition_px", "[1,2]", "Ann", "now")]
        )
    return path


def trial_file(folder, name="trial.toml"):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("[trial]")
    return folder / name


def all_of_it(path):
    with WearLog(path) as log, CorrectionLog(path) as by_hand:
        return log.current(), log.history(), log.inspections(), log.note_history(), by_hand.history(TRIAL)


# --- Two trials of one name


def test_two_trials_of_one_name_are_told_apart(path, tmp_path):
    ours, theirs = trial_file(tmp_path / "ours"), trial_file(tmp_path / "theirs")
    with IdentityLog(path) as log:
        log.claim(TRIAL, ours)
        before = path.read_bytes()
        log.claim(TRIAL, ours)
        with pytest.raises(OtherTrialError, match=r"another trial named.*ours.*theirs.*another name"):
            log.claim(TRIAL, theirs)
        assert path.read_bytes() == before
        log.claim("Oak stair treads", theirs)


def test_two_files_in_one_folder(path):
    with IdentityLog(path) as log:
        log.claim(TRIAL, trial_file(path.parent, "a.toml"))
        with pytest.raises(OtherTrialError):
            log.claim(TRIAL, trial_file(path.parent, "b.toml"))


def test_a_trial_file_that_was_moved_stays_itself(path, tmp_path):
    ours = trial_file(tmp_path / "ours")
    with IdentityLog(path) as log:
        log.claim(TRIAL, ours)
        moved = ours.rename(tmp_path / "renamed.toml")
        log.claim(TRIAL, moved)
        with pytest.raises(OtherTrialError):
            log.claim(TRIAL, trial_file(tmp_path / "theirs"))


def test_a_folder_copied_with_its_log_stays_itself(path, tmp_path):
    file = trial_file(path.parent)
    with IdentityLog(path) as log:
        log.claim(TRIAL, file)
    copy = shutil.copytree(path.parent, tmp_path / "copy")
    with IdentityLog(copy / path.name) as log:
        log.claim(TRIAL, copy / file.name)
        with pytest.raises(OtherTrialError):
            log.claim(TRIAL, file)


def test_a_person_may_say_that_it_is_the_same(path, tmp_path):
    ours, theirs = trial_file(tmp_path / "ours"), trial_file(tmp_path / "theirs")
    with IdentityLog(path) as log:
        log.claim(TRIAL, ours)
        log.claim(TRIAL, theirs, adopt=True)
        log.claim(TRIAL, theirs)
        with pytest.raises(OtherTrialError):
            log.claim(TRIAL, ours)


def test_a_name_without_rows_is_free(path, tmp_path):
    with IdentityLog(path) as log:
        log.claim("Oak stair treads", trial_file(tmp_path / "ours"))
        log.claim("Oak stair treads", trial_file(tmp_path / "theirs"))


# --- What a renaming loses from sight


def places(*bits, flutes=(1, 2), parts=(0, 40)):
    return [(bit, flute, n, "relief") for bit in bits for flute in flutes for n in parts]


def test_nothing_is_lost_where_all_is_named(path):
    with IdentityLog(path) as log:
        assert log.orphans(TRIAL, places("A", "B", "C")) == []


def test_a_bit_with_another_name(path):
    with IdentityLog(path) as log:
        lost = log.orphans(TRIAL, places("Heron", "B"))
    numbers = [Orphan(Whose(TRIAL, "A", flute), n, "relief", "numbers") for _, flute, n, _ in places("A")]
    assert lost == [
        *numbers,
        Orphan(Whose(TRIAL, "A", 0), 40, "", "notes"),
        Orphan(Whose(TRIAL, "A", 2), 40, "", "notes"),
        Orphan(Whose(TRIAL, "A", 1), 40, "relief", "corrections"),
    ]


def test_a_flute_and_a_checkpoint_with_another_number(path):
    with IdentityLog(path) as log:
        lost = log.orphans(TRIAL, [*places("A", flutes=(1, 3)), *places("B", parts=(0, 50))])
    assert {(each.whose.bit, each.whose.flute, each.parts, each.holds) for each in lost} == {
        ("A", 2, 0, "numbers"), ("A", 2, 40, "numbers"), ("A", 2, 40, "notes"), ("B", 1, 40, "numbers"),
        ("B", 2, 40, "numbers"),
    }  # fmt: skip


def test_a_trial_with_another_name(path, tmp_path):
    file = trial_file(tmp_path / "ours")
    with IdentityLog(path) as log:
        log.claim(TRIAL, file)
        assert log.former_names("Drawer fronts, birch", file) == (TRIAL,)
        assert log.former_names(TRIAL, file) == ()
        assert log.former_names("Drawer fronts, birch", trial_file(tmp_path / "theirs")) == ()
        assert len(log.orphans(TRIAL, [])) == 8 + 2 + 1
        log.move(Whose(TRIAL), Whose("Drawer fronts, birch"), "Ann")
        log.claim("Drawer fronts, birch", file)
        assert log.former_names("Drawer fronts, birch", file) == ()


# --- Rows that follow


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (Whose(TRIAL), Whose("Drawer fronts, birch")),
        (Whose(TRIAL, "A"), Whose(TRIAL, "Heron")),
        (Whose(TRIAL, "A", 2), Whose(TRIAL, "A", 3)),
        (Whose(TRIAL, "A"), Whose("Oak stair treads", "A")),
    ],
    ids=["trial", "bit", "flute", "to another trial"],
)
def test_a_move_takes_all_of_it_and_can_be_undone(path, old, new):
    before = all_of_it(path)

    def renamed(row):
        here = {name: getattr(row, name) for name in old.columns if hasattr(row, name)}
        known = {name: value for name, value in old.columns.items() if name in here}
        return replace(row, **{n: new.columns[n] for n in known}) if here == known else row

    with IdentityLog(path) as identity:
        made = identity.move(old, new, "Ann")
        assert (made.old, made.new, made.by) == (old, new, "Ann")
        assert identity.moves() == [made]
    with WearLog(path) as log:
        assert [row.record for row in log.history()] == [renamed(row.record) for row in before[1]]
        assert [row.superseded_at for row in log.history()] == [row.superseded_at for row in before[1]]
        assert log.inspections() == [renamed(row) for row in before[2]]
        assert [row.note for row in log.note_history()] == [renamed(row.note) for row in before[3]]
    with CorrectionLog(path) as by_hand:
        assert by_hand.history(renamed(before[4][0]).trial) == [renamed(row) for row in before[4]]
    with IdentityLog(path) as identity:
        back = identity.take_back(made.move_id, "Ben")
        assert (back.old, back.new, back.takes_back) == (new, old, made.move_id)
        assert identity.moves() == []
        with pytest.raises(LogError, match="take back"):
            identity.take_back(made.move_id, "Ben")
    assert all_of_it(path) == before


def test_what_was_measured_since_comes_back_too(path):
    with IdentityLog(path) as identity:
        made = identity.move(Whose(TRIAL, "A"), Whose(TRIAL, "Heron"), "Ann")
        with WearLog(path) as log:
            log.append(inspection(bit="Heron", parts=80), [record(bit="Heron", parts=80)])
        identity.take_back(made.move_id, "Ann")
        with WearLog(path) as log:
            assert [row.parts for row in log.current(bit="A", flute=1)] == [0, 40, 80]


def test_rows_of_two_bits_are_never_mixed(path):
    before = path.read_bytes()
    with IdentityLog(path) as identity:
        for old, new, said in [
            (Whose(TRIAL, "A"), Whose(TRIAL, "B"), "already"),
            (Whose(TRIAL, "A"), Whose(TRIAL, "A"), "already"),
            (Whose(TRIAL, "C"), Whose(TRIAL, "D"), "nothing"),
            (Whose("Oak"), Whose("Elm"), "nothing"),
        ]:
            with pytest.raises(LogError, match=said):
                identity.move(old, new, "Ann")
        with pytest.raises(ValueError, match="cannot become"):
            identity.move(Whose(TRIAL, "A"), Whose(TRIAL, "C", 1), "Ann")
    assert path.read_bytes() == before
    with pytest.raises(ValueError, match="without its bit"):
        Whose(TRIAL, None, 1)


def test_a_move_is_not_taken_back_over_new_rows(path):
    with IdentityLog(path) as identity:
        made = identity.move(Whose(TRIAL, "A"), Whose(TRIAL, "Heron"), "Ann")
        with WearLog(path) as log:
            log.append(inspection(), [record()])
        before = all_of_it(path)
        with pytest.raises(LogError, match="already"):
            identity.take_back(made.move_id, "Ann")
        assert all_of_it(path) == before
        assert identity.moves() == [made]


def test_a_failure_half_way_moves_nothing(path, monkeypatch):
    before = path.read_bytes()
    monkeypatch.setattr("wearscope.log.identity.add_rows", lambda *_: 1 / 0)
    with IdentityLog(path) as identity, pytest.raises(ZeroDivisionError):
        identity.move(Whose(TRIAL, "A"), Whose(TRIAL, "Heron"), "Ann")
    assert path.read_bytes() == before
