"""The whole visible edge: new above now, what was found on it, and the recession along it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from wearscope.light.strip import UNUSED, EdgeView, Strip
from wearscope.report import words
from wearscope.report.sheets.close_ups import CloseUp
from wearscope.report.sheets.content import SheetContent, reference_name
from wearscope.report.sheets.page import Page
from wearscope.report.sheets.pictures import draw_picture, draw_scale_bar, nice_length, runs, seen_range
from wearscope.report.style import (
    BLUE,
    BODY,
    COATING_GONE,
    EDGE_NEW,
    EDGE_NOW,
    GREY,
    INK,
    LAND,
    LEFT,
    NOT_SEEN,
    PAPER,
    RIGHT,
    RULE,
    SMALL,
    TICK_DASHES,
    TITLE,
    ZONE_MEAN,
    ZONES,
)
from wearscope.report.tone import window

_STRIP_LEFT = 156


@dataclass(frozen=True)
class _Along:
    """The axis along the edge, shared by everything drawn under each other."""

    s_range_um: tuple[float, float]
    left: int
    right: int

    @property
    def px_per_um(self) -> float:
        return (self.right - self.left) / (self.s_range_um[1] - self.s_range_um[0])

    def x(self, s_um: NDArray[np.float64]) -> NDArray[np.float64]:
        return self.left + (s_um - self.s_range_um[0]) * self.px_per_um

    def at(self, s_um: float) -> float:
        return self.left + (s_um - self.s_range_um[0]) * self.px_per_um


@dataclass(frozen=True)
class _Across:
    """The axis across the edge of one strip picture."""

    d_range_um: tuple[float, float]
    px_per_um: float

    @property
    def height(self) -> int:
        return round((self.d_range_um[1] - self.d_range_um[0]) * self.px_per_um)

    def y(self, d_um: NDArray[np.float64], top: float) -> NDArray[np.float64]:
        return top + (d_um - self.d_range_um[0]) * self.px_per_um


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
    along = _Along(_shown_range(c.now.strip), _STRIP_LEFT, RIGHT)
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
        page.text(_STRIP_LEFT, y + 32, "When new", BODY, bold=True)
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
        page.text(_STRIP_LEFT, y + 32, "There is no new-state photo of this flute.", SMALL, colour=GREY)
        y += 44

    y = _zone_bar(page, y, c, along)
    top = round(y)
    draw_picture(
        page, c.now.strip, along.s_range_um, across.d_range_um, (along.left, top, width, across.height), white
    )
    _upright_bar(page, top, across)
    _mark_strip(page, c.now, along, across, top)
    y = _close_up_brackets(page, top + across.height, close_ups, along)
    return _draw_profile(page, y, c, along)


def _side_ticks(page: Page, new: EdgeView, along: _Along, across: _Across, top: int) -> None:
    """Mark the new-state edge line beside its strip, which itself stays untouched."""
    line = new.silhouette_um - new.recession_um
    near = (new.strip.s_um >= along.s_range_um[0]) & (new.strip.s_um <= along.s_range_um[1])
    seen = np.flatnonzero(near & np.isfinite(line))
    if seen.size:
        for k, x in ((seen[0], along.left - 26), (seen[-1], along.right + 4)):
            y = float(across.y(line[k], top))
            page.line([x, x + 22], [y, y], colour=EDGE_NEW[0], width=5, dashes=TICK_DASHES)


def _now_title(parts: int) -> str:
    text = words.parts_text(parts)
    return text[0].upper() + text[1:]


def _mark_strip(page: Page, view: EdgeView, along: _Along, across: _Across, top: int) -> None:
    s_um, silhouette = view.strip.s_um, view.silhouette_um
    bottom = top + across.height
    if view.substrate is not None:
        _outline_substrate(page, view, along, across, top)
    # In the unused zone both lines are one; the dashes would only clutter it.
    elsewhere = np.where(view.zone == UNUSED, np.nan, silhouette - view.recession_um)
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
    transition = _transition(view, along)
    if transition is not None:
        page.line([transition, transition], [top, bottom], width=2, dashes=(4, 8), halo=1.5)


def _edge_line(
    page: Page,
    s_um: NDArray[np.float64],
    d_um: NDArray[np.float64],
    along: _Along,
    across: _Across,
    top: int,
    style: tuple[str, tuple[float, ...] | None],
) -> None:
    x, d = _per_column(along.x(s_um), d_um)
    frame = (along.left, top, along.right, top + across.height)
    page.line(x, across.y(d, top), colour=style[0], width=2.2, dashes=style[1], halo=1.4, clip=frame)


def _outline_substrate(page: Page, view: EdgeView, along: _Along, across: _Across, top: int) -> None:
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
    x_edge, d_edge = _per_column(along.x(strip.s_um), view.silhouette_um)
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


def _transition(view: EdgeView, along: _Along) -> float | None:
    """Where the transition is on the page, if it is in the picture."""
    if view.transition_um is None:
        return None
    x = along.at(view.transition_um)
    return x if along.left <= x <= along.right else None


def _spans(view: EdgeView, zone: int, along: _Along) -> list[tuple[float, float]]:
    """Unbroken pieces of a zone on the page."""
    spans = [(along.at(a), along.at(b)) for a, b in runs(view.strip.s_um, view.zone == zone)]
    cut = [(max(a, along.left), min(b, along.right)) for a, b in spans]
    return [(a, b) for a, b in cut if a < b]


def _zone_bar(page: Page, y: float, c: SheetContent, along: _Along) -> float:
    """Name the zones, the transition and the chips above the strip; return where the strip begins."""
    view = c.now
    marks: list[tuple[float, str]] = []
    transition = _transition(view, along)
    if transition is not None:
        spread = f" ± {words.rounded(0, 1.96 * view.u_transition_um)[1]} µm" if view.u_transition_um else ""
        marks.append((transition, f"depth-of-cut transition{spread}"))
    marks += _chip_marks(view, along)
    bars: list[tuple[float, float, str, str]] = []
    for zone, (name, colour) in ZONES.items():
        runs = _spans(view, zone, along)
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


def _chip_marks(view: EdgeView, along: _Along) -> list[tuple[float, str]]:
    places = [along.at((a + b) / 2) for a, b in view.chips_um]
    places = [x for x in places if along.left <= x <= along.right]
    if len(places) > 4:
        return [(x, f"{len(places)} chips" if k == 0 else "") for k, x in enumerate(places)]
    return [(x, "chip") for x in places]


def _place_marks(page: Page, y: float, marks: list[tuple[float, str]], along: _Along, taken: float) -> float:
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


def _close_up_brackets(page: Page, y: float, close_ups: tuple[CloseUp, ...], along: _Along) -> float:
    """Show under the strip where the close-ups were taken."""
    for close_up in close_ups:
        if not close_up.letter:
            continue
        x0 = max(along.at(close_up.s_range_um[0]), along.left)
        x1 = min(along.at(close_up.s_range_um[1]), along.right)
        page.line([x0, x0, x1, x1], [y + 6, y + 14, y + 14, y + 6], width=3)
        page.text((x0 + x1) / 2, y + 42, close_up.letter, SMALL, bold=True, align="center")
    return y + 56


def _draw_profile(page: Page, y: float, c: SheetContent, along: _Along) -> float:
    """Recession along the edge, downwards like the edge in the picture above it."""
    view = c.now
    title = "How far the edge has moved back" if c.parts else "The edge against its own fitted line"
    page.text(_STRIP_LEFT, y + 30, title, BODY, bold=True)
    means = zone_scatter(view)
    x = float(_STRIP_LEFT)
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
        page.text(_STRIP_LEFT, top + 24, "It could not be read anywhere on this edge.", SMALL, colour=GREY)
        return top + 60
    low, high = _profile_range(read)

    def level(um: NDArray[np.float64] | float) -> NDArray[np.float64]:
        return np.asarray(top + (np.asarray(um) - low) / (high - low) * (bottom - top))

    frame = (along.left, top, along.right, bottom)
    for zone, (_, colour) in ZONES.items():
        for left, right in _spans(view, zone, along):
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
        xs, ys = _per_column(along.x(c.new.strip.s_um), c.new.recession_um)
        page.line(xs, level(ys), colour=BLUE, width=1.8, dashes=EDGE_NEW[1], clip=frame)
    xs, ys = _per_column(along.x(view.strip.s_um), view.recession_um)
    page.line(xs, level(ys), width=2.4, clip=frame)
    transition = _transition(view, along)
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


def _s_axis(page: Page, y: float, view: EdgeView, along: _Along) -> float:
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


def _upright_bar(page: Page, top: int, across: _Across) -> None:
    """Scale bar across the edge, in the margin left of a strip."""
    length_um = 100.0 if across.px_per_um * 100 >= 40 else 200.0
    high = length_um * across.px_per_um
    middle = top + across.height / 2
    x = _STRIP_LEFT - 46
    page.line([x, x], [middle - high / 2, middle + high / 2], width=5)
    for end in (middle - high / 2, middle + high / 2):
        page.line([x - 11, x + 11], [end, end], width=3)
    page.text(x - 36, middle, f"{length_um:.0f} µm", SMALL, upright=True)


def _shown_range(strip: Strip) -> tuple[float, float]:
    low, high = seen_range(strip)
    spare = max(0.0, 1200.0 - (high - low)) / 2  # a very short edge is not blown up past all proportion
    return low - spare, high + spare


def _across(view: EdgeView, px_per_um_along: float) -> tuple[_Across, int]:
    """Axis across the strip pictures and how many times it is stretched against the axis along them."""
    d_um, edge = view.strip.d_um, view.silhouette_um[np.isfinite(view.silhouette_um)]
    deepest = float(np.percentile(edge, 99)) if edge.size else 0.0
    if view.land_um is not None:
        deepest = max(deepest, float(np.nanmax(view.land_um)) - 60.0)
    d_range = (max(-60.0, float(d_um[0])), min(max(200.0, deepest + 120.0), float(d_um[-1])))
    stretch = max(1, round(220 / ((d_range[1] - d_range[0]) * px_per_um_along)))
    return _Across(d_range, px_per_um_along * stretch), stretch


def _per_column(
    x: NDArray[np.float64], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Average a curve over steps of 2 px, so that dashes stay dashes where the data are dense."""
    step = 2.0
    bins = np.floor(x / step).astype(int)
    bins -= bins.min()
    read = np.isfinite(values)
    count = np.bincount(bins, minlength=bins.max() + 1)
    good = np.bincount(bins[read], minlength=bins.max() + 1)
    keep = count > 0
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_x = np.bincount(bins, weights=x, minlength=bins.max() + 1) / count
        mean = np.bincount(bins[read], weights=values[read], minlength=bins.max() + 1) / good
    return mean_x[keep], mean[keep]


def _ticks(low: float, high: float, most: int) -> list[float]:
    ticks = MaxNLocator(nbins=most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    return [float(t) for t in ticks if low <= t <= high]


def _has_gaps(now: EdgeView, new: EdgeView | None) -> bool:
    low, high = _shown_range(now.strip)
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
