"""What Windows does otherwise, as far as it shows without Windows: paths, files kept open, encodings, names."""

from __future__ import annotations

import ast
from functools import partial
from pathlib import Path, PureWindowsPath

import fake_photos as fake
import pytest

import wearscope
from wearscope.errors import WearscopeError
from wearscope.log.export import write_bytes
from wearscope.pipeline.results import sheet_names
from wearscope.pipeline.run import measure_trial
from wearscope.trial import load_trial

ROOT = Path(wearscope.__file__).parent
OPENS = ("open", "read_text", "write_text")


def calls_of(source):
    for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute | ast.Name):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
            if name in OPENS:
                yield name, node


def says_its_encoding(name, node):
    modes = [arg.value for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]
    binary = name == "open" and (any("b" in mode for mode in modes) or _of_a_library(node))
    of_another_kind = name == "open" and isinstance(node.func, ast.Attribute) and not (modes or node.keywords)
    return binary or of_another_kind or any(keyword.arg == "encoding" for keyword in node.keywords)


def _of_a_library(node):
    """Something that is no text file of the system: av.open, Image.open, a part of a zipped archive."""
    owner = getattr(getattr(node.func, "value", None), "id", "")
    return owner in ("av", "Image", "archive")


def test_every_text_file_says_its_encoding():
    """There the usual one is not UTF-8 (PEP 686)."""
    bare = [
        f"{source.relative_to(ROOT)}, line {node.lineno}"
        for source in sorted(ROOT.rglob("*.py"))
        for name, node in calls_of(source)
        if not says_its_encoding(name, node)
    ]
    assert bare == []
    wrong = ast.parse("path.read_text()").body[0].value
    assert not says_its_encoding("read_text", wrong)


def test_a_file_that_a_program_keeps_open_stays_as_it_was(tmp_path, monkeypatch):
    """Replacing an open file fails there with EACCES."""
    path = tmp_path / "report.pdf"
    write_bytes(path, b"before")

    def refuse(self, target):
        raise PermissionError(13, "Access is denied", str(self), 5, str(target))

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(
        WearscopeError, match=r"report\.pdf cannot be written .*; close any program that has it open"
    ):
        write_bytes(path, b"after")
    assert path.read_bytes() == b"before"
    assert [each.name for each in tmp_path.iterdir()] == ["report.pdf"]


def test_a_sheet_that_is_open_elsewhere_stops_no_photo(tmp_path, monkeypatch):
    trial = fake.a_trial(tmp_path, bits=("Wren",), flutes=(1,), parts=(0, 40))
    here = partial(measure_trial, trial, tmp_path, jobs=1, inspector=fake.inspector)
    here()
    unlink = Path.unlink

    def refuse(self, missing_ok=False):
        if self.suffix == ".png":
            raise PermissionError(13, "The process cannot access the file", str(self), 32)
        unlink(self, missing_ok)

    monkeypatch.setattr(Path, "unlink", refuse)
    fake.tell(tmp_path, "Wren", 40, 1, "worn 30")
    result = here()
    assert result.refusals == ()
    assert len(result.photos) == 2


def test_names_of_sheets_are_names_there(tmp_path):
    names = ("A:B", "nul", "CON", "Wren. ", 'x<>|?*"y', "a/b\\\\c", "W" * 300, "\N{GOTHIC LETTER AHSA}" * 90)
    trial = fake.a_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0,))
    bits = tuple(trial.bits[0].model_copy(update={"name": name}) for name in names)
    photos = tuple(trial.photos[0].model_copy(update={"bit": name}) for name in names)
    made = sheet_names(trial.model_copy(update={"bits": bits, "photos": photos})).values()
    assert len({each.casefold() for each in made}) == len(names)
    for each in made:
        assert not set(each) & set('<>:"/\\\\|?*')
        assert each == each.rstrip(". ")
        assert len(each.encode()) <= 255
        assert PureWindowsPath(each).stem.casefold() not in ("con", "nul", "prn", "aux")


def test_what_a_pattern_finds_is_named_with_slashes(tmp_path):
    path = fake.write_trial(tmp_path, bits=("A",), flutes=(1,), parts=(0, 40))
    text = path.read_text().split("[[photo]]")[0] + '[photos]\npattern = "photos/{bit}-{parts}-{flute}.jpg"\n'
    path.write_text(text)
    assert [photo.file for photo in load_trial(path).photos] == ["photos/A-0-1.jpg", "photos/A-40-1.jpg"]
