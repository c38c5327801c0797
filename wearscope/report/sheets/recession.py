"""The recession along the edge, under the strip that it was read from, and what its lines mean."""

from __future__ import annotations

import numpy as np
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from wearscope.light.strip import EdgeView
from wearscope.report import words
from wearscope.report.sheets.axes import STRIP_LEFT, AlongAxis, per_column, shown_range, spans, transition_on
from wearscope.report.sheets.content import SheetContent, reference_name
from wearscope.report.sheets.page import Page
from wearscope.report.style import (
    BLUE,
    BODY,
    COATING_GONE,
    EDGE_NEW,
    GREY,
    INK,
    LAND,
    LEFT,
    NOT_SEEN,
    PAPER,
    RIGHT,
    RULE,
    SMALL,
    ZONE_MEAN,
    ZONES,
)


def draw_recession(page: Page, y: float, c: SheetContent, along: AlongAxis) -> float:
    """Recession along the edge, downwards like the edge in the picture above it.

    Parameters
    ----------
    page : Page
    y : float
        Where it begins on the page, in pixels.
    c : SheetContent
    along : AlongAxis

    Returns
    -------
    float
        Where it ends.
    """
    view = c.now
    title = "How far the edge has moved back" if c.parts else "The edge against its own fitted line"
    page.text(STRIP_LEFT, y + 30, title, BODY, bold=True)
    means = zone_scatter(view)
    x = float(STRIP_LEFT)
    for zone, mean, scatter in means:
        name, colour = ZONES[zone]
        text = f"{name}: mean {words.fixed(mean, 1)} µm, scatter {words.fixed(scatter, 1)} µm"
        page.box(x, y + 50, x + 30, y + 74, fill=colour, edge=INK, width=1.5)
        page.text(x + 42, y + 73, text, SMALL)
        x += page.text_width(text, SMALL) + 84
    top = y + (92 if means else 48)
    bottom = top + 240
    read = view.recession_um[np.isfinite(view.recession_um)]
    if not read.size:
        page.text(STRIP_LEFT, top + 24, "It could not be read anywhere on this edge.", SMALL, colour=GREY)
        return top + 60
    low, high = _profile_range(read)

    def level(um: NDArray[np.float64] | float) -> NDArray[np.float64]:
        return np.asarray(top + (np.asarray(um) - low) / (high - low) * (bottom - top))

    frame = (along.left, top, along.right, bottom)
    for zone, (_, colour) in ZONES.items():
        for left, right in spans(view, zone, along):
            page.box(left, top, right, bottom, fill=colour, alpha=0.35)
    for a, b in view.chips_um:
        left, right = max(along.at(a), along.left), min(along.at(b), along.right)
        if left < right:
            page.box(left, top, right, bottom, edge=GREY, width=0, hatch="////", alpha=0.6)
    for tick in _ticks(low, high, 5):
        tick_y = float(level(tick))
        page.line([along.left, along.right], [tick_y, tick_y], colour=RULE, width=1)
        page.text(along.left - 14, tick_y + 10, words.plain(tick), SMALL, align="right")
    page.text(LEFT - 18, (top + bottom) / 2, "µm", SMALL, upright=True)
    for zone, mean, _ in means:
        s = view.strip.s_um[view.zone == zone]
        mean_y = float(level(mean))
        page.line(
            [along.at(s[0]), along.at(s[-1])],
            [mean_y, mean_y],
            colour=ZONE_MEAN[0],
            width=5,
            dashes=ZONE_MEAN[1],
            clip=frame,
        )
    if c.new is not None:
        xs, ys = per_column(along.x(c.new.strip.s_um), c.new.recession_um)
        page.line(xs, level(ys), colour=BLUE, width=1.8, dashes=EDGE_NEW[1], clip=frame)
    xs, ys = per_column(along.x(view.strip.s_um), view.recession_um)
    page.line(xs, level(ys), width=2.4, clip=frame)
    transition = transition_on(view, along)
    if transition is not None:
        page.line([transition, transition], [top, bottom], width=2, dashes=(4, 8))
    page.line([along.left, along.left, along.right], [top, bottom, bottom], width=2)
    return _legend(page, _s_axis(page, bottom, view, along), c)


def zone_scatter(view: EdgeView) -> tuple[tuple[int, float, float], ...]:
    """Mean recession of each zone and its scatter along the edge.

    Parameters
    ----------
    view : EdgeView

    Returns
    -------
    tuple of (zone, mean_um, scatter_um)
        Scatter is the standard deviation of single columns: what the curve shows, not the uncertainty of
        the mean. Zones with fewer than two columns read are left out.
    """
    found = []
    for zone in ZONES:
        values = view.recession_um[(view.zone == zone) & np.isfinite(view.recession_um)]
        if values.size > 1:
            found.append((zone, float(values.mean()), float(values.std(ddof=1))))
    return tuple(found)


def _profile_range(read: NDArray[np.float64]) -> tuple[float, float]:
    """Range of the recession axis: all of the curve but single stray columns, and never only noise."""
    low, high = (float(v) for v in np.percentile(read, (0.3, 99.7)))
    low, high = min(low, -3.0), max(high, 9.0)
    return low - 0.06 * (high - low), high + 0.06 * (high - low)


def _s_axis(page: Page, y: float, view: EdgeView, along: AlongAxis) -> float:
    origin = view.transition_um if view.transition_um is not None else along.s_range_um[0]
    start, end = ((s - origin) / 1000 for s in along.s_range_um)
    for tick in _ticks(start, end, 7):
        x = along.at(tick * 1000 + origin)
        page.line([x, x], [y, y + 9], width=2)
        page.text(
            min(max(x, along.left + 8), along.right - 28), y + 42, words.plain(tick), SMALL, align="center"
        )
    name = (
        "distance from the transition, mm"
        if view.transition_um is not None
        else "distance along the edge, mm"
    )
    page.text((along.left + along.right) / 2, y + 80, name, SMALL, align="center")
    return y + 96


def _legend(page: Page, y: float, c: SheetContent) -> float:
    view = c.now
    entries: list[tuple[str, tuple[float, ...] | None, str]] = [(INK, None, "edge now")]
    if np.isfinite(view.recession_um).any():
        entries.append((*EDGE_NEW, reference_name(c)))
    if view.substrate is not None and view.substrate.any():
        entries.append((*COATING_GONE, f"coating gone (first {view.band_um:.0f} µm only)"))
    if view.land_um is not None:
        entries.append((*LAND, "end of the wear land"))
    if zone_scatter(view):
        entries.append((*ZONE_MEAN, "zone mean"))
    x, y = float(LEFT), y + 34
    for colour, dashes, name in entries:
        wide = 62 + page.text_width(name, SMALL) + 36
        if x + wide - 36 > RIGHT:
            x, y = float(LEFT), y + 42
        page.line([x, x + 50], [y - 9, y - 9], colour=colour, dashes=dashes, width=4)
        page.text(x + 62, y, name, SMALL)
        x += wide
    boxes = [(PAPER, GREY, "////", "chip")] if view.chips_um else []
    boxes += [(NOT_SEEN, RULE, "xx", "not in the photo")] if _has_gaps(view, c.new) else []
    for fill, edge, hatch, name in boxes:
        wide = 62 + page.text_width(name, SMALL) + 36
        if x + wide - 36 > RIGHT:
            x, y = float(LEFT), y + 42
        page.box(x, y - 22, x + 50, y + 2, fill=fill, edge=edge, hatch=hatch, width=1)
        page.text(x + 62, y, name, SMALL)
        x += wide
    return y + 44


def _ticks(low: float, high: float, most: int) -> list[float]:
    ticks = MaxNLocator(nbins=most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    return [float(t) for t in ticks if low <= t <= high]


def _has_gaps(now: EdgeView, new: EdgeView | None) -> bool:
    low, high = shown_range(now.strip)
    for view in (now, new):
        if view is None:
            continue
        strip = view.strip
        across = (strip.d_um >= -60) & (strip.d_um <= 200)
        along = (strip.s_um >= low) & (strip.s_um <= high)
        if not np.isfinite(strip.light[np.ix_(across, along)]).all():
            return True
        if strip.s_um[0] > low + 10 or strip.s_um[-1] < high - 10:
            return True
    return False
