from __future__ import annotations

import csv
import json
import os
import re
import signal
import subprocess
import sys
import time
import tomllib
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pytest
from pypdf import PdfReader
from seldom import seldom

import wearscope
from wearscope import cli, samples
from wearscope.cli import measuring
from wearscope.log.wear_log import WearLog
from wearscope.pipeline import run as batch
from wearscope.pipeline.results import photos_refused

TESTS = Path(__file__).parent

import fake_photos as fake  # noqa: E402

pytestmark = pytest.mark.usefixtures("few_draws", "no_drawing")


@pytest.fixture
def trial(tmp_path, monkeypatch):
    """Folder of a trial that the commands measure with the fake inspector, in this process."""
    fake.write_trial(tmp_path / "trial", bits=("Wren", "Plover"))
    use_fakes(monkeypatch)
    return tmp_path / "trial"


def use_fakes(monkeypatch, *, with_report=False):
    monkeypatch.setattr(
        batch, "measure_trial", partial(_in_this_process, batch.measure_trial, inspector=fake.inspector)
    )
    monkeypatch.setattr(batch, "judge_trial", partial(_in_this_process, batch.judge_trial, judge=fake.judge))
    if not with_report:  # which takes seconds: tests/test_cli_publishing.py
        monkeypatch.setattr(measuring, "publish_changed", lambda *_, **__: None)


def _in_this_process(work, *arguments, jobs, **options):
    return work(*arguments, jobs=1, **options)


def errors(err):
    return [line for line in err.splitlines() if line.startswith("wearscope: ")]


def process(*arguments, **options):
    environment = (
        os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))} | options.pop("env", {})
    )
    return subprocess.run(
        [sys.executable, "-m", "wearscope", *map(str, arguments)],
        capture_output=True,
        encoding="utf-8",
        env=environment,
        timeout=120,
        **options,
    )


# --- measure --------------------------------------------------------------------------------------------


def test_all_measured(run, trial):
    code, out, err = run("measure", trial)
    assert code == 0
    assert errors(err) == []
    assert "12 of 12 photos measured" in err
    assert (trial / "results" / "measurements.csv").is_file()
    assert (trial / "wear-log.sqlite").is_file()
    assert "\x1b" not in out


def test_refused_rows_alone_are_no_refused_photo(run, trial):
    code, out, err = run("measure", trial)  # every later photo has its edge radius refused
    assert code == 0
    assert out.count("refused") == 8
    assert "photos to take again" not in err


def test_a_photo_without_a_number_of_wear_is_not_counted_as_measured(run, trial):
    fake.tell(trial, "Wren", 120, 2, "blind")
    code, _, err = run("measure", trial)
    assert code == 0
    assert "11 of 12 photos measured; 1 more gave no number of wear, and the notes" in err
    run("report", trial, "--static")
    page = (trial / "results" / "report.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert "11 of 12 photos gave numbers" in page
    assert page.count("no number of wear; read the notes") == 1


@pytest.mark.parametrize("how", [(), ("--json",), ("--quiet",), ("--json", "--quiet")])
@pytest.mark.parametrize("word", ["refuse", "crash"])
def test_a_refused_or_failed_photo(run, trial, how, word):
    fake.tell(trial, "Wren", 40, 1, word)
    code, _, err = run("measure", trial, *how)
    assert code == 1
    (line,) = errors(err)
    assert line.startswith("wearscope: photos/Wren-40-1.jpg")
    cure = {"refuse": "focus on the edge and take it again", "crash": "please report this with the photo"}[
        word
    ]
    assert line.endswith(cure)


def test_photos_in_the_wrong_order_are_named(run, trial):
    """A later photo with less wear: no refusal, but a warning and a line of the document."""
    fake.tell(trial, "Wren", 40, 1, "worn 60")
    fake.tell(trial, "Wren", 120, 1, "worn 20")
    code, _, err = run("measure", trial)
    assert code == 0
    (line,) = errors(err)
    assert line.startswith(
        "wearscope: warning: photos/Wren-120-1.jpg (Wren, flute 1, 120 parts, against photos/Wren-40-1.jpg): "
    )
    assert "wear does not heal; look whether the files of these two photos are exchanged" in line
    code, out, err = run("measure", trial, "--json")
    document = json.loads(out)
    assert [f"wearscope: warning: {one}" for one in document["out_of_order"]] == errors(err) == [line]
    doubtful = {row["photo"] for row in document["rows"] if row["reasons"]}
    assert doubtful == {"photos/Wren-40-1.jpg", "photos/Wren-120-1.jpg"}
    assert run("report", trial, "--static")[0] == 0


@pytest.mark.parametrize("command", ["check", "measure"])
def test_one_file_at_two_places_is_wrong_before_any_work(run, trial, command):
    text = (trial / "trial.toml").read_text()
    (trial / "trial.toml").write_text(text.replace("photos/Wren-120-1.jpg", "photos/Wren-40-1.jpg"))
    code, _, err = run(command, trial)
    assert code == 2
    assert 'photo.file is "photos/Wren-40-1.jpg", already the file on line ' in err
    assert not (trial / "results").exists()


@pytest.mark.parametrize("command", ["check", "measure"])
def test_one_picture_at_two_places_is_refused(run, trial, command):
    picture = np.random.default_rng(1).integers(0, 255, (90, 120, 3), np.uint8)
    for file in ("photos/Wren-40-1.jpg", "photos/Plover-40-2.jpg"):
        assert cv2.imwrite(str(trial / file), picture)
    code, _, err = run(command, trial)
    assert code == 1
    one, other = errors(err)
    for line, files in ((one, ("Wren-40-1", "Plover-40-2")), (other, ("Plover-40-2", "Wren-40-1"))):
        assert line.startswith(f"wearscope: photos/{files[0]}.jpg (")
        assert f"is the same picture as photos/{files[1]}.jpg (" in line


def test_json_is_one_document(run, trial):
    fake.tell(trial, "Wren", 40, 1, "refuse")
    fake.tell(trial, "Wren", 120, 1, "sheet")
    fake.tell(trial, "Wren", 120, 2, "glare")
    code, out, err = run("measure", trial, "--json")
    assert code == 1
    document = json.loads(out, parse_constant=pytest.fail)
    assert list(document) == [
        "trial",
        "rows",
        "refused",
        "undrawn",
        "out_of_order",
        "left_as_they_were",
        "astray",
        "verdict",
        "paths",
    ]
    assert document["trial"] == "Birch drawer fronts"
    assert len(document["rows"]) == 4 + 7 * 4
    assert list(document["rows"][0])[:6] == ["bit", "flute", "parts", "view", "quantity", "zone"]
    empty = [row for row in document["rows"] if row["status"] == "refused"]
    assert len(empty) == 7
    assert all(row["value"] is None for row in empty)
    (refused,) = document["refused"]
    assert refused == {
        "bit": "Wren",
        "flute": 1,
        "parts": 40,
        "view": "relief",
        "photo": "photos/Wren-40-1.jpg",
        "refusal": "photos/Wren-40-1.jpg: blurred; focus on the edge and take it again",
    }
    paths = document["paths"]
    assert Path(paths["measurements"]) == trial / "results" / "measurements.csv"
    assert Path(paths["wear_log"]) == trial / "wear-log.sqlite"
    assert [Path(sheet).name for sheet in paths["sheets"]] == ["Wren-flute1-0120parts.png"]
    assert all(Path(path).is_file() for path in [*paths["sheets"], paths["measurements"], paths["refused"]])
    assert "wearscope: warning: photos/Wren-120-2.jpg: glare" in err


def test_budget_is_printed_largest_first(run, trial):
    code, out, err = run("measure", trial, "--budget")
    assert code == 0
    assert errors(err) == []
    assert out.count("To improve next: photograph the graticule again") == 8  # one for each later photo
    table = out[out.index("Bit Wren, flute 1, after 120 parts: edge recession, used minus unused") :]
    assert "40.0 ± 4.1 µm" in table
    scale, light = re.findall(
        r"^ *(scale|light across the edge) +(.+?) +(\d\.\d) +(\d+%) *$", table, re.MULTILINE
    )[:2]
    assert scale == ("scale", "2 %", "3.3", "64%")
    assert light == ("light across the edge", "–", "2.5", "36%")
    assert "To improve next" not in run("measure", trial)[1]
    assert run("measure", trial, "--budget", "--quiet")[1] == ""


def test_budget_in_json(run, trial):
    plain = json.loads(run("measure", trial, "--json")[1])
    document = json.loads(run("measure", trial, "--json", "--budget")[1], parse_constant=pytest.fail)
    for row, bare in zip(document["rows"], plain["rows"], strict=True):
        lines = row.pop("budget")
        assert row == bare
        assert row["dof"] is None
        assert bool(lines) is (row["quantity"] == "edge_recession")
        if lines:
            assert [line["name"] for line in lines] == ["scale", "light across the edge"]
            assert sum(line["share"] for line in lines) == pytest.approx(1.0)
            together = sum(line["contribution"] ** 2 for line in lines) ** 0.5
            assert together == pytest.approx(row["std_uncertainty"])


def test_the_wear_log_and_the_table_hold_no_budgets(run, trial):
    def kept():
        log = WearLog(trial / "wear-log.sqlite")
        with log:
            return (trial / "results" / "measurements.csv").read_bytes(), log.current(
                trial="Birch drawer fronts"
            )

    run("measure", trial)
    before = kept()
    run("measure", trial, "--budget")
    assert kept() == before


def test_quiet_says_nothing_when_all_is_well(run, trial):
    fake.tell(trial, "Wren", 120, 2, "glare")
    assert run("measure", trial, "--quiet") == (0, "", "")
    code, out, err = run("measure", trial, "--quiet", "--json")
    assert (code, err) == (0, "")
    json.loads(out)


def test_the_summary_reads_well_at_80_columns(run, trial, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    fake.tell(trial, "Wren", 40, 1, "refuse")
    fake.tell(trial, "Plover", 120, 1, "worn 1234.5678")
    _, out, _ = run("measure", trial)
    lines = [line.rstrip() for line in out.splitlines()]
    assert max(map(len, lines)) <= 80
    assert "\x1b" not in out
    plover, wren = lines.index("Bit Plover"), lines.index("Bit Wren")
    assert wren < plover, "in the order of the trial file"
    of_wren = [re.split(r" {2,}", line.strip()) for line in lines[wren:plover]]
    assert ["1", "new", "–", "–", "–", "4.2"] in of_wren
    assert ["1", "40", "–", "–", "–", "refused"] in of_wren
    at = of_wren.index(["2", "40", "13.3 ± 1.5", "refused", "31 ± 23", "4.2"])
    assert of_wren[at + 1] == ["doubtful"]
    assert any("1230 ± 120" in line for line in lines[plover:])
    assert "95 times in 100" in lines[-1]


def test_out_says_where(run, trial, tmp_path):
    code, _, err = run("measure", trial / "trial.toml", "--out", tmp_path / "new" / "place")
    assert code == 0
    assert (tmp_path / "new" / "place" / "results" / "measurements.csv").is_file()
    assert (tmp_path / "new" / "place" / "wear-log.sqlite").is_file()
    assert not (trial / "results").exists()
    assert str(Path("new") / "place" / "results") in err


def test_a_folder_means_its_trial_file(run, trial, monkeypatch):
    monkeypatch.chdir(trial)
    assert run("measure", ".", "--json")[:2] == run("measure", "trial.toml", "--json")[:2]


def test_a_folder_that_cannot_be_written(run, trial, tmp_path):
    (tmp_path / "taken").write_text("mine")
    code, out, err = run("measure", trial, "--out", tmp_path / "taken", "--json")
    assert (code, out) == (1, "")
    assert len(errors(err)) == 1
    assert "--out" in err


# --- what is wrong before any work ----------------------------------------------------------------------


@pytest.mark.parametrize("command", ["measure", "check"])
def test_a_wrong_trial_leaves_everything_as_it_was(run, trial, command):
    run("measure", trial)
    before = {path: path.read_bytes() for path in trial.rglob("*") if path.is_file()}
    path = trial / "trial.toml"
    wrong = path.read_text().replace("price = 15.0", 'price = "cheap"').replace("spindle_rpm", "spindel_rpm")
    path.write_text(wrong)
    code, out, err = run(command, trial, "--json")
    assert (code, out) == (2, "")
    lines = errors(err)
    assert lines == err.splitlines()
    assert len(lines) >= 3, "all at once: two prices and a misspelt key"
    assert any("spindel_rpm" in line for line in lines)
    after = {path: path.read_bytes() for path in trial.rglob("*") if path.is_file()}
    assert after == before | {path: wrong.encode()}


@pytest.mark.parametrize("command", ["measure", "check"])
def test_a_wrong_trial_makes_no_log(run, tmp_path, command):
    (tmp_path / "trial.toml").write_text("[trial\n")
    code, out, err = run(command, tmp_path)
    assert (code, out) == (2, "")
    assert errors(err)
    assert [path.name for path in tmp_path.iterdir()] == ["trial.toml"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["measure"], "name the trial file, or the folder that holds it as trial.toml"),
        (["check"], "wearscope demo"),
        (["measure", "gone.toml"], "gone.toml"),
        (["measure", "."], "trial.toml"),
        (["measure", "x", "--colour"], "--colour"),
        (["measure", "x", "--jobs", "0"], "--jobs"),
        (["measure", "x", "--jobs", "many"], "--jobs"),
        (["measur", "x"], "measur"),
        (["calibrate"], "PHOTO"),
        (["calibrate", "gone.png", "--division-um", "100"], "gone.png"),
        (["calibrate", __file__, "--division-um", "0"], "division in µm"),
        (["calibrate", __file__, "--division-um", "nan"], "division in µm"),
        (["calibrate", __file__], "--division-um"),
    ],
    ids=" ".join,
)
def test_a_wrong_command_line(run, tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    code, out, err = run(*arguments)
    assert (code, out) == (2, "")
    (line,) = err.splitlines()
    assert line.startswith("wearscope: ")
    assert said in line
    assert list(tmp_path.iterdir()) == []


def test_no_command_shows_the_help_and_is_an_error(run):
    code, out, err = run()
    assert (code, out) == (2, "")
    assert "measure" in err


@pytest.mark.parametrize("content", [b"my letters" * 500, None], ids=["letters", "newer"])
def test_a_log_that_cannot_be_used_is_left_as_it_was(run, trial, content):
    path = trial / "wear-log.sqlite"
    if content is None:
        run("measure", trial)
        import sqlite3

        with sqlite3.connect(path) as other:
            other.execute("UPDATE wear_log SET schema_version = 99")
        other.close()
    else:
        path.write_bytes(content)
    before = path.read_bytes()
    code, out, err = run("measure", trial, "--json")
    assert (code, out) == (1, "")
    (line,) = err.splitlines()
    assert "wear-log.sqlite" in line
    assert "--out" in line
    assert path.read_bytes() == before


# --- interrupted ----------------------------------------------------------------------------------------


def test_interrupted(run, trial):
    fake.tell(trial, "Wren", 120, 1, "interrupt")
    code, out, err = run("measure", trial, "--json")
    assert (code, out) == (130, "")
    assert errors(err) == ["wearscope: interrupted; what was finished is kept"]
    with WearLog(trial / "wear-log.sqlite") as log:
        assert {(r.bit, r.parts) for r in log.current()} >= {("Wren", 0), ("Wren", 40)}


SLOW = """
import sys
sys.path.append({tests!r})
from functools import partial
import fake_photos as fake
from wearscope.pipeline import run as batch
from wearscope.pipeline.results import photos_refused
from wearscope import cli

if __name__ == "__main__":
    batch.measure_trial = partial(batch.measure_trial, inspector=fake.inspector)
    sys.exit(cli.main())
"""


@pytest.mark.statistics
@pytest.mark.skipif(sys.platform == "win32", reason="needs process groups")
def test_ctrl_c(tmp_path):
    fake.write_trial(tmp_path, bits=("A",), parts=(0, 40, 120))
    for flute in (1, 2):
        for parts in (40, 120):
            fake.tell(tmp_path, "A", parts, flute, "seconds 3")
    (tmp_path / "slow.py").write_text(SLOW.format(tests=str(TESTS / "support")))
    command = [sys.executable, str(tmp_path / "slow.py"), "measure", str(tmp_path), "--jobs", "2"]
    child = subprocess.Popen(
        command,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        start_new_session=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    log = WearLog(tmp_path / "wear-log.sqlite")
    deadline = time.monotonic() + 240  # only against hanging: a busy machine takes long to start workers
    while time.monotonic() < deadline and not ((tmp_path / "wear-log.sqlite").exists() and log.current()):
        time.sleep(0.2)
    os.killpg(child.pid, signal.SIGINT)
    out, err = child.communicate(timeout=120)
    assert (child.returncode, out) == (130, "")
    assert err.splitlines() == ["wearscope: interrupted; what was finished is kept"]
    assert log.current()


# --- check ----------------------------------------------------------------------------------------------


def test_check(run, trial):
    before = sorted(trial.rglob("*"))
    code, out, err = run("check", trial)
    assert (code, err) == (0, "")
    assert out.count("fit ") == 12
    fake.tell(trial, "Wren", 40, 1, "glare")
    code, out, err = run("check", trial)
    assert (code, err) == (0, "")
    assert "photos/Wren-40-1.jpg: 12 % is glare; move the lamp" in out
    fake.tell(trial, "Wren", 40, 2, "refuse")
    fake.tell(trial, "Wren", 120, 2, "crash")
    code, out, err = run("check", trial)
    assert code == 1
    assert len(errors(err)) == 2
    assert sorted(trial.rglob("*")) == before
    assert max(map(len, out.splitlines())) <= 80


def test_check_json(run, trial):
    fake.tell(trial, "Wren", 40, 2, "refuse")
    fake.tell(trial, "Wren", 120, 2, "crash")
    code, out, err = run("check", trial, "--json")
    assert code == 1
    assert len(errors(err)) == 2
    document = json.loads(out)
    assert list(document) == ["trial", "fairness", "photos"]
    verdicts = {photo["photo"]: photo["verdict"] for photo in document["photos"]}
    assert len(verdicts) == 12
    assert [name for name, verdict in verdicts.items() if verdict == "refused"] == [
        "photos/Wren-40-2.jpg",
        "photos/Wren-120-2.jpg",
    ]


# --- scale ----------------------------------------------------------------------------------------------

KEYS = ["um_per_px_x", "u_um_per_px_x", "um_per_px_y", "u_um_per_px_y", "status", "note"]


@pytest.fixture
def graticule(tmp_path):
    """Photo of upright lines 28.57 px apart: at 100 µm per division, 3.5 µm per pixel."""
    x = np.arange(800) - 400
    phase = x / (100 / 3.5)
    distance = np.abs(phase - np.round(phase)) * (100 / 3.5)
    picture = np.tile(230 - 180 * np.exp(-(distance**2) / (2 * 1.5**2)), (600, 1))
    noise = np.random.default_rng(1).normal(0, 2, picture.shape)
    cv2.imwrite(str(tmp_path / "graticule.png"), np.clip(picture + noise, 0, 255).astype(np.uint8))
    return tmp_path / "graticule.png"


def test_scale(run, graticule):
    code, out, err = run("calibrate", graticule, "--division-um", "100", "--json")
    assert (code, err) == (0, "")
    document = json.loads(out)
    assert list(document) == KEYS
    assert document["status"] in ("ok", "doubtful")
    assert document["um_per_px_x"] == pytest.approx(3.5, rel=5e-4)  # the stated limit for a graticule
    assert 0 < document["u_um_per_px_x"] < document["u_um_per_px_y"], "upright lines do not show rows"
    code, out, _ = run("calibrate", graticule, "--division-um", "100")
    assert code == 0
    assert f"{document['um_per_px_x']:.7g} ± {1.96 * document['u_um_per_px_x']:.2g} µm per pixel" in out


@pytest.mark.parametrize("what", ["blank", "not a picture"])
def test_scale_refused(run, tmp_path, what):
    path = tmp_path / "desk.png"
    if what == "blank":
        cv2.imwrite(str(path), np.full((400, 600), 128, np.uint8))
    else:
        path.write_text("letters")
    code, out, err = run("calibrate", path, "--division-um", "100", "--json")
    assert code == 1
    document = json.loads(out)
    assert list(document) == KEYS
    assert document["status"] == "refused"
    assert [document[key] for key in KEYS[:4]] == [None] * 4
    assert errors(err) == [f"wearscope: {document['note']}"]
    assert "desk.png" in document["note"]
    code, out, _ = run("calibrate", path, "--division-um", "100")
    assert (code, out) == (1, "")


# --- demo -----------------------------------------------------------------------------------------------


@pytest.fixture
def sample(tmp_path, monkeypatch):
    """A small sample trial in place of the real one, measured with the fake inspector."""
    fake.write_trial(tmp_path / "sample", bits=("Wren",))
    (tmp_path / "sample" / "make_photos.py").write_text("# how the pictures were made")
    monkeypatch.setattr(samples, "sample_trial_folder", lambda: tmp_path / "sample")
    use_fakes(monkeypatch, with_report=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path / "sample"


def test_demo(run, sample, tmp_path):
    before = sorted(sample.rglob("*"))
    code, out, err = run("demo")
    assert code == 0
    assert "Wren" in out
    assert str(Path("wearscope-demo") / "results" / "measurements.csv") in err
    assert (tmp_path / "wearscope-demo" / "results" / "measurements.csv").is_file()
    assert not (tmp_path / "wearscope-demo" / "make_photos.py").exists()
    assert sorted(sample.rglob("*")) == before
    assert "Nothing can be said of life and cost yet" in out  # the small sample names no limits
    results = tmp_path / "wearscope-demo" / "results"
    assert (results / "outcome.json").is_file()
    assert str(Path("wearscope-demo") / "results" / "report.html") in err
    assert (results / "report.html").read_text(encoding="utf-8").rstrip().endswith("</html>")
    assert (results / "report.pdf").read_bytes().startswith(b"%PDF-")


def test_demo_again_puts_the_files_back_and_logs_nothing_twice(run, sample, tmp_path):
    run("demo", "here")
    log = (tmp_path / "here" / "wear-log.sqlite").read_bytes()
    (tmp_path / "here" / "trial.toml").write_text("spoilt")
    code, _, _ = run("demo", "here")
    assert code == 0
    assert (tmp_path / "here" / "wear-log.sqlite").read_bytes() == log


def test_demo_writes_over_nobodys_files(run, sample, tmp_path):
    (tmp_path / "here").mkdir()
    (tmp_path / "here" / "trial.toml").write_text("mine")
    code, out, err = run("demo", "here")
    assert (code, out) == (2, "")
    assert "holds other files" in err
    assert [path.name for path in (tmp_path / "here").iterdir()] == ["trial.toml"]
    assert (tmp_path / "here" / "trial.toml").read_text() == "mine"


def test_demo_into_an_empty_folder_and_onto_a_file(run, sample, tmp_path):
    (tmp_path / "empty").mkdir()
    assert run("demo", "empty")[0] == 0
    (tmp_path / "file").write_text("mine")
    code, _, err = run("demo", "file")
    assert code != 0
    assert len(errors(err)) == 1


def test_the_sample_trial_is_found_and_is_a_trial():
    from wearscope.trial import load_trial

    folder = samples.sample_trial_folder()
    assert (folder / "photos").is_dir()
    assert load_trial(folder).photos


def test_a_wheel_holds_every_package_and_the_sample_trial():
    root = Path(wearscope.__file__).parents[1]
    if not (root / "pyproject.toml").is_file():
        pytest.skip("not a checkout")
    setuptools = tomllib.loads((root / "pyproject.toml").read_text())["tool"]["setuptools"]
    named = {name for name in setuptools["packages"] if name.partition(".")[0] == "wearscope"}
    found = {".".join(path.parent.relative_to(root).parts) for path in root.glob("wearscope/**/__init__.py")}
    assert named == found | {"wearscope.sample_images", "wearscope.sample_images.photos"}
    assert setuptools["package-dir"]["wearscope.sample_images"] == "sample_images"


# --- report and export ----------------------------------------------------------------------------------


def test_report(run, trial, tmp_path):
    fake.tell(trial, "Wren", 120, 2, "refuse")
    run("measure", trial)
    code, out, err = run("report", trial, "--static")
    assert code == 0
    assert out.startswith("Nothing can be said of life and cost yet.")
    written = [line.split()[-1].rpartition("/")[2] for line in err.splitlines()[1:]]
    assert written[:2] == ["report.html", "report.pdf"]
    assert {"wall-sheet.pdf", "tables.xlsx", "outcome.json", "wear-curves.png"} <= set(written)
    assert all((trial / "results" / name).stat().st_size for name in written)
    page = (trial / "results" / "report.html").read_text(encoding="utf-8")
    assert "photos/Wren-120-2.jpg: blurred; focus on the edge and take it again" in page
    assert "11 of 12 photos gave numbers" in page.replace("\N{NO-BREAK SPACE}", " ")
    assert len(page) < 1_000_000
    code, out, err = run("report", trial, "--json", "--static")
    assert (code, err) == (0, "")
    assert json.loads(out)["verdict"]
    assert json.loads(out)["paths"]["html"] == str(trial / "results" / "report.html")


@pytest.mark.parametrize("said", ["3,487", "-0,5"])
def test_a_decimal_comma_in_an_option_is_explained_as_in_the_trial_file(run, said):
    for arguments in (("--um-per-px", said), (f"--um-per-px={said}",)):
        code, _, err = run("calibrate", "photo.png", *arguments)
        assert code == 2
        assert f"'--um-per-px': {said} is not read as a number; write decimals with a point: {said.replace(',', '.')}" in err  # fmt: skip
    code, _, err = run("calibrate", "photo.png", "--um-per-px", "wide", "--division-um", "1,5")
    assert code == 2
    assert "'--um-per-px': give a number;" in err  # the first that is wrong, not the one with a comma


def test_what_is_printed_without_being_asked_for_has_no_jargon(run, trial):
    for parts, flute in ((40, 1), (120, 1), (120, 2)):
        fake.tell(trial, "Plover", parts, flute, f"worn {parts / 2}")
    said = "".join("".join(run(command, trial)[1:]) for command in ("measure", "check"))
    assert "± holds the truth 95 times in 100" in said
    assert not re.findall(fake.JARGON, said, re.IGNORECASE)


@pytest.mark.statistics
def test_what_is_unfair_stands_beside_the_verdict(run, trial, drawn):
    text = (trial / "trial.toml").read_text()
    slower = 'name = "Plover"\nspindle_rpm = 12000\nmax_rpm = 10000'
    (trial / "trial.toml").write_text(text.replace('name = "Plover"', slower))
    run("measure", trial)
    _, _, err = run("report", trial, "--static")
    danger, unfair = errors(err)
    assert "DANGER: Plover runs at 12000 rpm" in danger
    assert "NOT FAIR" in unfair
    assert "spindle speed: Wren 18000 rpm; Plover 12000 rpm" in unfair
    page = (trial / "results" / "report.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    head = page[page.index("<header>") : page.index("</header>")]
    for warning in (danger, unfair):
        assert warning.removeprefix("wearscope: ").replace("'", "&#39;") in head
    first = PdfReader(trial / "results" / "report.pdf").pages[0].extract_text()
    assert "NOT FAIR" in first
    assert "DANGER" in first


def test_the_names_of_before_04_go_on_working_and_say_what_they_are_now(run, trial):
    run("measure", trial)
    before = (trial / "results" / "measurements.csv").read_bytes()
    code, out, err = run("export", trial, "--parquet")
    assert (code, out) == (0, "")
    moved = "wearscope: {} is now part of wearscope {}; the old name goes away with version 0.5"
    first, _, *files = err.splitlines()
    assert first == moved.format("export", "report")
    names = {Path(line.split()[-1]).name for line in files}
    stems = ("by-photo", "outcome", "measurements", "wear-log", "notes")
    assert names == {f"{stem}.{suffix}" for stem in stems for suffix in ("csv", "parquet")} | {"tables.xlsx", "wall-sheet.pdf", "labels.pdf"}  # fmt: skip
    assert all((trial / "results" / name).stat().st_size for name in names)
    assert (trial / "results" / "measurements.csv").read_bytes() == before
    code, out, err = run("outcome", trial, "--json")
    assert code == 0
    assert err.splitlines()[0] == moved.format("outcome", "report")
    assert json.loads(out) == json.loads((trial / "results" / "outcome.json").read_text()) | {
        "behind": [],
        "astray": [],
    }
    assert set(cli_commands(run)) & {"outcome", "export", "scale", "light"} == set(), (
        "the help lists the new ones"
    )


def cli_commands(run):
    return re.findall(r"^  ([a-z]+) ", run()[2], re.MULTILINE)


@pytest.mark.parametrize("command", ["report"])
def test_when_every_photo_was_refused(run, trial, command):
    for photo in (trial / "photos").iterdir():
        photo.write_text("refuse")
    run("measure", trial)
    code, _, err = run(command, trial)
    assert code == 1
    assert "no photo of Birch drawer fronts could be measured; do what " in err
    assert "refused.csv says of each" in err


@pytest.mark.parametrize("command", ["report"])
def test_before_anything_is_measured(run, trial, command):
    code, out, err = run(command, trial)
    assert (code, out) == (1, "")
    assert errors(err) == [f"wearscope: {trial / 'wear-log.sqlite'} holds no measurement of Birch drawer fronts; run wearscope measure {trial / 'trial.toml'}"]  # fmt: skip
    assert not (trial / "results").exists()


@pytest.fixture
def ruled(trial):
    """The trial on a graticule of 100 µm that can be read."""
    x = np.arange(800) - 400
    lines = np.abs((x + 14) % 28 - 14) < 2
    cv2.imwrite(str(trial / "graticule.png"), np.tile(np.where(lines, 40, 220), (600, 1)).astype(np.uint8))
    by_graticule = 'graticule = "graticule.png"\ndivision_um = 100'
    edited(trial, "um_per_px = 3.5\nu_um_per_px = 0.01", by_graticule)
    return trial


def edited(trial, old, new):
    text = (trial / "trial.toml").read_text()
    assert old in text
    (trial / "trial.toml").write_text(text.replace(old, new))


@pytest.mark.parametrize("command", ["report"])
def test_no_verdict_from_numbers_by_another_scale(run, ruled, command):
    run("measure", ruled)
    assert run(command, ruled)[0] == 0
    made = {path: path.read_bytes() for path in (ruled / "results").iterdir() if path.is_file()}
    edited(ruled, "division_um = 100", "division_um = 200")
    code, out, err = run(command, ruled)
    assert (code, out) == (1, "")
    first, *_, last = errors(err)
    assert first.startswith("wearscope: out of date (changed since: division_um): photos/Wren-0-1.jpg, ")
    assert last == (
        "wearscope: no number of Birch drawer fronts holds any more; "
        f"run wearscope measure {ruled / 'trial.toml'}"
    )
    assert {path: path.read_bytes() for path in (ruled / "results").iterdir() if path.is_file()} == made
    run("measure", ruled)
    code, _, err = run(command, ruled)
    assert (code, errors(err)) == (0, [])


@pytest.mark.parametrize("command", ["report"])
def test_no_verdict_once_the_graticule_is_refused(run, ruled, command):
    run("measure", ruled)
    (ruled / "graticule.png").write_bytes(b"not a picture")
    code, _, _ = run("measure", ruled)
    assert code == 1
    code, out, err = run(command, ruled)
    assert (code, out) == (1, "")
    (line,) = errors(err)
    assert "no photo of Birch drawer fronts could be measured" in line


@pytest.mark.parametrize("command", ["report"])
def test_what_is_out_of_date_or_missing_is_said_first(run, trial, command):
    run("measure", trial)
    fake.tell(trial, "Wren", 120, 2, "worn 50")
    fake.tell(trial, "Plover", 200, 1, "worn 60")
    (trial / "trial.toml").write_text(
        (trial / "trial.toml").read_text() + fake.PHOTO.format(bit="Plover", flute=1, parts=200)
    )
    code, out, err = run(command, trial, "--json")
    assert code == 1
    cure = f"run wearscope measure {trial / 'trial.toml'}"
    lines = [
        f"out of date (changed since: the photo itself): photos/Wren-120-2.jpg; {cure}",
        f"not measured yet: photos/Plover-200-1.jpg; {cure}",
    ]
    assert errors(err)[:2] == [f"wearscope: {line}" for line in lines]
    assert json.loads(out)["behind"] == lines
    if command == "report":
        page = (trial / "results" / "report.html").read_text(encoding="utf-8")
        head = page[page.index("<header>") : page.index("</header>")].replace("\N{NO-BREAK SPACE}", " ")
        assert all(line in head for line in lines)
        assert "Out of date, changed since: the photo itself" in page
    run("measure", trial)
    code, out, err = run(command, trial, "--json")
    assert (code, json.loads(out)["behind"]) == (0, [])
    assert not any("photos/" in line for line in errors(err))


def test_the_cure_names_the_folder_that_was_named(run, trial, tmp_path):
    run("measure", trial, "--out", tmp_path / "there")
    fake.tell(trial, "Wren", 120, 2, "worn 50")
    code, _, err = run("report", trial, "--static", "--out", tmp_path / "there")
    assert code == 1
    assert errors(err)[0].endswith(f"run wearscope measure {trial / 'trial.toml'} --out {tmp_path / 'there'}")


def test_measure_says_what_it_left_as_it_was(run, trial, monkeypatch):
    monkeypatch.setattr(
        "wearscope.report.sheets.comparison.draw_sheet", lambda path, **_what: path.write_bytes(b"sheet")
    )
    for photo in (trial / "photos").iterdir():
        photo.write_text(f"sheet {photo.stem}")
    code, first, err = run("measure", trial)
    assert (code, "left as they were" in err) == (0, False)
    rows = (trial / "results" / "measurements.csv").read_bytes()
    code, out, err = run("measure", trial)
    assert (code, out) == (0, first)
    assert "All 12 photos rest on nothing that has changed and were left as they were" in err
    assert (trial / "results" / "measurements.csv").read_bytes() == rows
    assert json.loads(run("measure", trial, "--json")[1])["left_as_they_were"] == 12
    fake.tell(trial, "Wren", 40, 1, "refuse")
    code, _, err = run("measure", trial)
    assert code == 1
    assert "11 of 12 photos rest on nothing that has changed" in err
    code, _, err = run("measure", trial)
    assert code == 1, "it is refused still"
    assert errors(err) == ["wearscope: photos/Wren-40-1.jpg: blurred; focus on the edge and take it again"]
    assert "left as they were" not in run("measure", trial, "--again")[2]


def test_a_spoilt_list_of_refusals(run, trial):
    run("measure", trial)
    (trial / "results" / "refused.csv").write_text("bit,flute\nWren,two\n")
    code, _, err = run("report", trial, "--static")
    assert code == 1
    assert "refused.csv cannot be read" in err
    assert not (trial / "results" / "report.html").exists()


def test_a_report_that_cannot_be_written_leaves_the_old_one(run, trial, monkeypatch):
    run("measure", trial)
    run("report", trial, "--static")
    before = {name: (trial / "results" / name).read_bytes() for name in ("report.html", "report.pdf")}

    def full(self, _target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    code, _, err = run("report", trial)
    assert code == 1
    assert "report.html cannot be written (No space left on device)" in err
    assert {name: (trial / "results" / name).read_bytes() for name in before} == before
    assert not [path for path in (trial / "results").iterdir() if path.name.startswith(".")]


def test_without_the_viewer_it_says_how_to_install_it(tmp_path, capsys, monkeypatch):
    import importlib.util

    find = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "napari" else find(name))
    assert cli.main(["view", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert "[viewer]" in said


# --- the process as a whole -----------------------------------------------------------------------------


def test_version():
    assert process("--version").stdout == f"wearscope {wearscope.__version__}\n"


def test_info_says_what_works_and_what_to_install_for_the_rest(run, monkeypatch):
    from wearscope.cli import self_check

    monkeypatch.setattr(self_check, "find_spec", lambda name: None)
    code, out, _ = run("info")
    lines = {line[8:].partition(":")[0]: line for line in out.partition("\n\n")[0].splitlines()}
    assert list(lines)[:4] == ["photos", "edges", "wear log", "fonts"]
    assert all(lines[part].startswith("works") for part in list(lines)[:4])
    for part in ("viewer", "PostgreSQL", "packed TIFF", "recordings", "Parquet", "cluster"):
        assert lines[part].startswith("absent"), part
        assert "pip install" in lines[part], part
    assert code == 0
    assert f"numpy {np.__version__}\n" in out
    code, out, _ = run("info", "--json")
    document = json.loads(out)
    assert [check["part"] for check in document["checks"]] == list(lines)
    assert document["versions"]["numpy"] == np.__version__


def test_info_ends_with_1_where_nothing_could_be_measured(run, monkeypatch):
    from wearscope.imaging import photo

    def broken(path, content):
        raise ImportError("libpng is not here")

    monkeypatch.setattr(photo, "photo_of", broken)
    code, out, _ = run("info")
    assert code == 1
    assert out.startswith("BROKEN  photos: fails (ImportError: libpng is not here); install wearscope again")


def test_an_argument_that_is_no_text(run, trial):
    code, out, err = run("note", trial, "--bit", "Wren", "--parts", "0", "--remark", "caf\udce9")
    assert (code, out) == (2, "")
    assert err.startswith('wearscope: the command line holds what is not UTF-8: "caf')
    assert "\udce9" not in err


@pytest.mark.skipif(sys.platform != "linux", reason="names of files are bytes there")
def test_a_file_name_that_is_no_text(run, trial):
    text = (trial / "trial.toml").read_text()
    pattern = '[photos]\npattern = "photos/{bit}-{parts}-{flute}.jpg"\n'
    (trial / "trial.toml").write_text(text[: text.index("[[photo]]")] + pattern)
    os.rename(trial / "photos" / "Wren-40-1.jpg", os.fsencode(trial) + b"/photos/Wr\xe9n-40-1.jpg")  # noqa: PTH104
    code, out, err = run("check", trial)
    assert (code, out) == (2, "")
    assert "is not in UTF-8; rename it or move it away" in err
    assert re.search(r"Wr\\udce9n-40-1\.jpg", err), "it is shown, and named"


def test_a_sheet_that_is_missing_is_said_and_is_no_success(run, trial, monkeypatch):
    from wearscope.log import export

    fake.tell(trial, "Wren", 40, 1, "sheet")
    real = export.replace_file

    def full(path, content):
        if path.suffix == ".png":
            raise OSError(28, "No space left on device")
        real(path, content)

    monkeypatch.setattr("wearscope.report.sheets.page.replace_file", full)
    for how in (["-q"], ["--json"], []):
        code, out, err = run("measure", trial, *how)
        assert code == 1, how
        (line,) = errors(err)
        assert (
            "photos/Wren-40-1.jpg: its comparison sheet cannot be written (No space left on device)" in line
        )
        if how == ["--json"]:
            assert json.loads(out)["undrawn"] == [line.removeprefix("wearscope: ")]
    monkeypatch.undo()


def test_hostile_names_reach_neither_terminal_nor_spreadsheet(run, tmp_path, monkeypatch):
    fake.write_trial(tmp_path, bits=("=cmd\\u001b]52;c;AAAA\\u0007",), flutes=(1,), parts=(0, 40))
    use_fakes(monkeypatch)
    bit = "=cmd\x1b]52;c;AAAA\x07"
    name = next((tmp_path / "photos").iterdir()).name
    text = (tmp_path / "trial.toml").read_text()
    for parts in (0, 40):
        old = f"photos/=cmd\\u001b]52;c;AAAA\\u0007-{parts}-1.jpg"
        assert old in text, name
        (tmp_path / "photos" / f"=x-{parts}.jpg").write_text(f"photo {parts}")
        text = text.replace(old, f"photos/=x-{parts}.jpg")
    (tmp_path / "trial.toml").write_text(text)
    fake.tell(tmp_path, "=x", 40, 1, "x")
    (tmp_path / "photos" / "=x-40.jpg").write_text("refuse")
    for command in (["measure"], ["check"], ["past"], ["outcome"], ["export"], ["note", "--bit", bit]):
        _, out, err = run(command[0], tmp_path, *command[1:])
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f]", out + err), command
    assert list((tmp_path / "results").glob("*.csv"))
    for path in (tmp_path / "results").glob("*.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            assert not [cell for row in csv.reader(file) for cell in row if cell.startswith("=")], path
    (refused,) = photos_refused(tmp_path / "results")
    assert refused[0] == bit


def test_help_imports_nothing_heavy():
    code = (
        "import sys; from wearscope.cli import main; main(['--help'])\n"
        "heavy = {'numpy', 'cv2', 'scipy', 'skimage', 'matplotlib', 'pandas', 'sqlalchemy', 'pydantic'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True
    )
    assert said.stderr == "[]\n"
    assert "measure" in said.stdout


@pytest.mark.statistics
def test_a_real_process_with_an_ascii_terminal(tmp_path, graticule):
    said = process("calibrate", graticule, "--division-um", "100", env={"PYTHONIOENCODING": "ascii"})
    assert (said.returncode, said.stderr) == (0, "")
    assert "m per pixel" in said.stdout
    said = process("measure", tmp_path / "gone", "--json")
    assert (said.returncode, said.stdout) == (2, "")
    assert said.stderr.startswith("wearscope: ")


@pytest.mark.statistics
@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
@pytest.mark.parametrize("no_color", [False, True])
def test_bar_and_colour_only_on_a_terminal(tmp_path, no_color):
    import pty

    fake.write_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0, 40))
    for parts in (0, 40):
        fake.tell(tmp_path, "A", parts, 1, "refuse")  # or a report would be drawn, which takes longest
    (tmp_path / "slow.py").write_text(SLOW.format(tests=str(TESTS / "support")))
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path)), "TERM": "xterm"}
    environment = environment | ({"NO_COLOR": "1"} if no_color else {})
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, str(tmp_path / "slow.py"), "measure", str(tmp_path), "--json", "--jobs", "1"],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=theirs,
    )
    os.close(theirs)
    out, _ = child.communicate(timeout=60)
    seen = b""
    while True:
        try:
            piece = os.read(ours, 4096)
        except OSError:
            break
        if not piece:
            break
        seen += piece
    os.close(ours)
    json.loads(out)
    assert b"Measuring" in seen
    assert bool(re.search(rb"\x1b\[[0-9;]*3[0-9]", seen)) is not no_color


@pytest.mark.statistics
def test_importing_leaves_logging_and_warnings_alone():
    code = (
        "import logging, warnings; before = (logging.root.handlers[:], warnings.filters[:])\n"
        "import wearscope.cli, wearscope.pipeline.run, wearscope.samples\n"
        "assert (logging.root.handlers, [f for f in warnings.filters if f in before[1]]) == before"
    )
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    subprocess.run([sys.executable, "-c", code], env=environment, check=True)


# --- light ----------------------------------------------------------------------------------------------

PIN = TESTS.parent / "sample_images" / "photos" / "pin.jpg"
GRATICULE = TESTS.parent / "sample_images" / "photos" / "graticule.jpg"


def test_light_prints_what_a_trial_file_takes(run, tmp_path):
    smaller = tmp_path / "pin.png"  # as good, and sooner
    assert cv2.imwrite(
        str(smaller), cv2.resize(cv2.imread(str(PIN)), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    )
    code, out, err = run("calibrate", smaller, "--pin-diameter-mm", "1.5")
    assert (code, errors(err)) == (0, [])
    pasted = tomllib.loads(out)
    assert set(pasted) == {"ring_angle_deg", "u_ring_angle_deg"}
    assert abs(pasted["ring_angle_deg"] - 40.0) < 1.96 * pasted["u_ring_angle_deg"]


@pytest.mark.statistics
@pytest.mark.parametrize(
    "scale",
    [
        seldom(()),
        seldom(("--um-per-px", "3.418", "--u-um-per-px", "0.003")),
        ("--graticule", GRATICULE, "--division-um", "100"),
    ],
)
def test_light_as_json(run, scale):
    code, out, _ = run("calibrate", PIN, "--pin-diameter-mm", "1.5", *scale, "--json")
    document = json.loads(out)
    assert code == 0
    assert list(document) == [
        "ring_angle_deg",
        "u_ring_angle_deg",
        "diameter_px",
        "u_diameter_px",
        "status",
        "note",
    ]
    assert document["status"] == "ok"
    assert document["diameter_px"] == pytest.approx(1500 / 3.418, abs=4)


def test_light_refused(run):
    code, out, err = run("calibrate", GRATICULE, "--pin-diameter-mm", "1.5", "--json")
    document = json.loads(out)
    assert code == 1
    assert document["status"] == "refused"
    assert document["ring_angle_deg"] is None
    assert errors(err) == [f"wearscope: {document['note']}"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("gone.png", "--pin-diameter-mm", "1.5"), "gone.png"),
        ((PIN, "--pin-diameter-mm", "0"), "--pin-diameter-mm"),
        ((PIN, "--pin-diameter-mm", "1.5", "--um-per-px", "3"), "go together"),
        ((PIN, "--pin-diameter-mm", "1.5", "--graticule", GRATICULE), "go together"),
        (
            (PIN, "--pin-diameter-mm", "1.5", "--um-per-px", "3", "--u-um-per-px", "nan"),
            "--u-um-per-px",
        ),
        (
            (PIN, "--pin-diameter-mm", "1.5", "--um-per-px", "3", "--u-um-per-px", "1",
             "--graticule", GRATICULE, "--division-um", "100"),
            "twice",
        ),
    ],
)  # fmt: skip
def test_light_asked_wrongly(run, arguments, said):
    code, out, err = run("calibrate", *arguments)
    assert (code, out) == (2, "")
    (line,) = errors(err)
    assert said in line
