"""No word of statistics or of programmers reaches a person who measures tools for a living.

Every text of the program that is longer than a key is read: messages, help, sheets, report, wall sheet, window. Which
words a toolroom knows is common practice, no source. The pages of the documentation explain the terms and may use them.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from typer.main import get_command
from typer.testing import CliRunner

ROOT = Path(__file__).parent.parent
ROOMS = (ROOT / "wearscope", ROOT / "plugins/wearscope_napari")

FORBIDDEN = re.compile(
    r"""uncertaint | confidence | \b(?:50|90|95|97\.5|99)\ ?%\ (?:interval|range|probab|limit)
    | \binterval\b | \bmedian | quantile | percentile | \bcensor | \bprior\b | posterior | likelihood | bayes
    | fingerprint | \bregistration\b | \bk\ ?=\ ?2 | \bsigma\b | \bRMS\b | standard\ (?:deviation|error)
    | varianc | \banova | distribution | monte.carlo | correlat | degrees\ of\ freedom | \bdof\b | detection\ limit
    | residual | \bestimator | regression | first\ order | power\ law | saturating | silhouette | substrate | \bapex\b
    | \bhorizon\b | log-?normal | gaussian | traceback | exception\b | \bregex | \bparse | \bstring\b""",
    re.VERBOSE | re.IGNORECASE,
)

# Texts that no one reads but who writes programs: raised where a function is called wrongly. Whole files, each with why.
OF_THE_CODE = {
    "wearscope/metrology/uncertainty.py": "budgets that a program puts together wrongly",
    "wearscope/metrology/monte_carlo.py": "the same",
    "wearscope/log/wear_log.py": "rows that a program hands in wrongly",
    "wearscope/log/schema.py": "names of tables and columns",
}

# Texts that may stand, each with its ground.
EXCEPTIONS = {
    "power law": "key of a shape in outcome.json, never shown",
    "power law, quicker late": "the same",
    "apex to arc": "name of a quantity of a photo from the end of the edge; the design page gives it",
    "silhouette when new": "key of a budget's line; budget_words says it otherwise",
    "silhouette, bright line, land": "layer of the window, for those who ask how a number was found; docs explain it",
    "below the apex, µm": "axis of the window's plot of a photo from the end of the edge, as apex to arc",
}


def _own_texts(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Texts of a module that are more than one word, its docstrings left out and f-strings put together."""
    left_out: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            left_out.add(id(node.value))
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            left_out.update(map(id, ast.walk(node)))
            parts = [part.value if isinstance(part, ast.Constant) else "{}" for part in node.values]
            yield node.lineno, "".join(map(str, parts))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in left_out:
            yield node.lineno, node.value


@cache
def texts() -> list[tuple[str, str]]:
    return list(_texts())


def _texts() -> Iterator[tuple[str, str]]:
    """Where each text of the program stands, and the text."""
    for room in ROOMS:
        for path in sorted(room.rglob("*.py")):
            file = path.relative_to(ROOT).as_posix()
            if file in OF_THE_CODE:
                continue
            for line, text in _own_texts(ast.parse(path.read_text(encoding="utf-8"))):
                if re.search(r"\s", text.strip()):  # one word is a key
                    yield f"{file}:{line}", text
    for path in sorted((ROOT / "wearscope").rglob("*.j2")):
        shown = re.sub(
            r"\{[%{#].*?[%}#]\}|<style.*?</style>|<script.*?</script>|<[^>]*>",
            " ",
            path.read_text(),
            flags=re.S,
        )
        yield path.relative_to(ROOT).as_posix(), shown


def test_no_text_speaks_of_statistics():
    found = [
        f"{where}: {word.group()!r} in {text[:120]!r}"
        for where, text in texts()
        if text not in EXCEPTIONS and (word := FORBIDDEN.search(text))
    ]
    assert not found, "\n".join(found)


def test_every_exception_is_still_needed():
    """What no longer stands in the program, or is no longer found, leaves the list."""
    all_texts = {text for _, text in texts()}
    assert set(EXCEPTIONS) <= all_texts
    assert all(FORBIDDEN.search(text) for text in EXCEPTIONS)
    for file in OF_THE_CODE:
        tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
        assert any(FORBIDDEN.search(text) for _, text in _own_texts(tree)), file


def _commands() -> dict[str, list[str]]:
    from wearscope.cli import app

    top = get_command(app)
    found = {"": ["--help"]}
    for name, command in top.commands.items():
        found[name] = [name, "--help"]
        for under in getattr(command, "commands", {}):
            found[f"{name} {under}"] = [name, under, "--help"]
    return found


@pytest.mark.parametrize("args", _commands().values(), ids=_commands())
def test_no_help_speaks_of_statistics(args):
    from wearscope.cli import app

    said = CliRunner().invoke(app, args)
    assert said.exit_code == 0
    words = FORBIDDEN.findall(" ".join(said.output.split()))
    assert not words


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("its standard uncertainty", "uncertaint"),
        ("the 95 % interval", "95 % interval"),
        ("worst flute, median", "median"),
        ("the detection limit of 3 µm", "detection limit"),
    ],
)
def test_the_list_finds_what_it_is_for(text, word):
    found = FORBIDDEN.search(text)
    assert found is not None
    assert found.group() == word
