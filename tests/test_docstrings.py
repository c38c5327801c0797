"""What is public says what it takes and gives, in numpydoc's form, and the examples in docstrings are true."""

from __future__ import annotations

import dataclasses
import doctest
import importlib
import inspect
import re
from pathlib import Path

import pytest
from numpydoc.docscrape import ClassDoc, get_doc_object
from numpydoc.validate import Validator, error
from public_things import MODULES, public_things

import wearscope
from wearscope.quantities.reasons import reasons_in

COMMANDS = "wearscope.cli."  # the docstring of a command is the help that people read


def described():
    return {
        name: thing
        for name, thing in public_things()
        if not inspect.ismodule(thing)
        and not name.startswith(COMMANDS)
        and not described_elsewhere(name, thing)
    }


def described_elsewhere(name: str, thing: object) -> bool:
    """Whether it is said to do what a class has described that it may stand for."""
    said = re.match(r"As in `(\w+)`", inspect.getdoc(thing) or "")
    if said is None:
        return False
    module = importlib.import_module(thing.__module__)
    for each in MODULES if not hasattr(module, said[1]) else [module.__name__]:
        if hasattr(importlib.import_module(each), said[1]):
            return hasattr(getattr(importlib.import_module(each), said[1]), name.rpartition(".")[2])
    return False


def errors_of(name: str) -> set[tuple[str, str]]:
    """Parameters all described, by their own names and in their order; what is given back described.

    The checks PR01 to PR03, RT01, RT02 and YD01 of `numpydoc.validate.validate`, whose others take most of its time.
    """
    doc = Validator(get_doc_object(Validator._load_obj(name)))
    if not doc.raw_doc:
        return set()
    errors = set(doc.parameter_mismatches)
    if doc.is_function_or_method:
        if not doc.returns and doc.method_returns_something:
            errors.add(error("RT01"))
        if len(doc.returns) == 1 and doc.returns[0].name:
            errors.add(error("RT02"))
        if not doc.yields and doc.is_generator_function:
            errors.add(error("YD01"))
    return errors


def described_badly(name: str, thing: object) -> list[str]:
    errors = errors_of(name)
    if inspect.isclass(thing):
        # the fields of a dataclass are its attributes; a constructor from elsewhere is described there, if anywhere
        own = getattr(vars(thing).get("__init__"), "__module__", None) == thing.__module__
        errors = {(code, text) for code, text in errors if code != "PR01" or own}
        if dataclasses.is_dataclass(thing):
            document = ClassDoc(thing)
            said = {
                part.strip()
                for section in ("Attributes", "Parameters")
                for entry in document[section]
                for part in entry.name.split(",")
            }
            fields = {field.name for field in dataclasses.fields(thing) if not field.name.startswith("_")}
            inherited = {
                field.name
                for base in thing.__mro__[1:]
                if dataclasses.is_dataclass(base)
                for field in dataclasses.fields(base)
            }
            errors = {(code, text) for code, text in errors if code != "PR01"}
            errors |= {("fields", f"{field} is not described") for field in fields - inherited - said}
    return [f"{name}: {code} {text}" for code, text in sorted(errors)]


def test_everything_public_is_described_in_full():
    things = described()
    assert len(things) > 800
    assert [line for name, thing in things.items() for line in described_badly(name, thing)] == []


def test_what_is_not_described_is_noticed():
    assert described_badly("wearscope.quantities.reasons.reasons_in", reasons_in) == []
    assert "PR01" in " ".join(described_badly(f"{__name__}.undescribed", undescribed))


def undescribed(length_um: float) -> float:
    """Twice a length."""
    return 2.0 * length_um


def source_of(name: str) -> Path:
    path = Path(wearscope.__file__).parents[1].joinpath(*name.split("."))
    return path / "__init__.py" if path.is_dir() else path.with_suffix(".py")


# Those alone in which an example stands: to look for them object by object takes long
WITH_EXAMPLES = [name for name in MODULES if ">>> " in source_of(name).read_text(encoding="utf-8")]


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples_are_true(name):
    outcome = doctest.testmod(importlib.import_module(name), optionflags=doctest.ELLIPSIS)
    assert outcome.attempted > 0
    assert outcome.failed == 0


def test_there_are_examples():
    assert len(WITH_EXAMPLES) > 20
