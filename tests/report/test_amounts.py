"""Lives, money and chances as they are told."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from wearscope.economics.life import Range
from wearscope.economics.outcome import Axis
from wearscope.report.amounts import least, life_text, money_at_most, money_text, most, percent, range_texts

PARTS, MINUTES = Axis("parts", 1.0, "parts"), Axis("minutes", 2.0, "min")


def test_money():
    assert money_text("EUR", 0.0412, 0.0588) == "4.1 to 5.9 c"
    assert money_text("GBP", 0.0412, 0.0588) == "0.041 to 0.059 GBP"
    assert money_text("EUR", 15.0) == "15.00 EUR"
    assert money_text("", 0.05, 1.5) == "0.05 to 1.5"
    assert money_text("EUR", 0.196, 0.640) == "19 to 64 c", "never narrower than what was found"
    assert money_at_most("EUR", 0.08401) == "8.5 c"
    assert money_at_most("EUR", 0.084) == "8.4 c"
    assert money_text("EUR", 0.0) == "0 c"


def test_a_chance_is_never_certain():
    assert (percent(1.0), percent(0.0), percent(0.834)) == ("over 99 %", "less than 1 %", "83 %")


def test_lives_in_words():
    nothing = Range(None, None, None, None, None)
    assert life_text(nothing, 600.0, PARTS) == "at least 600 parts"
    assert life_text(Range(320.0, 360.0, 421.0, None, None), 320.0, PARTS) == "about 420 parts, at least 320"
    # a promise is rounded down, and a part is not divided
    assert life_text(nothing, 287.0, PARTS) == "at least 285 parts"
    assert life_text(nothing, 1.86, PARTS) == "at least 1 parts"
    known = Range(0.0, 0.4, 0.8, 1.2, 1.6)
    assert life_text(known, 0.0, PARTS) == "1 parts (0 to 2)"
    assert life_text(known, 0.0, MINUTES) == "2 min (0 to 4)"


AMOUNTS = st.floats(1e-4, 1e5)


@given(one=AMOUNTS, other=AMOUNTS)
def test_rounding_never_narrows_a_range(one, other):
    low, high = sorted((one, other))
    told_low, told_high = map(float, range_texts(low, high))
    assert told_low <= low * (1 + 1e-9)
    assert told_high >= high * (1 - 1e-9)
    assert told_high - told_low <= 1.1 * (high - low) + (1e-9 if low < high else 0.2) * high, (
        "nor says nothing"
    )
    assert float(least(low)) <= low * (1 + 1e-9)
    assert float(most(high)) >= high * (1 - 1e-9)
