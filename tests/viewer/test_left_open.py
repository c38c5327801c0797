"""A window that stays open while trial file and photos change: what it shows and writes is never older."""

from __future__ import annotations

import shutil

import pytest
from flutes import WORN
from hands import Hands  # skips where there is no viewer

from wearscope.log.wear_log import WearLog

ONE_WINDOW = True


@pytest.fixture
def hands(hands, monkeypatch) -> Hands:
    hands.bench.state._looking.setInterval(40)
    return hands


def logged(folder):
    with WearLog(folder / "wear-log.sqlite") as log:
        return log.history(trial="Step edges")


def edit(folder, old, new):
    text = (folder / "trial.toml").read_text()
    assert old in text
    (folder / "trial.toml").write_text(text.replace(old, new))


def used_length_mm(bench):
    (row,) = [row for row in bench.state.shown.inspection.records if row.quantity == "used_length"]
    return row.value


def test_an_edited_trial_file_is_noticed_while_nobody_does_anything(hands, folder):
    shown = hands.open(folder, 100)
    before = used_length_mm(hands.bench)
    edit(folder, "um_per_px = 3.5", "um_per_px = 3.7")
    hands.wait(lambda: hands.bench.state.shown is not shown)
    hands.idle()
    assert used_length_mm(hands.bench) == pytest.approx(3.7 / 3.5 * before, rel=0.01)
    assert "trial.toml has changed on the disk and was read anew" in hands.bench.status.text()
    assert hands.bench.numbers.isEnabled()
    assert {row.inputs["um_per_px"] for row in logged(folder) if row.superseded_at is None} == {3.7}
    assert hands.bench.state.entry in hands.bench.state.session.trial.photos


def test_a_trial_file_that_has_become_wrong_shows_and_writes_nothing(hands, folder):
    hands.open(folder, 100)
    bench, text = hands.bench, (folder / "trial.toml").read_text()
    before = logged(folder)
    edit(folder, "um_per_px = 3.5", "um_per_px = -3.5")
    hands.wait(lambda: bench.state.shown is None)
    hands.idle()
    line = next(n for n, row in enumerate(text.splitlines(), 1) if row.startswith("um_per_px"))
    assert f"line {line}" in bench.status.text()
    assert "No number is shown or written until that is put right" in bench.status.text()
    assert bench.numbers.table.rowCount() == 0
    assert not bench.numbers.isEnabled()
    assert "photo" not in bench.on_photo.layers
    for parts in (0, 100):
        bench.state.choose(next(photo for photo in bench.state.session.trial.photos if photo.parts == parts))
        hands.idle()
        assert bench.state.shown is None
    bench.run.measure_all()
    hands.idle()
    assert bench.state.shown is None
    assert logged(folder) == before
    (folder / "trial.toml").write_text(text)
    hands.wait(lambda: bench.state.shown is not None)
    hands.idle()
    assert bench.numbers.table.rowCount() > 5
    assert "photo" in bench.on_photo.layers


def test_a_photo_that_was_overwritten_is_shown_anew(hands, folder, tmp_path_factory):
    shown = hands.open(folder, 100)
    again = WORN.worn(seed=31).save(tmp_path_factory.mktemp("camera") / "again.png")
    shutil.copy(again, folder / "100.png")
    hands.wait(lambda: hands.bench.state.shown is not shown)
    hands.idle()
    assert hands.bench.state.shown.inspection.photo_sha256 != shown.inspection.photo_sha256
    assert "100.png has changed on the disk and was read anew" in hands.bench.status.text()


def test_a_bit_added_is_offered_for_new_photos(hands, folder):
    hands.open(folder, 100)
    text = (folder / "trial.toml").read_text()
    bit = text[text.index("[[bit]]") : text.index("[[photo]]")]
    (folder / "trial.toml").write_text(text + "\n" + bit.replace('"Dunlin"', '"Knot"'))
    capture = hands.bench.capture
    hands.wait(lambda: capture.bit.count() == 2)
    hands.idle()
    assert capture.bit.itemText(1) == "Knot"


def test_two_trials_of_one_name_are_refused_in_the_window(hands, folder, tmp_path_factory):
    """Both with the log in one folder: nothing is written or shown, and the cure is said."""
    hands.open(folder, 100)
    before = logged(folder)
    other = tmp_path_factory.mktemp("other")
    for file in (*folder.glob("*.png"), folder / "trial.toml"):
        shutil.copy(file, other)
    bench = hands.bench
    bench.open_trial(other, folder)
    hands.idle()
    assert "another trial named" in bench.status.text()
    assert "give one of the two another name" in bench.status.text()
    bench.photos.next_photo()
    hands.idle()
    assert "another trial named" in bench.status.text()
    assert bench.state.shown is None
    assert bench.numbers.table.rowCount() == 0
    assert logged(folder) == before


def test_looking_does_not_count_as_work(hands, folder):
    """Else the window would say "measuring" once a second."""
    hands.open(folder, 100)
    looked = []
    hands.bench.state.work.idle.connect(looked.append)
    session, differ = hands.bench.state.session, []
    real = session.differ
    session.differ = lambda files: (differ.append(1), real(files))[1]
    hands.wait(lambda: len(differ) >= 3)
    assert looked == []
