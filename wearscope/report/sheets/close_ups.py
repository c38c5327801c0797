"""Used beside unused, or new beside now: two pieces of the edge at the same magnification."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from wearscope.light.strip import UNUSED, USED, EdgeView
from wearscope.report import words
from wearscope.report.sheets.content import SheetContent, reference_name
from wearscope.report.sheets.page import Page
from wearscope.report.sheets.pictures import draw_picture, draw_scale_bar, nice_length, seen_range
from wearscope.report.style import (
    BODY,
    EDGE_NEW,
    EDGE_NOW,
    GREY,
    LAND,
    LEFT,
    NOT_SEEN,
    RIGHT,
    SMALL,
    TICK_DASHES,
    TITLE,
    ZONES,
)


@dataclass(frozen=True)
class CloseUp:
    """One magnified piece of an edge.

    Attributes
    ----------
    letter : str
        By which it is found on the strip; empty if it is not from the strip of this photo.
    title, remark : str
    view : EdgeView
    s_range_um, d_range_um : tuple of (float, float)
    colour : str
        Of its label.
    """

    letter: str
    title: str
    remark: str
    view: EdgeView
    s_range_um: tuple[float, float]
    d_range_um: tuple[float, float]
    colour: str


def choose_close_ups(content: SheetContent) -> tuple[CloseUp, ...]:
    """Choose what to show magnified: used beside unused, or else the same place when new beside now.

    Parameters
    ----------
    content : SheetContent

    Returns
    -------
    tuple of CloseUp
        One or two, all of the same size.
    """
    now, new = content.now, content.new
    length, d_range = _close_up_size(now)
    low, high = seen_range(now.strip)
    chosen: list[CloseUp] = []

    def choose(letter: str, title: str, remark: str, view: EdgeView, s_um: float, colour: str) -> None:
        if high - low > length:
            s_um = min(max(s_um, low + length / 2), high - length / 2)
        s_range = (s_um - length / 2, s_um + length / 2)
        chosen.append(CloseUp(letter, title, remark, view, s_range, d_range, colour))

    for zone, remark in ((USED, words.parts_text(content.parts)), (UNUSED, "same photo")):
        name, colour = ZONES[zone]
        place = representative_place(now, zone, length)
        if place is not None:
            remark = "new edge" if content.parts == 0 else remark
            choose("AB"[len(chosen)], name.upper(), remark, now, place, colour)
    if not chosen:
        choose("A", "NOW", "neither used nor unused", now, (low + high) / 2, NOT_SEEN)
    if len(chosen) == 1 and new is not None:
        choose("", "WHEN NEW", "same place", new, sum(chosen[0].s_range_um) / 2, NOT_SEEN)
    return tuple(chosen)


def representative_place(view: EdgeView, zone: int, length_um: float) -> float | None:
    """Find a piece of the edge that is typical of its zone.

    Of the pieces that lie inside the zone, the one whose recession departs least, in the root mean square,
    from the zone's mean; of equals the one nearest the middle.

    Parameters
    ----------
    view : EdgeView
    zone : int
        `USED` or `UNUSED`.
    length_um : float
        Length of the piece.

    Returns
    -------
    float or None
        Its middle along the edge in µm; None if the photo does not show the zone.
    """
    s_um, inside = view.strip.s_um, view.zone == zone
    if not inside.any():
        return None
    size = max(1, min(round(length_um / (s_um[1] - s_um[0])), s_um.size))
    cover = uniform_filter1d(inside.astype(float), size, mode="constant")
    in_zone = np.flatnonzero(inside)
    middle, extent = (s_um[in_zone[-1]] + s_um[in_zone[0]]) / 2, s_um[in_zone[-1]] - s_um[in_zone[0]]
    cost = 0.3 * np.abs(s_um - middle) / max(extent, 1e-9)
    read = inside & np.isfinite(view.recession_um)
    if read.any():
        values = view.recession_um[read]
        square = np.where(read, (view.recession_um - values.mean()) ** 2, 0.0)
        share = uniform_filter1d(read.astype(float), size, mode="constant")
        total = uniform_filter1d(square, size, mode="constant")
        far = np.sqrt(np.maximum(total, 0.0) / np.maximum(share, 1e-9))
        cost += np.where(share > 1e-6, far / (values.std() + 0.1), np.inf)
    cost[cover < cover.max() - 0.05] = np.inf
    return float(s_um[int(np.argmin(cost))])


def _close_up_size(view: EdgeView) -> tuple[float, tuple[float, float]]:
    """Length along the edge and range across it that hold both the new-state and the present edge."""
    in_zone = view.silhouette_um[(view.zone != 0) & np.isfinite(view.silhouette_um)]
    deepest = float(np.percentile(in_zone, 98)) if in_zone.size else 0.0
    if view.land_um is not None:
        deepest = max(deepest, float(np.nanmax(view.land_um)) - 60.0)
    d_um = view.strip.d_um
    d_range = (max(-50.0, float(d_um[0])), min(max(190.0, deepest + 130.0), float(d_um[-1])))
    return max(400.0, 700 / 480 * (d_range[1] - d_range[0])), d_range


def draw_close_ups(
    page: Page, y: float, c: SheetContent, close_ups: tuple[CloseUp, ...], white: float
) -> float:
    """Draw the close-ups side by side, untouched; the edge lines are marked beside them.

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
    width = 700
    first = close_ups[0]
    length = first.s_range_um[1] - first.s_range_um[0]
    px_per_um = width / length
    height = round((first.d_range_um[1] - first.d_range_um[0]) * px_per_um)
    top = round(y) + 60
    for k, close_up in enumerate(close_ups):
        left = (LEFT, RIGHT - width)[k]
        tag = f"{close_up.letter}  {close_up.title}".strip()
        tag_width = page.text_width(tag, TITLE, bold=True) + 32
        page.box(left, y, left + tag_width, y + 50, fill=close_up.colour)
        page.text(left + 16, y + 39, tag, TITLE, bold=True)
        page.text(
            left + tag_width + 18,
            y + 37,
            page.fit(close_up.remark, BODY, width - tag_width - 18),
            BODY,
            colour=GREY,
        )
        draw_picture(
            page,
            close_up.view.strip,
            close_up.s_range_um,
            close_up.d_range_um,
            (left, top, width, height),
            white,
        )
        _edge_ticks(page, close_up, (left, top, width, height), px_per_um)
        _land_line(page, close_up, (left, top, width, height), px_per_um)
    if len(close_ups) == 1:
        text = (
            "This photo has no second zone, and there is no new-state photo to set beside it."
            if c.parts
            else "Later photos of this flute are set beside this one."
        )
        for n, line in enumerate(page.wrap(text, BODY, width - 60)):
            page.text(RIGHT - width + 30, top + 60 + n * 42, line, BODY, colour=GREY)
    y = top + height + 44
    draw_scale_bar(page, LEFT, y, nice_length(length / 3), px_per_um)
    x = LEFT + nice_length(length / 3) * px_per_um + 160.0
    lines = [(EDGE_NOW, "edge now"), (EDGE_NEW, reference_name(c))]
    if c.now.land_um is not None:
        lines.append((LAND, "end of the wear land"))
    for (colour, dashes), name in lines:
        page.line([x, x + 26], [y - 10, y - 10], colour=colour, width=5, dashes=dashes and TICK_DASHES)
        page.text(x + 38, y, name, SMALL)
        x += 38 + page.text_width(name, SMALL) + 32
    remark = "same magnification, same tone" if len(close_ups) > 1 else ""
    if x + page.text_width(remark, SMALL) > RIGHT:
        remark = ""
    page.text(RIGHT, y, remark, SMALL, colour=GREY, align="right")
    return y + 40


def _land_line(page: Page, close_up: CloseUp, frame: tuple[int, int, int, int], px_per_um: float) -> None:
    """Draw the inner end of the wear land into the picture: nothing else shows where VB was read."""
    view = close_up.view
    if view.land_um is None:
        return
    left, top, width, height = frame
    s_um = view.strip.s_um
    here = (s_um >= close_up.s_range_um[0]) & (s_um <= close_up.s_range_um[1])
    page.line(
        left + (s_um[here] - close_up.s_range_um[0]) * px_per_um,
        top + (view.land_um[here] - close_up.d_range_um[0]) * px_per_um,
        colour=LAND[0],
        width=4,
        dashes=LAND[1],
        halo=1.4,
        clip=(left, top, left + width, top + height),
    )


def _edge_ticks(page: Page, close_up: CloseUp, frame: tuple[int, int, int, int], px_per_um: float) -> None:
    """Mark the edge lines beside the picture, which itself stays untouched."""
    left, top, width, height = frame
    view = close_up.view
    for s, x0, x1 in (
        (close_up.s_range_um[0], left - 26, left - 4),
        (close_up.s_range_um[1], left + width + 4, left + width + 26),
    ):
        near = np.abs(view.strip.s_um - s) <= 25
        for line, (colour, dashes) in (
            (view.new_edge_um, EDGE_NEW),
            (view.silhouette_um, EDGE_NOW),
        ):
            here = line[near & np.isfinite(line)]
            if here.size:
                y = top + (float(np.median(here)) - close_up.d_range_um[0]) * px_per_um
                if top <= y <= top + height:
                    page.line([x0, x1], [y, y], colour=colour, width=5, dashes=dashes and TICK_DASHES)
