"""Pages of the report, and other pages to print, as PDF with text that can be searched and copied."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Literal

from fpdf import FPDF, FontFace
from fpdf.enums import MethodReturnValue, TableBordersLayout, TableCellFillMode
from fpdf.outline import OutlineSection
from PIL import Image

from wearscope.economics.outcome import BitOutcome
from wearscope.report.cost_bars import draw_costs
from wearscope.report.curves import draw_curves, on_pages, rendered
from wearscope.report.fonts import BOLD, REGULAR, fonts_beside, readable
from wearscope.report.html import sheet_picture
from wearscope.report.photo_cards import PhotoCard
from wearscope.report.report import BitRow, Report, costs_alt, curves_alt
from wearscope.report.report_words import CAUTIONS, COSTS_CAPTION, CURVES_CAPTION
from wearscope.report.right_to_left import as_seen

_SHEET_WIDTH_PX, _JPEG_QUALITY = 1400, 82
_FAMILY = "DejaVu"
INK, GREY, BLUE, RED = (22, 22, 22), (77, 77, 77), (0, 114, 178), (156, 47, 0)
_STYLES: tuple[tuple[Literal["", "B"], Path], ...] = (("", REGULAR), ("B", BOLD))
_MARGIN_MM = 16.0
_LONG_LINES = 12
_SECTIONS = 8  # of a report, beside those of the bits
_LINE_OF_CONTENTS_MM, _MOST_ROWS = 5.6, 40
_MOST_LINES = 16  # of a cell of a table
_LONG_NAME = 24  # characters
_CELL_MM = 1.0  # beside the text of a cell


class Pages(FPDF):
    """A4 pages in a font that has all our signs, with page numbers and the name of what it is at the foot.

    Parameters
    ----------
    title : str
    foot : str
        Stands at the foot of each page.
    orientation : {"portrait", "landscape"}
    """

    def __init__(
        self, title: str, foot: str, orientation: Literal["portrait", "landscape"] = "portrait"
    ) -> None:
        super().__init__(orientation, "mm", "A4")
        for style, path in _STYLES:  # the family that the sheets are set in
            self.add_font(_FAMILY, style, path)
        self._beside: list[str] = []
        self._foot = foot
        self.set_title(title)
        self.set_lang("en")
        self.set_creator("wearscope")
        self.set_margin(_MARGIN_MM)
        self.set_auto_page_break(True, 18)
        self.alias_nb_pages()
        self.set_font(_FAMILY, size=10)

    def normalize_text(self, text: str) -> str:
        """Make a text one that can be set, by fonts of this machine or spelt out; called by the library.

        Parameters
        ----------
        text : str

        Returns
        -------
        str
        """
        said = readable(as_seen(text))
        for family, path in fonts_beside(said):
            if family not in self._beside:
                for style, _ in _STYLES:
                    self.add_font(family, style, path)
                self._beside.append(family)
                self.set_fallback_fonts(self._beside, exact_match=False)
        return str(super().normalize_text(said))

    def footer(self) -> None:
        """Write the foot of a page; called by the library."""
        self.set_y(-13)
        self.set_font(_FAMILY, size=8)
        self.set_text_color(*GREY)
        self.cell(self.epw - 24, 5, shortened_to(self, self._foot, self.epw - 26))
        self.cell(24, 5, f"{self.page_no()} / {{nb}}", align="R")
        self.set_text_color(*INK)

    def heading(self, text: str, level: int = 0, *, room_mm: float = 35) -> None:
        """Begin a section, on a new page if less than `room_mm` is left on this one.

        Parameters
        ----------
        text : str
        level : int
            0 for a section, 1 for a part of one.
        room_mm : float
        """
        if self.will_page_break(room_mm):
            self.add_page()
        elif self.get_y() > self.t_margin + 1:
            self.ln(5 if level == 0 else 3)
        self.start_section(text, level)
        self.set_font(_FAMILY, "B", 14 if level == 0 else 11.5)
        self.multi_cell(0, 7 if level == 0 else 6, text, align="L", new_x="LMARGIN", new_y="NEXT")
        self.ln(1)
        self.set_font(_FAMILY, size=10)

    def say(
        self, text: str, *, size: float = 10, bold: bool = False, colour: tuple[int, int, int] = INK
    ) -> None:
        """Write a paragraph.

        Parameters
        ----------
        text : str
        size : float
            In typographic points.
        bold : bool
        colour : tuple of int
            Red, green and blue, 0 to 255.
        """
        self.set_font(_FAMILY, "B" if bold else "", size)
        self._keep_together(text, self.epw, size * 0.52)
        self.set_text_color(*colour)
        self.multi_cell(0, size * 0.52, text, align="L", new_x="LMARGIN", new_y="NEXT")
        self.ln(1.2)
        self.set_text_color(*INK)
        self.set_font(_FAMILY, size=10)

    def items(self, texts: Iterable[str], *, size: float = 9.5) -> None:
        """Write a list.

        Parameters
        ----------
        texts : iterable of str
        size : float
            In typographic points.
        """
        self.set_font(_FAMILY, size=size)
        for text in texts:
            self._keep_together(text, self.epw - 5, size * 0.5)
            self.cell(5, size * 0.5, "•")
            self.multi_cell(self.epw - 5, size * 0.5, text, align="L", new_x="LMARGIN", new_y="NEXT")
            self.ln(0.8)
        self.set_font(_FAMILY, size=10)

    def _keep_together(self, text: str, width_mm: float, line_mm: float) -> None:
        """Turn the page before a paragraph that would not end on this one, unless it is long."""
        lines = self.multi_cell(
            width_mm, line_mm, text, align="L", dry_run=True, output=MethodReturnValue.LINES
        )
        assert isinstance(lines, list)
        if len(lines) <= _LONG_LINES and self.will_page_break(line_mm * len(lines)):
            self.add_page()

    def _cut(self, text: str, width_mm: float, line_mm: float) -> str:
        """Text of a cell, cut where it would fill a page: a row must not be higher than that."""
        text = readable(text)
        if len(text) <= _MOST_LINES:
            return text
        lines = self.multi_cell(width_mm, line_mm, text, dry_run=True, output=MethodReturnValue.LINES)
        assert isinstance(lines, list)
        if len(lines) <= _MOST_LINES:
            return text
        return text[: sum(map(len, lines[:_MOST_LINES])) - 1].rstrip() + "…"

    def rows(
        self,
        heads: Sequence[str],
        rows: Iterable[Sequence[str]],
        widths: Sequence[float],
        *,
        size: float = 9,
        line_mm: float | None = None,
    ) -> None:
        """Draw a table whose heads come again on each page; `widths` are shares, the first column is bold.

        Parameters
        ----------
        heads : sequence of str
            Empty for a table without.
        rows : iterable of sequence of str
        widths : sequence of float
        size : float
            In typographic points.
        line_mm : float, optional
            Height of a line.
        """
        self.set_font(_FAMILY, size=size)
        shares = [self.epw * width / sum(widths) - 2 * _CELL_MM for width in widths]
        lines = [
            [self._cut(cell, share, size * 0.5) for cell, share in zip(row, shares, strict=True)]
            for row in ([heads, *rows] if any(heads) else [*rows])
        ]
        # a short table stays on one page, a long one takes at least its head and two rows along
        if self.will_page_break((size * 0.5 + 3) * (len(lines) if len(lines) <= _LONG_LINES else 3)):
            self.add_page()
        with self.table(
            col_widths=tuple(widths),
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            line_height=line_mm or size * 0.5,
            padding=(1.0, 1.5, 1.0, 0),
            text_align="LEFT",
            cell_fill_mode=TableCellFillMode.NONE,
            headings_style=FontFace(emphasis="BOLD"),
            first_row_as_headings=any(heads),
        ) as table:
            for line in lines:
                row = table.row()
                for i, text in enumerate(line):
                    row.cell(text, style=FontFace(emphasis="BOLD") if i == 0 else None)
        self.set_font(_FAMILY, size=10)
        self.ln(2)

    def picture(self, content: bytes, alt: str, *, width_mm: float, height_mm: float) -> None:
        """Place a picture as large as fits into width and height, on a new page if it does not fit on this one.

        Parameters
        ----------
        content : bytes
            The picture's file.
        alt : str
            What it shows, in words.
        width_mm, height_mm : float
        """
        width, height = fitted(content, width_mm, height_mm)
        if self.will_page_break(height):
            self.add_page()
        self.image(BytesIO(content), x=self.l_margin, w=width, alt_text=alt)
        self.ln(2)

    def in_box(
        self,
        text: str,
        at: tuple[float, float],
        room: tuple[float, float],
        sizes: Sequence[float],
        *,
        bold: bool = True,
    ) -> None:
        """Write a text as large as it fits into a box; what fits at no size is cut, with an ellipsis.

        Parameters
        ----------
        text : str
        at : tuple of float
            Left and top of the box, in mm.
        room : tuple of float
            Its width and height, in mm.
        sizes : sequence of float
            In typographic points, the largest first.
        bold : bool
        """
        text = readable(text)

        def lines_at(size: float) -> list[str]:
            self.set_font(_FAMILY, "B" if bold else "", size)
            lines = self.multi_cell(
                room[0], size * 0.45, text, align="L", dry_run=True, output=MethodReturnValue.LINES
            )
            assert isinstance(lines, list)
            return lines

        fits = [size for size in sizes if len(lines_at(size)) * size * 0.45 <= room[1]]
        whole = [
            size for size in fits if text.split() == " ".join(lines_at(size)).split()
        ]  # no word is broken
        size = (whole or fits or [sizes[-1]])[0]
        lines, most = lines_at(size), max(1, int(room[1] / (size * 0.45)))
        if len(lines) > most:
            lines = [*lines[: most - 1], shortened_to(self, lines[most - 1] + "…", room[0] - 2 * _CELL_MM)]
        self.set_xy(*at)
        self.multi_cell(room[0], size * 0.45, "\n".join(lines), align="L")


def name_share(bits: Sequence[BitOutcome | BitRow], usual: float) -> float:
    """Share of a table's width for the names of bits: twice the usual one where a name is long.

    Parameters
    ----------
    bits : sequence of BitOutcome or BitRow
    usual : float

    Returns
    -------
    float
    """
    return usual * (2 if max((len(bit.bit) for bit in bits), default=0) > _LONG_NAME else 1)


def fitted(content: bytes, width_mm: float, height_mm: float) -> tuple[float, float]:
    """Width and height of a picture, the largest that fit, in mm.

    Parameters
    ----------
    content : bytes
        The picture's file.
    width_mm, height_mm : float
        Room for it.

    Returns
    -------
    width_mm : float
        Of the picture on the page.
    height_mm : float
        The same.
    """
    with Image.open(BytesIO(content)) as image:
        across, down = image.size
    width = min(width_mm, height_mm * across / down)
    return width, width * down / across


def shortened_to(pages: FPDF, text: str, width_mm: float) -> str:
    """Text cut at the end, with an ellipsis, to what fits into a width.

    Parameters
    ----------
    pages : FPDF
        In whose font it is written.
    text : str
    width_mm : float

    Returns
    -------
    str
    """
    if pages.get_string_width(text) <= width_mm:
        return text
    while text and pages.get_string_width(text + "…") > width_mm:
        text = text[:-1]
    return text.rstrip() + "…"


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
    for bit in report.bits:
        pages.heading(f"Bit {bit.bit}", room_mm=45)
        pages.items(bit.sentences)
    _curves(pages, report)
    _cost(pages, report)
    _signs_and_fairness(pages, report)
    pages.heading("Conditions", 1)
    pages.rows((), report.facts, (1, 3))
    _photos(pages, report)
    pages.heading("Method and uncertainty", room_mm=60)
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
    top = pages.get_y()
    pages.set_left_margin(_MARGIN_MM + 4)
    pages.set_x(_MARGIN_MM + 4)
    pages.say(report.verdict, size=14.5, bold=True)
    pages.set_left_margin(_MARGIN_MM)
    with pages.local_context(fill_color=BLUE):
        pages.rect(_MARGIN_MM, top, 1.6, pages.get_y() - top - 1, "F")
    pages.ln(3)
    for warning in report.warnings:
        pages.say(warning, bold=True, colour=RED)
    pages.rows(
        ("Bit", "Lasts (95 %)", "Cost per part (95 %)", "Chance to be the cheapest"),
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
    pages.set_font(_FAMILY, size=10)
    for number, section in enumerate(sections):
        column, row = divmod(number, n_rows)
        pages.set_xy(pages.l_margin + column * width, top + row * _LINE_OF_CONTENTS_MM)
        link = pages.add_link(page=section.page_number)
        name = shortened_to(pages, section.name, width - 22)
        pages.cell(width - 18, _LINE_OF_CONTENTS_MM, name, link=link)
        pages.cell(10, _LINE_OF_CONTENTS_MM, str(section.page_number), align="R", link=link)


def _curves(pages: Pages, report: Report) -> None:
    groups = on_pages(report.outcome)
    if not groups:
        pages.heading("Wear curves")
        pages.say("No wear curve can be drawn yet.")
        return
    most_mm = pages.eph - 40
    for number, names in enumerate(groups):
        picture = rendered(partial(draw_curves, report.outcome, only=names), "png")
        assert picture is not None
        if number == 0:
            pages.heading("Wear curves", room_mm=30 + fitted(picture, pages.epw, most_mm)[1])
        pages.picture(picture, curves_alt(report.outcome, names), width_mm=pages.epw, height_mm=most_mm)
    pages.say(CURVES_CAPTION, size=9, colour=GREY)


def _cost(pages: Pages, report: Report) -> None:
    pages.heading("Cost", room_mm=70)
    picture = rendered(lambda: draw_costs(report.outcome), "png")
    if picture:
        pages.picture(picture, costs_alt(report), width_mm=82, height_mm=120)
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
    pages.rows(
        ("Flute", "Photo, SHA-256", "Blur", "Misfit", "Verdict"),
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
    shown = [photo for photo in report.photos if photo.is_last and photo.sheet]
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
        f"SHA-256 {photo.sha256}",
        size=7.5,
        colour=GREY,
    )
