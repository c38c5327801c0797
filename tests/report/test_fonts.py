"""Names in any script: set by fonts of the machine, or spelt out, on every page, and without a warning."""

from __future__ import annotations

import logging
import unicodedata
from dataclasses import replace
from functools import partial

import fake_photos as fake
import numpy as np
import pytest
from matplotlib import font_manager
from pypdf import PdfReader
from sheet_cases import CASES

from wearscope.economics.decision import outcome_of
from wearscope.report import fonts
from wearscope.report.cost_bars import draw_costs
from wearscope.report.curves import draw_curves, rendered
from wearscope.report.pages import Pages
from wearscope.report.right_to_left import as_seen
from wearscope.report.sheets.comparison import compose_sheet
from wearscope.report.sheets.shapes import text_extent
from wearscope.report.wall_sheet import wall_sheet_pdf

pytestmark = pytest.mark.usefixtures("few_draws")

NAMES = ("鷺 3号", "Зимородок", "Ἀλκυών", "رفراف ٣", "🔨🦅 x", "ワシ", "सारस")


@pytest.fixture
def bare(monkeypatch):
    """A machine that has no fonts but those of matplotlib, whatever this one has."""
    ours = [font for font in font_manager.fontManager.ttflist if "matplotlib" in font.fname]
    monkeypatch.setattr(font_manager.fontManager, "ttflist", ours)
    caches = (fonts._others, fonts._font_with, fonts.have_bold, text_extent)
    for cached in caches:
        cached.cache_clear()
    yield
    for cached in caches:
        cached.cache_clear()


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("Wren 3 µm – ± °", "Wren 3 µm – ± °"),
        ("Зимородок Ἀλκυών", "Зимородок Ἀλκυών"),
        ("鷺 3号", "[9DFA] 3[53F7]"),
        ("ワシ", "wasi"),  # Unicode's names of the letters: KATAKANA LETTER WA, SI
        ("독수리", "dogsuri"),  # HANGUL SYLLABLE DOG, SU, RI
        ("🦅🪚", "[eagle-carpentry saw]"),
        ("\N{HAMMER}\N{VARIATION SELECTOR-16}", "[hammer]"),
        ("Mu\u0308hle", "Mühle"),
        ("a\tb\x07", "a b "),
        ("one\ntwo", "one\ntwo"),
    ],
)
def test_what_no_font_has_is_spelt_out(bare, name, said):
    assert fonts.readable(name) == said
    assert fonts.families_for(said) == (fonts.FAMILY,)


@pytest.mark.parametrize("name", NAMES)
def test_every_sign_that_is_left_can_be_drawn(name):
    """Whatever fonts this machine has."""
    said = fonts.readable(name)
    assert said.strip()
    signs = set(fonts._own_signs()).union(*(fonts._signs_of(path) for _, path in fonts.fonts_beside(said)))
    assert {sign for sign in said if ord(sign) not in signs} == set()


def test_a_font_that_has_the_sign_is_taken(bare, monkeypatch):
    """STIX, which comes with matplotlib, stands for a font of the machine: it has signs that ours lacks."""
    sign = "\N{SUPERSET WITH DOT}\N{MATHEMATICAL SCRIPT SMALL A}\N{COMBINING LEFT ANGLE ABOVE}"
    lacked = next(each for each in sign if ord(each) not in fonts._own_signs())
    monkeypatch.setattr(fonts, "_NO_HELP", fonts.re.compile("last resort|^dejavu", fonts.re.IGNORECASE))
    if fonts._font_with(lacked) is None:
        pytest.skip("no such font")
    assert fonts.readable(lacked) == lacked
    assert len(fonts.families_for(f"Wren {lacked}")) == 2
    pages = Pages("x", "y")
    pages.add_page()
    pages.say(f"Wren {lacked}")
    assert bytes(pages.output()).startswith(b"%PDF")


def test_letters_are_joined_and_run_from_right_to_left():
    """The Unicode Standard 15.0, table 9-3: beh initial, yeh medial, teh final; seen from the right."""
    assert as_seen("بيت") == "\ufe96\ufef4\ufe91"
    assert as_seen("دار") == "".join(reversed("\ufea9\ufe8d\ufead"))  # letters that join to no later one
    assert as_seen("car אב in it") == "car בא in it"  # Unicode Standard Annex 9, 3.4, rule L2
    assert as_seen("Wren 3 µm") == "Wren 3 µm"
    assert all(unicodedata.name(sign).startswith("ARABIC") for sign in as_seen("رفراف"))


@pytest.fixture
def outcome(tmp_path):
    """Two bits, or more, whose names nobody can foresee."""
    trial = fake.a_trial(tmp_path, bits=("A", "B"), parts=(0, 100, 300))

    def of(*names):
        new = dict(zip("AB", names, strict=True))
        bits = tuple(bit.model_copy(update={"name": new[bit.name]}) for bit in trial.bits)
        photos = tuple(photo.model_copy(update={"bit": new[photo.bit]}) for photo in trial.photos)
        life = type(trial.life)(edge_radius_um=40)
        named = trial.model_copy(update={"life": life, "name": names[0], "bits": bits, "photos": photos})
        rows = []
        for entry in photos:
            zone, value = ("used", 6 + 0.12 * entry.parts) if entry.parts else ("unused", 6.0)
            about = {"std_uncertainty": 0.5, "low95": value - 0.98, "high95": value + 0.98}
            rows.append(fake.row(entry, "edge_radius", zone, value, **about))
        return named, rows, outcome_of(named, rows)

    return of


def test_no_name_is_blank_and_nothing_is_warned(bare, outcome, caplog, tmp_path):
    trial, _, found = outcome("鷺 🔨", "ワシ")
    with caplog.at_level(logging.WARNING):
        (tmp_path / "a.pdf").write_bytes(wall_sheet_pdf(trial, found, "2026-01-05"))
        first = PdfReader(tmp_path / "a.pdf").pages[0].extract_text().replace("\n", " ")
        assert "[9DFA] [hammer] has cut 300 parts" in first
        assert "wasi" in first
        for draw in (draw_curves, draw_costs):
            assert rendered(partial(draw, found), "png")
        assert rendered(partial(draw_curves, found), "svg")
        sheets = [
            compose_sheet(replace(CASES["usual"](), trial_name="鷺", bit=bit)).pixels()
            for bit in ("鷺", "ワシ")
        ]
    assert caplog.records == []
    headline = [sheet[90:190, 60:800] for sheet in sheets]
    assert not np.array_equal(*headline)
    assert all((each < 100).any() for each in headline)


@pytest.mark.statistics
@pytest.mark.parametrize("name", ["Wren of the very long name " * 30, "鷺" * 800, "W" * 800])
def test_names_of_800_characters_end_nothing(bare, name):
    pages = Pages(name, name)
    pages.add_page()
    pages.heading(name)
    pages.rows(("Bit", "What"), [(name, name)], (1, 4))
    assert bytes(pages.output()).startswith(b"%PDF")
    assert compose_sheet(replace(CASES["usual"](), trial_name=name, bit=name)).height > 1000
