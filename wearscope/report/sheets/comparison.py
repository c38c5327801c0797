"""The comparison sheet: one picture per flute and checkpoint that a person can judge and hand on.

Used beside unused and new beside now, each pair at the same magnification and in the same tone, with
the numbers under the pictures they were read from.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from wearscope.light.strip import EdgeView
from wearscope.log.records import Record
from wearscope.report import words
from wearscope.report.fonts import readable
from wearscope.report.photo_words import main_sentence
from wearscope.report.sheets.along import draw_along
from wearscope.report.sheets.close_ups import choose_close_ups, draw_close_ups
from wearscope.report.sheets.content import Content, SheetContent
from wearscope.report.sheets.page import Page, Sheet, write_png
from wearscope.report.sheets.table import draw_numbers
from wearscope.report.style import BODY, GREY, HEADLINE, LEAD, LEFT, RIGHT, WIDTH
from wearscope.report.tone import white_level
from wearscope.version import __version__

_LONGEST_NAME = 120  # characters of a bit's name in the headline: more do not fit, and take long to find out


def draw_sheet(
    path: Path,
    *,
    trial_name: str,
    bit: str,
    flute: int,
    parts: int,
    view: str,
    records: Sequence[Record],
    now: EdgeView,
    new: EdgeView | None,
    new_records: Sequence[Record] = (),
    remarks: Sequence[str] = (),
) -> None:
    """Write the comparison sheet of one flute at one checkpoint as a PNG.

    The file appears whole or not at all.

    Parameters
    ----------
    path : Path
        File to write; its folder is made if need be.
    trial_name, bit : str
    flute, parts : int
    view : str
        Key of the view.
    records : sequence of Record
        Rows of this photo, refused ones included.
    now : EdgeView
        This photo.
    new : EdgeView or None
        The new-state photo of the same flute on the same s axis.
    new_records : sequence of Record
        Rows of the new-state photo.
    remarks : sequence of str
        Warnings about the photo, one line each.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    content = SheetContent(
        trial_name, bit, flute, parts, view, tuple(records), now, new, tuple(new_records), tuple(remarks)
    )
    title = f"{trial_name}: {words.headline(bit, flute, parts)}"
    write_png(compose_sheet(content), Path(path), title=title, software=f"wearscope {__version__}")


def compose_sheet(content: SheetContent) -> Sheet:
    """Lay out a comparison sheet.

    Parameters
    ----------
    content : SheetContent

    Returns
    -------
    Sheet
        1600 pixels wide, as high as its content needs.
    """
    page = Page(WIDTH)
    strips = [content.now.strip] + ([content.new.strip] if content.new else [])
    white = white_level(strips)
    close_ups = choose_close_ups(content)
    y = draw_header(page, content)
    y = draw_close_ups(page, y, content, close_ups, white)
    y = draw_along(page, y, content, close_ups, white)
    y = draw_numbers(page, y, content)
    return page.finish(y)


def draw_header(page: Page, c: Content) -> float:
    """Write what the sheet is about and its result in a sentence.

    Parameters
    ----------
    page : Page
    c : Content

    Returns
    -------
    float
        Where it ends.
    """
    wide = RIGHT - LEFT
    view = f" · {words.VIEW_WORDS.get(c.view, c.view)}"
    trial = page.fit(c.trial_name, BODY, wide - page.text_width(view, BODY))
    page.text(LEFT, 70, trial + view, BODY, colour=GREY)
    size, bit = HEADLINE, words.shortened(readable(c.bit), _LONGEST_NAME)
    headline = words.headline(bit, c.flute, c.parts)
    while size > 44 and page.text_width(headline, size, bold=True) > wide:
        size -= 2
    while len(page.wrap(headline, size, wide, bold=True)) > 2:  # a name may be cut, flute and parts never
        bit = words.shortened(bit, len(bit) - 2)
        headline = words.headline(bit, c.flute, c.parts)
    y = 82.0
    for line in page.wrap(headline, size, wide, bold=True):
        y += size * 1.18
        page.text(LEFT, y, line, size, bold=True)
    y += 10
    for line in page.wrap(main_sentence(c.records, c.parts), LEAD, wide, most=4):
        y += LEAD * 1.3
        page.text(LEFT, y, line, LEAD)
    return y + 34
