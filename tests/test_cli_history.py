"""What a shop has tried, over all trials below a folder; nothing is told that does not hold now."""

from __future__ import annotations

import json
from functools import partial
from io import BytesIO

import fake_photos as fake
import pytest
from pypdf import PdfReader

from wearscope.pipeline import published, reporting
from wearscope.pipeline import run as batch
from wearscope.report.history_curves import TriedCurve, curves_of, draw_side_by_side
from wearscope.report.history_words import History, TriedBit, history_pdf

ROW = {"life": "about 300 parts", "cost": "9.8 c", "using_up": "15 EUR"}


@pytest.fixture
def shop(tmp_path, monkeypatch, run):
    """Two measured trials of one kind of bit, and one that was never measured; what is published is made up."""
    here = partial(batch.measure_trial, inspector=fake.inspector)
    monkeypatch.setattr(batch, "measure_trial", lambda *of, jobs, **how: here(*of, jobs=1, **how))

    def publish(loaded, folder, found, *_, **__):
        said = {"due": [], "verdict": f"Stock {loaded.bits[0].name}.", "bits": [], "to_do": []}
        said["rows"] = [{"bit": bit.name, **ROW} for bit in loaded.bits]
        page, wall = (folder / "results" / name for name in ("report.html", "wall-sheet.pdf"))
        page.write_bytes(b"page")
        wall.write_bytes(b"wall")
        says = published.what_is_said(loaded, folder, found)
        published.note_published(folder / "results", loaded, says, said, [page, wall])
        return None, published.Published(said, (page, wall), now=True)

    monkeypatch.setattr(reporting, "publish", publish)
    for name, bits, material in (
        ("spring", ("Wren", "Plover"), "MDF"),
        ("autumn", ("Wren",), "birch plywood"),
    ):
        path = fake.write_trial(tmp_path / name, bits=bits, flutes=(1,), parts=(0, 120))
        text = path.read_text().replace("Birch drawer fronts", name).replace("15 mm birch plywood", material)
        path.write_text(text)
        assert run("measure", path)[0] == 0
    fake.write_trial(tmp_path / "to come", bits=("Heron",))
    return tmp_path


def test_those_of_one_kind_stand_beside_each_other(run, shop):
    code, out, err = run("history", shop, "--json")
    assert (code, err) == (0, "")
    document = json.loads(out)
    assert [(one["kind"], one["trial"]) for one in document["bits"]] == [
        ("Plover", "spring"),
        ("Wren", "autumn"),
        ("Wren", "spring"),
    ]
    assert {one["life"] for one in document["bits"]} == {"about 300 parts"}
    assert {one["parts_cut"] for one in document["bits"]} == {120}
    assert sorted(map(tuple, document["verdicts"])) == [("autumn", "Stock Wren."), ("spring", "Stock Wren.")]
    code, out, _ = run("history", shop)
    assert code == 0
    assert "Wren was tried 2 times: autumn, spring. The materials differ" in " ".join(out.split())


def test_what_does_not_hold_now_is_named_and_not_told(run, shop):
    fake.tell(shop / "spring", "Wren", 120, 1, "worn 50")
    code, out, err = run("history", shop, "--json")
    assert code == 1
    assert {one["trial"] for one in json.loads(out)["bits"]} == {"autumn"}
    assert (
        f"spring/trial.toml: its report does not say what is measured now; run wearscope measure {shop}"
        in err
    )
    assert run("measure", shop / "spring")[0] == 0
    assert run("history", shop)[0] == 0


def test_a_year_and_paper(run, shop):
    """The fake rows are of 2026."""
    assert json.loads(run("history", shop, "--year", "2025", "--json")[1])["bits"] == []
    code, _, err = run("history", shop, "--year", "2026", "--pdf", shop / "year.pdf")
    assert code == 0
    assert "year.pdf" in err
    text = PdfReader(shop / "year.pdf").pages[0].extract_text()
    assert "bits tried in 2026" in text
    assert text.count("about 300 parts") == 3 + 2, "each in the table, the two of one kind side by side too"


def test_where_nothing_was_measured(run, tmp_path):
    code, _, err = run("history", tmp_path)
    assert code == 1
    assert "no trial was measured in it or below" in err


def test_what_was_measured_elsewhere_is_found_below_and_the_rest_is_named(run, shop):
    """The trial file keeps its folder, results and wear log lie in another one below the folder searched."""
    path = fake.write_trial(shop / "files" / "winter", bits=("Wren",), flutes=(1,), parts=(0, 90))
    path.write_text(path.read_text().replace("Birch drawer fronts", "winter"))
    out = shop / "kept" / "winter"
    out.mkdir(parents=True)
    assert run("measure", path, "--out", out)[0] == 0
    code, said, err = run("history", shop, "--json")
    assert (code, err) == (0, "")
    document = json.loads(said)
    assert {one["trial"] for one in document["bits"]} == {"autumn", "spring", "winter"}
    assert [line.split(": not measured here")[0] for line in document["not_seen"]] == [
        f"{shop}/to come/trial.toml"
    ]
    assert "name a folder that holds both" in " ".join(run("history", shop)[1].split())
    with_files_alone = run("history", shop / "files")
    assert with_files_alone[0] == 1
    assert "no trial was measured in it or below" in with_files_alone[2]
    path.rename(path.with_name("moved.toml"))
    code, said, err = run("history", shop, "--json")
    assert code == 1
    assert f"{out}: the trial file of its wear log is not where it was" in err
    assert {one["trial"] for one in json.loads(said)["bits"]} == {"autumn", "spring"}


def a_curve(high):
    parts = (0.0, 100.0, 200.0)
    middle = (5.0, high / 2, high)
    about = ([0.8 * value for value in middle], middle, [1.2 * value for value in middle])
    return TriedCurve("edge_radius", parts, *map(tuple, about), 40.0, ((100.0, high / 2), (200.0, high)))


def test_two_trials_of_one_kind_are_drawn_in_one_figure(tmp_path):
    """Each with the points and the middle that its own report has, told apart without colour too."""
    figure = draw_side_by_side([("spring (MDF)", [a_curve(20.0)]), ("autumn (birch)", [a_curve(36.0)])])
    panel = figure.axes[0]
    lines = {line.get_label(): line for line in panel.lines}
    assert lines["spring (MDF)"].get_ydata()[-1] == 20.0
    assert lines["autumn (birch)"].get_ydata()[-1] == 36.0
    assert lines["spring (MDF)"].get_linestyle() != lines["autumn (birch)"].get_linestyle()
    assert "edge radius" in panel.get_ylabel()
    points = [line for line in panel.lines if line.get_marker() in "osD"]
    assert [tuple(line.get_ydata()) for line in points] == [(10.0, 20.0), (18.0, 36.0)]
    assert draw_side_by_side([("spring", [a_curve(20.0)]), ("autumn", [])]) is None


def test_the_paper_has_one_kind_side_by_side(tmp_path):
    about = ("2026-03-02", 200, "about 300 parts", "9.8 c", "15 EUR")
    bits = tuple(
        TriedBit("Wren", "Wren", trial, material, *about, (a_curve(high),))
        for trial, material, high in (("spring", "MDF", 20.0), ("autumn", "birch", 36.0))
    )
    pdf = history_pdf(
        History(bits, (("spring", "Stock Wren."),), (), ("x: not measured here",)), "All", "2026-03-02"
    )
    read = PdfReader(BytesIO(pdf))
    text = " ".join(page.extract_text() for page in read.pages)
    assert "Wren, side by side" in text
    assert "spring (MDF)" in text
    assert "x: not measured here" in text
    assert sum(len(page.images) for page in read.pages) == 1


def test_curves_are_read_as_outcome_json_has_them():
    band = {"low95": [1, 2], "median": [2, 3], "high95": [3, 4]}
    rows = [{"parts": 0, "value": 2.5}, {"parts": 50, "value": None}]
    said = {"quantity": "edge_radius", "parts": [0, 50], "worst": band, "limit": None, "readings": rows}
    (curve,) = curves_of({"curves": [said]})
    assert (curve.low95, curve.middle, curve.high95) == ((1, 2), (2, 3), (3, 4))
    assert (curve.limit, curve.points) == (None, ((0, 2.5),))
