"""Commands that look after the wear log: what became of a number, what lost its place by a renaming, moving it."""

from __future__ import annotations

import json
import shlex
from functools import partial
from itertools import product

import fake_photos as fake
import pytest
from seldom import seldom

from wearscope.cli import measuring
from wearscope.files import checksum_of
from wearscope.log.corrections import CorrectionLog, changes, logged
from wearscope.log.place import LOG_NAME
from wearscope.log.wear_log import WearLog
from wearscope.pipeline import run as batch
from wearscope.trial import load_trial
from wearscope.trial.correction import NOTHING, Correction

pytestmark = pytest.mark.usefixtures("few_draws", "no_drawing")

TRIAL = "Birch drawer fronts"


@pytest.fixture
def trial(tmp_path, monkeypatch):
    """Folder of a trial of two bits that the commands measure with the fake inspector, in this process."""
    fake.write_trial(tmp_path / "trial", bits=("Wren", "Plover"))
    real = batch.measure_trial
    here = partial(real, inspector=fake.inspector)
    monkeypatch.setattr(batch, "measure_trial", lambda *of, jobs, **how: here(*of, jobs=1, **how))
    monkeypatch.setattr(measuring, "publish_changed", lambda *_, **__: None)  # tests/test_cli_publishing.py
    return tmp_path / "trial"


def edited(trial, *pairs):
    path = trial / "trial.toml"
    text = path.read_text()
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text)


def errors(err):
    return [line.removeprefix("wearscope: ") for line in err.splitlines() if line.startswith("wearscope: ")]


def offered(text):
    """The command that a line offers, as one would copy it."""
    (line,) = [line for line in text.splitlines() if "wearscope carry" in line]
    return shlex.split(line[line.index("wearscope carry") :])[1:]


def everything(trial):
    with WearLog(trial / LOG_NAME) as log, CorrectionLog(trial / LOG_NAME) as by_hand:
        return log.current(), log.history(), log.note_history(), by_hand.history(TRIAL)


# --- What became of a number


ONE = ("--bit", "Wren", "--flute", "1", "--parts", "120", "--quantity", "edge_recession")


def corrected(trial, by="Ann"):
    """Say where the transition is in the photo of flute 1 of Wren after 120 parts."""
    place = {"trial": TRIAL, "bit": "Wren", "flute": 1, "parts": 120, "view": "relief"}
    sha256 = checksum_of(trial / "photos" / "Wren-120-1.jpg")
    said = changes(NOTHING, Correction(transition_px=(10.0, 20.0)))
    with CorrectionLog(trial / LOG_NAME) as log:
        log.append(logged(place, sha256, said, by))


def test_every_value_of_a_number_is_told(run, trial):
    run("measure", trial)
    edited(trial, ("wedge_angle_deg = 60", "wedge_angle_deg = 45"))
    run("measure", trial)
    corrected(trial)
    run("measure", trial)
    code, out, err = run("past", trial, *ONE)
    assert (code, err) == (0, "")
    first, *lines = out.splitlines()
    assert first == "Bit Wren, flute 1, after 120 parts: edge recession, used minus unused"
    values = [line for line in lines if " ± " in line]
    assert [line.split("  ")[-1] for line in values] == ["40.0 ± 4.2 µm, ok"] * 3
    rests = [line for line in lines if "rests on:" in line]
    assert ["wedge_angle_deg = 60" in line for line in rests] == [True, False, False]
    assert ["wedge_angle_deg = 45" in line for line in rests] == [False, True, True]
    assert all("photos/Wren-120-1.jpg (" in line and "scale bench 60x" in line for line in rests)
    assert all("new-state photo (" in line for line in rests)
    by_hand = [n for n, line in enumerate(lines) if "by hand: the transition, by Ann on 20" in line]
    assert len(by_hand) == 1
    assert by_hand[0] > lines.index(rests[2]), "only the last value rests on it"
    fates = [line.strip() for line in lines if "replaced on" in line or "holds now" in line]
    assert "changed since: wedge_angle_deg (60 to 45)" in fates[0]
    assert fates[1].endswith("changed since: what was corrected by hand")
    assert fates[2] == "holds now"


def test_every_value_of_a_number_as_json(run, trial):
    run("measure", trial)
    corrected(trial)
    run("measure", trial)
    edited(trial, ("wedge_angle_deg = 60", "wedge_angle_deg = 45"))
    code, out, _ = run("past", trial, *ONE, "--json")
    assert code == 0
    (number,) = json.loads(out)["numbers"]
    assert (number["bit"], number["quantity"], number["zone"]) == ("Wren", "edge_recession", "difference")
    before, now = number["values"]
    assert (before["fate"], list(before["changed"])) == ("replaced", ["corrections"])
    assert before["by_hand"] == []
    assert (now["fate"], now["changed"]) == ("out of date", {"wedge_angle_deg": [60.0, 45.0]})
    assert [(said["kind"], said["by"]) for said in now["by_hand"]] == [("transition_px", "Ann")]
    assert now["row"]["value"] == 40.0
    assert now["rests_on"]["wedge_angle_deg"] == 60.0


def test_a_refusal_is_part_of_the_past(run, trial):
    run("measure", trial)
    fake.tell(trial, "Wren", 120, 1, "refuse")
    run("measure", trial)
    code, out, _ = run("past", trial, *ONE)
    assert code == 0
    assert "when the photo was refused (photos/Wren-120-1.jpg: blurred" in out
    assert "photos/Wren-120-1.jpg was refused on 20" in out
    assert json.loads(run("past", trial, *ONE, "--json")[1])["refusals"][0]["refusal_code"] == "out-of-focus"


def test_what_is_out_of_date_is_not_told_to_hold(run, trial):
    run("measure", trial)
    fake.tell(trial, "Wren", 120, 1, "worn 50")
    out = run("past", trial, *ONE)[1]
    assert "holds now" not in out
    assert (
        f"out of date (changed since: the photo itself); run wearscope measure {trial / 'trial.toml'}" in out
    )


PAST_WRONGLY = [
    ((), "no bit is named; give --bit NAME"),
    (("--bit", "Wren", "--quantity", "radius"), "--quantity is radius; give one of"),
    (("--bit", "Wren", "--zone", "middle"), "--zone is middle; give one of used, unused"),
    (("--bit", "Wren", "--view", "top"), "--view is top; give one of relief"),
    (("--bit", "Wern"), 'has a bit "Wern"; its bits are Wren, Plover'),
    (
        ("--bit", "Wren", "--parts", "7"),
        "nothing was ever logged of bit Wren, parts 7; run wearscope measure",
    ),
]


def test_a_past_asked_for_wrongly(run, trial):
    run("measure", trial)
    for arguments, said in PAST_WRONGLY:
        code, out, err = run("past", trial, *arguments)
        assert (code, out) == (2, ""), arguments
        (line,) = errors(err)
        assert said in line


# --- A renaming


RENAMINGS = {
    "bit": ('"Wren"', '"Heron"'),
    "flute": ("flute = 2", "flute = 3"),
    "trial": (TRIAL, "Drawer fronts, birch"),
}


def renamed(trial, what):
    edited(trial, RENAMINGS[what], *([("flutes = 2", "flutes = 3")] if what == "flute" else []))


# by default one that measures and one that only writes
@pytest.mark.parametrize(
    ("command", "what"),
    [
        case if case in {("measure", "trial"), ("note", "bit")} else seldom(*case)
        for case in product(("measure", "outcome", "report", "note"), RENAMINGS)
    ],
)
def test_a_renaming_is_named_with_the_command_that_cures_it(run, trial, what, command):
    """Measured anew under the new name, the history would be lost from sight, and of a trial the corrections."""
    run("measure", trial)
    corrected(trial)
    run("note", trial, "--bit", "Wren", "--parts", "120", "--remark", "smells hot", "--by", "Ann")
    before = everything(trial)
    renamed(trial, what)
    bit = "Heron" if what == "bit" else "Wren"
    note = ("--bit", bit, "--parts", "40", "--remark", "loud", "--by", "Ann")
    code, out, err = run(command, trial, *(note if command == "note" else ()))
    if command == "measure" or command == "note" or what == "trial":
        assert (code, out) == (1, "")
        assert everything(trial) == before
    assert "for the photos are the same" in err
    for line in [line for line in errors(err) if "wearscope carry" in line]:
        for part in line.split("wearscope carry")[1:]:
            words = shlex.split(part.partition("; ")[0])
            assert run("carry", *words, "--by", "Ann")[0] == 0
    assert json.loads(run("astray", trial, "--json")[1])["astray"] == []
    done = run("measure", trial, "--json")
    assert (done[0], json.loads(done[1])["astray"]) == (0, [])
    assert len(everything(trial)[1]) >= len(before[1])
    assert run(command, trial, *(note if command == "note" else ()))[0] == 0


@pytest.mark.parametrize("what", ["bit", seldom("trial")])
def test_a_move_is_listed_and_taken_back(run, trial, what):
    run("measure", trial)
    run("note", trial, "--bit", "Wren", "--parts", "120", "--remark", "smells hot", "--by", "Ann")
    corrected(trial)
    before = everything(trial)
    renamed(trial, what)
    code, out, _ = run("astray", trial)
    assert code == 0
    if what == "bit":
        assert out.startswith(
            "Bit Wren of the wear log is bit Heron now, for the photos are the same, so the numbers of 6 photos, "
            "what is noted at 1 place and the corrections of 1 photo are out of sight; run wearscope carry "
        )
    code, said, err = run(*offered(out), "--by", "Ann")
    assert code == 0
    assert said.startswith("all that the wear log holds of ")
    assert everything(trial) != before
    listed = run("astray", trial)[1]
    assert "by Ann on 20" in listed
    assert offered(listed) == offered(err)
    assert run(*offered(listed), "--by", "Ben")[0] == 0
    assert everything(trial) == before
    assert "became" not in run("astray", trial)[1]


def test_a_move_of_another_trial_in_the_same_log_is_left_alone(run, trial, tmp_path):
    """Two trials, each of its own name, with their rows in one log."""
    fake.write_trial(tmp_path / "other", bits=("Wren",))
    edited(tmp_path / "other", (TRIAL, "Oak stair treads"))
    run("measure", trial)
    run("measure", tmp_path / "other", "--out", trial)
    edited(tmp_path / "other", ('"Wren"', '"Heron"'))
    run(*offered(run("astray", tmp_path / "other", "--out", trial)[1]))
    before = (trial / LOG_NAME).read_bytes()
    assert "became" not in run("astray", trial)[1]
    assert run("carry", trial, "--take-back", "1")[0] == 2
    assert (trial / LOG_NAME).read_bytes() == before
    assert run("carry", tmp_path / "other", "--take-back", "1", "--out", trial)[0] == 0


def test_a_number_remembers_the_name_it_had(run, trial):
    run("measure", trial)
    renamed(trial, "bit")
    run(*offered(run("astray", trial)[1]), "--by", "Ann")
    out = run("past", trial, "--bit", "Heron", *ONE[2:])[1]
    assert out.startswith("bit Wren became bit Heron, by Ann on 20")
    assert "holds now" in out


def test_a_bit_that_is_no_longer_tried_is_named_and_left(run, trial):
    """Nothing tells that it has another name: it is no reason to stop."""
    run("measure", trial)
    text = (trial / "trial.toml").read_text()
    gone = fake.BIT.format(name="Wren") + "".join(
        fake.PHOTO.format(bit="Wren", flute=flute, parts=parts) for flute in (1, 2) for parts in (0, 40, 120)
    )
    for block in gone.split("\n\n"):
        text = text.replace(block.strip("\n") + "\n", "")
    (trial / "trial.toml").write_text(text)
    assert [bit.name for bit in load_trial(trial).bits] == ["Plover"]
    code, out, err = run("measure", trial, "--json")
    assert code == 0
    (line,) = json.loads(out)["astray"]
    assert line in errors(err)
    assert line == (
        "Bit Wren is in the wear log (the numbers of 6 photos) but not in trial.toml; if it has another name now, run "
        f"wearscope carry {trial / 'trial.toml'} --bit Wren --to NAME with that name, else it stays as history"
    )


def test_going_on_under_a_new_name(run, trial):
    """The person may want that; what stands under the old name stays, and can be brought back beside it."""
    run("measure", trial)
    run("note", trial, "--bit", "Wren", "--parts", "120", "--remark", "smells hot", "--by", "Ann")
    renamed(trial, "bit")
    code, _, err = run("measure", trial, "--anew")
    assert code == 0
    _, out, err = run("report", trial, "--static")
    (line,) = [line for line in errors(err) if "wearscope carry" in line]
    _, first, second = line.split("wearscope carry ")
    assert run("carry", *shlex.split(second))[0] == 1, "it would be mixed with the other's"
    assert run("carry", *shlex.split(first.removesuffix(" and then ")))[0] == 0
    assert run("carry", *shlex.split(second))[0] == 0
    assert "smells hot" in run("note", trial, "--bit", "Heron")[1]
    code, out, err = run("measure", trial, "--json")
    assert (code, json.loads(out)["astray"]) == (0, [])
    with WearLog(trial / LOG_NAME) as log:
        assert len(log.current(bit="Heron")) == len(log.current(bit="Heron, put aside")) > 0


MOVED_WRONGLY = [
    ((), 2, "it is not clear what is to be done; give --trial NAME, or --bit NAME --to NEW"),
    (("--bit", "Wren"), 2, "the new name is missing; give --to NEW"),
    (("--to", "Heron"), 2, "no bit is named; give --bit"),
    (("--flute", "1", "--to", "2"), 2, "no bit is named"),
    (
        ("--bit", "Wren", "--flute", "1", "--to", "Heron"),
        2,
        "--to is Heron; give the new number of the flute",
    ),
    (("--trial", "Birch", "--bit", "Wren"), 2, "--trial moves a whole trial"),
    (("--adopt", "--take-back", "1"), 2, "it is not clear what is to be done"),
    (
        ("--take-back", "7"),
        2,
        "there is no move 7 of Birch drawer fronts to take back; ask wearscope astray",
    ),
    (("--bit", "Wern", "--to", "Heron"), 1, "holds nothing of bit Wern"),
    (("--bit", "Wren", "--to", "Plover"), 1, "has rows of bit Plover"),
]


def test_a_move_asked_for_wrongly(run, trial):
    run("measure", trial)
    before = (trial / LOG_NAME).read_bytes()
    for arguments, code, said in MOVED_WRONGLY:
        done, out, err = run("carry", trial, *arguments)
        assert (done, out) == (code, ""), arguments
        (line,) = errors(err)
        assert said in line
        assert (trial / LOG_NAME).read_bytes() == before


# --- Two trials of one name


@pytest.fixture
def other(trial, tmp_path):
    """Another trial of the same name and bits, elsewhere."""
    fake.write_trial(tmp_path / "other", bits=("Wren", "Plover"))
    return tmp_path / "other"


COMMANDS = [
    ("measure",),
    ("note", "--bit", "Wren", "--parts", "40", "--remark", "loud", "--by", "Ben"),
    ("note",),
    ("report",),
    ("past", "--bit", "Wren"),
    ("astray",),
    ("carry", "--bit", "Wren", "--to", "Heron"),
]


def test_a_log_with_another_trial_of_that_name(run, trial, other):
    run("measure", trial)
    before = (trial / LOG_NAME).read_bytes()
    for name, *rest in COMMANDS:
        code, out, err = run(name, other, *rest, "--out", trial)
        assert (code, out) == (1, ""), name
        (line,) = errors(err)
        assert f'holds numbers of another trial named "{TRIAL}"' in line
        assert "give one of the two another name, or choose another folder with --out" in line
        assert (trial / LOG_NAME).read_bytes() == before


def test_a_person_may_say_that_it_is_the_same_trial(run, trial, tmp_path):
    """The folder was copied without its log, and the first one is still there."""
    run("measure", trial)
    fake.write_trial(tmp_path / "other", bits=("Wren", "Plover"))
    _, _, err = run("measure", tmp_path / "other", "--out", trial)
    assert run(*offered(err))[0] == 0
    assert run("measure", tmp_path / "other", "--out", trial)[0] == 0
    assert run("measure", trial)[0] == 1
