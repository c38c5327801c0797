"""The sheet of a profile view: the tip with what was fitted to it, new beside now, and what the fit leaves over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.log.records import Record
from wearscope.report import words
from wearscope.report.sheets.comparison import draw_header
from wearscope.report.sheets.content import SectionContent
from wearscope.report.sheets.page import Page, Sheet, write_png
from wearscope.report.sheets.pictures import draw_scale_bar, nice_length
from wearscope.report.sheets.table import draw_numbers
from wearscope.report.style import (
    BLUE,
    BODY,
    GREY,
    INK,
    LEFT,
    NOT_SEEN,
    ORANGE,
    RIGHT,
    RULE,
    SMALL,
    TITLE,
    VERMILION,
    WIDTH,
)
from wearscope.report.tone import to_display
from wearscope.version import __version__
from wearscope.wear.section import SectionView
from wearscope.wear.tip import TipFit

_QUANTITIES = (
    "edge_radius",
    "wedge_angle",
    "apex_to_arc",
    "departure_length_a",
    "departure_length_b",
    "departure_ratio",
)
_COLUMNS = (("when new", True, "whole"), ("now", False, "whole"))
_PICTURE = (700, 600)
_LARGEST_PX = 16.0  # of the page, for one of the photo
_PLOT = 260
_OUTLINE = (ORANGE, None)
_FIT = (BLUE, (12.0, 7.0))


@dataclass(frozen=True)
class _Frame:
    """A picture with the tip pointing up: where its apex lies on the page, and pixels of the page per µm."""

    left: int
    top: int
    apex: tuple[float, float]
    px_per_um: float

    @property
    def clip(self) -> tuple[float, float, float, float]:
        return self.left, self.top, self.left + _PICTURE[0], self.top + _PICTURE[1]

    def on_page(self, fit: TipFit, points_um: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places of the photo, in µm, on the page."""
        across, into = _axes(fit)
        turned = (points_um - fit.apex_um) @ np.column_stack([across, into])
        return np.asarray(self.apex + self.px_per_um * turned)


def draw_section_sheet(
    path: Path,
    *,
    trial_name: str,
    bit: str,
    flute: int,
    parts: int,
    records: Sequence[Record],
    now: SectionView,
    new: SectionView | None,
    new_records: Sequence[Record] = (),
    remarks: Sequence[str] = (),
) -> None:
    """Write the sheet of one profile photo as a PNG; the file appears whole or not at all.

    Parameters
    ----------
    path : Path
        File to write; its folder is made if need be.
    trial_name, bit : str
    flute, parts : int
    records : sequence of Record
        Rows of this photo.
    now : SectionView
        This photo.
    new : SectionView or None
        The new-state photo of the same flute.
    new_records : sequence of Record
        Rows of the new-state photo.
    remarks : sequence of str
        Warnings about the photo, one line each.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    content = SectionContent(
        trial_name, bit, flute, parts, "profile", tuple(records), now, new, tuple(new_records), tuple(remarks)
    )
    title = f"{trial_name}: {words.headline(bit, flute, parts)}"
    write_png(compose_section_sheet(content), Path(path), title=title, software=f"wearscope {__version__}")


def compose_section_sheet(content: SectionContent) -> Sheet:
    """Lay out the sheet of a profile photo.

    Parameters
    ----------
    content : SectionContent

    Returns
    -------
    Sheet
        1600 pixels wide, as high as its content needs.
    """
    page = Page(WIDTH)
    y = draw_header(page, content)
    y = _draw_pictures(page, y, content)
    y = _draw_residuals(page, y, content)
    y = draw_numbers(page, y, content, quantities=_QUANTITIES, columns=_COLUMNS)
    return page.finish(y)


def _axes(fit: TipFit) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Unit vectors in the photo that point right and down once the tip points up."""
    into = np.array([np.cos(fit.bisector_angle), np.sin(fit.bisector_angle)])
    return np.array([into[1], -into[0]]), into


def _draw_pictures(page: Page, y: float, c: SectionContent) -> float:
    views = [(words.parts_text(c.parts).upper(), c.now)] + ([("WHEN NEW", c.new)] if c.new else [])
    px_per_um = min(_magnification(view) for _, view in views)
    white = max(float(np.percentile(view.light[::2, ::2], 99.5)) for _, view in views)
    top = round(y) + 60
    for k, (title, view) in enumerate(views):
        left = (LEFT, RIGHT - _PICTURE[0])[k]
        wide = page.text_width(title, TITLE, bold=True) + 32
        page.box(left, y, left + wide, y + 50, fill=(ORANGE, NOT_SEEN)[k])
        page.text(left + 16, y + 39, title, TITLE, bold=True)
        said = page.fit("tip up: a left, b right", BODY, _PICTURE[0] - wide - 18)
        page.text(left + wide + 18, y + 37, said, BODY, colour=GREY)
        frame = _Frame(left, top, (left + _PICTURE[0] / 2, top + 0.14 * _PICTURE[1]), px_per_um)
        _draw_picture(page, view, frame, white)
    if len(views) == 1:
        text = (
            "There is no new-state profile photo to set beside it."
            if c.parts
            else "Later profile photos of this flute are set beside this one."
        )
        for n, line in enumerate(page.wrap(text, BODY, _PICTURE[0] - 60)):
            page.text(RIGHT - _PICTURE[0] + 30, top + 60 + n * 42, line, BODY, colour=GREY)
    y = top + _PICTURE[1] + 44
    bar_um = nice_length(_PICTURE[0] / px_per_um / 4)
    draw_scale_bar(page, LEFT, y, bar_um, px_per_um)
    x = LEFT + bar_um * px_per_um + 170.0
    for (colour, dashes), name in ((_OUTLINE, "outline as read"), (_FIT, "faces and arc fitted")):
        page.line([x, x + 44], [y - 10, y - 10], colour=colour, width=5, dashes=dashes)
        page.text(x + 56, y, name, SMALL)
        x += 56 + page.text_width(name, SMALL) + 36
    if len(views) > 1:
        page.text(RIGHT, y, "same magnification and tone", SMALL, colour=GREY, align="right")
    return y + 40


def _magnification(view: SectionView) -> float:
    """Pixels of the page per µm at which the rounding and a piece of both faces fill the picture."""
    fit = view.fit
    half = fit.wedge_angle / 2
    departure = max(fit.departure_a_um, fit.departure_b_um, fit.radius_um / np.tan(half))
    shown_um = 1.7 * departure + 12.0 * view.um_per_px
    fits = min(0.48 * _PICTURE[0] / (shown_um * np.sin(half)), 0.84 * _PICTURE[1] / (shown_um * np.cos(half)))
    return float(min(fits, _LARGEST_PX / view.um_per_px))


def _draw_picture(page: Page, view: SectionView, frame: _Frame, white: float) -> None:
    fit = view.fit
    width, height = _PICTURE
    across, into = _axes(fit)
    per_px = 1.0 / (frame.px_per_um * view.um_per_px)
    turn = np.column_stack([across, into]) * per_px
    apex_px = fit.apex_um / view.um_per_px - view.origin_px
    corner = np.array([frame.left + 0.5, frame.top + 0.5]) - frame.apex
    back = np.column_stack([turn, apex_px + turn @ corner])
    flags = (cv2.INTER_LINEAR if per_px < 1.5 else cv2.INTER_AREA) | cv2.WARP_INVERSE_MAP
    light = cv2.warpAffine(view.light, back, (width, height), flags=flags)
    inside = cv2.warpAffine(
        np.ones(view.light.shape[:2], np.uint8), back, (width, height), flags=cv2.INTER_NEAREST | flags & 16
    )
    page.image(to_display(np.asarray(light, np.float32), white), inside > 0, frame.left, frame.top)

    order = np.argsort(fit.along_um[fit.kept])
    outline = frame.on_page(fit, fit.points_um[fit.kept][order])
    gaps = np.flatnonzero(np.diff(fit.along_um[fit.kept][order]) > 4 * view.um_per_px) + 1
    outline = np.insert(outline, gaps, np.nan, axis=0)
    page.line(outline[:, 0], outline[:, 1], colour=ORANGE, width=4, halo=1, clip=frame.clip)
    half = fit.wedge_angle / 2
    for side in (-1.0, 1.0):
        far = 2.0 * max(_PICTURE)
        x = [frame.apex[0], frame.apex[0] + side * far * np.sin(half)]
        y = [frame.apex[1], frame.apex[1] + far * np.cos(half)]
        page.line(x, y, colour=BLUE, width=2.5, dashes=_FIT[1], clip=frame.clip)
    angle = np.linspace(0.0, 2 * np.pi, 361)
    around = fit.radius_um * np.column_stack([np.sin(angle), np.cos(angle)])
    circle = frame.on_page(fit, fit.centre_um + around)
    page.line(circle[:, 0], circle[:, 1], colour=BLUE, width=2.5, dashes=_FIT[1], clip=frame.clip)


def _draw_residuals(page: Page, y: float, c: SectionContent) -> float:
    """What the outline leaves over from faces and arc, along it."""
    page.text(LEFT, y + 40, "Outline less faces and arc", TITLE, bold=True)
    page.text(RIGHT, y + 40, "above the line: tool stands out", SMALL, colour=GREY, align="right")
    top, left = y + 64, LEFT + 120
    views = ([(c.new, BLUE)] if c.new else []) + [(c.now, INK)]
    reach = max(float(np.abs(view.fit.along_um).max()) for view, _ in views)
    most = max(float(np.abs(view.fit.residual_um[view.fit.kept]).max()) for view, _ in views) * 1.1
    middle, x_scale, y_scale = top + _PLOT / 2, (RIGHT - left) / (2 * reach), _PLOT / 2 / most
    zero = left + reach * x_scale
    half = 0.5 * c.now.fit.radius_um * (np.pi - c.now.fit.wedge_angle)
    page.box(zero - half * x_scale, top, zero + half * x_scale, top + _PLOT, fill=NOT_SEEN)
    page.text(zero, top + 30, "rounding", SMALL, colour=GREY, align="center")
    tick = nice_length(most)
    for value in (-tick, 0.0, tick):
        at = middle - value * y_scale
        page.line([left, RIGHT], [at, at], colour=RULE, width=1.5)
        page.text(left - 12, at + 10, words.plain(value), SMALL, align="right")
    page.text(LEFT + 12, middle, "µm", SMALL, upright=True, colour=GREY)
    clip = (left, top, RIGHT, top + _PLOT)
    for view, colour in views:
        fit = view.fit
        order = np.argsort(fit.along_um)
        shown = np.where(fit.kept, -fit.residual_um, np.nan)[order]
        page.line(
            zero + fit.along_um[order] * x_scale, middle - shown * y_scale, colour=colour, width=2, clip=clip
        )
        stray = np.where(fit.kept, np.nan, -fit.residual_um)[order]
        page.line(
            zero + fit.along_um[order] * x_scale,
            middle - stray * y_scale,
            colour=VERMILION,
            width=2,
            clip=clip,
        )
    y = top + _PLOT + 38
    step = nice_length(reach)
    for value in (-step, 0.0, step):
        page.text(zero + value * x_scale, y, words.plain(value), SMALL, align="center")
    names = [("now", INK)] + ([("when new", BLUE)] if c.new else [])
    names += [("left out", VERMILION)] if any(not view.fit.kept.all() for view, _ in views) else []
    x = float(left)
    y += 42
    for name, colour in names:
        page.line([x, x + 40], [y - 10, y - 10], colour=colour, width=5)
        page.text(x + 52, y, name, SMALL)
        x += 52 + page.text_width(name, SMALL) + 36
    page.text(RIGHT, y, "µm along the outline, from face a to face b", SMALL, colour=GREY, align="right")
    return y + 34
