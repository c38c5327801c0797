"""The sheet of a part's edge: the edge straightened, where its top layer begins, and where it has broken out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from wearscope.light.strip import Strip
from wearscope.log.records import Record
from wearscope.quantities.views import VIEWS
from wearscope.report import words
from wearscope.report.sheets.comparison import draw_header
from wearscope.report.sheets.page import Page, Sheet, write_png
from wearscope.report.sheets.pictures import draw_picture, draw_scale_bar, nice_length
from wearscope.report.sheets.table import draw_numbers
from wearscope.report.style import BLUE, LEFT, ORANGE, RIGHT, SMALL, VERMILION, WIDTH
from wearscope.report.tone import white_level
from wearscope.version import __version__
from wearscope.wear.tear_out import TearOut

_OUTSIDE_UM, _BELOW_UM = 400.0, 600.0  # of the ground, and below the deepest break-out, on the picture
_TALLEST = 700
_COLUMNS = (("this part", False, "whole"),)


@dataclass(frozen=True)
class PartContent:
    """What the sheet of a part's edge shows.

    Attributes
    ----------
    trial_name, bit : str
    flute, parts : int
    view : str
    records : tuple of Record
        Rows of this photo.
    strip : Strip
    seen : TearOut
    new_records : tuple of Record
    remarks : tuple of str
        Warnings about the photo, one line each.
    """

    trial_name: str
    bit: str
    flute: int
    parts: int
    view: str
    records: tuple[Record, ...]
    strip: Strip
    seen: TearOut
    new_records: tuple[Record, ...] = ()
    remarks: tuple[str, ...] = ()


def draw_part_sheet(path: Path, content: PartContent) -> None:
    """Write the sheet of one part's edge as a PNG; the file appears whole or not at all.

    Parameters
    ----------
    path : Path
        File to write; its folder is made if need be.
    content : PartContent

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    title = f"{content.trial_name}: {words.headline(content.bit, content.flute, content.parts)}"
    write_png(compose_part_sheet(content), Path(path), title=title, software=f"wearscope {__version__}")


def compose_part_sheet(content: PartContent) -> Sheet:
    """Lay out the sheet of a part's edge.

    Parameters
    ----------
    content : PartContent

    Returns
    -------
    Sheet
        1600 pixels wide, as high as its content needs.
    """
    page = Page(WIDTH)
    y = draw_header(page, content)
    y = _draw_edge(page, y, content)
    y = draw_numbers(page, y, content, quantities=VIEWS["part"].quantities, columns=_COLUMNS)
    return page.finish(y)


def _draw_edge(page: Page, y: float, c: PartContent) -> float:
    s_um, seen = c.strip.s_um, c.seen
    top, width = round(y) + 20, RIGHT - LEFT
    px_per_um = width / float(np.ptp(s_um))
    first = max(float(np.nanmin(seen.line_um)) - _OUTSIDE_UM, float(c.strip.d_um[0]))
    last = min(
        float(np.nanmax(seen.line_um)) + max(seen.deepest_um, 0.0) + _BELOW_UM, float(c.strip.d_um[-1])
    )
    last = min(last, first + _TALLEST / px_per_um)
    height = round((last - first) * px_per_um)
    frame = (LEFT, top, width, height)
    draw_picture(
        page, c.strip, (float(s_um[0]), float(s_um[-1])), (first, last), frame, white_level([c.strip])
    )
    x = LEFT + (s_um - s_um[0]) * px_per_um
    clip = (LEFT, top, RIGHT, top + height)
    lines = (
        (seen.line_um, BLUE, (12.0, 7.0), "cut line"),
        (seen.line_um + seen.depth_um, ORANGE, None, "top layer"),
    )
    for depth_um, colour, dashes, _ in lines:
        page.line(x, top + (depth_um - first) * px_per_um, colour=colour, width=3, dashes=dashes, clip=clip)
    y = top + height + 14
    for start, end in seen.broken_um:
        page.line(
            [LEFT + (each - s_um[0]) * px_per_um for each in (start, end)], [y, y], colour=VERMILION, width=8
        )
    y += 44
    bar_um = nice_length(float(np.ptp(s_um)) / 4)
    draw_scale_bar(page, LEFT, y, bar_um, px_per_um)
    at = LEFT + bar_um * px_per_um + 190.0
    for colour, dashes, name in (
        (BLUE, (12.0, 7.0), "cut line"),
        (ORANGE, None, "top layer begins"),
        (VERMILION, None, "broken out"),
    ):
        page.line([at, at + 44], [y - 10, y - 10], colour=colour, width=5, dashes=dashes)
        page.text(at + 56, y, name, SMALL)
        at += 56 + page.text_width(name, SMALL) + 36
    return y + 40
