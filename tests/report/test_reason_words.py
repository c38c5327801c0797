"""Every reason has words, and every entry of the table of words is a reason that is given somewhere."""

from __future__ import annotations

import ast
from pathlib import Path
from string import Formatter

import pytest

import wearscope
from wearscope.quantities.reasons import codes_text, reason, reasons_in
from wearscope.report.reason_words import WORDS, note_of, words_of

ROOT = Path(wearscope.__file__).parent
ROOMS = (
    "wear",
    "light",
    "imaging",
    "pipeline",
)  # of rows; the words of process and economics are in other tables


def given():
    """Code, names of values, and place of each call of `reason` in these rooms."""
    for source in sorted(source for room in ROOMS for source in (ROOT / room).rglob("*.py")):
        text = source.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(text if "reason(" in text else "")):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "reason":
                yield node, f"{source.relative_to(ROOT)}:{node.lineno}"


@pytest.fixture(scope="module")
def calls():
    return list(given())


def test_each_reason_has_words_for_just_its_values(calls):
    assert len(calls) > 30
    for call, place in calls:
        (code,) = call.args
        assert isinstance(code, ast.Constant), f"{place}: say the code itself, so that a search finds it"
        wanted = {name for _, name, _, _ in Formatter().parse(WORDS[code.value]) if name}
        assert {keyword.arg for keyword in call.keywords} == wanted, place


def test_each_entry_is_used(calls):
    assert {call.args[0].value for call, _ in calls} == set(WORDS)


def test_words_hold_the_values():
    # what versions before the codes wrote
    assert words_of(reason("edge-bent", per_mm=0.0344)) == (
        "the edge is bent (0.034 per mm) as on a helical flute; give the bit's helix_angle_deg"
    )
    assert words_of(reason("rounding-rough", misfit_um=0.4567)).endswith("(0.457 um off a smooth curve)")
    assert words_of(reason("rounding-rough", misfit_um=1234.5)).endswith("(1234 um off a smooth curve)")
    assert words_of(reason("resin-left-out", share=0.214)) == "resin on 21% of the used edge, left out"


def test_a_note_has_all_in_their_order_before_and_after_the_log():
    reasons = (reason("edge-bent", per_mm=0.0344), reason("colour-unread", share=0.123))
    note = note_of(reasons)
    assert note.index("bent") < note.index("not readable in 12% of the band")
    assert note_of(reasons_in(codes_text(reasons))) == note
    assert note_of(()) == ""


def test_a_reason_of_a_newer_version_stands_under_its_code():
    assert words_of(reason("dust-on-lens")) == "dust on lens"
