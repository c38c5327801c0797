"""The file of a repeat study: what is in it, and every way it can be wrong, said with the line and the cure."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from wearscope.errors import TrialError
from wearscope.trial import load_study

TRIAL = """\
[trial]
name = "Birch drawer fronts"
workpiece = "15 mm birch plywood"
depth_of_cut_mm = 4.0
spindle_rpm = 18000
feed_mm_per_min = 3600

[[scale]]
name = "bench"
um_per_px = 3.487
u_um_per_px = 0.004

[[bit]]
name = "B"
price = 15
flutes = 2
diameter_mm = 6.35
wedge_angle_deg = 60
coating = "ZrN"

[[bit]]
name = "A"
price = 15
flutes = 2
diameter_mm = 6.35
wedge_angle_deg = 60
coating = "none"

[photos]
pattern = "photos/{bit}-{parts}-{flute}.jpg"
view = "relief"
scale = "bench"
"""

PHOTO = """
[[photo]]
bit = "{bit}"
flute = {flute}
parts = 150
view = "relief"
file = "again/{file}.jpg"
scale = "bench"
taken_by = "{who}"
repeat = {n}
"""

STUDY = """\
[study]
trial = "trial.toml"
tolerance_um = 20
""" + "".join(
    PHOTO.format(bit=bit, flute=1, file=f"{bit}{who}{n}", who=who, n=n)
    for bit in "AB"
    for who in ("Ann", "Ben")
    for n in (1, 2)
)

PATTERN = """\
[study]
trial = "trial.toml"

[photos]
pattern = "again/{taken_by}/{bit}-{parts}-{flute}-{repeat}.jpg"
view = "relief"
scale = "bench"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    names = [f"photos/{bit}-{parts}-{flute}.jpg" for bit in "AB" for parts in (0, 150) for flute in (1, 2)]
    names += [f"again/{bit}{who}{n}.jpg" for bit in "AB" for who in ("Ann", "Ben") for n in (1, 2)]
    for name in names:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    (tmp_path / "trial.toml").write_text(TRIAL)
    return tmp_path


def load(folder: Path, text: str):
    (folder / "study.toml").write_text(text)
    return load_study(folder / "study.toml")


def mistakes(folder: Path, text: str) -> list[str]:
    with pytest.raises(TrialError) as refusal:
        load(folder, text)
    assert refusal.value.exit_code == 2
    return list(refusal.value.mistakes)


def touch(folder, *names):
    for name in names:
        (folder / "again" / name).parent.mkdir(exist_ok=True)
        (folder / "again" / name).touch()


def test_what_is_read(folder):
    study = load(folder, STUDY)
    assert (study.trial, study.tolerance_um, study.of.name) == ("trial.toml", 20, "Birch drawer fronts")
    assert study.folder == folder.resolve()
    # in the order of the trial's bits, then by person and repeat
    assert [(p.bit, p.taken_by, p.repeat) for p in study.photos] == [
        (bit, who, n) for bit in "BA" for who in ("Ann", "Ben") for n in (1, 2)
    ]
    assert study.photos[0].path == folder.resolve() / "again/BAnn1.jpg"
    assert study.of.new_state(study.photos[0]).file == "photos/B-0-1.jpg"
    assert load_study(folder) == study, "the folder stands for the study.toml in it"


def test_one_person_need_not_be_named(folder):
    text = "\n".join(line for line in STUDY.splitlines() if not ("Ann" in line and "taken_by" in line))
    text = "".join(part for part in text.split("\n\n") if "Ben" not in part)
    assert {photo.taken_by for photo in load(folder, text.replace("[[photo]]", "\n[[photo]]")).photos} == {
        "one person"
    }


def test_a_pattern(folder):
    touch(folder, "Ann/A-150-1-1.jpg", "Ann/A-150-1-02.JPG", "Ben/A-150-1-1.jpg", "Ben/B-0-2-1.jpg")
    study = load(folder, PATTERN)
    assert [(p.bit, p.flute, p.parts, p.taken_by, p.repeat) for p in study.photos] == [
        ("B", 2, 0, "Ben", 1),
        ("A", 1, 150, "Ann", 1),
        ("A", 1, 150, "Ann", 2),
        ("A", 1, 150, "Ben", 1),
    ]


def test_a_pattern_for_one_person(folder):
    touch(folder, "A-150-1-1.jpg", "A-150-1-2.jpg")
    for taken_by in ("", 'taken_by = "Ann"'):
        text = PATTERN.replace("again/{taken_by}/", "again/") + taken_by
        for name in list((folder / "again").glob("*Ann*")) + list((folder / "again").glob("*Ben*")):
            name.unlink()
        assert {photo.taken_by for photo in load(folder, text).photos} == {
            "Ann" if taken_by else "one person"
        }


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('trial = "trial.toml"', "", ["study.trial is missing", "give the path of the trial file"]),
        ('trial = "trial.toml"', "trial = 5", ["study.trial is 5", "give the path"]),
        ('"trial.toml"', '"trail.toml"', ['is "trail.toml", which is not there', "mend the path"]),
        ("tolerance_um = 20", "tolerance_um = -1", ["tolerance_um is -1", "a number of microns"]),
        ("tolerance_um", "tolerance_mm", ["tolerance_mm is not a key of [study]", '"tolerance_um"?']),
        ("[study]", "[[study]]", ["[[study]] stands in double brackets"]),
        (
            'taken_by = "Ann"\nrepeat = 1',
            'taken_by = "Ann"\nrepeat = 0',
            ["repeat (again/AAnn1.jpg) is 0", "1 or more"],
        ),
        (
            'taken_by = "Ann"\nrepeat = 1',
            'taken_by = "Ann"',
            ["repeat (again/AAnn1.jpg) is missing", "1 or more"],
        ),
        (
            'taken_by = "Ann"\nrepeat = 1',
            'taken_by = ""\nrepeat = 1',
            ['taken_by (again/AAnn1.jpg) is ""', "the name of who"],
        ),
        (
            'taken_by = "Ann"\nrepeat = 1',
            'by = "Ann"\nrepeat = 7',
            ["by (again/AAnn1.jpg) is not a key of [[photo]]"],
        ),
        ('bit = "A"', 'bit = "C"', ['is "C", the name of no [[bit]]', '"B", "A"']),
        ("flute = 1", "flute = 3", ['is 3; bit "A" has flutes 1 to 2']),
        ('scale = "bench"', 'scale = "Bench"', ['did you mean "bench"?']),
        ("again/AAnn1.jpg", "again/AAnn9.jpg", ["which is not there"]),
        (
            '"Ann"\nrepeat = 2',
            '"Ann"\nrepeat = 1',
            ["is a second one of", 'taken_by "Ann", repeat 1', "line 5"],
        ),
        ("again/AAnn2.jpg", "again/AAnn1.jpg", ["already the file on line 10", "a photo taken anew"]),
        ("repeat = 1", 'repeat = 1\nused_side = "end"', ["is the end of an edge_near that is not given"]),
    ],
)
def test_each_mistake_has_its_line_and_cure(folder, old, new, says):
    text = STUDY.replace(old, new, 1)
    (line,) = mistakes(folder, text)
    assert all(part in line for part in says), line
    number = int(line.split("line ")[1].split(":")[0])
    # within the table that was changed
    changed = len(STUDY[: STUDY.index(old)].splitlines())
    heads = [at for at, row in enumerate(text.splitlines(), 1) if row.startswith("[")] + [1000]
    first = max(head for head in heads if head <= changed + 1)
    assert first <= number < min(head for head in heads if head > first)


def test_a_table_of_a_trial_has_no_place_in_a_study(folder):
    (line,) = mistakes(folder, STUDY + '[[bit]]\nname = "C"\n')
    assert "bit is not a table of a study file; it belongs in the trial file" in line
    (line,) = mistakes(folder, STUDY + '[person]\nname = "Ann"\n')
    assert "person is not a table of a study file; the tables are [study], [[photo]], [photos]" in line


def test_all_mistakes_at_once(folder):
    text = STUDY.replace("tolerance_um = 20", "tolerance_um = 0").replace("repeat = 1", "repeat = -1", 1)
    text = text.replace('bit = "B"', 'bit = "E"', 1)
    assert len(mistakes(folder, text)) == 3


def test_a_wrong_trial_is_said_with_its_own_lines(folder):
    (folder / "trial.toml").write_text(TRIAL.replace("spindle_rpm", "spindle_prm"))
    first, *others = mistakes(folder, STUDY)
    assert "study.toml, line 2: study.trial" in first
    assert "mend that file first" in first
    assert any("trial.toml, line 5" in line and 'did you mean "spindle_rpm"?' in line for line in others)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("-{repeat}", "", "has no {repeat}"),
        ('view = "relief"', 'view = "relief"\ntaken_by = "Ann"', "has {taken_by} although taken_by is given"),
        ("{taken_by}", "{who}", "has {who}; give {bit}, {parts}, {flute}, {repeat}, {view} or the key view"),
    ],
)
def test_wrong_patterns(folder, old, new, says):
    touch(folder, "Ann/A-150-1-1.jpg")
    (line,) = mistakes(folder, PATTERN.replace(old, new))
    assert says in line


def test_an_empty_study(folder):
    (line,) = mistakes(folder, "")
    assert "write [study] and photos into it" in line
    (line,) = mistakes(folder, '[study]\ntrial = "trial.toml"\n')
    assert "there is no photo" in line


def test_no_study_in_the_folder(folder):
    (folder / "again/study.toml").unlink(missing_ok=True)
    with pytest.raises(TrialError, match=r"holds no study\.toml; name the study file itself"):
        load_study(folder / "again")


def test_the_study_that_is_shown(folder):
    page = (Path(__file__).parents[2] / "docs/repeat.md").read_text(encoding="utf-8")
    (shown,) = [block for block in re.findall(r"```toml\n(.*?)```", page, re.DOTALL) if "[study]" in block]
    (folder / "trial.toml").write_text(TRIAL.replace('"bench"', '"bench 60x"'))
    for who in ("Ann", "Ben"):
        (folder / f"again/{who}/A/150").mkdir(parents=True)
        touch(folder, f"{who}/A/150/flute1-1.jpg", f"{who}/A/150/flute1-2.jpg")
    study = load(folder, shown)
    assert [(p.bit, p.parts, p.flute, p.taken_by, p.repeat) for p in study.photos] == [
        ("A", 150, 1, who, n) for who in ("Ann", "Ben") for n in (1, 2)
    ]
