"""The report as PDF."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from fpdf import FPDF
from fpdf.outline import OutlineSection

from wearscope.report.curves import MOST_SHOWN, draw_curves, drawn_of, on_pages, rendered, shown_bits
from wearscope.report.html import sheet_picture
from wearscope.report.pages import BLUE, FAMILY, GREY, MARGIN_MM, RED, Pages, fitted, name_share, shortened_to
from wearscope.report.photo_cards import PhotoCard
from wearscope.report.report import PAGES_FOLDER, Report, costs_alt, curves_alt, only_some
from wearscope.report.report_words import CAUTIONS, COSTS_CAPTION, CURVES_CAPTION, METHOD_HEADING

_SHEET_WIDTH_PX, _JPEG_QUALITY = 1400, 82
_SECTIONS = 8  # of a report, beside those of the bits
_LINE_OF_CONTENTS_MM, _MOST_ROWS = 5.6, 40


def report_pdf(report: Report) -> bytes:
    """Write the report as PDF, the sheets of the last checkpoint included.

    Parameters
    ----------
    report : Report

    Returns
    -------
    bytes
    """
    pages = Pages(f"{report.title}: which bit to stock", f"{report.title} · {report.made}")
    pages.add_page()
    _verdict(pages, report)
    _contents(pages, report)
    _bits(pages, report)
    _curves(pages, report)
    _cost(pages, report)
    _signs_and_fairness(pages, report)
    pages.heading("Conditions", 1)
    pages.rows((), report.facts, (1, 3))
    _photos(pages, report)
    pages.heading(METHOD_HEADING, room_mm=60)
    for name, text in report.method:
        pages.heading(name, 1, room_mm=25)
        pages.say(text, size=9.5)
    _sheets(pages, report)
    return bytes(pages.output())


def _verdict(pages: Pages, report: Report) -> None:
    pages.say(report.title, size=11, colour=GREY)
    pages.start_section("Verdict")
    for line in report.due:
        pages.say(line, size=12, bold=True, colour=RED)
    if report.due:
        pages.say(" ".join(CAUTIONS), size=9)
        pages.ln(2)
    top, page = pages.get_y(), pages.page_no()
    pages.set_left_margin(MARGIN_MM + 4)
    pages.set_x(MARGIN_MM + 4)
    pages.say(report.verdict, size=14.5, bold=True)
    pages.set_left_margin(MARGIN_MM)
    if pages.page_no() > page:  # the verdict begins on a new page, or goes on there
        top = pages.t_margin
    with pages.local_context(fill_color=BLUE):
        pages.rect(MARGIN_MM, top, 1.6, pages.get_y() - top - 1, "F")
    pages.ln(3)
    for warning in report.warnings:
        pages.say(warning, bold=True, colour=RED)
    pages.rows(
        ("Bit", "Lasts (95 in 100)", "Cost per part (95 in 100)", "Chance to be the cheapest"),
        [(bit.bit, bit.life, bit.cost, bit.chance) for bit in report.bits],
        (name_share(report.bits, 2), 4, 3, 3),
        size=10,
    )
    if report.limits:
        limits = "; ".join(report.limits)
        pages.say(
            f"A bit is worn out when its worst flute reaches the first of these: {limits}.",
            size=9,
            colour=GREY,
        )
    if report.sentences:
        pages.heading("What to do", 1)
        pages.items(report.sentences)
    if not report.due:
        pages.heading("Before you change a bit", 1, room_mm=55)
        pages.items(CAUTIONS)


def _contents(pages: Pages, report: Report) -> None:
    """List what is on which page, in the room that the verdict leaves on its page, or on the next."""
    n_rows = min(-(-(len(report.bits) + _SECTIONS) // 2), _MOST_ROWS)
    pages.heading("Contents", room_mm=_LINE_OF_CONTENTS_MM * n_rows + 16)
    pages.insert_toc_placeholder(partial(_list_contents, n_rows=n_rows))


def _list_contents(pages: FPDF, outline: list[OutlineSection], *, n_rows: int) -> None:
    """Write the list, in two columns; called by the library once all pages are there."""
    sections = [one for one in outline if one.level == 0 and one.name != "Contents"][: 2 * n_rows]
    top, width = pages.get_y(), pages.epw / 2
    pages.set_font(FAMILY, size=10)
    for number, section in enumerate(sections):
        column, row = divmod(number, n_rows)
        pages.set_xy(pages.l_margin + column * width, top + row * _LINE_OF_CONTENTS_MM)
        link = pages.add_link(page=section.page_number)
        name = shortened_to(pages, section.name, width - 22)
        pages.cell(width - 18, _LINE_OF_CONTENTS_MM, name, link=link)
        pages.cell(10, _LINE_OF_CONTENTS_MM, str(section.page_number), align="R", link=link)


def _bits(pages: Pages, report: Report) -> None:
    """What there is to say of each bit; of more than fill a few pages, of those that are drawn."""
    told = list(range(len(report.bits)))
    if len(told) > MOST_SHOWN:
        drawn = shown_bits(report.outcome)
        told = [at for at, bit in enumerate(report.outcome.bits) if bit.bit in drawn]
        pages.heading("Bits", room_mm=45)
        pages.say(
            f"Of {len(report.bits)} bits the {len(told)} that cost least are told of here; the tables tell of all, "
            "and report.html says of each what is to be said."
        )
    for at in told:
        pages.heading(f"Bit {report.bits[at].bit}", room_mm=45)
        pages.items(report.bits[at].sentences)


def _curves(pages: Pages, report: Report) -> None:
    groups = on_pages(report.outcome)
    if not groups:
        pages.heading("Wear curves")
        pages.say("No wear curve can be drawn yet.")
        return
    most_mm = pages.eph - 40
    for number, names in enumerate(groups):
        alone = report.curves if len(groups) == 1 else None
        picture = alone.png if alone else _page_of_curves(report, names)
        if number == 0:
            pages.heading("Wear curves", room_mm=30 + fitted(picture, pages.epw, most_mm)[1])
        pages.picture(picture, curves_alt(report.outcome, names), width_mm=pages.epw, height_mm=most_mm)
    pages.say(CURVES_CAPTION + only_some(report.outcome), size=9, colour=GREY)


def _page_of_curves(report: Report, names: Sequence[str]) -> bytes:
    def drawn() -> tuple[bytes, ...]:
        return (rendered(partial(draw_curves, report.outcome, only=names), "png") or b"",)

    return next(iter(report.keep(drawn_of(report.outcome, names), "page", drawn)))


def _cost(pages: Pages, report: Report) -> None:
    pages.heading("Cost", room_mm=70)
    if report.costs:
        pages.picture(report.costs.png, costs_alt(report), width_mm=82, height_mm=200)
        pages.say(COSTS_CAPTION, size=9, colour=GREY)
    pages.rows(
        ("Bit", "Using it up", "The next one lasts", "A part costs", "Edge cut per part"),
        [(bit.bit, bit.using_up, bit.next_life, bit.cost, bit.edge_cut) for bit in report.bits],
        (name_share(report.bits, 2), 4, 3, 3, 3),
    )
    pages.say(" ".join(report.cost_notes), size=9, colour=GREY)


def _signs_and_fairness(pages: Pages, report: Report) -> None:
    pages.heading("Sound and other signs")
    if not report.signs:
        pages.say("Nothing is noted. Sound level, cut quality and remarks can be noted with wearscope note.")
    for group in report.signs:
        pages.heading(group.place, 1, room_mm=20)
        pages.items(group.lines)
    pages.heading("Was it fair?")
    pages.say(report.fairness.head)
    pages.items(report.fairness.lines)


def _photos(pages: Pages, report: Report) -> None:
    pages.heading("Photos", room_mm=60)
    pages.say(report.photos_head)
    if report.pages:
        pages.say(
            "They are too many for paper: those of each bit, with their sheets, numbers and check sums, stand on a "
            f"page of their own in the folder {PAGES_FOLDER} beside this file. The folder sheets has the sheets "
            "alone."
        )
        pages.rows(
            ("Bit", "Page", "Photos"),
            [(page.bit, f"{PAGES_FOLDER}/{page.name}", page.said) for page in report.pages],
            (2.9, 5.5, 5.5),
            size=7.5,
        )
        return
    pages.rows(
        ("Flute", "Photo, check sum", "Blur", "Misfit", "Verdict"),
        [
            (
                f"{photo.bit}, flute {photo.flute}, {photo.when}",
                "\n".join(filter(None, [photo.photo, photo.sha256[:32], photo.sha256[32:]])),
                photo.blur,
                photo.misfit,
                ": ".join(filter(None, [photo.verdict, " ".join(photo.remarks)])),
            )
            for photo in report.photos
        ],
        (2.9, 5.5, 2.2, 2.2, 3.6),
        size=7.5,
    )


def _sheets(pages: Pages, report: Report) -> None:
    shown = [] if report.pages else [photo for photo in report.photos if photo.is_last and photo.sheet]
    for number, photo in enumerate(shown):
        _sheet(pages, photo, first=number == 0)


def _sheet(pages: Pages, photo: PhotoCard, *, first: bool) -> None:
    assert photo.sheet is not None
    picture = sheet_picture(photo.sheet, _SHEET_WIDTH_PX, ".jpg", _JPEG_QUALITY)
    if picture is None:
        return
    pages.add_page()
    if first:
        pages.start_section("Sheets of the last checkpoint")
    pages.start_section(photo.heading, 1)
    room = pages.eph - 20
    pages.picture(picture, f"{photo.heading}. {photo.sentence}", width_mm=pages.epw, height_mm=room)
    pages.say(
        f"Photo {photo.photo}, scale {photo.scale}, measured {photo.measured_at} with wearscope {photo.version}, "
        f"check sum (SHA-256) {photo.sha256}",
        size=7.5,
        colour=GREY,
    )
