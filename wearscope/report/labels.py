"""Labels to cut out, one for each flute, so that nobody photographs one flute under the name of another."""

from __future__ import annotations

from wearscope.report.pages import GREY, RED, Pages
from wearscope.trial import Trial

_ACROSS, _HEIGHT_MM, _INSIDE_MM = 3, 25.0, 3.0
_NAME_SIZES = (16.0, 13.0, 11.0, 9.0, 7.5, 6.0)  # typographic points: the largest in which a name fits
_NAME_MM = 11.5  # height for the name of a bit
_USE = (
    "Cut out and stick on the bag or box of each bit, or on the holder beside the flute that is photographed. Number "
    "the flutes once, from a mark on the shank."
)
CAUTION = "Never leave a label, tape or tag on a bit that will turn, nor on its shank where it is clamped."
"""On each page of labels."""


def labels_pdf(trial: Trial) -> bytes:
    """Print a label for each flute of each bit as PDF, A4.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    bytes
    """
    pages = Pages(f"Labels: {trial.name}", trial.name)
    down = 0.0
    for number, (bit, flute) in enumerate(trial.all_flutes()):
        column = number % _ACROSS
        if number == 0 or (column == 0 and pages.will_page_break(_HEIGHT_MM)):
            pages.add_page()
            if number == 0:
                pages.heading(f"Labels: {trial.name}")
                pages.say(_USE, size=9.5)
            pages.say(CAUTION, bold=True, colour=RED)
        if column == 0:
            down = pages.get_y()
        width = pages.epw / _ACROSS
        _label(pages, pages.l_margin + column * width, down, width, (trial.name, bit, flute))
        pages.set_y(down + _HEIGHT_MM if column == _ACROSS - 1 else down)
    return bytes(pages.output())


def _label(pages: Pages, left: float, top: float, width: float, what: tuple[str, str, int]) -> None:
    """Draw one label: the bit as large as it fits, its flute, the trial small."""
    trial, bit, flute = what
    with pages.local_context(draw_color=GREY, line_width=0.2):
        pages.set_dash_pattern(2, 2)  # to cut along
        pages.rect(left, top, width, _HEIGHT_MM)
        pages.set_dash_pattern()
    room, inside = width - 2 * _INSIDE_MM, left + _INSIDE_MM
    pages.in_box(bit, (inside, top + 1.5), (room, _NAME_MM), _NAME_SIZES)
    pages.in_box(f"flute {flute}", (inside, top + 13.5), (room, 6.5), (14.0,))
    pages.in_box(trial, (inside, top + 20.5), (room, 3.5), (7.0,), bold=False)
