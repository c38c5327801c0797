"""What the README and the documentation show and promise is what the program does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer

from wearscope.cli import app
from wearscope.log.csv_lines import COLUMNS
from wearscope.quantities.quantity import QUANTITIES
from wearscope.start.answers import questions, read_answers, require_answered, require_one_for_each
from wearscope.trial import load_trial
from wearscope.version import __version__

ROOT = Path(__file__).parents[1]
# in the order in which a person meets them
PAGES = [
    ROOT / "README.md",
    ROOT / "docs/measure.md",
    *sorted(set(ROOT.glob("docs/*.md")) - {ROOT / "docs/measure.md"}),
]
TEXT = "\n".join(page.read_text(encoding="utf-8") for page in PAGES)


def blocks(language):
    return re.findall(rf"^```{language}\n(.*?)^```", TEXT, re.MULTILINE | re.DOTALL)


def touch(folder, *names):
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"a photo")


def places(folder):
    return [(photo.bit, photo.flute, photo.parts) for photo in load_trial(folder).photos]


@pytest.fixture
def folder(tmp_path):
    touch(tmp_path, "photos/graticule.jpg")
    return tmp_path


def test_the_trial_file_shown_is_one(folder):
    expected = [(bit, flute, parts) for bit in ("Wren", "Plover") for flute in (1, 2) for parts in (0, 150)]
    touch(folder, *(f"photos/{bit}/{parts}/flute{flute}.jpg" for bit, flute, parts in expected))
    (folder / "trial.toml").write_text(blocks("toml")[0], encoding="utf-8")
    assert places(folder) == expected


def test_leading_zeros_and_capitals_do_no_harm(folder):
    touch(folder, "photos/Wren/000/flute01.JPG", "photos/Plover/0150/flute2.jpg")
    (folder / "trial.toml").write_text(blocks("toml")[0], encoding="utf-8")
    assert places(folder) == [("Wren", 1, 0), ("Plover", 2, 150)]


def test_the_photo_entry_shown_can_stand_in_for_the_pattern(folder):
    touch(folder, "photos/IMG_0417.jpg", "photos/IMG_0418.jpg")
    whole, photo = blocks("toml")[:2]
    other = photo.replace('"Wren"', '"Plover"').replace("0417", "0418")
    listed = "\n".join([whole[: whole.index("[photos]")], photo, other])
    (folder / "trial.toml").write_text(listed, encoding="utf-8")
    assert places(folder) == [("Wren", 2, 150), ("Plover", 2, 150)]


def test_the_answers_shown_answer_all_that_is_asked(tmp_path):
    (shown,) = re.findall(r"^<!-- answers -->\n~~~toml\n(.*?)^~~~", TEXT, re.MULTILINE | re.DOTALL)
    (tmp_path / "answers.toml").write_text(shown, encoding="utf-8")
    answers = read_answers(tmp_path / "answers.toml")
    asked = questions(graticule=True, pin=True, named=False)
    require_answered(answers, asked, "README.md")
    require_one_for_each(answers, answers.bits, "README.md")
    assert {question.key for question in asked} <= answers.model_fields_set


def test_the_python_shown_compiles_and_its_names_exist():
    whole, cluster = blocks("python")
    compile(cluster, "README.md", "exec")
    imports = [line for line in (whole + cluster).splitlines() if line.startswith("from ")]
    assert len(imports) == 4
    exec("\n".join(imports), {})
    compile(whole, "README.md", "exec")


def test_the_columns_listed_are_those_of_the_table():
    listed = TEXT[TEXT.index("The columns of `measurements.csv`") :].split("\n\n")[0]
    assert tuple(word for word in re.findall(r"`(\w+)`", listed)) == COLUMNS


def test_every_quantity_is_explained():
    table = TEXT[TEXT.index("| number | what it is") :].split("\n\n")[0]
    names = {
        re.split(r"[,(|]", row.strip("| "))[0].strip().replace(" ", "_") for row in table.splitlines()[2:]
    }
    quantities = {"transition" if name.startswith("transition") else name for name in QUANTITIES}
    assert names == quantities


def test_files_named_exist():
    for name in set(re.findall(r"`((?:sample_images/)?[A-Z]+\.md)`", TEXT)):
        assert (ROOT / name).is_file(), name


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page):
    """Anchors as web pages of repositories make them: lower case, hyphens for spaces, no other signs."""
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if target.startswith("https://"):
            continue
        name, _, anchor = target.partition("#")
        there = page.parent / name if name else page
        assert there.is_file(), target
        if anchor:
            headings = re.findall(r"^#+ (.+)$", there.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w\- ]", "", each.lower()).replace(" ", "-") for each in headings}, (
                target
            )


def test_every_page_is_in_the_contents():
    listed = (ROOT / "docs/index.md").read_text(encoding="utf-8")
    for page in set(ROOT.glob("docs/*.md")) - {ROOT / "docs/index.md"}:
        assert re.search(rf"^{page.stem}$", listed, re.MULTILINE), page


def test_every_command_is_described():
    said = (ROOT / "docs/commands.md").read_text(encoding="utf-8")
    commands = [name for name, command in typer.main.get_command(app).commands.items() if not command.hidden]
    assert len(commands) > 10
    for name in commands:
        assert f"wearscope {name}" in said, name


def test_the_citation_names_this_version():
    assert f"version: {__version__}\n" in (ROOT / "CITATION.cff").read_text(encoding="utf-8")
