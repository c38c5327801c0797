"""Pages to print, as PDF with text that can be searched and copied."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

from fpdf import FPDF, FontFace
from fpdf.enums import MethodReturnValue, TableBordersLayout, TableCellFillMode
from fpdf.fonts import TTFFont
from fpdf.util import Padding
from PIL import Image

from wearscope.economics.outcome import BitOutcome
from wearscope.report.fonts import BOLD, REGULAR, fonts_beside, readable
from wearscope.report.report import BitRow
from wearscope.report.right_to_left import as_seen
from wearscope.report.words import joints

FAMILY = "DejaVu"
INK, GREY, BLUE, RED = (22, 22, 22), (77, 77, 77), (0, 114, 178), (156, 47, 0)
_STYLES: tuple[tuple[Literal["", "B"], Path], ...] = (("", REGULAR), ("B", BOLD))
MARGIN_MM = 16.0
_LONG_LINES = 12
_MOST_LINES = 16  # of a cell of a table
_SHORT_WORD = 8  # characters: any line holds such a word
_SPARE_MM = 0.3  # so that rounding does not break a line again
_LONG_NAME = 24  # characters
_CELL_MM = 1.0  # beside the text of a cell
_UNSURE_MM = 1e-3  # about the width of a line, where it takes the library's own sum to tell
_PARAGRAPH = {"align": "L", "new_x": "LMARGIN", "new_y": "NEXT"}
_LINES = {"align": "L", "dry_run": True, "output": MethodReturnValue.LINES}
_OF_A_TABLE = MethodReturnValue.PAGE_BREAK | MethodReturnValue.HEIGHT  # what the library's tables ask for


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
            self.add_font(FAMILY, style, path)
        self._beside: list[str] = []
        self._foot = foot
        self.set_title(title)
        self.set_lang("en")
        self.set_creator("wearscope")
        self.set_margin(MARGIN_MM)
        self.set_auto_page_break(True, 18)
        self.alias_nb_pages()
        self.set_font(FAMILY, size=10)

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

    def multi_cell(  # type: ignore[override] # all else goes to the library as it comes
        self,
        w: float,
        h: float | None = None,
        text: str = "",
        **how: Any,  # noqa: ANN401 - as the library's
    ) -> Any:  # noqa: ANN401 - as the library's
        """Write a text in lines; the library's, whose long words are broken behind their hyphens first.

        Parameters
        ----------
        w, h : float
            Width of the cell, 0 for all up to the margin, and height of a line, in mm.
        text : str
        **how
            As the library's.

        Returns
        -------
        object
            As the library's.
        """
        beside = how.get("padding")
        if (
            isinstance(beside, Padding)
            and how.get("output") == _OF_A_TABLE
            and self._on_one_line(text, w - beside.left - beside.right)
        ):
            return self._one_line(w, h, text, beside)
        if h is not None and how in (_PARAGRAPH, _LINES):
            lines = self._plain_lines(text, w or self.w - self.r_margin - self.x)
            if lines:
                return lines if how == _LINES else self._written(w, h, lines)
        inside = sum((beside.left, beside.right)) if isinstance(beside, Padding) else 0.0
        wide = (w or self.w - self.r_margin - self.x) - inside - 2 * _CELL_MM - _SPARE_MM
        return super().multi_cell(w, h, self._broken(text, wide), **how)

    def _on_one_line(self, text: str, width_mm: float) -> bool:
        """Whether a text of a cell of a table surely stands on one line: of plain words that the font has."""
        if not text.isprintable() or text != " ".join(text.split()):
            return False
        width = self._width_of(text)
        return width is not None and width <= width_mm - 2 * _CELL_MM - _SPARE_MM

    def _plain_lines(self, text: str, width_mm: float) -> list[str] | None:
        """Lines of a text of plain words, broken as the library breaks it, which sums up a line anew at each sign.

        None where it must decide: of other texts, of words that no line holds, and where rounding may.
        """
        if not text.isprintable() or text != " ".join(text.split()) or self.normalize_text(text) != text:
            return None
        room, line, lines = width_mm - 2 * self.c_margin, "", list[str]()
        for word in text.split(" "):
            alone, width = self._width_of(word), self._width_of(f"{line} {word}" if line else word)
            if alone is None or width is None or alone > room or abs(width - room) < _UNSURE_MM:
                return None
            if line and width > room:
                lines.append(line)
                line = word
            else:
                line = f"{line} {word}" if line else word
        return [*lines, line]

    def _written(self, width_mm: float, line_mm: float, lines: Sequence[str]) -> None:
        """Write lines one below the other, as `multi_cell` does a paragraph."""
        for line in lines[:-1]:
            self.cell(width_mm, line_mm, line, align="L", new_x="LEFT", new_y="NEXT")
        self.cell(width_mm, line_mm, lines[-1], align="L", new_x="LMARGIN", new_y="NEXT")

    def _width_of(self, text: str) -> float | None:
        """Width of a text as the library sums it up, in mm; None where the font has not all of its signs."""
        font = self.current_font
        if not isinstance(font, TTFFont):
            return None
        signs = list(map(ord, text))
        if not font.cmap.keys() >= set(signs):
            return None
        return float(sum(map(font.cw.__getitem__, signs)) * self.font_size * 0.001)

    def _one_line(
        self, width_mm: float, line_mm: float | None, text: str, beside: Padding
    ) -> tuple[bool, float]:
        """Write such a text as `multi_cell` does for a table, without looking through it sign by sign for breaks."""
        top, height = self.y, line_mm or self.font_size
        if "_out" in vars(self):  # the library asks for heights: it would draw all the same, into nothing
            assert isinstance(self.current_font, TTFFont)
            # signs get their numbers in the file in this order
            self.current_font.encode_text(self.normalize_text(text))
            return False, height + beside.top + beside.bottom
        self.y += beside.top
        self.cell(width_mm - beside.left - beside.right, height, text, align="L", new_x="RIGHT", new_y="TOP")
        self.y = top
        self.x += beside.right
        return False, height + beside.top + beside.bottom

    def _broken(self, text: str, width_mm: float) -> str:
        """A text with line breaks in words that no line holds, behind a hyphen where that helps."""
        if not any(len(word) > _SHORT_WORD for word in text.split()):
            return text
        return "\n".join(self._broken_line(line, width_mm) for line in text.split("\n"))

    def _broken_line(self, text: str, width_mm: float) -> str:
        lines: list[str] = []
        for word in text.split(" "):
            parts = joints(word)
            if len(parts) == 1 or self.get_string_width(word) <= width_mm:
                lines.append(word)
                continue
            line = ""
            for part in parts:
                if line and self.get_string_width(line + part) > width_mm:
                    lines.append(f"{line}\n")
                    line = ""
                line += part
            lines.append(line)
        return " ".join(lines).replace("\n ", "\n")

    def footer(self) -> None:
        """Write the foot of a page; called by the library."""
        self.set_y(-13)
        self.set_font(FAMILY, size=8)
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
        self.set_font(FAMILY, "B", 14 if level == 0 else 11.5)
        self.multi_cell(0, 7 if level == 0 else 6, text, align="L", new_x="LMARGIN", new_y="NEXT")
        self.ln(1)
        self.set_font(FAMILY, size=10)

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
        self.set_font(FAMILY, "B" if bold else "", size)
        self._keep_together(text, self.epw, size * 0.52)
        self.set_text_color(*colour)
        self.multi_cell(0, size * 0.52, text, align="L", new_x="LMARGIN", new_y="NEXT")
        self.ln(1.2)
        self.set_text_color(*INK)
        self.set_font(FAMILY, size=10)

    def items(self, texts: Iterable[str], *, size: float = 9.5) -> None:
        """Write a list.

        Parameters
        ----------
        texts : iterable of str
        size : float
            In typographic points.
        """
        self.set_font(FAMILY, size=size)
        for text in texts:
            self._keep_together(text, self.epw - 5, size * 0.5)
            self.cell(5, size * 0.5, "•")
            self.multi_cell(self.epw - 5, size * 0.5, text, align="L", new_x="LMARGIN", new_y="NEXT")
            self.ln(0.8)
        self.set_font(FAMILY, size=10)

    def _keep_together(self, text: str, width_mm: float, line_mm: float) -> None:
        """Turn the page before a paragraph that would not end on this one, unless it is long."""
        if not self.will_page_break(line_mm * self._most_lines(text, width_mm)):
            return
        lines = self.multi_cell(
            width_mm, line_mm, text, align="L", dry_run=True, output=MethodReturnValue.LINES
        )
        assert isinstance(lines, list)
        if len(lines) <= _LONG_LINES and self.will_page_break(line_mm * len(lines)):
            self.add_page()

    def _most_lines(self, text: str, width_mm: float) -> float:
        """Lines that a text cannot have more of, without breaking it: each two fill one at least."""
        paragraphs = text.splitlines() or [""]
        room = max(width_mm - 2 * self.c_margin, 1e-3)
        return sum(1 + 2.0 * self.get_string_width(each) / room for each in paragraphs)

    def _cut(self, text: str, width_mm: float, line_mm: float) -> str:
        """Text of a cell, cut where it would fill a page: a row must not be higher than that."""
        text = readable(text)
        if self._most_lines(text, width_mm) <= _MOST_LINES:
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
        self.set_font(FAMILY, size=size)
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
        self.set_font(FAMILY, size=10)
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

        def lines_at(size: float, text: str) -> list[str]:
            self.set_font(FAMILY, "B" if bold else "", size)
            if self._on_one_line(text, room[0]):
                return [text]
            lines = self.multi_cell(
                room[0], size * 0.45, text, align="L", dry_run=True, output=MethodReturnValue.LINES
            )
            assert isinstance(lines, list)
            return lines

        fits: float | None = None
        for size in sizes:
            lines = lines_at(size, text)
            if len(lines) * size * 0.45 > room[1]:
                continue
            fits = fits or size
            if text.split() == " ".join(lines).split():  # no word is broken
                break
        else:
            size = fits or sizes[-1]
        most = max(1, int(room[1] / (size * 0.45)))
        if len(lines_at(size, text)) > most:
            signs = range(len(text))
            n = bisect_left(signs, True, key=lambda n: len(lines_at(size, text[:n] + "…")) > most)
            text = text[: max(0, n - 1)].rstrip() + "…"
        self.set_xy(*at)
        # the text itself, not its lines: what runs leftward would be turned round a second time
        self.multi_cell(room[0], size * 0.45, text, align="L")


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
