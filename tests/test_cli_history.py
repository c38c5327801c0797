"""What a shop has tried, over all trials below a folder; nothing is told that does not hold now."""

from __future__ import annotations

import json
from functools import partial

import fake_photos as fake
import pytest
from pypdf import PdfReader

from wearscope.pipeline import published, reporting
from wearscope.pipeline import run as batch

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
    assert text.count("about 300 parts") == 3


def test_where_nothing_was_measured(run, tmp_path):
    code, _, err = run("history", tmp_path)
    assert code == 1
    assert "no trial was measured in it or below" in err
