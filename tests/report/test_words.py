from __future__ import annotations

import subprocess
import sys
from decimal import ROUND_HALF_EVEN, Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from wearscope.report import words
from wearscope.report.photo_words import main_sentence


@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        # JCGM 100:2008 (GUM), 7.2.6: 10.057 62 ohm with 27 mohm is rounded to 10.058 ohm
        (10.05762, 0.027, ("10.058", "0.027")),
        # JCGM 100:2008 (GUM), 7.2.4: (100.021 47 ± 0.000 79) g
        (100.021470, 0.00079, ("100.02147", "0.00079")),
        (18.5699, 1.1842, ("18.6", "1.2")),
        (1234.5, 123.4, ("1230", "120")),
        (31.4, 0.0996, ("31.40", "0.10")),
        (-0.04, 1.3, ("0.0", "1.3")),
        (-3.26, 1.3, ("−3.3", "1.3")),
        (580.0, 12.0, ("580", "12")),
    ],
)
def test_value_is_rounded_to_two_digits_of_its_uncertainty(value, uncertainty, shown):
    assert words.rounded(value, uncertainty) == shown


@pytest.mark.parametrize("uncertainty", [0.0, float("nan"), float("inf")])
def test_value_without_a_usable_uncertainty_keeps_three_digits(uncertainty):
    assert words.rounded(18.5699, uncertainty)[0] == "18.6"


def test_interval_is_shown_as_plus_minus_or_in_full_when_lopsided(make_record):
    assert words.value_text(make_record(value=18.57, u=0.6)) == "18.6 ± 1.2 µm"
    lopsided = make_record("coating_loss", "used", 0.58, 0.05, low95=0.41, high95=0.63)
    assert words.value_text(lopsided) == "58 (41 to 63) %"


def test_standard_uncertainty_is_named_when_there_is_no_interval(make_record):
    record = make_record(value=18.57, u=0.6, low95=None, high95=None)
    assert words.value_text(record) == "18.57 ± 0.60 µm (two times in three)"


def test_counts_and_angles(make_record):
    assert words.value_text(make_record("chip_count", "used", 2.0, 0.0)) == "2"
    assert words.value_text(make_record("wedge_angle", "whole", 59.84, 0.4)) == "59.84 ± 0.78°"


def test_below_detection_names_a_limit_that_is_never_rounded_down(make_record):
    record = make_record(value=0.41, u=0.6, status="below_detection", low95=-0.77, high95=1.589)
    assert words.finding(record) == "no wear seen (less than 1.6 µm)"
    record = make_record(value=0.41, u=0.6, status="below_detection", low95=-0.77, high95=1.501)
    assert words.limit_text(record) == "less than 1.6 µm"


def test_a_negative_value_does_not_promise_a_limit_finer_than_the_interval(make_record):
    record = make_record(value=-4.0, u=1.0, status="below_detection")
    assert words.limit_text(record) == "less than 2.0 µm"


def test_refused_row_gives_its_reason_and_has_no_value(make_record):
    record = make_record(value=None, u=None, note="A.jpg: blurred; focus on the edge and photograph again")
    assert words.finding(record) == "refused: A.jpg: blurred; focus on the edge and photograph again"
    with pytest.raises(ValueError, match="no value"):
        words.value_text(record)


def test_doubtful_row_keeps_its_value(make_record):
    record = make_record(status="doubtful", note="glare")
    assert words.finding(record) == "18.6 ± 1.2 µm, doubtful: glare"


@pytest.mark.parametrize("longest", [2, 5, 17, 40])
def test_shortened_text_is_short_and_says_that_it_was_cut(longest):
    text = "turn the lamp down until no part is white"
    short = words.shortened(text, longest)
    assert len(short) <= longest
    assert short.endswith("…")
    assert text.startswith(short[:-1])
    assert words.shortened(text, 100) == text


def test_a_text_is_cut_behind_a_statement_where_one_ends_late_enough():
    text = "the coating ends in the rounding; judge it by eye; colour not readable"
    assert words.shortened(text, 60) == "the coating ends in the rounding; judge it by eye…"
    assert words.shortened(text, 69) == "the coating ends in the rounding; judge it by eye…"
    assert words.shortened("yes; " + "word " * 20, 60) == "yes; " + "word " * 9 + "word…"


def test_headline_and_row_names(make_record):
    assert words.headline("Alder", 1, 150) == "Bit Alder, flute 1, after 150 parts"
    assert words.headline("Alder", 2, 1) == "Bit Alder, flute 2, after 1 part"
    assert words.headline("Alder", 2, 0) == "Bit Alder, flute 2, new"
    assert words.row_name(make_record("edge_radius", "used")) == "edge radius, used"
    assert words.row_name(make_record("sharpness", "whole")) == "blur of the edge"


def test_notes_are_said_in_microns_and_in_the_unit_of_the_row(make_record):
    land = make_record("wear_land", "used", note="wider at the transition, 31 um, which is left out")
    assert words.note_text(land) == "wider at the transition, 31 µm, which is left out"
    loss = make_record(
        "coating_loss", "used", status="below_detection", note="little colour", detection_limit=0.0339
    )
    assert words.note_text(loss) == "it would show from 3.4 % on; little colour"


def test_main_sentence_says_what_was_found(make_record):
    rows = [
        make_record(),
        make_record("edge_radius", "used", 31.4, 1.4),
        make_record("coating_loss", "used", 0.58, 0.014),
    ]
    assert main_sentence(rows, 150) == (
        "Where it cut, the edge has moved back 18.6 ± 1.2 µm; its radius is now 31.4 ± 2.7 µm; "
        "58.0 ± 2.7 % of the coating there is gone."
    )


def test_main_sentence_does_not_turn_no_wear_into_a_number(make_record):
    rows = [
        make_record(value=0.4, u=0.6, status="below_detection"),
        make_record("edge_radius", "used", 6.5, 1.4, status="below_detection"),
    ]
    assert main_sentence(rows, 150) == "No wear seen: the edge has moved back less than 1.6 µm."


def test_main_sentence_when_recession_is_refused(make_record):
    refused = make_record(value=None, u=None, note="A.jpg: blurred; focus and photograph again")
    assert main_sentence([refused], 150) == (
        "The wear of this edge could not be measured: A.jpg: blurred; focus and photograph again."
    )
    with_coating = main_sentence([refused, make_record("coating_loss", "used", 0.58, 0.014)], 150)
    assert with_coating.startswith("How far the edge has moved back could not be measured; 58.0")


def test_main_sentence_of_a_view_that_shows_no_edge_of_a_tool(make_record):
    rows = [
        make_record("tear_out_max", "whole", 412.0, 9.0),
        make_record("tear_out_share", "whole", None, None, status="refused"),
    ]
    assert main_sentence(rows, 150) == (
        "Deepest break-out: 412 ± 18 µm; edge broken out: could not be measured."
    )


def test_main_sentence_marks_a_doubtful_number(make_record):
    assert "18.6 ± 1.2 µm (doubtful)" in main_sentence([make_record(status="doubtful")], 150)


def test_words_need_no_drawing_library():
    code = "import sys, wearscope, wearscope.report.words; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@example(2.675, -2)  # 2.67499999999999982236431605997495353221893310546875
@example(1.005, -2)
@example(-0.0005, -3)
@given(
    st.one_of(
        st.floats(-1e10, 1e10),
        st.integers(-(10**9), 10**9).map(lambda n: n / 1000),
        st.integers(-(10**6), 10**6).map(lambda n: n / 64),
    ),
    st.integers(-7, 3),
)
def test_numbers_are_rounded_as_their_digits_say(x, place):
    """Half to even of the shortest digits, whichever way is the quicker."""
    plain = Decimal(repr(x)).quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN)
    said = f"{plain if plain else abs(plain):f}".replace("-", words.MINUS)
    assert words._to_place(x, place) == said
