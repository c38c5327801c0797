"""Every refusal of a photo has a code for programs, and comes back whole from another process."""

from __future__ import annotations

import ast
import pickle
import re
from pathlib import Path

import pytest

import wearscope
from wearscope.errors import LogError, PhotoRefused, TrialError

SOURCES = sorted((Path(wearscope.__file__).parent / "imaging").rglob("*.py"))


def literals(node):
    """What an argument can be: the text itself, or the names of what carries it."""
    if isinstance(node, ast.Constant):
        return [node.value]
    return [ast.unparse(node)]


def test_every_refusal_in_imaging_has_a_code():
    codes = []
    for source in SOURCES:
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
                continue
            if node.func.id in ("PhotoRefused", "NotRuledError"):
                assert len(node.args) >= 3, f"{source.name}:{node.lineno}"
                codes += literals(node.args[2])
    handed_on = {"problem.code"}
    assert len(codes) > 40
    for code in set(codes) - handed_on:
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", code), code


def test_the_code_is_refused_when_none_is_given():
    assert PhotoRefused("what", "cure").code == "refused"
    refusal = PhotoRefused("x.jpg: too dark", "add light", "too-dark")
    assert (refusal.code, str(refusal)) == ("too-dark", "x.jpg: too dark; add light")


@pytest.mark.parametrize(
    "error",
    [PhotoRefused("a: b", "c", "d-e"), LogError("a", "b"), TrialError(["line 1; cure", "line 2; cure"])],
)
def test_an_error_comes_back_whole_from_another_process(error):
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is type(error)
    assert str(back) == str(error)
    assert vars(back) == vars(error)
