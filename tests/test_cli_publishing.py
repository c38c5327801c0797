"""measure ends with all that people are shown, made anew only when what it says has changed."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from functools import partial
from pathlib import Path

import fake_photos as fake
import pytest
from seldom import but_seldom

from wearscope.log.export import write_bytes
from wearscope.pipeline import measured as measured_module
from wearscope.pipeline import published, reporting
from wearscope.pipeline import run as batch
from wearscope.pipeline.measured import measured, stands
from wearscope.process import fairness
from wearscope.trial import load_trial

pytestmark = pytest.mark.usefixtures("few_draws")

SAID = {"due": [], "verdict": "Stock Wren.", "bits": [["Wren", ["It lasts."]]], "to_do": ["Do this."]}
NAMES = ("report.html", "report.pdf", "measurements.csv", "wall-sheet.pdf")


@pytest.fixture
def trial(tmp_path, monkeypatch):
    """Folder of a trial that the commands measure with the fake inspector, in this process."""
    fake.write_trial(tmp_path / "trial", bits=("Wren",), flutes=(1,), parts=(0, 120))
    here = partial(batch.measure_trial, inspector=fake.inspector)
    monkeypatch.setattr(batch, "measure_trial", lambda *of, jobs, **how: here(*of, jobs=1, **how))
    return tmp_path / "trial"


@pytest.fixture
def made(trial, monkeypatch):
    """How often something was published; drawing it takes seconds, so small files stand for it."""
    times = []

    def publish(loaded, folder, found, over="parts", *, fair, interactive=True, parquet=False, jobs=None):
        times.append(1)
        results = folder / "results"
        for name in NAMES:
            write_bytes(results / name, f"{len(times)}".encode())
        paths = [results / name for name in NAMES]
        how = published.asked_for(over, interactive=interactive, parquet=parquet)
        published.note_published(
            results, loaded, published.what_is_said(loaded, folder, found), SAID, paths, how
        )
        return None, published.Published(SAID, tuple(paths), now=True)

    monkeypatch.setattr(reporting, "publish", publish)
    return times


def test_a_report_looks_at_photos_and_log_names_once(trial, made, run, monkeypatch):
    """Of ten thousand photos a look takes seconds."""
    looked, really = [], measured_module.look_again
    monkeypatch.setattr(
        measured_module, "look_again", lambda *of, **how: looked.append(1) or really(*of, **how)
    )
    assert run("measure", trial, "-q", "--no-report")[0] == 0
    assert run("report", trial)[0] == 0
    assert (len(looked), len(made)) == (1, 1)
    asked, dated = [], fairness.date_doubts
    monkeypatch.setattr(fairness, "date_doubts", lambda of: asked.append(1) or dated(of))
    assert run("report", trial)[0] == 0
    assert (len(looked), len(made), len(asked)) == (2, 1, 1)


def edited(trial, old, new):
    text = (trial / "trial.toml").read_text()
    assert old in text
    (trial / "trial.toml").write_text(text.replace(old, new))


def contents(trial):
    return {
        path.name: (path.read_bytes(), path.stat().st_mtime_ns)
        for path in (trial / "results").iterdir()
        if path.is_file() and path.name != "measurements.csv" and path.name != "refused.csv"
    }


def test_one_command_from_photos_to_the_report(run, trial):
    """Nothing stands in for the report here."""
    code, out, err = run("measure", trial)
    assert code == 0
    results = trial / "results"
    written = {path.name for path in results.iterdir()}
    assert {
        "report.html",
        "report.pdf",
        "wall-sheet.pdf",
        "tables.xlsx",
        "by-photo.csv",
        "outcome.json",
    } <= written
    assert "Wren" in out
    assert "report.html" in err
    verdict = json.loads((results / "outcome.json").read_text(encoding="utf-8"))["verdict"]
    assert verdict in out
    before = contents(trial)
    code, again, err = run("measure", trial)
    assert (code, again) == (0, out)
    assert "Nothing that the report says has changed" in err
    assert contents(trial) == before


def test_nothing_is_made_anew_of_which_nothing_has_changed(run, trial, made):
    assert run("measure", trial)[0] == 0
    before = contents(trial)
    code, out, _ = run("measure", trial)
    assert "Stock Wren." in out
    assert code == 0
    edited(trial, "[[bit]]", "# a remark, which moves every line\n\n[[bit]]")
    run("measure", trial)
    assert contents(trial) == before
    assert made == [1]


@pytest.mark.parametrize(
    "what", but_seldom(2, ["note", "file edited", "price", "file gone", "photo", "refused", "again"])
)
def test_what_changes_what_is_said_makes_it_anew(run, trial, made, what):
    run("measure", trial)
    if what == "price":
        edited(trial, "price = 15.0", "price = 16.0")
    elif what == "note":
        run("note", trial, "--bit", "Wren", "--parts", "120", "--remark", "smells hot", "--by", "Ann")
    elif what == "photo":
        fake.tell(trial, "Wren", 120, 1, "worn 50")
    elif what == "refused":
        fake.tell(trial, "Wren", 120, 1, "refuse")
    elif what == "file gone":
        (trial / "results" / "wall-sheet.pdf").unlink()
    elif what == "file edited":
        (trial / "results" / "report.html").write_text("mine, and longer")
    else:
        (trial / "results" / "published.json").unlink()
    run("measure", trial)
    assert made == [1, 1]
    run("measure", trial)
    assert made == [1, 1]


def test_a_report_that_says_the_same_is_left_as_it_was(run, trial, made):
    run("measure", trial)
    before = contents(trial)
    code, out, err = run("report", trial)
    assert (code, made, contents(trial)) == (0, [1], before)
    assert "Stock Wren." in out
    assert "Nothing that the report says has changed" in err
    run("report", trial, "--static")
    run("report", trial, "--static")
    assert made == [1, 1]
    run("report", trial)
    assert made == [1, 1, 1]
    edited(trial, "price = 15.0", "price = 16.0")
    run("report", trial)
    assert made == [1, 1, 1, 1]


@pytest.mark.parametrize("what", ["nothing", "a photo", "a note"])
def test_the_checksums_alone_tell_what_all_rows_tell(run, trial, made, what):
    """What decides whether a report still holds reads no number; it must not miss one that is another."""
    run("measure", trial)
    loaded = load_trial(trial)
    first = stands(loaded, trial).fingerprint
    if what == "a photo":
        fake.tell(trial, "Wren", 120, 1, "worn 50")
        run("measure", trial)
    elif what == "a note":
        run("note", trial, "--bit", "Wren", "--parts", "120", "--remark", "smells hot", "--by", "Ann")
    short, long = stands(loaded, trial), measured(loaded, trial)
    assert all(getattr(short, each.name) == getattr(long, each.name) for each in fields(short))
    assert (short.fingerprint != first) == (what == "a photo")
    assert bool(short.notes) == (what == "a note")


def test_what_is_logged_after_a_look_is_not_taken_for_what_was_there(run, trial, made):
    """A report compares the log once where it can; another run may have added to it meanwhile."""
    run("measure", trial)
    looked = stands(load_trial(trial), trial).looked
    fake.tell(trial, "Wren", 120, 1, "worn 50")
    run("measure", trial)
    found = measured(load_trial(trial), trial, looked)
    anew = measured(load_trial(trial), trial, replace(looked, held=None))
    assert found.standing == anew.standing
    assert {each.state for each in found.standing.values()} == {"measured", "out of date"}


def test_labels_stay_as_they_are_until_they_say_something_else(run, trial):
    run("measure", trial)
    labels = trial / "results" / "labels.pdf"
    first = labels.stat().st_mtime_ns
    edited(trial, "price = 15.0", "price = 16.0")
    assert run("report", trial)[0] == 0
    assert labels.stat().st_mtime_ns == first
    edited(trial, "flutes = 2", "flutes = 3")
    assert run("report", trial)[0] == 0
    second = labels.stat().st_mtime_ns
    assert second != first
    labels.write_bytes(b"damaged")
    assert run("report", trial)[0] == 0
    assert labels.read_bytes().startswith(b"%PDF")


@pytest.mark.statistics
def test_without_a_price_the_report_is_written_and_says_what_is_missing(run, trial):
    edited(trial, "price = 15.0\n", "")
    code, out, err = run("measure", trial)
    assert code == 0
    assert "no verdict" not in err
    for name in ("report.html", "report.pdf", "wall-sheet.pdf", "outcome.csv", "outcome.json"):
        assert (trial / "results" / name).stat().st_size > 0, name
    assert "no price given" in (trial / "results" / "report.html").read_text()
    assert json.loads((trial / "results" / "outcome.json").read_text())["bits"][0]["price"] is None
    code, out, _ = run("report", trial)
    assert code == 0
    assert "Bit Wren" in out


def test_without_the_flutes_all_is_measured_and_the_verdict_asked_for(run, trial):
    edited(trial, "flutes = 2\n", "")
    code, _, err = run("measure", trial)
    assert code == 0
    line = next(line for line in err.splitlines() if "no verdict" in line)
    assert line.startswith("wearscope: no verdict and no report yet: ")
    assert "bit.flutes (Wren) is missing, and the outcome needs it; give a whole number" in line
    assert "2 of 2 photos measured" in err
    assert run("measure", trial, "--quiet")[2] == ""


def test_it_can_be_left_out(run, trial, made):
    run("measure", trial, "--no-report")
    assert made == []


def test_no_more_processors_than_asked_for_publish(run, trial, made, monkeypatch):
    asked, really = [], reporting.publish
    monkeypatch.setattr(
        reporting, "publish", lambda *of, jobs, **how: asked.append(jobs) or really(*of, jobs=jobs, **how)
    )
    run("measure", trial, "--jobs", 1)
    (trial / "results" / "report.html").unlink()
    run("measure", trial, "--jobs", 3)
    assert asked == [1, 3]


def test_json_holds_the_verdict_and_the_files(run, trial, made):
    document = json.loads(run("measure", trial, "--json")[1])
    assert document["verdict"] == "Stock Wren."
    assert [Path(path).name for path in document["paths"]["published"]] == list(NAMES)
    document = json.loads(run("measure", trial, "--json", "--no-report")[1])
    assert (document["verdict"], document["paths"]["published"]) == (None, [])


def test_when_every_photo_is_refused_each_says_why_and_no_more(run, trial, made):
    for photo in (trial / "photos").iterdir():
        photo.write_text("refuse")
    code, _, err = run("measure", trial)
    assert (code, made) == (1, [])
    assert [line.split(": ")[1] for line in err.splitlines() if line.startswith("wearscope: ")] == [
        "photos/Wren-0-1.jpg",
        "photos/Wren-120-1.jpg",
    ]
