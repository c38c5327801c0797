"""The report says what was found, on pages that need nothing else, and everything can be traced."""

from __future__ import annotations

import base64
import io
import json
import re
import threading
from contextlib import suppress
from dataclasses import replace
from functools import cache
from html import unescape
from html.parser import HTMLParser
from urllib.parse import unquote

import cv2
import fake_photos as fake
import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from seldom import but_seldom

from wearscope.economics.decision import outcome_of
from wearscope.log.notes import Note
from wearscope.process.fairness import fair_trial
from wearscope.report import html as html_pages
from wearscope.report import pdf as pdf_pages
from wearscope.report.curves import draw_curves, shown_bits
from wearscope.report.html import SHEET_WIDTH_PX, bit_page, report_html, shown_on
from wearscope.report.pdf import report_pdf
from wearscope.report.plots import interactive_curves
from wearscope.report.report import only_some, report_of
from wearscope.report.report_words import CAUTIONS, PLOTS_HINT
from wearscope.samples import sample_trial_folder
from wearscope.trial import load_trial

pytestmark = pytest.mark.usefixtures("few_draws")

SAMPLE = sample_trial_folder()
TRUTH = json.loads((SAMPLE / "truth.json").read_text())["photos"]
DAY = "2026-01-06T08:00:00+00:00"
REFUSED = "photos/plover-150-2.jpg"
WHY = "photos/plover-150-2.jpg: it shows another flute; check the file names <or> photograph the right flute"


@pytest.fixture(scope="module")
def trial():
    return load_trial(SAMPLE)


def place(entry):
    return entry.bit, entry.flute, entry.parts, entry.view


def rows_of(trial):
    """What measuring the sample trial well would give: its truth."""
    rows = []
    for entry in trial.photos:
        true = TRUTH[entry.file]
        if true["to_be_refused"]:
            continue
        rows.append(fake.row(entry, "sharpness", "whole", 4.2, std_uncertainty=0.3))
        rows.append(fake.row(entry, "edge_radius", "unused", true["r_unused_um"], std_uncertainty=1.5))
        if entry.parts:
            rows.append(fake.row(entry, "edge_radius", "used", true["r_used_um"], std_uncertainty=1.7))
            rows.append(fake.row(entry, "edge_recession", "difference", None, note="no card <behind> it"))
            if trial.bit(entry.bit).coated:
                loss = true["coating_loss_100um_used"]
                rows.append(fake.row(entry, "coating_loss", "used", loss, "1", std_uncertainty=0.025))
    return [
        replace(row, wearscope_version=f"0.{row.flute}.7", measured_at="2026-01-05T08:00:00+00:00")
        for row in rows
    ]


def a_note(trial, parts, level, text="read off a meter", **changed):
    note = Note(
        trial.name, "Wren", 0, parts, "sound", "sound_level", level, "dB(A)", 1.0, text, "", "", "Ann", "0.1.0", DAY
    )  # fmt: skip
    return replace(note, **changed)


OUTCOMES = {}


def outcome(trial, rows):
    """Several reports are of the same rows."""
    key = repr(trial), tuple(rows)  # its JSON tells of the table [trial] alone
    if key not in OUTCOMES:
        OUTCOMES[key] = outcome_of(trial, rows)
    return OUTCOMES[key]


def made(trial, rows, *, refusals=None, sheets=None, notes=(), **more):
    return report_of(
        trial,
        rows,
        outcome(trial, rows),
        fair_trial(trial),
        notes,
        refusals=refusals or {},
        sheets=sheets or {},
        made_at=DAY,
        **more,
    )


@pytest.fixture(scope="module")
def rows(trial):
    return rows_of(trial)


@pytest.fixture(scope="module")
def sheets(trial, tmp_path_factory):
    folder = tmp_path_factory.mktemp("sheets")
    found = {}
    for i, entry in enumerate(trial.photos):
        if entry.file != REFUSED:
            found[entry] = folder / f"{i}.png"
            cv2.imwrite(str(found[entry]), np.full((2400, 1600, 3), 10 * i, np.uint8))
    return found


@pytest.fixture(scope="module", autouse=True)
def reduced_once():
    """Several reports show the same sheets, and to make pictures for a page of them takes longest."""
    with pytest.MonkeyPatch.context() as patched:
        reduced = cache(html_pages.sheet_picture)
        patched.setattr(html_pages, "sheet_picture", reduced)
        patched.setattr(pdf_pages, "sheet_picture", reduced)
        yield


@pytest.fixture(scope="module")
def report(trial, rows, sheets):
    refused = next(entry for entry in trial.photos if entry.file == REFUSED)
    notes = (
        a_note(trial, 0, 80.0),
        a_note(trial, 300, 86.0),
        a_note(trial, 300, None, "<b>hums</b>", kind="remark", quantity="", unit="", std_uncertainty=None),
    )
    return made(trial, rows, refusals={place(refused): WHY}, sheets=sheets, notes=notes)


class Page(HTMLParser):
    """A page taken apart."""

    void = frozenset({"meta", "link", "img", "br", "input", "source"})

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.open, self.words = [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.void:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("script", "style"):
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).replace("\N{NO-BREAK SPACE}", " ").split())

    def all(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


@pytest.fixture(scope="module")
def html(report):
    return report_html(report)


@pytest.fixture(scope="module")
def page(html):
    page = Page(html)
    assert page.open == []
    return page


@pytest.fixture(scope="module")
def pdf(report):
    return PdfReader(io.BytesIO(report_pdf(report)))


@pytest.fixture(scope="module")
def pdf_text(pdf):
    return " ".join(" ".join(page.extract_text() for page in pdf.pages).split())


# --- HTML


def test_the_verdict_comes_first(page, report):
    said = page.text
    assert report.verdict in said
    order = ["The bits", "What to do", "Each flute at its last checkpoint", "Points are flutes", "Using a bit up", "read off a meter", "Fair, as far as", "photos gave numbers", "JCGM 100:2008"]  # fmt: skip
    before = [*report.due, *CAUTIONS]  # what can hurt stands before what it costs
    found = [said.index(words) for words in [*before, report.verdict, *order]]
    assert report.due
    assert found == sorted(found)


def test_nothing_is_fetched(page, html):
    for tag, attrs in page.tags:
        for name in ("src", "href", "srcset", "poster", "data", "action"):
            assert re.match(r"data:|#", attrs.get(name) or "#"), (tag, attrs[name][:80])
    assert "default-src 'none'" in html
    style = html[html.index("<style>") : html.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style


def test_every_picture_is_described(page):
    pictures = page.all("img")
    assert len(pictures) == 17 + 2
    assert all(len(picture["alt"]) > 30 for picture in pictures)
    assert len({picture["alt"] for picture in pictures}) == len(pictures)


def test_links_lead_somewhere_and_ids_are_unique(page):
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    targets = {attrs["href"] for attrs in page.all("a")}
    assert len(targets) > 18
    assert {target.removeprefix("#") for target in targets} <= set(ids)


def test_every_number_can_be_traced(page, rows):
    said = page.text
    for row in rows:
        assert row.photo_sha256 in said
        assert row.photo in said
        assert f"{row.method} · wearscope {row.wearscope_version} · 2026-01-05" in said
    assert said.count("· wearscope 0.") == len(rows)


def test_sheets_are_small_but_whole(page):
    pictures = [picture["src"] for picture in page.all("img") if picture["src"].startswith("data:image/webp")]
    assert len(pictures) == 17
    with Image.open(io.BytesIO(base64.b64decode(pictures[3].split(",")[1]))) as sheet:
        assert sheet.size == (SHEET_WIDTH_PX, 1650)


def test_refused_photos_say_what_to_do(page):
    assert page.text.count(WHY) == 2  # at the flute, and among the photos
    assert "17 of 18 photos gave numbers" in page.text
    assert "refused: no card <behind> it" in page.text


def test_what_people_write_is_text(html):
    assert "<b>hums" not in html
    assert "&lt;b&gt;hums" in html
    assert "<behind>" not in html


def test_sound_is_compared_with_new(page):
    # 86 - 80 dB, each known to 1 dB: 6 ± 1.96 * 1.41 = 2.8 dB, worked by hand
    assert "+6.0 ± 2.8 dB against new" in page.text
    assert "[Ann, 2026-01-06]" in page.text


def test_cautions_stand_where_bits_are_changed(page, pdf_text):
    for words in CAUTIONS:
        assert words in page.text
        assert words in pdf_text
    for must in ("spindle off", "locked", "ear protection", "dust", "scrap", "maximum speed", "rules"):
        assert must in " ".join(CAUTIONS)


def test_what_is_out_of_date_is_told_first_and_beside_its_photo(trial, rows, no_drawing):
    first = trial.photos[0]
    others = [row for row in rows if row.photo != first.file]
    line = "out of date (changed since: division_um): one.jpg; run wearscope measure"
    report = made(
        trial, others, out_of_date={first: "Out of date, changed since: division_um."}, behind=[line]
    )
    assert (report.photos[0].verdict, report.photos[0].remarks) == (
        "out of date",
        ("Out of date, changed since: division_um.",),
    )
    page = report_html(report, interactive=False)
    assert line in page[page.index("<header>") : page.index("</header>")]
    assert made(trial, rows).photos[0].remarks == ()
    assert made(trial, rows).warnings == made(trial, rows).fairness.warnings


@pytest.mark.parametrize("processors", [1, 2])
def test_sheets_are_made_smaller_side_by_side_and_stand_where_they_belong(report, monkeypatch, processors):
    met, at_once = threading.Barrier(2), []

    def made_smaller(path, *_):
        with suppress(threading.BrokenBarrierError):
            at_once.append(met.wait(timeout=5 if processors == 2 else 0.01) >= 0)
        return path.name.encode()

    monkeypatch.setattr(html_pages, "sheet_picture", made_smaller)
    page = Page(
        report_html(replace(report, photos=report.photos[:6]), interactive=False, processors=processors)
    )
    assert bool(at_once) == (processors == 2)
    shown = [
        base64.b64decode(each["src"].partition(",")[2]).decode()
        for each in page.all("img")
        if "webp" in each["src"]
    ]
    assert sorted(shown) == sorted(photo.sheet.name for photo in report.photos[:6] if photo.sheet)
    labels = [each["alt"] for each in page.all("img") if "webp" in each["src"]]
    of = {photo.sheet.name: photo.heading for photo in report.photos if photo.sheet}
    assert all(of[name] in label for name, label in zip(shown, labels, strict=True))


def test_without_script_the_page_is_small_and_says_the_same(report, page):
    small = report_html(report, interactive=False)
    assert Page(small).all("script") == []
    assert len(small) < 1_500_000
    assert PLOTS_HINT in page.text
    assert Page(small).text == page.text.replace(f"{PLOTS_HINT} ", "")


def relative_luminance(colour):
    """Of #rrggbb; WCAG 2.1, definition of relative luminance."""
    shares = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def contrast_on_white(colour):
    return 1.05 / (relative_luminance(colour) + 0.05)


def test_contrast_of_curves():
    assert contrast_on_white("#767676") == pytest.approx(
        4.54, abs=0.01
    )  # WebAIM's worked example, from memory
    from wearscope.report.plots import _COLOURS

    assert all(contrast_on_white(colour) >= 3 for colour in _COLOURS)  # WCAG 2.1, 1.4.11: graphics


# --- Curves that answer to the pointer


def test_the_interactive_curves_show_the_numbers(report, rows):
    radius, loss = interactive_curves(report.outcome)
    assert (radius["title"], loss["title"]) == ("Edge radius", "Coating loss")
    points = [trace for trace in radius["data"] if trace["mode"] == "markers"]
    wren = [row for row in rows if (row.bit, row.quantity, row.zone) == ("Wren", "edge_radius", "used")]
    assert sorted(points[0]["y"]) == pytest.approx(sorted(row.value for row in wren))
    assert points[0]["error_y"]["array"] == pytest.approx([1.96 * 1.7] * len(wren))
    assert {shape["y0"] for shape in loss["layout"]["shapes"]} == {80.0}
    json.dumps(radius, allow_nan=False)


def called(name, trial, rows):
    """The report where Wren has another name."""
    bits = tuple(bit.model_copy(update={"name": name}) if bit.name == "Wren" else bit for bit in trial.bits)
    photos = tuple(
        photo.model_copy(update={"bit": name}) if photo.bit == "Wren" else photo for photo in trial.photos
    )
    odd = trial.model_copy(update={"bits": bits, "photos": photos})
    return made(odd, [replace(row, bit=name) if row.bit == "Wren" else row for row in rows])


def test_nothing_in_a_name_is_obeyed_by_whoever_shows_the_pages(trial, rows):
    report = called("Wren\x1b]52;c;cm0=\x07 \u202e2", trial, rows)
    for page in (report_html(report), *(bit_page(report, each) for each in report.pages)):
        assert r"Wren\x1b]52;c;cm0=\x07 \u202e2" in page
        assert not set("\x1b\x07\u202e") & set(page)


@pytest.mark.statistics
def test_names_cannot_break_the_curves(trial, rows):
    name = 'A<b>%{y}</script>"$x^2$'
    report = called(name, trial, rows)
    page = Page(report_html(report))
    assert page.open == []
    assert name in page.text
    for figure in interactive_curves(report.outcome):
        for trace in figure["data"]:
            shown = f"{trace.get('name', '')}{trace.get('hovertemplate', '')}"
            assert "%{y}<" not in shown
            assert "<b>" not in shown
    assert name in PdfReader(io.BytesIO(report_pdf(report))).pages[0].extract_text()


# --- PDF


def test_the_pdf_says_the_same(pdf, pdf_text, report, rows):
    first = " ".join(pdf.pages[0].extract_text().split())
    assert first.startswith(f"{report.title} {' '.join(report.due)}")
    assert report.verdict in first
    solid = pdf_text.replace(" ", "")
    for row in rows:
        assert row.photo_sha256 in solid
        assert row.wearscope_version in solid or row.parts == 0
    assert WHY in pdf_text
    for sentence in (*report.sentences, *(text for bit in report.bits for text in bit.sentences)):
        assert sentence in pdf_text
    assert "+6.0 ± 2.8 dB against new" in pdf_text


def test_the_pdf_has_pages_names_and_fonts(pdf, report):
    for number, page in enumerate(pdf.pages, 1):
        assert f"{number} / {len(pdf.pages)}" in page.extract_text()
        assert page.mediabox.width == pytest.approx(595.28, abs=0.1)  # A4: 210 mm, ISO 216
        for font in page["/Resources"]["/Font"].values():
            inner = font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
            assert "/FontFile2" in inner
    assert pdf.metadata.title == f"{report.title}: which bit to stock"
    assert pdf.trailer["/Root"]["/Lang"].startswith("en")
    names = [entry["/Title"] for entry in pdf.outline if not isinstance(entry, list)]
    assert names[0] == "Verdict"
    assert {"Wear curves", "Cost", "Photos", "How the numbers are made"} <= set(names)


def test_the_pdf_holds_a_sheet_of_each_flute(pdf, report):
    shown = [photo for photo in report.photos if photo.is_last]
    assert len(shown) == 6
    pages = [page for page in pdf.pages if any(image.image.size[1] > 2000 for image in page.images)]
    assert len(pages) == 6


@pytest.mark.statistics
def test_our_signs_are_in_the_font(trial, rows):
    odd = trial.model_copy(update={"workpiece": "µ ± − × € ° … Ω Å ł 15 mm"})
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(report_pdf(made(odd, rows)))).pages)
    assert odd.workpiece in text


# --- Trials of all kinds


def cases(trial, rows):
    no_limits = type(trial.life)()
    free = tuple(bit.model_copy(update={"price": 0.0}) for bit in trial.bits)
    only_new = [row for row in rows if row.parts == 0]
    yield "no life limits", trial.model_copy(update={"life": no_limits}), rows, "not known yet"
    yield (
        "no prices",
        trial.model_copy(update={"bits": free, "cost": type(trial.cost)(), "currency": None}),
        rows,
        "No bit has a price",
    )
    yield "new bits only", trial, only_new, "No wear curve can be drawn yet"
    one = trial.model_copy(
        update={"bits": trial.bits[:1], "photos": tuple(p for p in trial.photos if p.bit == "Wren")}
    )
    yield "one bit", one, [row for row in rows if row.bit == "Wren"], "Wren costs"
    none = [replace(row, value=None, std_uncertainty=None, low95=None, high95=None, status="refused", note="glare; turn the lamp down") for row in rows]  # fmt: skip
    yield "all rows refused", trial, none, "Nothing can be said of life and cost yet"
    yield "a lonely row", trial, rows[1:2], "1 of 18 photos gave numbers"
    doubtful = [replace(row, status="doubtful", note="resin on the edge") for row in rows]
    yield "all rows doubtful", trial, doubtful, "measured, 5 of 5 numbers doubtful"
    long = trial.model_copy(
        update={"name": "Melamine-faced chipboard carcasses, second attempt " * 4 + "x" * 150}
    )
    yield "a long name", long, rows, "x" * 150


# by default: no prices, all rows refused, a long name
@pytest.mark.parametrize("number", [4, *but_seldom(0, (0, 1, 2, 3, 5, 6, 7))])
def test_trials_of_all_kinds(trial, rows, number):
    _, odd, some, words = list(cases(trial, rows))[number]
    report = made(odd, some)
    page = Page(report_html(report, interactive=False))
    assert page.open == []
    assert words in page.text
    pdf = PdfReader(io.BytesIO(report_pdf(report)))
    solid = "".join("".join(page.extract_text() for page in pdf.pages).split())
    assert words.replace(" ", "") in solid
    assert report.verdict.replace(" ", "") in solid


@pytest.fixture
def paged(report, monkeypatch):
    """The same report, were its photos too many for one page."""
    assert not report.pages  # found now, before there are too many
    monkeypatch.setattr("wearscope.report.report.MOST_ON_ONE_PAGE", len(report.photos) - 1)
    return replace(report)


def test_a_page_is_another_when_what_it_shows_is(paged, tmp_path):
    """A page of which nothing has changed stays as it is: a row of another bit must not touch it, nor a sheet drawn anew."""
    one, other = paged.pages[:2]
    before = shown_on(paged, one)
    first = one.photos[0]
    row = replace(first.rows[0], value=1e-9 + (first.rows[0].value or 0.0))
    said = replace(first, rows=(row, *first.rows[1:]))
    assert shown_on(paged, replace(one, photos=(said, *one.photos[1:]))) != before
    named = replace(first, remarks=(*first.remarks, "a remark"))
    assert shown_on(paged, replace(one, photos=(named, *one.photos[1:]))) != before
    sheet = tmp_path / "sheet.png"
    sheet.write_bytes(b"one")
    drawn = replace(one, photos=(replace(one.photos[0], sheet=sheet), *one.photos[1:]))
    with_one = shown_on(paged, drawn)
    sheet.write_bytes(b"drawn anew")
    assert shown_on(paged, drawn) == with_one
    elsewhere = replace(one, photos=(replace(one.photos[0], sheet=tmp_path / "b.png"), *one.photos[1:]))
    assert len({before, with_one, shown_on(paged, elsewhere), shown_on(paged, other)}) == 4
    assert shown_on(replace(paged, verdict="another", made="another day"), one) == before


def test_of_very_many_bits_the_cheapest_are_drawn(report, monkeypatch):
    bits = [bit for bit in report.outcome.bits if bit.curves]
    assert len(bits) > 1
    assert all(bit.cost for bit in bits)
    assert shown_bits(report.outcome) == tuple(bit.bit for bit in bits)
    assert only_some(report.outcome) == ""
    monkeypatch.setattr("wearscope.report.curves.MOST_SHOWN", 1)
    (cheapest,) = shown_bits(report.outcome)
    middle = {bit.bit: np.median(np.maximum(bit.cost_draws, bit.cost_at_horizon)) for bit in bits}
    assert cheapest == min(middle, key=middle.get)
    assert f"Of {len(bits)} bits the 1 " in only_some(report.outcome)
    assert len(draw_curves(report.outcome).axes) < len(bits) * len(bits[0].curves)


@pytest.mark.statistics
def test_too_many_photos_stand_on_a_page_for_each_bit(report, paged):
    """Every photo stands with its sheet and numbers on one page, the first page leads to all, and none is far away."""
    assert not report.pages
    first, pages = (
        report_html(paged, interactive=False),
        {page.name: bit_page(paged, page) for page in paged.pages},
    )
    assert re.findall(r'href="report-photos/([^"]+)"', first) == list(pages)
    assert 'class="zoom"' not in first
    assert not re.findall(r'id="photo-', first)
    stands = [re.findall(r'<article class="card" id="photo-(\d+)"', page) for page in pages.values()]
    assert [int(number) for of_bit in stands for number in of_bit] == [
        photo.number for photo in report.photos
    ]
    for page, bit in zip(pages.values(), report.bits, strict=True):
        of_bit = [photo for photo in report.photos if photo.bit == bit.bit]
        drawn = [photo.sheet for photo in of_bit if photo.sheet]
        shown = [unquote(unescape(uri)) for uri in re.findall(r'<img src="([^"]+)"', page)]
        assert shown == [f"../{sheet.parent.name}/{sheet.name}" for sheet in drawn]
        assert all(photo.sha256 in page for photo in of_bit)
        assert sorted(re.findall(r'href="#photo-(\d+)"', page)) == sorted(str(p.number) for p in of_bit)
        assert 'href="../report.html"' in page
        assert "default-src 'none'; img-src data: 'self' file:;" in page


@pytest.mark.statistics
def test_on_paper_too_many_photos_are_named_by_the_page_where_they_stand(pdf, paged):
    bounded = PdfReader(io.BytesIO(report_pdf(paged)))
    text = " ".join(page.extract_text() for page in bounded.pages)
    assert len(bounded.pages) < len(pdf.pages)
    assert all(f"report-photos/{page.name}" in text for page in paged.pages)
    assert not any(page.images for page in list(bounded.pages)[-2:])
