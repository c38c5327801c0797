"""Paragraphs in print: broken into lines here where that is plain, and just as the library breaks them."""

from __future__ import annotations

import io
import random
from collections.abc import Iterator

import pytest
from fpdf import FPDF
from fpdf.enums import MethodReturnValue
from pypdf import PdfReader

from wearscope.report.pages import FAMILY, Pages

WORDS = [
    "a",
    "the",
    "tool",
    "bit",
    "wear",
    "of",
    "edge",
    "recession",
    "18.6",
    "±",
    "1.2",
    "µm,",
    "W-W_x.csv",
    "wearscope;",
    "long-reach/up-cut",
    "photographs",
    "flute",
    "(95",
    "in",
    "100)",
    "iiii",
    "–",
    "“said”",
    "Fräser",
]


@pytest.fixture
def pages() -> Iterator[Pages]:
    """A page to write on; the files of its fonts are closed when it is put out."""
    made = Pages("Title", "foot")
    made.add_page()
    yield made
    made.output()


def by_the_library(pages: Pages, text: str, width_mm: float) -> list[str]:
    lines = FPDF.multi_cell(pages, width_mm, 5, text, align="L", dry_run=True, output=MethodReturnValue.LINES)
    assert isinstance(lines, list)
    return lines


def test_plain_words_are_broken_as_the_library_breaks_them(pages):
    draw, n_here = random.Random(3), 0
    for _ in range(120):
        pages.set_font(FAMILY, draw.choice(["", "B"]), draw.choice([7.5, 9.5, 14.5]))
        text = " ".join(draw.choice(WORDS) for _ in range(draw.randint(1, 60)))
        width_mm = draw.uniform(25, 180)
        here = pages._plain_lines(text, width_mm)
        n_here += here is not None
        assert here in (None, by_the_library(pages, text, width_mm))
    assert n_here > 100


def test_a_width_that_a_line_just_fills_is_left_to_the_library(pages):
    text = "edge recession of its worst flute"
    just = pages.get_string_width(text) + 2 * pages.c_margin
    assert pages._plain_lines(text, just) is None
    assert pages._plain_lines(text, just + 0.1) == [text]
    assert pages._plain_lines(text, just - 0.1) == ["edge recession of its worst", "flute"]


@pytest.mark.parametrize(
    "text",
    [
        "two  blanks",
        " first",
        "two\nlines",
        "so\N{SOFT HYPHEN}ft",
        "a\N{NO-BREAK SPACE}b",
        "אחת שתיים",
        "W" * 90,
        "刀",
    ],
)
def test_all_else_is_left_to_the_library(pages, text):
    assert pages._plain_lines(text, 60.0) is None


def test_paragraphs_stand_where_the_library_puts_them(monkeypatch):
    """Over several pages, with the lines that the library breaks between those that are broken here."""
    draw = random.Random(5)
    texts = [" ".join(draw.choice(WORDS) for _ in range(draw.randint(1, 90))) for _ in range(60)]
    texts[7::9] = ["two\nlines and more"] * len(texts[7::9])

    def placed() -> list[list[tuple[str, float, float]]]:
        pages = Pages("Title", "foot")
        pages.add_page()
        pages.heading("Head")
        pages.items(texts[:30])
        for text in texts[30:]:
            pages.say(text, size=11, bold=True)
        found = []
        for page in PdfReader(io.BytesIO(bytes(pages.output()))).pages:
            on_page: list[tuple[str, float, float]] = []
            page.extract_text(
                visitor_text=lambda text, _cm, at, *_, on=on_page: (
                    on.append((text.strip(), at[4], at[5])) if text.strip() else None
                )
            )
            found.append(on_page)
        return found

    here = placed()
    monkeypatch.setattr(Pages, "_plain_lines", lambda *_: None)
    assert len(here) > 3
    assert placed() == here
