"""Many bits, long names, print without colour and dark screens."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from types import SimpleNamespace

import cv2
import fake_photos as fake
import numpy as np
import pytest
from decided import outcome_in_short, sample_trial
from fpdf.enums import MethodReturnValue
from pypdf import PdfReader

from wearscope.economics.shapes import SHAPES, STEPS
from wearscope.process.fairness import fair_trial
from wearscope.report.cost_bars import draw_costs
from wearscope.report.curves import draw_curves, on_pages
from wearscope.report.decision_words import why_this_curve
from wearscope.report.html import report_html
from wearscope.report.labels import CAUTION, labels_pdf
from wearscope.report.pages import Pages
from wearscope.report.pdf import report_pdf
from wearscope.report.plots import interactive_curves
from wearscope.report.report import report_of
from wearscope.report.right_to_left import as_seen
from wearscope.report.sheets.page import Page
from wearscope.report.short_names import LONGEST, short_names, with_short_names
from wearscope.report.spoken import Spoken
from wearscope.report.words import folded

LONG = "Zweischneidenkompressionsfräser mit extralanger Reichweite, Nachschliff Nr. 3, b"
READ_PT = 6.0  # the smallest print that is read without effort; common practice, no source


@pytest.fixture(scope="module")
def trial():
    return sample_trial()


@pytest.fixture(scope="module")
def outcome():
    return outcome_in_short()


@pytest.fixture(scope="module")
def twelve(outcome):
    """Four times the three bits of the sample trial."""
    bits = [replace(bit, bit=f"{bit.bit} {i}") for i in range(4) for bit in outcome.bits]
    return replace(outcome, bits=tuple(bits))


@pytest.fixture(scope="module")
def report(trial, outcome):
    return report_of(
        trial, (), outcome, fair_trial(trial), (), refusals={}, sheets={}, made_at="2026-01-06T08:00:00"
    )


@pytest.fixture(scope="module")
def pages(report):
    return PdfReader(io.BytesIO(report_pdf(report))).pages


@pytest.fixture(scope="module")
def page(report):
    return report_html(report, interactive=False)


# --- Curves and costs


def test_many_bits_wrap_and_stay_readable(twelve):
    """A4 is 210 mm wide (ISO 216): what is drawn wider than its text block is printed smaller than drawn."""
    figure = draw_curves(twelve)
    width_in = figure.get_size_inches()[0]
    block_in = (210 - 2 * 16) / 25.4
    assert min(text.get_fontsize() for text in figure.legends[0].get_texts()) * block_in / width_in >= READ_PT
    across = {panel.get_subplotspec().colspan.start for panel in figure.axes}
    assert across == {0, 1, 2}
    titles = [panel.get_title(loc="left") for panel in figure.axes]
    assert [title for title in titles if title] == [bit.bit for bit in twelve.bits]


def test_printed_pages_have_all_bits_once_at_one_scale(twelve):
    groups = on_pages(twelve)
    assert [name for group in groups for name in group] == [bit.bit for bit in twelve.bits]
    assert len(groups) > 1
    figures = [draw_curves(twelve, only=group) for group in groups]
    for figure in figures:
        width, height = figure.get_size_inches()
        assert height / width <= (297 - 36 - 40) / (210 - 32) + 0.05  # fills a page's room without shrinking
    scales = {(panel.get_ylabel(), *panel.get_ylim(), *panel.get_xlim()) for f in figures for panel in f.axes if panel.get_ylabel()}  # fmt: skip
    assert len(scales) == 2


@pytest.mark.parametrize("narrow", [False, True])
def test_panels_of_a_quantity_have_one_scale_and_numbers_only_below(twelve, narrow):
    """They are compared by eye, and share no axis."""
    figure = draw_curves(twelve, narrow=narrow)
    assert len({panel.get_xlim() for panel in figure.axes}) == 1
    quantities = {panel.get_ylabel() for panel in figure.axes} - {""}
    assert len({panel.get_ylim() for panel in figure.axes}) == len(quantities) == 2
    numbered = [panel for panel in figure.axes if panel.xaxis.get_tick_params()["labelbottom"]]
    assert len(numbered) == (1 if narrow else len(twelve.bits))
    assert all(panel.get_xlabel() for panel in numbered)


@pytest.mark.statistics
def test_the_pdf_has_the_curves_of_every_group(report, twelve, monkeypatch):
    drawn = []

    def noted(draw, suffix):
        drawn.append(draw.keywords["only"])
        return cv2.imencode(f".{suffix}", np.zeros((20, 40, 3), np.uint8))[1].tobytes()

    monkeypatch.setattr("wearscope.report.pdf.rendered", noted)
    report_pdf(replace(report, outcome=twelve))
    assert drawn == on_pages(twelve)


def test_a_page_of_bits_without_coating_has_no_empty_row(twelve):
    bare = tuple(bit.bit for bit in twelve.bits if not bit.coated)
    labels = {panel.get_ylabel() for panel in draw_curves(twelve, only=bare).axes}
    assert labels - {""} == {"edge radius, µm"}


def test_long_names_are_folded_and_whole(outcome):
    bits = tuple(replace(bit, bit=f"{LONG}{i}") for i, bit in enumerate(outcome.bits))
    titles = [panel.get_title(loc="left") for panel in draw_curves(replace(outcome, bits=bits)).axes[:3]]
    names = [label.get_text() for label in draw_costs(replace(outcome, bits=bits)).axes[0].get_yticklabels()]
    for said in (titles, names):
        assert ["".join(name.split()) for name in said] == ["".join(bit.bit.split()) for bit in bits]
        assert max(len(line) for name in said for line in name.splitlines()) <= 24
    assert len(folded("x" * 800, 24, 4).splitlines()) <= 4
    assert folded("x" * 800, 24, 4).endswith("…")


def test_curves_are_told_apart_without_colour(outcome, twelve):
    panel = draw_curves(outcome).axes[0]
    lines = {line.get_label(): line._unscaled_dash_pattern for line in panel.lines if not line.get_label().startswith("_")}  # fmt: skip
    assert len(set(map(str, lines.values()))) == len(lines)
    (wide, narrow) = (band.get_alpha() for band in panel.collections[:2])
    assert narrow > 2 * wide
    marks = {bars.lines[0].get_marker() for bars in panel.containers}
    assert len(marks) == len(panel.containers)
    (radius, _) = interactive_curves(twelve)
    dashes = [
        (trace["line"]["color"], trace["line"]["dash"]) for trace in radius["data"] if trace.get("name")
    ]
    marks = [(trace["marker"]["color"], trace["marker"]["symbol"]) for trace in radius["data"] if "marker" in trace]  # fmt: skip
    assert len(set(dashes)) == len(set(marks)) == 12


def test_every_shape_of_curve_has_words():
    for share, said in ((0.97, "Wear went"), (0.3, "most of all")):
        for best in (every := (*SHAPES, STEPS)):
            rest = (1 - share) / (len(every) - 1)
            weights = {shape.name: share if shape is best else rest for shape in every}
            text = why_this_curve(SimpleNamespace(weights=weights, n_checkpoints=4))
            assert said in text
            assert not re.search("power law|saturat|posterior|prior|weight", text)


def test_what_is_said_of_life_and_cost_has_no_jargon(report):
    lines = [line for bit in report.bits for line in (bit.life, bit.cost, bit.chance, *bit.sentences)]
    said = " ".join([report.verdict, *report.due, *report.sentences, *lines])
    assert len(said) > 1000
    assert not re.findall(fake.JARGON, said, re.IGNORECASE)


# --- PDF


def test_contents_say_where_each_section_is(pages, report):
    """Read off the printed numbers, and looked up on the pages they name."""
    said = " ".join(" ".join(page.extract_text().split()) for page in pages[:2])
    listed = re.findall(
        r"(Verdict|Bit [A-Z]\w+|Wear curves|Cost|Sound and other signs|Was it fair\?|Photos|How the numbers are made) (\d+)(?= |$)",
        said[said.index("Contents") :],
    )
    assert [name for name, _ in listed[: 7 + len(report.bits)]] == [
        "Verdict",
        *(f"Bit {bit.bit}" for bit in report.bits),
        "Wear curves",
        "Cost",
        "Sound and other signs",
        "Was it fair?",
        "Photos",
        "How the numbers are made",
    ]
    for name, number in listed[1 : 7 + len(report.bits)]:
        assert re.search(rf"^{re.escape(name)}$", pages[int(number) - 1].extract_text(), re.MULTILINE), name


def test_labels_for_each_flute(tmp_path):
    trial = fake.a_trial(tmp_path, bits=("Wren", LONG, "x" * 80), flutes=(1, 2), parts=(0, 40))
    pages = PdfReader(io.BytesIO(labels_pdf(trial))).pages
    text = " ".join(" ".join(page.extract_text().split()) for page in pages)
    assert len(re.findall("flute [12]", text)) == 6
    assert text.count("Wren flute 1") == text.count("Wren flute 2") == 1
    assert text.replace(" ", "").count(LONG.replace(" ", "")) == text.replace(" ", "").count("x" * 80) == 2


def test_labels_of_many_bits_have_the_caution_on_each_page(tmp_path):
    trial = fake.a_trial(tmp_path, bits=[f"Bit {'y' * 180} {i}" for i in range(16)], flutes=(1,), parts=(0,))
    pages = PdfReader(io.BytesIO(labels_pdf(trial))).pages
    texts = [" ".join(page.extract_text().split()) for page in pages]
    assert len(texts) > 1
    assert all(CAUTION in text for text in texts)
    assert (
        sum(len(re.findall("flute [12]", text)) for text in texts) == 32
    )  # two flutes each, by the trial file


# --- Screen


def luminance(colour):
    """Of #rgb or #rrggbb; WCAG 2.1, definition of relative luminance."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    shares = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    return float(
        np.dot(
            [0.2126, 0.7152, 0.0722],
            [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares],
        )
    )


def contrast(one, other):
    low, high = sorted(map(luminance, (one, other)))
    return (high + 0.05) / (low + 0.05)


def test_text_is_legible_on_light_and_dark_screens(page):
    palettes = [
        dict(re.findall(r"--(\w+): (#[0-9A-Fa-f]{3,6});", block))
        for block in re.findall(r":root \{(.*?)\}", page)
    ]
    light, dark = palettes
    assert light.keys() == dark.keys()
    assert luminance(dark["paper"]) < 0.02 < 0.9 < luminance(light["paper"])
    for palette in palettes:
        for use in ("ink", "grey", "link", "bad"):
            assert contrast(palette[use], palette["paper"]) >= 4.5, use  # WCAG 2.1, 1.4.3, level AA: text
        for use in ("care", "bar"):
            assert contrast(palette[use], palette["paper"]) >= 3, use  # WCAG 2.1, 1.4.11: graphics
    style = page[page.index("<style>") : page.index("</style>")]
    assert set(re.findall(r"var\(--(\w+)\)", style)) == light.keys()
    # paper stays white, whatever the screen
    assert "@media screen and (prefers-color-scheme: dark)" in style


def test_no_empty_frame_where_something_is_due(page, report):
    assert report.due
    (frame,) = re.findall(r'<(?:section|p) class="care".*?</(?:section|p)>', page, re.DOTALL)
    assert "Hold it by the shank" in frame


# --- Names of any length


def test_a_long_name_is_short_in_what_is_told_and_whole_in_the_conditions(trial, outcome):
    long = ("Spiral-Kompressionsfräser, Artikel 4711/08-15; " * 20)[:800].strip()
    other = long + " b"
    names = {"Wren": long, "Plover": other}
    bits = tuple(replace(bit, bit=names.get(bit.bit, bit.bit)) for bit in outcome.bits)
    short = short_names(bit.bit for bit in bits)
    assert set(short) == {long, other}
    assert len(set(short.values())) == 2
    assert all(len(said) <= LONGEST + 4 for said in short.values())
    assert with_short_names((f"{other} lasts longer than {long}.",), short) == (
        f"{short[other]} lasts longer than {short[long]}.",
    )
    said = with_short_names(Spoken((), "", ((long, (f"{long} lasts 300 parts.",)),), ()), short)
    assert said.bits == ((short[long], (f"{short[long]} lasts 300 parts.",)),)
    assert with_short_names(Spoken((long,), "", (), ()), short, ("due",)).due == (long,)


def test_words_are_broken_behind_their_hyphens_first():
    wide_mm = 40.0
    pages = Pages("x", "x")
    pages.add_page()
    name = "Vollhartmetall-Kompressions-Zweischneider_extralang"
    lines = pages.multi_cell(wide_mm, 5, name, align="L", dry_run=True, output=MethodReturnValue.LINES)
    assert lines == ["Vollhartmetall-", "Kompressions-", "Zweischneider_", "extralang"]
    word = "x" * 60
    broken = pages.multi_cell(wide_mm, 5, word, align="L", dry_run=True, output=MethodReturnValue.LINES)
    assert "".join(broken) == word
    assert pages.multi_cell(wide_mm, 5, "a-b", dry_run=True, output=MethodReturnValue.LINES) == ["a-b"]
    pages.output()  # closes the fonts


def test_sheets_break_words_behind_their_hyphens_first():
    page = Page(600)
    lines = page.wrap("Vollhartmetall-Kompressions-Zweischneider", 40.0, 420.0)
    assert lines == ["Vollhartmetall-", "Kompressions-", "Zweischneider"]


@pytest.mark.parametrize("name", ["لقمة توجيه كربيد", "Wren"])
def test_a_name_on_a_label_is_turned_round_once(name):
    pages = Pages("x", "x")
    pages.add_page()
    pages.in_box(name, (20, 20), (60, 11), (16.0, 9.0))
    read = PdfReader(io.BytesIO(bytes(pages.output()))).pages[0].extract_text()
    seen = as_seen(name)
    assert (seen if seen == name else seen[::-1]) in read  # read back from right to left


def test_what_fits_no_box_is_cut_with_an_ellipsis():
    pages = Pages("x", "x")
    pages.add_page()
    pages.in_box("Wren " * 200, (20, 20), (40, 8), (9.0, 6.0))
    read = PdfReader(io.BytesIO(bytes(pages.output()))).pages[0].extract_text()
    assert "…" in read
    assert 5 < read.count("Wren") < 20


def test_a_sentence_that_begins_with_an_arabic_name_runs_as_ours_do():
    said = as_seen("لقمة lasts 300 parts.")
    assert said.endswith("lasts 300 parts.")
