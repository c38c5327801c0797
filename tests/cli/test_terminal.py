"""Nothing that a name or a remark holds is obeyed by a terminal."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from rich.table import Table
from rich.text import Text

import wearscope.cli
from wearscope.cli.terminal import console_for, say
from wearscope.texts import visible

CLIPBOARD = "\x1b]52;c;cm0gLXJm\x07"  # sets the clipboard, and
LINK = "\x1b]8;;http://example.org\x1b\\here\x1b]8;;\x1b\\"  # a link: common practice of terminals, no source


def test_every_control_character_is_written_out():
    """General categories of the Unicode Standard: Cc, Cs, Zl and Zp, and the marks and overrides of Annex 9."""
    for code in range(0x3000):
        sign = chr(code)
        control = unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") or unicodedata.bidirectional(sign) in (
            "LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI",
        )  # fmt: skip
        if control and sign != "\n":
            assert visible(sign).isascii(), hex(code)
            assert visible(sign).isprintable(), hex(code)
        elif sign not in "\u200e\u200f\u061c":
            assert visible(sign) == sign, hex(code)


@pytest.mark.parametrize("hostile", [CLIPBOARD, LINK, "\x9b31m", "a\rb", "\u202eexe.gpj", "caf\udce9"])
def test_text_and_tables_show_it(capsys, hostile):
    say(f"Bit {hostile}: 3 µm\nnext line")
    console = console_for(stderr=False)
    table = Table("What", title=Text(visible(hostile)))
    table.add_row(f"x{hostile}")
    console.print(table)
    console.print(f"[bold]{hostile}")
    out = capsys.readouterr().out
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e\udce9]", out)
    assert out.count("next line") == 1
    assert out.count(visible(hostile)[:8]) >= 4


def test_all_printing_goes_through_it():
    """Whoever prints by another way prints what was never looked at."""
    for path in Path(wearscope.cli.__file__).parent.glob("*.py"):
        text = path.read_text(encoding="utf-8")
        if path.name != "terminal.py":
            assert not re.search(
                r"\btyper\.(?:secho|echo)\(|(?<![\w.])print\(|\bConsole\(|sys\.std\w+\.write", text
            ), path
    for path in Path(wearscope.cli.__file__).parents[1].rglob("*.py"):
        printed = re.search(r"^(?!\s*>>>).*(?<![\w.])print\(", path.read_text(encoding="utf-8"), re.MULTILINE)
        assert "cli" in path.parts or not printed, path


def test_a_file_that_nobody_could_look_at_is_not_taken_for_a_full_terminal(run, tmp_path, monkeypatch):
    def gone(*_):
        raise FileNotFoundError(2, "No such file or directory", "/proc/4711")

    monkeypatch.setattr(Path, "glob", gone)
    trial = tmp_path / "trial.toml"
    trial.write_text(
        '[trial]\nname = "T"\n[[scale]]\nname = "s"\num_per_px = 4\nu_um_per_px = 0.1\n'
        '[[bit]]\nname = "A"\ncoating = "none"\n[photos]\npattern = "{bit}/{parts}/{flute}.jpg"\n'
    )
    (tmp_path / "A" / "0").mkdir(parents=True)
    (tmp_path / "A" / "0" / "1.jpg").touch()
    code, _, told = run("check", trial)
    assert code == 2
    assert "line 11: photos.pattern is" in told
    assert "/proc/4711 cannot be looked through (No such file or directory); mend it" in told
    monkeypatch.setattr("wearscope.cli.measuring.load", gone)
    code, _, told = run("check", trial)
    assert (code, told) == (
        1,
        "wearscope: /proc/4711: cannot be used (No such file or directory); check path and permissions, and run again\n",
    )


def test_what_the_drawing_library_says_of_a_home_that_is_none_stays_away(tmp_path):
    """Two lines of it stood before the cure."""
    home = os.environ | {"HOME": "/nonexistent/home", "MPLCONFIGDIR": "/proc/none"}
    program = "import sys; from wearscope.cli import main; main(); import matplotlib as m; m.get_configdir(); sys.exit()"
    made = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, env=home, cwd=tmp_path, check=False
    )
    assert "matplotlib" not in made.stderr.casefold()
