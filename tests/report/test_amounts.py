"""Lives, money and chances as they are told."""

from __future__ import annotations

from wearscope.economics.life import Range
from wearscope.economics.outcome import Axis
from wearscope.report.amounts import life_text, money_text, percent

PARTS, MINUTES = Axis("parts", 1.0, "parts"), Axis("minutes", 2.0, "min")


def test_money():
    assert money_text("EUR", 0.0412, 0.0588) == "4.1 to 5.9 c"
    assert money_text("GBP", 0.0412, 0.0588) == "0.041 to 0.059 GBP"
    assert money_text("EUR", 15.0) == "15.00 EUR"
    assert money_text("", 0.05, 1.5) == "0.1 to 1.5"
    assert money_text("EUR", 0.0) == "0 c"


def test_a_chance_is_never_certain():
    assert (percent(1.0), percent(0.0), percent(0.834)) == ("over 99 %", "less than 1 %", "83 %")


def test_lives_in_words():
    nothing = Range(None, None, None, None, None)
    assert life_text(nothing, 600.0, PARTS) == "at least 600 parts"
    assert life_text(Range(320.0, 360.0, 421.0, None, None), 320.0, PARTS) == "about 420 parts, at least 320"
    # a promise is rounded down, and a part is not divided
    assert life_text(nothing, 287.0, PARTS) == "at least 280 parts"
    assert life_text(nothing, 1.86, PARTS) == "at least 1 parts"
    known = Range(0.0, 0.4, 0.8, 1.2, 1.6)
    assert life_text(known, 0.0, PARTS) == "1 parts (0 to 2)"
    assert life_text(known, 0.0, MINUTES) == "2 min (0 to 3)"
