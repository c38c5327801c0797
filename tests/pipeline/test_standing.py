"""Numbers hold while what they rest on holds: what is measured again, what is left, what is said."""

from __future__ import annotations

import csv
from dataclasses import asdict, replace

import fake_photos as fake
import pytest

from wearscope.log.corrections import CorrectionLog, LoggedCorrection
from wearscope.log.identity import OtherTrialError
from wearscope.log.inputs import changed_between
from wearscope.log.wear_log import WearLog
from wearscope.pipeline.measured import NothingHoldsError, measured
from wearscope.pipeline.run import measure_trial
from wearscope.pipeline.standing import inputs_of
from wearscope.trial import load_trial
from wearscope.trial.correction import Correction

GRATICULE = 'graticule = "graticule.png"\ndivision_um = 100\nring_angle_deg = 40'


def a_trial(folder):
    """A trial on a graticule, whose photos all have sheets; its pictures are words."""
    path = fake.write_trial(folder, bits=("A",), parts=(0, 40))
    (folder / "graticule.png").write_text("lines")
    edit(folder, "um_per_px = 3.5\nu_um_per_px = 0.01", GRATICULE)
    return path


def edit(folder, old, new):
    path = folder / "trial.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def everything(folder, corrections=None):
    trial = load_trial(folder)
    return {e.file: i.named() for e, i in inputs_of(trial, trial.photos, corrections or {}).items()}


NEW, WORN = "photos/A-0-1.jpg", "photos/A-40-1.jpg"


@pytest.mark.parametrize(
    ("old", "new", "of_new", "of_worn"),
    [
        ("division_um = 100", "division_um = 200", ("division_um",), ("division_um", "new_state.division_um")),
        ("ring_angle_deg = 40", "ring_angle_deg = 41", ("ring_angle_deg",), ("ring_angle_deg", "new_state.ring_angle_deg")),
        ("ring_angle_deg = 40", "", ("ring_angle_deg", "u_ring_angle_deg"), ("ring_angle_deg", "u_ring_angle_deg", "new_state.ring_angle_deg", "new_state.u_ring_angle_deg")),
        ("wedge_angle_deg = 60", "wedge_angle_deg = 45", ("wedge_angle_deg",), ("wedge_angle_deg",)),
        ("wedge_angle_deg = 60", "wedge_angle_deg = 60\nu_wedge_angle_deg = 3", ("u_wedge_angle_deg",), ("u_wedge_angle_deg",)),
        ("wedge_angle_deg = 60", "wedge_angle_deg = 60\nhelix_angle_deg = 0", ("helix_angle_deg",), ("helix_angle_deg",)),
        ("wedge_angle_deg = 60", "wedge_angle_deg = 60\nr_unused_um = 6", ("r_unused_um", "u_r_unused_um"), ("r_unused_um", "u_r_unused_um")),
        ('coating = "ZrN"', 'coating = "none"', ("coating",), ("coating",)),
        ("diameter_mm = 6.35", "diameter_mm = 8", ("diameter_mm",), ("diameter_mm",)),
        ("depth_of_cut_mm = 4.0", "depth_of_cut_mm = 3.0", ("depth_of_cut_mm",), ("depth_of_cut_mm",)),
        (f'file = "{WORN}"', f'file = "{WORN}"\nview_tilt_deg = 5', (), ("view_tilt_deg",)),
        (f'file = "{NEW}"', f'file = "{NEW}"\nview_tilt_deg = 5', ("view_tilt_deg",), ("new_state.view_tilt_deg",)),
        (f'file = "{WORN}"', f'file = "{WORN}"\nedge_near = [[1, 2], [90, 80]]\nused_side = "end"', (), ("edge_near", "used_side")),
        (f'file = "{WORN}"', f'file = "{WORN}"\num_per_px = 3.5\nu_um_per_px = 0.1', (), ("scale", "um_per_px", "u_um_per_px", "graticule_sha256", "division_um")),
        ("price = 15.0", "price = 16.0", (), ()),
        ("spindle_rpm = 18000", "spindle_rpm = 12000", (), ()),
    ],
)  # fmt: skip
def test_what_the_numbers_rest_on(tmp_path, old, new, of_new, of_worn):
    a_trial(tmp_path)
    before = everything(tmp_path)
    edit(tmp_path, old, new)
    after = everything(tmp_path)
    assert changed_between(before[NEW], after[NEW]) == of_new
    assert changed_between(before[WORN], after[WORN]) == of_worn


def test_they_rest_on_files_and_on_what_people_said(tmp_path):
    a_trial(tmp_path)
    before = everything(tmp_path)
    fake.tell(tmp_path, "A", 0, 1, "worn 2")
    (tmp_path / "graticule.png").write_text("other lines")
    after = everything(tmp_path)
    assert changed_between(before[NEW], after[NEW]) == ("photo_sha256", "graticule_sha256")
    assert changed_between(before[WORN], after[WORN]) == (
        "graticule_sha256",
        "new_state.photo_sha256",
        "new_state.graticule_sha256",
    )
    said = {after[NEW]["photo_sha256"]: Correction(transition_px=(3.0, 4.0))}
    corrected = everything(tmp_path, said)
    assert changed_between(after[NEW], corrected[NEW]) == ("corrections",)
    assert changed_between(after[WORN], corrected[WORN]) == ("new_state.corrections",)


# --- Measuring again


class Calls:
    """The fake inspector, which keeps count."""

    def __init__(self):
        self.files = []

    def __call__(self, trial, entry, scales):
        self.files.append(entry.file)
        return fake.inspector(trial, entry, scales)


@pytest.fixture
def drawn(monkeypatch):
    files = []

    def draw(path, **_what):
        files.append(path.name)
        path.write_bytes(b"sheet")

    monkeypatch.setattr("wearscope.report.sheets.comparison.draw_sheet", draw)
    return files


def with_sheets(folder):
    fake.write_trial(folder, bits=("A",), parts=(0, 40, 120))
    for entry in load_trial(folder).photos:
        fake.tell(folder, "A", entry.parts, entry.flute, f"sheet {entry.parts} {entry.flute}")


def measure(folder, **more):
    calls = Calls()
    result = measure_trial(load_trial(folder), folder, jobs=1, inspector=calls, **more)
    return result, sorted(calls.files)


def test_what_is_current_is_left_alone(tmp_path, drawn):
    with_sheets(tmp_path)
    fake.tell(tmp_path, "A", 120, 2, "refuse")
    first, files = measure(tmp_path)
    assert (len(files), len(drawn), first.n_left) == (6, 5, 0)
    kept = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    second, files = measure(tmp_path)
    assert (files, len(drawn), second.n_left) == ([], 5, 6)
    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == kept
    assert second.records == first.records
    assert second.sheets == first.sheets
    assert [(p.refusal, p.refusal_code) for p in second.photos] == [
        (p.refusal, p.refusal_code) for p in first.photos
    ]
    again, files = measure(tmp_path, again=True)
    assert (len(files), len(drawn), again.n_left) == (6, 10, 0)
    assert again.measurements.read_bytes() == kept[first.measurements]


def test_only_what_has_changed_is_measured(tmp_path, drawn):
    with_sheets(tmp_path)
    measure(tmp_path)
    fake.tell(tmp_path, "A", 0, 2, "sheet anew")
    result, files = measure(tmp_path)
    assert files == ["photos/A-0-2.jpg", "photos/A-120-2.jpg", "photos/A-40-2.jpg"], "all that rest on it"
    assert result.n_left == 3
    (tmp_path / "results" / "sheets" / "A-flute1-0040parts.png").unlink()
    assert measure(tmp_path)[1] == ["photos/A-40-1.jpg"], "its sheet has to be drawn"
    trial = load_trial(tmp_path)
    sha256 = inputs_of(trial, trial.photos, {})[trial.photos[1]].photo.photo_sha256
    place = {"trial": trial.name, "bit": "A", "flute": 1, "parts": 40, "view": "relief"}
    with CorrectionLog(tmp_path / "wear-log.sqlite") as by_hand:
        by_hand.append(
            [
                LoggedCorrection(
                    **place, photo_sha256=sha256, kind="transition_px", value="[1,2]", by="Ann", at="now"
                )
            ]
        )
    assert measure(tmp_path)[1] == ["photos/A-40-1.jpg"]
    assert measure(tmp_path)[1] == []


def test_a_sheet_older_than_the_numbers_is_drawn_again(tmp_path, drawn):
    import os

    with_sheets(tmp_path)
    measure(tmp_path)
    os.utime(tmp_path / "results" / "sheets" / "A-flute1-0040parts.png", (1e9, 1e9))
    assert measure(tmp_path)[1] == ["photos/A-40-1.jpg"]


def test_a_failure_of_the_program_is_tried_again(tmp_path, drawn):
    with_sheets(tmp_path)
    fake.tell(tmp_path, "A", 40, 1, "crash")
    measure(tmp_path)
    assert measure(tmp_path)[1] == ["photos/A-40-1.jpg"]


def test_a_photo_that_changes_while_it_is_measured_is_out_of_date(tmp_path, drawn):
    with_sheets(tmp_path)

    def retaken(trial, entry, scales):
        if entry.file == "photos/A-40-1.jpg":
            fake.tell(tmp_path, "A", 40, 1, "sheet taken meanwhile")
        return fake.inspector(trial, entry, scales)

    measure_trial(load_trial(tmp_path), tmp_path, jobs=1, inspector=retaken)
    with WearLog(tmp_path / "wear-log.sqlite") as log:
        (made,) = log.inspections(parts=40, flute=1)
        (row, *_) = log.current(parts=40, flute=1)
    assert made.inputs["photo_sha256"] == made.photo_sha256 == row.photo_sha256


# --- What is out of date


def test_nothing_that_rests_on_anything_else_is_handed_out(tmp_path):
    fake.write_trial(tmp_path, bits=("A",), parts=(0, 40, 120))
    measure(tmp_path)
    edit(tmp_path, "wedge_angle_deg = 60", "wedge_angle_deg = 45")
    fake.tell(tmp_path, "A", 120, 1, "refuse")
    with pytest.raises(NothingHoldsError, match="no number of Birch drawer fronts holds any more") as problem:
        measured(load_trial(tmp_path), tmp_path)
    assert "changed since: wedge_angle_deg" in str(problem.value)
    assert "photos/A-0-1.jpg" in str(problem.value)
    result, _ = measure(tmp_path)
    found = measured(load_trial(tmp_path), tmp_path)
    assert found.behind == []
    assert result.records == found.records
    assert not [row for row in found.records if (row.parts, row.flute) == (120, 1)], "not on a curve with 45°"
    assert {(row.parts, row.flute) for row in found.records} == {(0, 1), (0, 2), (40, 1), (40, 2), (120, 2)}
    with WearLog(tmp_path / "wear-log.sqlite") as log:
        (past, *_) = log.history(bit="A", flute=1, parts=120, quantity="edge_recession")
    assert past.changed_inputs == ("photo_sha256", "wedge_angle_deg")


def test_a_run_that_is_ended_hands_out_only_what_still_holds(tmp_path):
    fake.write_trial(tmp_path, bits=("A",), parts=(0, 40))
    measure(tmp_path)
    edit(tmp_path, "wedge_angle_deg = 60", "wedge_angle_deg = 45")

    def ended(trial, entry, scales):
        if entry.parts:
            raise KeyboardInterrupt
        return fake.inspector(trial, entry, scales)

    with pytest.raises(KeyboardInterrupt):
        measure_trial(load_trial(tmp_path), tmp_path, jobs=1, inspector=ended)
    with (tmp_path / "results" / "measurements.csv").open(newline="") as file:
        assert {row["parts"] for row in csv.DictReader(file)} == {"0"}, "the rows at 40 rest on 60°"


def test_rows_of_which_it_is_not_known_what_they_rest_on_do_not_hold(tmp_path):
    fake.write_trial(tmp_path, bits=("A",), parts=(0, 40))
    result, _ = measure(tmp_path)
    (tmp_path / "wear-log.sqlite").unlink()
    with WearLog(tmp_path / "wear-log.sqlite") as log:
        for photo in result.photos:
            row = photo.records[0]
            place = {
                name: asdict(row)[name] for name in ("bit", "flute", "parts", "view", "photo", "photo_sha256")
            }
            from wearscope.log.logged import LoggedInspection

            made = LoggedInspection(
                "Birch drawer fronts",
                **place,
                refusal="",
                wearscope_version="0.1.0",
                inspected_at="2026-01-05T08:00:00+00:00",
            )
            log.append(replace(made), photo.records)
    with pytest.raises(NothingHoldsError, match="did not note what the numbers rest on"):
        measured(load_trial(tmp_path), tmp_path)
    assert len(measure(tmp_path)[1]) == 4
    assert measured(load_trial(tmp_path), tmp_path).behind == []


# --- Which trial is which


def test_two_trials_of_one_name_do_not_write_over_each_other(tmp_path):
    for folder in ("ours", "theirs"):
        fake.write_trial(tmp_path / folder, bits=("A",), parts=(0, 40))
    ours, theirs = (load_trial(tmp_path / folder) for folder in ("ours", "theirs"))
    fake.tell(tmp_path / "theirs", "A", 40, 1, "worn 99")
    first = measure_trial(ours, tmp_path, jobs=1, inspector=fake.inspector)
    kept = first.wear_log.path.read_bytes(), first.measurements.read_bytes()
    with pytest.raises(OtherTrialError, match=r"another trial named.*give one of the two another name"):
        measure_trial(theirs, tmp_path, jobs=1, inspector=fake.inspector)
    assert (first.wear_log.path.read_bytes(), first.measurements.read_bytes()) == kept
    with pytest.raises(OtherTrialError, match="another trial named"):  # its notes would be mixed in
        measured(theirs, tmp_path)
