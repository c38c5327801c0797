"""The whole visible edge: new above now, what was found on it, and the recession along it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import UNUSED, EdgeView, Strip
from wearscope.report import words
from wearscope.report.sheets.axes import (
    STRIP_LEFT,
    AcrossAxis,
    AlongAxis,
    per_column,
    shown_range,
    spans,
    transition_on,
)
from wearscope.report.sheets.close_ups import CloseUp
from wearscope.report.sheets.content import SheetContent
from wearscope.report.sheets.page import Page
from wearscope.report.sheets.pictures import draw_picture, draw_scale_bar, nice_length
from wearscope.report.sheets.recession import draw_recession
from wearscope.report.style import (
    BODY,
    COATING_GONE,
    EDGE_NEW,
    EDGE_NOW,
    GREY,
    LAND,
    LEFT,
    RIGHT,
    RULE,
    SMALL,
    TICK_DASHES,
    TITLE,
    ZONES,
)
from wearscope.report.tone import window


def draw_along(page: Page, y: float, c: SheetContent, close_ups: tuple[CloseUp, ...], white: float) -> float:
    """Draw the strips, new above now, and the recession under them on the same axis.

    Parameters
    ----------
    page : Page
    y : float
        Where it begins.
    c : SheetContent
    close_ups : tuple of CloseUp
    white : float
        Linear light shown as white.

    Returns
    -------
    float
        Where it ends.
    """
    along = AlongAxis(shown_range(c.now.strip), STRIP_LEFT, RIGHT)
    across, stretch = _across(c.now, along.px_per_um)
    width = along.right - along.left
    page.line([LEFT, RIGHT], [y, y], colour=RULE, width=2)
    y += 56
    page.text(LEFT, y, "Along the edge", TITLE, bold=True)
    how = "laid straight" + (f", stretched {stretch}× across" if stretch > 1 else ", not stretched")
    page.text(LEFT + page.text_width("Along the edge", TITLE, bold=True) + 26, y, how, SMALL, colour=GREY)
    bar = nice_length((along.s_range_um[1] - along.s_range_um[0]) / 6)
    draw_scale_bar(page, RIGHT, y, bar, along.px_per_um, from_right=True)
    y += 20

    if c.new is not None:
        page.text(STRIP_LEFT, y + 32, "When new", BODY, bold=True)
        top = round(y) + 44
        draw_picture(
            page,
            c.new.strip,
            along.s_range_um,
            across.d_range_um,
            (along.left, top, width, across.height),
            white,
        )
        _upright_bar(page, top, across)
        _side_ticks(page, c.new, along, across, top)
        y = top + across.height + 14
    elif c.parts > 0:
        page.text(STRIP_LEFT, y + 32, "There is no new-state photo of this flute.", SMALL, colour=GREY)
        y += 44

    y = _zone_bar(page, y, c, along)
    top = round(y)
    draw_picture(
        page, c.now.strip, along.s_range_um, across.d_range_um, (along.left, top, width, across.height), white
    )
    _upright_bar(page, top, across)
    _mark_strip(page, c.now, along, across, top)
    y = _close_up_brackets(page, top + across.height, close_ups, along)
    return draw_recession(page, y, c, along)


def _side_ticks(page: Page, new: EdgeView, along: AlongAxis, across: AcrossAxis, top: int) -> None:
    """Mark the new-state edge line beside its strip, which itself stays untouched."""
    line = new.new_edge_um
    near = (new.strip.s_um >= along.s_range_um[0]) & (new.strip.s_um <= along.s_range_um[1])
    seen = np.flatnonzero(near & np.isfinite(line))
    if seen.size:
        for k, x in ((seen[0], along.left - 26), (seen[-1], along.right + 4)):
            y = float(across.y(line[k], top))
            page.line([x, x + 22], [y, y], colour=EDGE_NEW[0], width=5, dashes=TICK_DASHES)


def _now_title(parts: int) -> str:
    text = words.parts_text(parts)
    return text[0].upper() + text[1:]


def _mark_strip(page: Page, view: EdgeView, along: AlongAxis, across: AcrossAxis, top: int) -> None:
    s_um, silhouette = view.strip.s_um, view.silhouette_um
    bottom = top + across.height
    if view.substrate is not None:
        _outline_substrate(page, view, along, across, top)
    # In the unused zone both lines are one; the dashes would only clutter it.
    elsewhere = np.where(view.zone == UNUSED, np.nan, view.new_edge_um)
    _edge_line(page, s_um, elsewhere, along, across, top, EDGE_NEW)
    _edge_line(page, s_um, silhouette, along, across, top, EDGE_NOW)
    if view.land_um is not None:
        _edge_line(page, s_um, view.land_um, along, across, top, LAND)
    for start, end in view.chips_um:
        x0, x1 = max(along.at(start), along.left), min(along.at(end), along.right)
        if x0 < x1:
            edge = silhouette[(s_um >= start) & (s_um <= end) & np.isfinite(silhouette)]
            level = float(np.min(edge)) if edge.size else 0.0
            y = max(float(across.y(np.array([level]), top)[0]) - 12, top + 12)
            page.line([x0, x0, x1, x1], [y, y - 9, y - 9, y], width=2.5, halo=2.0)
    transition = transition_on(view, along)
    if transition is not None:
        page.line([transition, transition], [top, bottom], width=2, dashes=(4, 8), halo=1.5)


def _edge_line(
    page: Page,
    s_um: NDArray[np.float64],
    d_um: NDArray[np.float64],
    along: AlongAxis,
    across: AcrossAxis,
    top: int,
    style: tuple[str, tuple[float, ...] | None],
) -> None:
    x, d = per_column(along.x(s_um), d_um)
    frame = (along.left, top, along.right, top + across.height)
    page.line(x, across.y(d, top), colour=style[0], width=2.2, dashes=style[1], halo=1.4, clip=frame)


def _outline_substrate(page: Page, view: EdgeView, along: AlongAxis, across: AcrossAxis, top: int) -> None:
    """Outline where the coating is gone, except along the edge line, which is drawn anyway."""
    assert view.substrate is not None
    strip = view.strip
    mask = Strip(
        np.repeat(view.substrate[..., None], 3, axis=2).astype(np.float32),
        strip.s_um,
        strip.d_um,
        strip.um_per_px,
    )
    size = (along.right - along.left, across.height)
    share = np.nan_to_num(window(mask, along.s_range_um, across.d_range_um, size)[..., 0])
    bare = (cv2.GaussianBlur(np.pad(share, 1), (0, 0), 1.5) > 0.5).astype(np.uint8)
    x_edge, d_edge = per_column(along.x(strip.s_um), view.silhouette_um)
    seen = np.isfinite(d_edge)
    for contour in cv2.findContours(bare, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)[0]:
        if cv2.contourArea(contour) < 60:
            continue
        points = contour[:, 0, :].astype(float)
        points = np.vstack([points, points[:1]])
        x, y = points[:, 0] - 0.5 + along.left, points[:, 1] - 0.5 + top
        if seen.any():
            y_edge = across.y(np.interp(x, x_edge[seen], d_edge[seen]), top)
            y = np.where(y < y_edge + 8, np.nan, y)
        page.line(x, y, colour=COATING_GONE[0], width=3, dashes=COATING_GONE[1], halo=1.4)


def _zone_bar(page: Page, y: float, c: SheetContent, along: AlongAxis) -> float:
    """Name the zones, the transition and the chips above the strip; return where the strip begins."""
    view = c.now
    marks: list[tuple[float, str]] = []
    transition = transition_on(view, along)
    if transition is not None:
        spread = f" ± {words.rounded(0, 1.96 * view.u_transition_um)[1]} µm" if view.u_transition_um else ""
        marks.append((transition, f"depth-of-cut transition{spread}"))
    marks += _chip_marks(view, along)
    bars: list[tuple[float, float, str, str]] = []
    for zone, (name, colour) in ZONES.items():
        runs = spans(view, zone, along)
        if not runs:
            continue
        widest = max(runs, key=lambda run: run[1] - run[0])
        fits = widest[1] - widest[0] >= page.text_width(name.upper(), SMALL, bold=True) + 8
        bars += [(a, b, name.upper() if fits and (a, b) == widest else "", colour) for a, b in runs]
        if not fits:
            marks.append(((widest[0] + widest[1]) / 2, name.upper()))
    title = _now_title(c.parts)
    title_end = along.left + page.text_width(title, BODY, bold=True)
    aside = "no depth-of-cut transition seen in this photo" if view.transition_um is None and c.parts else ""
    taken = title_end + (26 + page.text_width(aside, SMALL) if aside else 0)
    beside = all(x > taken + 20 for x, _ in marks)
    if not beside:
        page.text(along.left, y + 32, title, BODY, bold=True)
        page.text(title_end + 26, y + 32, aside, SMALL, colour=GREY)
        y += 36
    y = _place_marks(page, y, marks, along, taken if beside else along.left)
    if beside:
        page.text(along.left, y - 16, title, BODY, bold=True)
        page.text(title_end + 26, y - 16, aside, SMALL, colour=GREY)
    if not bars:
        page.text(along.left, y + 29, "neither used nor unused could be told", SMALL, colour=GREY)
    for a, b, name, colour in bars:
        page.box(a, y, b, y + 38, fill=colour)
        page.text((a + b) / 2, y + 29, name, SMALL, bold=True, align="center")
    return y + 42


def _chip_marks(view: EdgeView, along: AlongAxis) -> list[tuple[float, str]]:
    places = [along.at((a + b) / 2) for a, b in view.chips_um]
    places = [x for x in places if along.left <= x <= along.right]
    if len(places) > 4:
        return [(x, f"{len(places)} chips" if k == 0 else "") for k, x in enumerate(places)]
    return [(x, "chip") for x in places]


def _place_marks(
    page: Page, y: float, marks: list[tuple[float, str]], along: AlongAxis, taken: float
) -> float:
    """Write each text beside its place, in the lowest row in which nothing crosses it.

    The lowest row is taken from the left as far as `taken`; returns where the lowest row ends.
    """
    placed: list[tuple[int, float, float, float, str]] = []
    if taken > along.left:
        placed.append((0, along.left, along.left, taken + 16, ""))
    for x, text in sorted(
        marks, reverse=True
    ):  # so that a text stands over leaders to its right, not on them
        wide = page.text_width(text, SMALL) + 12 if text else 0.0
        start = x if x + wide <= along.right else x - wide
        a, b = start - 10, start + wide + 10
        for row in range(5 if text else 0):
            clash = (row == 0 and any(a < other < b for other, _ in marks if other != x)) or any(
                (r == row and a < b2 and a2 < b) or (r < row and a2 < x < b2) or (r > row and a < x2 < b)
                for r, x2, a2, b2, _ in placed
            )
            if not clash:
                placed.append((row, x, a, b, text))
                break
    rows = 1 + max((row for row, *_ in placed), default=0)
    bottom = y + rows * 40 + 10
    for x, _ in marks:
        page.pointer(x, bottom - 2, 16)
    for row, x, a, b, text in placed:
        base = bottom - 16 - row * 40
        if row > 0:
            page.line([x, x], [base - 18, bottom - 16], width=2)
        after = x <= (a + b) / 2
        page.text(x + 14 if after else x - 14, base, text, SMALL, align="left" if after else "right")
    return bottom


def _close_up_brackets(page: Page, y: float, close_ups: tuple[CloseUp, ...], along: AlongAxis) -> float:
    """Show under the strip where the close-ups were taken."""
    for close_up in close_ups:
        if not close_up.letter:
            continue
        x0 = max(along.at(close_up.s_range_um[0]), along.left)
        x1 = min(along.at(close_up.s_range_um[1]), along.right)
        page.line([x0, x0, x1, x1], [y + 6, y + 14, y + 14, y + 6], width=3)
        page.text((x0 + x1) / 2, y + 42, close_up.letter, SMALL, bold=True, align="center")
    return y + 56


def _upright_bar(page: Page, top: int, across: AcrossAxis) -> None:
    """Scale bar across the edge, in the margin left of a strip."""
    length_um = 100.0 if across.px_per_um * 100 >= 40 else 200.0
    high = length_um * across.px_per_um
    middle = top + across.height / 2
    x = STRIP_LEFT - 46
    page.line([x, x], [middle - high / 2, middle + high / 2], width=5)
    for end in (middle - high / 2, middle + high / 2):
        page.line([x - 11, x + 11], [end, end], width=3)
    page.text(x - 36, middle, f"{length_um:.0f} µm", SMALL, upright=True)


def _across(view: EdgeView, px_per_um_along: float) -> tuple[AcrossAxis, int]:
    """Axis across the strip pictures and how many times it is stretched against the axis along them."""
    d_um, edge = view.strip.d_um, view.silhouette_um[np.isfinite(view.silhouette_um)]
    deepest = float(np.percentile(edge, 99)) if edge.size else 0.0
    if view.land_um is not None:
        deepest = max(deepest, float(np.nanmax(view.land_um)) - 60.0)
    d_range = (max(-60.0, float(d_um[0])), min(max(200.0, deepest + 120.0), float(d_um[-1])))
    stretch = max(1, round(220 / ((d_range[1] - d_range[0]) * px_per_um_along)))
    return AcrossAxis(d_range, px_per_um_along * stretch), stretch
