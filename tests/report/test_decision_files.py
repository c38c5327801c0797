"""The outcome of a trial as files, as a figure and on the command line."""

from __future__ import annotations

import json
from dataclasses import fields, replace

import pytest
from decided import SAMPLE, named, outcome_in_short, rows_of, sample_trial

from wearscope.files import checksum_of
from wearscope.log.logged import LoggedInspection
from wearscope.log.place import LOG_NAME
from wearscope.log.wear_log import WearLog
from wearscope.pipeline.standing import inputs_of, place_of
from wearscope.report.curves import draw_curves, pictures, write_curves
from wearscope.report.decision_files import COLUMNS, write_outcome
from wearscope.report.decision_words import bit_sentences
from wearscope.version import __version__

pytestmark = pytest.mark.usefixtures("few_draws")


@pytest.fixture(scope="module")
def trial():
    return sample_trial()


@pytest.fixture(scope="module")
def outcome():
    return outcome_in_short()


def test_files(outcome, tmp_path):
    as_json, as_csv = write_outcome(tmp_path / "results", outcome)
    document = json.loads(as_json.read_text())
    assert [bit["bit"] for bit in document["bits"]] == ["Wren", "Plover", "Heron"]
    assert document["bits"][0]["life"]["median"] == pytest.approx(named(outcome, "Wren").life.median)
    assert "life_draws" not in document["bits"][0]
    header, *rows = as_csv.read_text().splitlines()
    assert tuple(header.split(",")) == COLUMNS
    assert len(rows) == 3
    assert "" in rows[2].split(",")  # Heron's open ends


def test_the_outcome_carries_all_that_a_report_draws(outcome):
    assert {"verdict", "break_even", "next_checkpoint"} <= {field.name for field in fields(outcome)}
    curve = named(outcome, "Plover").curves[1]
    assert (curve.quantity, curve.limit.value, len(curve.readings)) == ("coating_loss", 0.8, 3)
    for band in (curve.worst, curve.mean):
        assert band.median.shape == curve.parts.shape
        assert (band.low95 <= band.low50).all()
        assert (band.low50 <= band.median).all()
        assert (band.median <= band.high95).all()
        assert band.high95.max() <= 1
    assert curve.worst.median[-1] >= curve.mean.median[-1]


@pytest.mark.statistics
def test_figure(outcome, tmp_path):
    figure = draw_curves(outcome)
    titles = [panel.get_title(loc="left") for panel in figure.axes]
    assert titles[:3] == ["Wren", "Plover", "Heron"]
    assert len(figure.axes) == 5  # Wren has no coating
    assert [panel.get_ylabel() for panel in figure.axes] == ["edge radius, µm", "", "", "coating loss, %", ""]
    assert [panel.get_xlabel() for panel in figure.axes] == ["parts", "", "", "parts", "parts"]
    assert [panel.get_ylabel() for panel in draw_curves(outcome, narrow=True).axes] == 3 * ["edge radius, µm"] + 2 * ["coating loss, %"]  # fmt: skip
    turned = replace(outcome, bits=outcome.bits[::-1])  # the last bit is not the one drawn last
    assert [panel.get_xlabel() for panel in draw_curves(turned, narrow=True).axes] == [
        "",
        "",
        "",
        "",
        "parts",
    ]
    assert [bit_sentences(bit, outcome).count("It has no coating to lose.") for bit in outcome.bits] == [
        1,
        0,
        0,
    ]
    wren, *_ = figure.axes
    bars = [bar for bar in wren.containers if bar.get_label().startswith("flute")]
    assert len(bars) == 2
    assert sorted(bars[0].lines[0].get_ydata()) == sorted(
        row.value for row in named(outcome, "Wren").curves[0].readings if row.flute == 1
    )
    (limit,) = [line for line in wren.lines if line.get_label() == "limit"]
    assert set(limit.get_ydata()) == {40}
    drawn = pictures(lambda: draw_curves(outcome))
    png, svg = write_curves(drawn, tmp_path)
    assert png.read_bytes().startswith(b"\x89PNG")
    assert svg.read_bytes() == drawn.svg
    assert pictures(lambda: draw_curves(outcome)) == drawn
    assert draw_curves(replace(outcome, bits=())) is None
    assert write_curves(pictures(lambda: None), tmp_path / "nowhere") == ()


# --- The command


@pytest.fixture
def logged(trial, tmp_path):
    """A copy of the sample trial's log, as measure would leave it."""
    with WearLog(tmp_path / LOG_NAME) as log:
        for entry, rest_on in inputs_of(trial, trial.photos, {}).items():
            rows = [r for r in rows_of(trial) if (r.bit, r.flute, r.parts, r.view) == place_of(entry)]
            made = (entry.file, checksum_of(entry.path), "", __version__, "2026-01-05", "", rest_on.named())
            log.append(LoggedInspection(trial.name, *place_of(entry), *made), rows)
    return tmp_path


@pytest.mark.statistics
def test_command(run, logged):
    code, out, err = run("outcome", SAMPLE, "--out", logged)
    assert code == 0
    assert out.lstrip().startswith("CHANGE NOW: Wren has cut 300 parts")
    assert "Wren is probably the cheapest per part, with " in out
    assert all(len(line) <= 110 for line in out.splitlines() if not line.startswith("Wren is probably"))
    made = {"outcome.json", "outcome.csv", "wear-curves.png", "wear-curves.svg"}
    assert {path.name for path in (logged / "results").iterdir()} == made | {"kept-curves"}
    assert all(name in err for name in made)
    assert "outcome is now part of wearscope report" in err.splitlines()[0]
    code, out, _ = run("outcome", SAMPLE, "--out", logged, "--json", "--over", "metres")
    kept = json.loads((logged / "results/outcome.json").read_text())
    assert json.loads(out) == kept | {"behind": [], "astray": []}
    # 2.394 m by the program, whatever is stated
    assert json.loads(out)["axis"] == {
        "over": "metres",
        "factor": pytest.approx(2.394, abs=0.001),
        "unit": "m",
    }


def test_command_before_measuring(run, tmp_path):
    code, out, err = run("outcome", SAMPLE, "--out", tmp_path)
    assert (code, out) == (1, "")
    assert "holds no measurement of " in err
    assert "run wearscope measure" in err
    assert list(tmp_path.iterdir()) == []


def test_command_over_something_else(run, tmp_path):
    code, _, err = run("outcome", SAMPLE, "--over", "miles", "--out", tmp_path)
    assert code == 2
    assert "give parts, minutes, metres" in err
