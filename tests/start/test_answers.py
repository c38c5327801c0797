"""What photos cannot tell: in a file, or typed."""

from __future__ import annotations

import pytest

from wearscope.errors import TrialError
from wearscope.report.start_words import QUESTIONS
from wearscope.start.answers import (
    Answers,
    questions,
    read_answers,
    require_answered,
    require_one_for_each,
    typed,
)

ALL = [questions(graticule=g, pin=True, named=n) for g in (True, False) for n in (True, False)]


def test_every_question_has_its_words_and_its_key():
    asked = {question.key for each in ALL for question in each} | {"order", "flutes"}
    asked |= {
        "parts_of",
        "missing",
        "leave_out",
        "graticule_taken",
    }  # only where the pictures do not come out even
    assert asked == set(QUESTIONS)
    assert asked <= set(Answers.toml_keys())


def test_nothing_is_asked_that_the_pictures_tell():
    keys = [question.key for question in questions(graticule=True, pin=False, named=True)]
    assert "bits" not in keys
    assert "parts" not in keys
    assert "um_per_px" not in keys
    assert "pin_diameter_mm" not in keys


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("divison_um = 100", ["divison_um is no question", 'did you mean "division_um"?']),
        ('division_um = "wide"', ['division_um is "wide"', "give the graticule's pitch in microns"]),
        ("parts = [0, -5]", ["parts is [0, -5]", "give the parts cut at each checkpoint"]),
        ('order = "any"', ["order is", '"bit, checkpoint, flute"']),
        ("bits = [", ["not valid TOML"]),
        ("wedge_angles_deg = [1.05]", ["wedge_angles_deg", "in degrees"]),  # radians
    ],
)
def test_what_is_wrong_names_its_key(tmp_path, text, said):
    path = tmp_path / "answers.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TrialError) as wrong:
        read_answers(path)
    (line,) = wrong.value.mistakes
    assert line.startswith(f"{path}: ")
    assert all(word in line for word in said)


def test_all_that_is_missing_is_named_at_once():
    asked = questions(graticule=True, pin=True, named=False)
    with pytest.raises(TrialError) as wrong:
        require_answered(Answers(name="x"), asked, "answers.toml")
    assert [line.split(" is missing")[0] for line in wrong.value.mistakes] == [
        f"answers.toml: {key}" for key in ("division_um", "bits", "parts", "coatings")
    ]
    said = {"division_um": 100, "bits": ["A"], "parts": [0], "coatings": "none"}
    require_answered(Answers.model_validate(said), asked, "")


def test_there_is_one_value_for_each_bit_or_one_for_all():
    answers = Answers.model_validate({"bits": ["A", "B"], "coatings": ["none"], "prices": [9.5, 24]})
    require_one_for_each(answers, answers.bits, "")
    assert [answers.of_bit("coatings", at) for at in (0, 1)] == ["none", "none"]
    assert [answers.of_bit("prices", at) for at in (0, 1)] == [9.5, 24]
    assert answers.of_bit("wedge_angles_deg", 1) is None
    with pytest.raises(TrialError, match=r"prices has 2 values for 3 bits \(A, B, C\)"):
        require_one_for_each(answers, ("A", "B", "C"), "answers.toml")
    with pytest.raises(TrialError, match="bits names A twice"):
        require_one_for_each(Answers.model_validate({"bits": ["A", "A"]}), ("A", "A"), "answers.toml")


@pytest.mark.parametrize(
    ("key", "text", "value"),
    [
        ("division_um", "100", 100.0),
        ("pin_diameter_mm", " 1,5 ", 1.5),
        ("prices", "24", 24.0),
        ("parts", "0 150;300", [0, 150, 300]),
        ("bits", "Wren; Big plover, 鷺", ["Wren", "Big plover", "鷺"]),
        ("coatings", "TiN", "TiN"),
    ],
)
def test_what_is_typed_is_understood(key, text, value):
    assert typed(key, text) == value


@pytest.mark.parametrize(
    ("key", "text"), [("division_um", "wide"), ("parts", "0 many"), ("coatings", ""), ("prices", "-1")]
)
def test_what_will_not_do_says_what_would(key, text):
    with pytest.raises(ValueError, match="will not do; give "):
        typed(key, text)
