"""The sheet at the machine promises no more than was found."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import UTC, datetime
from html import unescape

import fake_photos as fake
import pytest
from pypdf import PdfReader
from seldom import but_seldom

from wearscope.economics.decision import outcome_of
from wearscope.economics.due import due_bits, when_due
from wearscope.process.fairness import fair_trial
from wearscope.report.amounts import life_text
from wearscope.report.decision_words import bit_sentences, trial_sentences, verdict_text
from wearscope.report.due_words import due_lines, due_notice
from wearscope.report.html import report_html
from wearscope.report.pages import Pages
from wearscope.report.pdf import report_pdf
from wearscope.report.report import report_of
from wearscope.report.report_words import CAUTIONS
from wearscope.report.wall_sheet import wall_sheet_pdf

pytestmark = pytest.mark.usefixtures("few_draws")


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    trial = fake.a_trial(tmp_path_factory.mktemp("trial"), bits=("Wren", "Plover"), parts=(0, 100, 300))
    return trial.model_copy(update={"life": type(trial.life)(edge_radius_um=40)})


def rows_of(trial, slope):
    """Straight wear from 6 µm, `slope` of each bit in µm per part."""
    rows = []
    for entry in trial.photos:
        zone, value = ("used", 6 + slope[entry.bit] * entry.parts) if entry.parts else ("unused", 6.0)
        interval = {"low95": value - 0.98, "high95": value + 0.98}
        rows.append(fake.row(entry, "edge_radius", zone, value, std_uncertainty=0.5, **interval))
    return rows


@pytest.fixture(scope="module")
def outcome(trial, few_draws):
    """Wren is due, Plover is not."""
    return outcome_of(trial, rows_of(trial, {"Wren": 0.16, "Plover": 0.06}))


def with_at_least(outcome, **parts):
    bits = tuple(replace(bit, at_least=parts.get(bit.bit, bit.at_least)) for bit in outcome.bits)
    return replace(outcome, bits=bits)


def test_change_no_later_than_found_and_look_before(trial, outcome):
    rows = {row.bit: row for row in when_due(trial, outcome)}
    assert list(rows) == ["Wren", "Plover"]
    for name, row in rows.items():
        bit = outcome.bit(name)
        assert 0.9 * bit.at_least < row.change_at <= bit.at_least  # this very bit, by its own photos
        assert 0.9 * bit.change_at < row.next_at <= bit.change_at  # the next ones, of which one tells less
        assert row.next_at < row.change_at
        assert row.parts_so_far == 300
    # by hand: Wren reaches 40 µm at 34 / 0.16 = 212 parts, Plover at 567, of which 2 x 300 are promised at most
    assert rows["Wren"].now
    assert rows["Wren"].next_check is None
    assert rows["Wren"].change_at <= 212
    assert not rows["Plover"].now
    assert rows["Plover"].change_at <= 567
    assert rows["Plover"].next_check == min(500, rows["Plover"].change_at)


def test_a_bit_that_hardly_wears_is_photographed_not_thrown_away(trial):
    """The promise ends at twice the parts of the last photo that could be measured; the bit does not."""
    slow = rows_of(trial, {"Wren": 0.005, "Plover": 0.005})
    rows = when_due(trial, outcome_of(trial, slow))
    assert {(row.next_check, row.change_at, row.worn_then) for row in rows} == {(500, 600, False)}
    early = outcome_of(trial, [row for row in slow if row.parts < 300])
    assert {(row.parts_so_far, row.change_at, row.worn_then) for row in when_due(trial, early)} == {
        (300, 200, False)
    }
    text = PdfReader(io.BytesIO(wall_sheet_pdf(trial, early, "2026-01-06"))).pages[0].extract_text()
    text = " ".join(text.split())
    assert "CHANGE NOW" not in text
    assert text.count("now not before 200 parts not before 200 parts") == 4


@pytest.mark.parametrize(
    ("found", "said"),
    [(238.7, 235), (240.0, 240), (1049.0, 1000), (23456.0, 23000), (97.9, 97), (7.9, 7), (0.4, 0)],
)
def test_lives_are_rounded_down(trial, found, said, outcome):
    assert when_due(trial, with_at_least(outcome, Wren=found))[0].change_at == said


def test_on_one_page_with_cautions_and_room_to_write(trial, outcome):
    (page,) = PdfReader(io.BytesIO(wall_sheet_pdf(trial, outcome, "2026-01-06"))).pages
    text = " ".join(page.extract_text().split())
    assert page.mediabox.width == pytest.approx(841.89, abs=0.1)  # A4 across: 297 mm, ISO 216
    assert all(caution in text for caution in CAUTIONS)
    assert "CHANGE NOW: Wren" in text
    assert "edge radius 54.00 ± 0.98 µm, of 40 µm" in text  # 6 + 0.16 x 300; 1.96 x 0.5
    for head in (
        "Parts so far",
        "Next check",
        "Change this one",
        "Change the next ones",
        "Date",
        "Parts since new",
        "Who",
    ):
        assert head in text


def test_without_limits_and_without_numbers(trial):
    unlimited = trial.model_copy(update={"life": type(trial.life)()})
    for rows in ([], rows_of(unlimited, {"Wren": 0.16, "Plover": 0.06})):
        outcome = outcome_of(unlimited, rows)
        assert {row.change_at for row in when_due(unlimited, outcome)} == {None}
        assert {row.next_check for row in when_due(unlimited, outcome)} == {500}
        (page,) = PdfReader(io.BytesIO(wall_sheet_pdf(unlimited, outcome, "2026-01-06"))).pages
        assert "not known yet" in page.extract_text()


def test_many_bits_take_more_pages(tmp_path):
    trial = fake.a_trial(
        tmp_path, bits=[f"A long name of a bit, number {i}" for i in range(20)], parts=(0, 40)
    )
    pages = PdfReader(io.BytesIO(wall_sheet_pdf(trial, outcome_of(trial, []), "2026-01-06"))).pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    assert 1 < len(pages) < 6
    assert all(f"number {i} 2 40" in text for i in range(20))


@pytest.mark.parametrize("n", but_seldom(2, (1, 6, 2, 3, 4, 5, 7)))
def test_the_lines_to_write_on_stand_under_their_heading(tmp_path, n):
    names = [
        "A very long name of a bit that takes three lines or so, number 0",
        *(f"bit {i}" for i in range(n)),
    ]
    trial = fake.a_trial(tmp_path, bits=names, parts=(0, 40))
    pages = PdfReader(io.BytesIO(wall_sheet_pdf(trial, outcome_of(trial, []), "2026-01-06"))).pages
    (page,) = [text for text in (page.extract_text() for page in pages) if "To write down" in text]
    assert "Parts since new" in page


def test_one_life_is_one_text_everywhere_and_what_is_due_comes_first(trial, outcome):
    """Terminal, report and wall sheet say the same, and no advice goes against it."""
    row = when_due(trial, outcome)[0]
    life = life_text(outcome.bit("Wren").life, outcome.bit("Wren").at_least, outcome.axis)
    said = " ".join(bit_sentences(outcome.bit("Wren"), outcome))
    assert f"95 in 100 of them still cut after {row.next_at} parts." in said
    assert due_bits(trial, outcome) == ("Wren",)
    (first,) = due_lines(trial, outcome)
    # the low end of the life that stands beside it
    assert (
        first
        == f"CHANGE NOW: Wren has cut 300 parts; by its photos it may be worn out from {row.change_at} parts on."
    )
    assert f"({row.change_at} to " in life
    assert due_notice(trial, outcome) == (first, *CAUTIONS)
    page = PdfReader(io.BytesIO(wall_sheet_pdf(trial, outcome, "2026-01-06"))).pages[0].extract_text()
    page = " ".join(page.split())
    assert page.index(CAUTIONS[-1]) < page.index(first) < page.index("Parts so far")
    report = report_of(
        trial, (), outcome, fair_trial(trial), (), refusals={}, sheets={}, made_at="2026-01-06T08:00:00"
    )
    assert report.due == (first,)
    assert next(bit.life for bit in report.bits if bit.bit == "Wren") == life
    html = unescape(report_html(report, interactive=False))
    assert html.index(first) < html.index(CAUTIONS[0]) < html.index('class="verdict"')
    pdf = " ".join(PdfReader(io.BytesIO(report_pdf(report))).pages[0].extract_text().split())
    assert pdf.index(first) < pdf.index(CAUTIONS[0]) < pdf.index(verdict_text(outcome)[:30])
    assert [html.count(caution) for caution in CAUTIONS] == [pdf.count(caution) for caution in CAUTIONS]
    assert {html.count(caution) for caution in CAUTIONS} == {1}
    calm = replace(report, due=())
    assert {unescape(report_html(calm, interactive=False)).count(caution) for caution in CAUTIONS} == {1}


def test_nobody_is_told_to_cut_on_with_what_is_due(trial):
    outcome = outcome_of(trial, rows_of(trial, {"Wren": 0.16, "Plover": 0.01}))
    both = replace(outcome.next_checkpoint, bits=("Wren", "Plover"))
    said = " ".join(trial_sentences(replace(outcome, next_checkpoint=both), due_bits(trial, outcome)))
    assert "Do not cut on with Wren, due to be changed; photograph Plover after 500 parts." in said
    assert "To cut on with Wren" not in said
    # a bit that is due is named though nobody would photograph it again: of two that are due no one may pick one
    only = replace(outcome.next_checkpoint, bits=("Plover",))
    both_due = " ".join(trial_sentences(replace(outcome, next_checkpoint=only), ("Wren", "Plover")))
    assert "Do not cut on with Wren and Plover, due to be changed." in both_due
    one_due = " ".join(trial_sentences(replace(outcome, next_checkpoint=only), ("Wren",)))
    assert "Do not cut on with Wren, due to be changed; photograph Plover after 500 parts." in one_due
    assert "To cut on with Wren and Plover" in " ".join(
        trial_sentences(replace(outcome, next_checkpoint=both))
    )


def test_a_reading_older_than_the_last_photo_says_when(trial):
    rows = [
        row for row in rows_of(trial, {"Wren": 0.05, "Plover": 0.05}) if (row.bit, row.parts) != ("Wren", 300)
    ]
    text = " ".join(
        PdfReader(io.BytesIO(wall_sheet_pdf(trial, outcome_of(trial, rows), "2026-01-06")))
        .pages[0]
        .extract_text()
        .split()
    )
    assert re.search(r"Wren 1 300 edge radius [^,]*, of 40 µm, after 100 parts", text)
    assert "after 300 parts" not in text


def test_all_that_are_due_are_named_where_no_bit_is_left_to_photograph(trial):
    outcome = replace(outcome_of(trial, rows_of(trial, {"Wren": 0.16, "Plover": 0.16})), next_checkpoint=None)
    assert "Do not cut on with Wren and Plover, due to be changed." in trial_sentences(
        outcome, ("Wren", "Plover")
    )


def test_nothing_is_due_where_no_wear_is_near_a_limit(trial):
    slow = outcome_of(trial, rows_of(trial, {"Wren": 0.005, "Plover": 0.005}))
    assert due_lines(trial, slow) == due_bits(trial, slow) == ()


def test_a_cell_on_one_line_is_written_as_the_library_writes_it(trial, outcome, monkeypatch):
    """Looking for breaks sign by sign takes several times as long, and finds none where the text has room."""

    def written():
        pages = Pages("Table", "foot")
        pages.set_creation_date(datetime(2026, 3, 2, tzinfo=UTC))
        pages.set_compression(compress=False)
        pages.add_page()
        pages.rows(("A head", "Another, long enough for a second line"), CELLS * 20, (2, 1), size=9)
        for text in ("flute 1", "a name that is longer than the box", "W" * 40):
            pages.in_box(text, (20, pages.get_y()), (30, 11), (14.0, 9.0, 6.0))
        return bytes(pages.output())

    by_itself, fast = written(), []
    one_line = Pages._one_line
    monkeypatch.setattr(Pages, "_one_line", lambda self, *of: fast.append(of[2]) or one_line(self, *of))
    written()
    assert "18.6 ± 1.2 µm" in fast
    assert not {" ", "two  blanks", "two\nlines", "a\N{SOFT HYPHEN}b"} & set(fast)
    monkeypatch.setattr(Pages, "_on_one_line", lambda *_: False)
    assert written() == by_itself


CELLS = [
    ("Wren", "18.6 ± 1.2 µm"),
    ("two\nlines", "a\N{SOFT HYPHEN}b"),
    (" ", "two  blanks"),
    ("שלום", "–"),
    ("as wide as the column is, nearly so or more, and then a little more", "iiiiiiiiiiiiiiiiiiiiii"),
]
