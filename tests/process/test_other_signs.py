"""The command `wearscope note`, from what is typed or recorded to what stands in the log; and `check` on fairness."""

from __future__ import annotations

import json
import wave
from functools import partial

import cv2
import fake_photos as fake
import numpy as np
import pytest

from wearscope import samples
from wearscope.log.wear_log import WearLog
from wearscope.pipeline import run as batch
from wearscope.process.fairness import fair_trial
from wearscope.process.part_program import read_program
from wearscope.trial import load_trial

RATE = 16000


@pytest.fixture
def trial(tmp_path, monkeypatch):
    fake.write_trial(tmp_path / "trial", bits=("Wren", "Plover"))
    judge = partial(batch.judge_trial, judge=fake.judge)
    monkeypatch.setattr(batch, "judge_trial", lambda *args, jobs, **more: judge(*args, jobs=1, **more))
    return tmp_path / "trial"


@pytest.fixture
def note(run, trial):
    def note(*arguments, bit="Wren", parts=40):
        return run("note", trial, "--bit", bit, "--parts", parts, *arguments)

    return note


def noted(trial):
    with WearLog(trial / "wear-log.sqlite") as log:
        return log.notes()


def record(folder, name, *, gain=1.0, seed=0, tooth_hz=591.0):
    """Noise of -40 dB and a tone of -26 dB re full scale rms 1, at the gain."""
    t = np.arange(6 * RATE) / RATE
    samples = 0.01 * np.random.default_rng(seed).normal(size=t.size)
    samples += 0.05 * np.sqrt(2) * np.sin(2 * np.pi * tooth_hz * t)
    with wave.open(str(folder / name), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(np.round(gain * samples * 32767).astype("<i2").tobytes())
    return folder / name


# --- Sound


def test_a_level_typed_in_and_its_change(note, trial):
    assert note("--sound-dba", 78.4, "--by", "Ann", parts=0)[0] == 0
    code, out, err = note("--sound-dba", 86.1, "--u-db", 0.5, "--by", "Ann")
    assert code == 0
    assert "sound level: 86.10 ± 0.98 dB(A); read off a meter; +7.7 ± 2.2 dB against new [Ann" in out
    assert "ear and eye protection" in err
    assert "dust" in err
    new, now = noted(trial)
    assert (new.value, new.std_uncertainty, new.unit, new.noted_by) == (78.4, 1.0, "dB(A)", "Ann")
    assert (now.parts, now.flute, now.quantity) == (40, 0, "sound_level")


def test_a_recording_gives_level_and_tooth_passing_tone(note, trial):
    wav = record(trial, "cut.wav")
    code, out, _ = note("--recording", wav)
    assert code == 0
    level, first, *rest = noted(trial)
    # 600 Hz is A-weighted by -2.2 dB; 0 dB is a sine at full scale
    assert level.value == pytest.approx(20 * np.log10(0.05 * np.sqrt(2)) - 2.2, abs=0.3)
    assert (level.unit, level.file) == ("dB re full scale", "cut.wav")
    assert len(level.file_sha256) == 64
    assert "relative only" in level.text
    assert "taken as 1 dB" in level.text
    assert first.text == "at 591.0 Hz, expected 600 Hz"
    assert [(n.value, n.text.split(" near")[0]) for n in rest] == [(None, "no tone stands out")] * 3
    assert "tone at the tooth-passing frequency: " in out
    assert "tone at 2 times the tooth-passing frequency: no tone stands out" in out


def test_a_calibration_makes_it_absolute(note, trial):
    code, _, _ = note(
        *("--recording", record(trial, "cut.wav"), "--calibration", record(trial, "known.wav", gain=0.1)),
        *("--calibration-dba", 74),
    )
    assert code == 0
    assert noted(trial)[0].value == pytest.approx(94, abs=0.05)
    assert noted(trial)[0].unit == "dB(A)"
    assert "calibrated by known.wav, 74 dB(A)" in noted(trial)[0].text


def test_several_recordings_tell_how_well_it_repeats(note, trial):
    takes = [record(trial, f"{gain}.wav", gain=gain) for gain in (1.0, 1.2, 1.1)]
    assert note(*(word for take in takes for word in ("--recording", take)))[0] == 0
    level = noted(trial)[0]
    assert "3 recordings (1.0.wav, 1.2.wav, 1.1.wav); 0.8 dB from one to the next" in level.text
    assert 0.4 < level.std_uncertainty < 0.8


def test_levels_of_different_kinds_are_not_compared(note, trial):
    note("--sound-dba", 78.4, parts=0)
    _, out, _ = note("--recording", record(trial, "cut.wav"))
    assert "against new" not in out


# --- The other signs


def test_a_grade_needs_its_grader(note, trial):
    code, _, err = note("--grade", 3)
    assert code == 2
    assert "--by NAME" in err
    code, out, _ = note("--grade", 3, "--by", "Ben")
    assert code == 0
    assert "cut quality: 3 of 5, fuzz or small chips" in out
    (grade,) = noted(trial)
    assert (grade.value, grade.std_uncertainty, grade.noted_by) == (3, None, "Ben")


def marks(folder, name, pitch_px):
    column = np.arange(900)
    grey = (
        120
        + 20 * np.cos(2 * np.pi * column / pitch_px)
        + np.random.default_rng(1).normal(size=(400, 900)) * 8
    )
    cv2.imwrite(str(folder / name), np.repeat(grey[..., None], 3, 2).clip(0, 255).astype(np.uint8))
    return folder / name


def test_marks_on_a_part(note, trial):
    photo = marks(trial, "part.png", 100 / 3.5)
    code, out, _ = note("--part-photo", photo, "--um-per-px", 3.5, "--along-feed", "50,200,850,205")
    assert code == 0
    file, pitch = noted(trial)
    assert (file.kind, file.file, file.file_sha256) == ("part_photo", "part.png", pitch.file_sha256)
    assert pitch.value == pytest.approx(100, abs=3 * pitch.std_uncertainty)
    assert pitch.std_uncertainty == pytest.approx(1.0, abs=0.1)
    assert pitch.text.startswith("matches the feed per tooth (feed per tooth 100 µm, per revolution 200 µm)")
    assert "a second at 3600 mm/min" in pitch.text
    assert "scale taken as good to 1%" in pitch.text
    assert "pitch of marks: 100" in out


def test_a_photo_of_a_part_alone(note, trial):
    assert note("--part-photo", marks(trial, "part.png", 30))[0] == 0
    assert [made.kind for made in noted(trial)] == ["part_photo"]


def test_nothing_is_noted_if_one_sign_is_refused(note, trial):
    photo = marks(trial, "part.png", 30)
    code, _, err = note(
        "--remark", "loud", "--part-photo", photo, "--um-per-px", 3.5, "--along-feed", "450,5,450,395"
    )
    assert code == 1
    assert "part.png: no regular marks stand out" in err
    (trial / "words.wav").write_text("not sound")
    code, _, err = note("--remark", "loud", "--recording", trial / "words.wav")
    assert code == 1
    assert "is no WAV file" in err
    assert noted(trial) == []


def test_listing(run, note, trial):
    code, out, _ = run("note", trial)
    assert (code, out) == (0, "nothing is noted yet; see wearscope note --help\n")
    assert not (trial / "wear-log.sqlite").exists()
    note("--remark", "as new", "--by", "Ann", parts=0)
    note("--remark", "hums", "--flute", 2, "--by", "Ann")
    note("--remark", "other", bit="Plover")
    _, out, _ = run("note", trial, "--bit", "Wren")
    assert out.splitlines()[::2] == ["Wren, new", "Wren, flute 2, after 40 parts"]
    _, out, _ = run("note", trial, "--parts", 40, "--json")
    assert [row["text"] for row in json.loads(out)["notes"]] == ["other", "hums"]


def test_said_twice_is_noted_once(note, trial):
    note("--remark", "hums")
    code, _, err = note("--remark", "hums")
    assert code == 0
    assert "in the wear log already" in err
    assert len(noted(trial)) == 1


def test_off_a_checkpoint_is_noted_with_a_warning(note, trial):
    code, _, err = note("--remark", "hums", parts=41)
    assert code == 0
    assert "41 parts is no checkpoint of Wren (0, 40, 120)" in err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--remark", "x", "--bit", "Wrem"), 'no bit "Wrem" in trial.toml; did you mean Wren?'),
        (("--remark", "x", "--flute", "3"), "Wren has no flute 3"),
        (("--remark", " "), "the remark is empty"),
        (("--remark", "x", "--by", ""), "give --by NAME"),
        (("--sound-dba", "80", "--recording", "a.wav"), "give one of them"),
        (
            ("--recording", "a.wav", "--calibration-dba", "94"),
            "give --calibration, --calibration-dba and --recording",
        ),
        (("--calibration", "a.wav", "--calibration-dba", "94"), "--recording together"),
        (("--part-photo", "a.jpg", "--um-per-px", "3"), "--along-feed together"),
        (("--um-per-px", "3", "--along-feed", "0,0,9,9"), "give --part-photo"),
        (("--part-photo", "a.jpg", "--um-per-px", "3", "--along-feed", "0,0,9"), "column,row,column,row"),
        (("--grade", "6", "--by", "Ann"), "--grade"),
        (("--u-db", "1"), "there is nothing to note"),
    ],
)
def test_what_cannot_be_noted(note, trial, arguments, says):
    code, _, err = note(*arguments)
    assert code == 2
    assert says in err
    assert noted(trial) == []


def test_a_note_needs_its_place(run, trial):
    code, _, err = run("note", trial, "--remark", "x")
    assert code == 2
    assert "give --bit NAME and --parts NUMBER" in err


# --- check


def test_check_says_first_what_is_unfair(run, trial):
    path = trial / "trial.toml"
    more = 'name = "Plover"\nspindle_rpm = 20000\nmax_rpm = 18000\n'
    path.write_text(path.read_text().replace('name = "Plover"\n', more))
    code, out, err = run("check", trial)
    assert code == 0
    assert out.splitlines()[:2] == [
        "NOT FAIR: the bits did not work under the same conditions.",
        "  not the same: spindle speed: Wren 18000 rpm; Plover 20000 rpm",
    ]
    assert out.index("NOT FAIR") < out.index("Bit Wren")
    assert "wearscope: DANGER: Plover runs at 20000 rpm" in err
    _, out, _ = run("check", trial, "--json")
    document = json.loads(out)
    assert list(document) == ["trial", "fairness", "photos"]
    assert document["fairness"]["fair"] is False
    assert document["fairness"]["unfair"] == [
        {"what": "spindle speed", "values": {"Wren": "18000 rpm", "Plover": "20000 rpm"}}
    ]
    assert [bit["chip_load_mm"] for bit in document["fairness"]["bits"]] == [0.1, 0.09]


# --- The demo


def test_the_demo_program_is_as_long_as_its_drawing(tmp_path):
    """Two rectangles with rounded corners, each begun by a plunge of 6 mm."""
    folder = samples.sample_trial_folder()
    drawn = 2 * (560 + 180) - 8 * 12 + 2 * np.pi * 12 + 2 * (370 + 100) - 8 * 10 + 2 * np.pi * 10
    program = read_program(folder / "drawer-front.nc")
    assert program.remarks == ()
    assert program.cut_length_mm == pytest.approx(drawn + 12)
    assert program.upright_mm == pytest.approx(12)
    assert min(move.end_mm[2] for move in program.moves) == -load_trial(folder).depth_of_cut_mm


def test_the_demo_is_fair():
    result = fair_trial(load_trial(samples.sample_trial_folder()))
    assert (result.unfair, result.dangers) == ((), ())
    assert [doubt.code for doubt in result.doubts] == ["limit-not-faced", "program-for-one-diameter"]
    assert result.differs == ("diameter", "surface-speed", "limits")
