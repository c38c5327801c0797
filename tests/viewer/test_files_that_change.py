"""What the bench measures by and writes is never older than the files. Needs neither napari nor a window."""

from __future__ import annotations

import os
import time
from dataclasses import replace

import fake_photos as fake
import pytest
from graticules import Graticule
from pictures import save_light
from wearscope_napari import on_disk
from wearscope_napari import session as at_work
from wearscope_napari.on_disk import Checksums, NotListedError, UnsettledError

from wearscope.errors import TrialError
from wearscope.files import checksum_of
from wearscope.imaging.calibration.scale import Scale
from wearscope.log.corrections import CorrectionLog
from wearscope.log.identity import IdentityLog, OtherTrialError
from wearscope.log.inputs import fingerprint_of
from wearscope.log.place import LOG_NAME
from wearscope.log.wear_log import WearLog
from wearscope.pipeline.astray import AstrayError
from wearscope.pipeline.run import measure_trial
from wearscope.pipeline.standing import inputs_of, place_of
from wearscope.trial import load_trial

TRIAL = "Birch drawer fronts"


@pytest.fixture
def folder(tmp_path):
    fake.write_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0, 40, 80))
    return tmp_path


@pytest.fixture
def asked(monkeypatch):
    """What the fake inspector was asked with, in order: trial, entry, scales."""
    calls = []

    def inspect(trial, entry, scales, corrections, memory, not_its_own):
        calls.append((trial, entry, scales))
        sha256 = checksum_of(entry.path)
        return replace(fake.inspector(trial, entry, scales), photo_sha256=sha256)

    monkeypatch.setattr(at_work, "inspect_photo", inspect)
    return calls


@pytest.fixture
def bench(folder, asked):
    """The window that stays open while the files change."""
    return at_work.Session(load_trial(folder), folder, who="Ann")


def edit(folder, old, new):
    text = (folder / "trial.toml").read_text()
    assert old in text
    (folder / "trial.toml").write_text(text.replace(old, new))


def photo(bench, parts):
    return next(entry for entry in bench.trial.photos if entry.parts == parts)


def rows(folder, **where):
    with WearLog(folder / LOG_NAME) as log:
        return log.history(**where)


def numbers_hold(folder, parts):
    """Whether the rows of a photo rest on the files as they are, by a reading of our own."""
    trial = load_trial(folder)
    entry = next(one for one in trial.photos if one.parts == parts)
    with WearLog(folder / LOG_NAME) as log, CorrectionLog(folder / LOG_NAME) as by_hand:
        inputs = inputs_of(trial, [entry], by_hand.current(trial.name))
        expected = {place_of(entry): fingerprint_of(each) for each in inputs.values()}
        return bool(log.current(expected=expected, trial=trial.name))


# --- The trial file


def test_a_trial_file_edited_while_the_window_is_open(bench, folder, asked):
    old = photo(bench, 40)
    assert bench.measure(old).news == ()
    edit(folder, "wedge_angle_deg = 60", "wedge_angle_deg = 45")
    shown = bench.measure(old)
    assert asked[-1][0].bit("A").wedge_angle_deg == 45
    assert shown.news == ("trial.toml has changed on the disk and was read anew",)
    assert numbers_hold(folder, 40)
    assert bench.measure(old).news == ()


def test_a_trial_file_that_says_the_same_is_no_news(bench, folder):
    """A remark was added: the list in the window must not move under the person's hand."""
    trial = bench.trial
    bench.measure(photo(bench, 40))
    (folder / "trial.toml").write_text((folder / "trial.toml").read_text() + "# checked by Ann\n")
    assert bench.measure(photo(bench, 40)).news == ()
    assert bench.trial is trial


def test_what_is_said_of_the_photo_itself_in_the_trial_file(bench, folder, asked):
    """The list in the window still holds the photo as it was described before."""
    old = photo(bench, 40)
    edit(folder, 'file = "photos/A-40-1.jpg"', 'file = "photos/A-40-1.jpg"\nview_tilt_deg = 5')
    shown = bench.measure(old)
    assert asked[-1][1].view_tilt_deg == 5
    assert shown.inspection.entry.view_tilt_deg == 5
    assert [state.entry.view_tilt_deg for state in bench.queue() if state.entry.parts == 40] == [5]
    assert numbers_hold(folder, 40)


def test_a_trial_file_that_has_become_wrong(bench, folder):
    """Nothing is measured or written by the old one, and the mistake is said with its line."""
    bench.measure(photo(bench, 40))
    before = (folder / LOG_NAME).read_bytes()
    text = (folder / "trial.toml").read_text()
    edit(folder, "wedge_angle_deg = 60", "wedge_angle_deg = 600")
    for work in (
        lambda: bench.measure(photo(bench, 80)),
        lambda: bench.measure_all(None, jobs=1),
        bench.read_states,
    ):
        with pytest.raises(TrialError, match=r"trial\.toml, line \d+: .*wedge_angle_deg"):
            work()
    assert (folder / LOG_NAME).read_bytes() == before
    assert not (folder / "results").exists()
    (folder / "trial.toml").write_text(text)
    assert bench.measure(photo(bench, 80)).inspection.records


def test_a_correction_is_kept_while_the_trial_file_is_wrong(bench, folder):
    """What a person says of a picture is not lost for a slip in a text file."""
    shown = bench.measure(photo(bench, 40))
    edit(folder, "wedge_angle_deg = 60", "wedge_angle_deg = 600")
    bench.correct(photo(bench, 40), shown.inspection.photo_sha256, transition_px=(1.0, 2.0))
    with CorrectionLog(folder / LOG_NAME) as by_hand:
        assert len(by_hand.history(TRIAL)) == 1


def test_a_photo_that_is_not_listed_any_more(bench, folder):
    old = photo(bench, 80)
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text.replace(fake.PHOTO.format(bit="A", flute=1, parts=80), ""))
    with pytest.raises(NotListedError, match=r"does not list photos/A-80-1\.jpg any more; choose another"):
        bench.measure(old)
    assert not (folder / LOG_NAME).exists()


def test_a_new_state_photo_that_a_pattern_finds_only_now(tmp_path, asked):
    """The trial file stays as it is, but later photos rest on the new one too."""
    fake.write_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0, 40))
    text = (tmp_path / "trial.toml").read_text()
    pattern = '[photos]\npattern = "photos/{bit}-{parts}-{flute}.jpg"\nview = "relief"\nscale = "bench 60x"\n'
    (tmp_path / "trial.toml").write_text(text[: text.index("[[photo]]")] + pattern)
    new = (tmp_path / "photos" / "A-0-1.jpg").rename(tmp_path / "aside.jpg")
    bench = at_work.Session(load_trial(tmp_path), tmp_path, who="Ann")
    bench.measure(photo(bench, 40))
    assert numbers_hold(tmp_path, 40)
    new.rename(tmp_path / "photos" / "A-0-1.jpg")
    assert not numbers_hold(tmp_path, 40)
    bench.measure(photo(bench, 40))
    assert numbers_hold(tmp_path, 40)


def test_a_trial_file_that_changes_while_a_photo_is_measured(bench, folder, asked, monkeypatch):
    """Numbers by the old one must not go into the log, not even as history."""
    inspect = at_work.inspect_photo

    def meanwhile(*of):
        found = inspect(*of)
        if len(asked) == 1:
            edit(folder, "wedge_angle_deg = 60", "wedge_angle_deg = 45")
        return found

    monkeypatch.setattr(at_work, "inspect_photo", meanwhile)
    bench.measure(photo(bench, 40))
    assert [trial.bit("A").wedge_angle_deg for trial, *_ in asked] == [60, 45]
    assert {row.inputs["wedge_angle_deg"] for row in rows(folder)} == {45}


@pytest.mark.parametrize("parts", [0, 40])
def test_a_photo_that_never_comes_to_rest(bench, folder, asked, monkeypatch, parts):
    inspect, n = at_work.inspect_photo, iter(range(100))

    def meanwhile(*of):
        found = inspect(*of)
        fake.tell(folder, "A", parts, 1, f"worn {next(n)}")
        return found

    monkeypatch.setattr(at_work, "inspect_photo", meanwhile)
    with pytest.raises(UnsettledError, match="keeps changing while it is read; wait until it is written"):
        bench.measure(photo(bench, 40))
    assert rows(folder) == []


# --- Photos and graticules


@pytest.mark.parametrize("parts", [0, 40])
def test_a_photo_taken_again(bench, folder, parts):
    """The photo itself, or the new-state photo that it is compared with."""
    bench.measure(photo(bench, 40))
    fake.tell(folder, "A", parts, 1, "worn 77")
    shown = bench.measure(photo(bench, 40))
    assert shown.news == (f"A-{parts}-1.jpg has changed on the disk and was read anew",)
    assert numbers_hold(folder, 40)


@pytest.fixture
def ruled(folder):
    """The trial on a graticule of 20 pixels for 100 µm."""
    rule(folder, 20.0)
    edit(folder, "um_per_px = 3.5\nu_um_per_px = 0.01", 'graticule = "graticule.png"\ndivision_um = 100')
    return folder


def rule(folder, pitch_px):
    light = Graticule(shape=(360, 800), pitch_px=pitch_px).luminance()
    save_light(light[..., None].repeat(3, axis=2), folder / "graticule.png")


def test_a_graticule_photographed_again(ruled, asked):
    """Numbers by the old scale would be wrong by a quarter, and would count as current."""
    bench = at_work.Session(load_trial(ruled), ruled, who="Ann")
    bench.measure(photo(bench, 40))
    assert asked[-1][2]["bench 60x"].um_per_px == pytest.approx(5.0, rel=0.002)
    rule(ruled, 25.0)
    shown = bench.measure(photo(bench, 40))
    assert asked[-1][2]["bench 60x"].um_per_px == pytest.approx(4.0, rel=0.002)
    assert shown.news == ("graticule.png has changed on the disk and was read anew",)
    assert numbers_hold(ruled, 40)


def test_a_graticule_that_changes_while_it_is_read(ruled, asked, monkeypatch):
    read, n = on_disk.read_scales, []

    def meanwhile(trial):
        found = read(trial)
        if not n:
            rule(ruled, 25.0)
        n.append(1)
        return found

    monkeypatch.setattr(on_disk, "read_scales", meanwhile)
    bench = at_work.Session(load_trial(ruled), ruled, who="Ann")
    bench.measure(photo(bench, 40))
    scale: Scale = asked[-1][2]["bench 60x"]
    assert scale.um_per_px == pytest.approx(4.0, rel=0.002)
    assert len(n) == 2


def test_a_division_put_right(ruled, asked):
    bench = at_work.Session(load_trial(ruled), ruled, who="Ann")
    bench.measure(photo(bench, 40))
    edit(ruled, "division_um = 100", "division_um = 50")
    bench.measure(photo(bench, 40))
    assert asked[-1][2]["bench 60x"].um_per_px == pytest.approx(2.5, rel=0.002)


def test_what_is_shown_knows_the_files_that_it_rests_on(ruled, asked):
    """By these the window notices what changes while nobody does anything."""
    bench = at_work.Session(load_trial(ruled), ruled, who="Ann")
    shown = bench.measure(photo(bench, 40))
    names = ["A-0-1.jpg", "A-40-1.jpg", "A-80-1.jpg", "graticule.png", "trial.toml"]
    assert sorted(path.name for path in shown.rests_on) == names
    assert not bench.differ(shown.rests_on)
    for path in shown.rests_on:
        content = path.read_bytes()
        path.write_bytes(content + b"\n")
        assert bench.differ(shown.rests_on), path
        path.write_bytes(content)
        assert not bench.differ(shown.rests_on), path
        path.rename(path.with_suffix(".gone"))
        assert bench.differ(shown.rests_on), path
        path.with_suffix(".gone").rename(path)


def test_a_change_within_one_tick_of_the_clock_is_noticed(tmp_path):
    """Of the same size, and of the same time of change: the clock of a file system may be coarse."""
    sums, path = Checksums(), tmp_path / "photo.jpg"
    now = time.time_ns()
    for word in ("one", "two"):
        path.write_text(word)
        os.utime(path, ns=(now, now))
        assert sums.of(path) == checksum_of(path)


def test_a_file_that_has_not_changed_is_read_once(tmp_path, monkeypatch):
    read = []
    monkeypatch.setattr(on_disk, "checksum_of", lambda path: (read.append(path), checksum_of(path))[1])
    sums, path = Checksums(), tmp_path / "photo.jpg"
    path.write_text("one")
    os.utime(path, (1e9, 1e9))
    assert [sums.of(path) for _ in range(3)] == [checksum_of(path)] * 3
    assert len(read) == 1


# --- What the log holds


def test_rows_that_do_not_hold_are_not_shown_as_current(bench, folder):
    """Measured by another scale, or of another picture: neither in the list nor on the curve."""
    measure_trial(load_trial(folder), folder, jobs=1, inspector=fake.inspector)
    bench.read_states()
    assert {state.state for state in bench.queue()} == {"done", "doubtful"}
    assert {row.parts for row in bench.earlier(photo(bench, 40))} == {0, 40, 80}
    fake.tell(folder, "A", 80, 1, "worn 77")
    bench.read_states()
    states = {state.entry.parts: state for state in bench.queue()}
    assert states[80].state == "to measure"
    assert states[80].why == "Out of date, changed since: the photo itself; run wearscope measure."
    assert {row.parts for row in bench.earlier(photo(bench, 40))} == {0, 40}
    edit(folder, "um_per_px = 3.5", "um_per_px = 4.5")
    bench.measure(photo(bench, 40))
    assert {row.parts for row in bench.earlier(photo(bench, 40))} == {40}
    bench.read_states()
    assert {state.entry.parts for state in bench.queue() if state.state == "to measure"} == {0, 80}


def test_a_refusal_is_logged_and_found_again(bench, folder):
    fake.tell(folder, "A", 40, 1, "refuse")
    bench.measure(photo(bench, 40))
    with WearLog(folder / LOG_NAME) as log:
        (made,) = log.inspections(parts=40)
    assert made.refusal == "photos/A-40-1.jpg: blurred; focus on the edge and take it again"
    assert made.refusal_code == "out-of-focus"
    again = at_work.Session(load_trial(folder), folder, who="Ben")
    again.read_states()
    (state,) = [state for state in again.queue() if state.entry.parts == 40]
    assert (state.state, state.why) == ("refused", made.refusal)


def test_the_bench_and_the_command_agree_on_what_is_to_be_done(bench, folder):
    """What one has measured, the other leaves as it is."""
    for entry in bench.trial.photos:
        bench.measure(entry)
    before = rows(folder)
    measure_trial(load_trial(folder), folder, jobs=1, inspector=fake.inspector)
    assert rows(folder) == before


def test_a_log_with_another_trial_of_that_name(folder, asked, tmp_path_factory):
    other = tmp_path_factory.mktemp("other")
    fake.write_trial(other, bits=("A",), flutes=(1,), parts=(0, 40, 80))
    measure_trial(load_trial(other), other, jobs=1, inspector=fake.inspector)
    before = (other / LOG_NAME).read_bytes()
    bench = at_work.Session(load_trial(folder), other, who="Ann")
    for work in (
        bench.read_states,
        lambda: bench.measure(photo(bench, 40)),
        lambda: bench.correct(photo(bench, 40), "ab", transition_px=(1.0, 2.0)),
    ):
        with pytest.raises(OtherTrialError, match=r"another trial named.*give one of the two another name"):
            work()
    assert (other / LOG_NAME).read_bytes() == before
    assert asked == []


@pytest.mark.parametrize("old", ['name = "A"', 'name = "Birch drawer fronts"'])
def test_a_name_changed_while_the_window_is_open(bench, folder, old):
    """Measured under the new one, history and corrections would stay behind."""
    shown = bench.measure(photo(bench, 40))
    bench.correct(photo(bench, 40), shown.inspection.photo_sha256, transition_px=(1.0, 2.0))
    before = (folder / LOG_NAME).read_bytes()
    entry = photo(bench, 40)
    edit(folder, old, 'name = "Heron"')
    if "A" in old:
        edit(folder, 'bit = "A"', 'bit = "Heron"')
        bench.refresh()
        entry = photo(bench, 40)
    for work in (bench.read_states, lambda: bench.measure(entry)):
        with pytest.raises(AstrayError, match=r"for the photos are the same.*run wearscope carry"):
            work()
    assert (folder / LOG_NAME).read_bytes() == before


def test_a_name_that_was_carried_over_opens(bench, folder):
    from wearscope.log.identity import Whose

    shown = bench.measure(photo(bench, 40))
    bench.correct(photo(bench, 40), shown.inspection.photo_sha256, transition_px=(1.0, 2.0))
    edit(folder, f'name = "{TRIAL}"', 'name = "Heron"')
    with pytest.raises(AstrayError):
        bench.measure(photo(bench, 40))
    with IdentityLog(folder / LOG_NAME) as identity:
        identity.move(Whose(TRIAL), Whose("Heron"), "Ann")
    assert bench.measure(photo(bench, 40)).said.transition_px == (1.0, 2.0)
