"""The wear curves of all bits of a trial: points, bands and limits."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.text import Text as FigureText
from numpy.typing import NDArray

from wearscope.economics.outcome import Axis, BitOutcome, Outcome, QuantityCurve
from wearscope.log.export import write_bytes
from wearscope.metrology.findings import COVERAGE_95
from wearscope.quantities.quantity import LIMITS, quantity_of
from wearscope.report.amounts import axis_words
from wearscope.report.fonts import FAMILY, families_for, have_bold, readable
from wearscope.report.style import BLUE, GREY, INK, ORANGE, PAPER, VERMILION
from wearscope.report.words import folded

# The family that comes with matplotlib, and fixed names inside the SVG: the figure is the same on every machine.
_LOOK: Any = {"font.family": FAMILY, "svg.hashsalt": "wearscope"}
_MARKERS = "osD^vP"
_TEXT = 8.5  # typographic points: readable in print at the figure's own size
_TITLE_WIDTH, _TITLE_LINES = 24, 4  # characters that fit over a panel, and lines of them
_MOST_ACROSS, _WRAPPED_TO = 4, 3  # more bits than fit across a page stand in rows of so many
_PAGE_IN = 8.6  # height that a printed page has for a figure
MOST_SHOWN = 24
"""Bits in one figure: of more nobody finds his own, and it takes minutes. Chosen, no source."""
_PANEL_IN, _WRAPPED_PANEL_IN, _LEGEND_IN = 2.4, 1.75, 0.9


def draw_curves(
    outcome: Outcome, *, narrow: bool = False, only: Sequence[str] | None = None
) -> Figure | None:
    """Draw a panel for each bit and quantity; the panels of a quantity share their axes.

    Parameters
    ----------
    outcome : Outcome
    narrow : bool
        One panel below the other, to be read on a telephone; else a column for each bit, sized for a printed page
        180 mm wide. Where there are more bits than fit across it, they stand in rows.
    only : sequence of str, optional
        The bits to draw, as `on_pages` gives them; by default those of `shown_bits`. The axes are those of all bits.

    Returns
    -------
    Figure or None
        None if no bit has a curve.
    """
    drawn_ones = drawn_of(outcome, only)
    return _draw_panels(drawn_ones, narrow=narrow) if drawn_ones.bits else None


@dataclass(frozen=True)
class DrawnBit:
    """What a figure shows of a bit.

    Attributes
    ----------
    bit, coated, parts_cut, curves
        As of `BitOutcome`.
    """

    bit: str
    coated: bool
    parts_cut: float
    curves: tuple[QuantityCurve, ...]


@dataclass(frozen=True)
class Drawn:
    """All that a figure of wear curves shows.

    Attributes
    ----------
    bits : tuple of DrawnBit
        Empty where there is nothing to draw.
    tops : tuple of (str, float)
        Quantities, and what of each must be in the figure, in its unit.
    last_parts : float
        Parts at the end of the longest curve.
    axis : Axis
    """

    bits: tuple[DrawnBit, ...]
    tops: tuple[tuple[str, float], ...]
    last_parts: float
    axis: Axis


def drawn_of(outcome: Outcome, only: Sequence[str] | None = None) -> Drawn:
    """What a figure shows of an outcome.

    Parameters
    ----------
    outcome : Outcome
    only : sequence of str, optional
        As of `draw_curves`.

    Returns
    -------
    Drawn
    """
    all_bits = [bit for bit in outcome.bits if bit.curves]
    names = shown_bits(outcome) if only is None else only
    bits = tuple(
        DrawnBit(bit.bit, bit.coated, bit.parts_cut, bit.curves) for bit in all_bits if bit.bit in names
    )
    curves = [curve for bit in all_bits for curve in bit.curves]
    tops = tuple(
        (quantity, _top_of([curve for curve in curves if curve.quantity == quantity]))
        for quantity in _quantities(outcome)
        if any(_has(bit, quantity) for bit in bits)
    )
    return Drawn(bits, tops, max((float(curve.parts[-1]) for curve in curves), default=0.0), outcome.axis)


def _draw_panels(what: Drawn, *, narrow: bool) -> Figure:
    bits, quantities = what.bits, [quantity for quantity, _ in what.tops]
    panels = _panels(bits, quantities, narrow=narrow)
    for row, (quantity, top) in zip(panels, what.tops, strict=True):
        _draw_quantity(row, quantity, bits, what.axis, narrow=narrow)
        shown = 1.25 * quantity_of(quantity).shown_factor * top
        for panel in filter(None, row):
            panel.set_ylim(-0.03 * shown, shown)  # room for a marker at 0
    for column, bit in zip(panels.T, bits, strict=True):
        there = [panel for panel in column if panel]
        for panel in there if narrow else there[:1]:
            panel.set_title(
                folded(readable(bit.bit), _TITLE_WIDTH, _TITLE_LINES),
                fontsize=10,
                fontweight="bold",
                loc="left",
                parse_math=False,
            )
    drawn: list[Any] = [panel for panel in panels.flat if panel]
    bottom = drawn[-1:] if narrow else [[panel for panel in column if panel][-1] for column in panels.T]
    for panel in bottom:
        panel.set_xlabel(axis_words(what.axis), fontsize=_TEXT)
        panel.tick_params(labelbottom=True)
    for panel in drawn:
        panel.tick_params(labelsize=_TEXT, colors=INK)
        panel.spines[["top", "right"]].set_visible(False)
    last = what.axis.factor * what.last_parts
    for panel in drawn:
        panel.set_xlim(-0.05 * last, 1.05 * last)
    figure: Figure = drawn[0].figure
    _legend(figure, drawn, n_columns=2 if narrow else 4)
    return figure


def _draw_quantity(
    row: Sequence[Any], quantity: str, bits: Sequence[DrawnBit], axis: Axis, *, narrow: bool
) -> None:
    """Draw the curves of one quantity, a panel for each bit."""
    curves = [next((c for c in bit.curves if c.quantity == quantity), None) for bit in bits]
    for panel, bit, curve in zip(row, bits, curves, strict=True):
        if curve:
            _draw(panel, bit, curve, axis)
        elif panel:
            panel.text(0.5, 0.5, "no curve", color=GREY, ha="center", transform=panel.transAxes)
    how, across = quantity_of(quantity), 1 if narrow else _across(len(row))
    firsts = (next(filter(None, row[i : i + across]), None) for i in range(0, len(row), across))
    for panel in filter(None, firsts):
        panel.set_ylabel(f"{how.label}, {how.shown_unit}", fontsize=_TEXT)
        panel.tick_params(labelleft=True)


def _legend(figure: Figure, panels: Sequence[Any], *, n_columns: int) -> None:
    handles = {
        label: handle
        for panel in panels
        for handle, label in zip(*panel.get_legend_handles_labels(), strict=True)
    }
    figure.legend(
        handles.values(),
        handles.keys(),
        loc="outside lower center",
        ncols=n_columns,
        fontsize=_TEXT,
        frameon=False,
    )


def _panels(bits: Sequence[DrawnBit], quantities: Sequence[str], *, narrow: bool) -> NDArray[np.object_]:
    """Axes for each quantity and bit, shape (Q, B); None where an uncoated bit has no coating to lose."""
    shown = np.array([[_has(bit, q) for bit in bits] for q in quantities])
    n, m = shown.shape
    panels = np.full((n, m), None)
    if narrow:
        figure = Figure(figsize=(3.7, 1.3 + 2.1 * shown.sum()), facecolor=PAPER, layout="constrained")
        panels[shown] = _numbered_below(figure.subplots(int(shown.sum()), 1, squeeze=False)).ravel()
        return panels
    across = _across(m)
    blocks = -(-m // across)
    height = _PANEL_IN if blocks == 1 else _WRAPPED_PANEL_IN
    figure = Figure(
        figsize=(max(7.1, 2.36 * across), _LEGEND_IN + height * n * blocks),
        facecolor=PAPER,
        layout="constrained",
    )
    grid = _numbered_below(figure.subplots(n * blocks, across, squeeze=False))
    # grid rows are block by block, each with all quantities; panels have a row for each quantity
    wide = grid.reshape(blocks, n, across).transpose(1, 0, 2).reshape(n, blocks * across)
    panels[:] = wide[:, :m]
    for panel in (*wide[:, m:].flat, *panels[~shown]):
        panel.remove()
    panels[~shown] = None
    for row in panels:
        for panel in [*filter(None, row)][1:]:
            panel.tick_params(labelleft=False)
    return panels


def _numbered_below(grid: Any) -> Any:  # noqa: ANN401 - an array of panels
    """Panels with numbers along the lowest row alone; to share an axis makes the library ask all for each limit."""
    for panel in grid[:-1].flat:
        panel.tick_params(axis="x", which="both", labelbottom=False)
        panel.xaxis.offsetText.set_visible(False)
    return grid


def _has(bit: DrawnBit, quantity: str) -> bool:
    return bit.coated or not LIMITS[quantity].of_coating


def _across(n_bits: int) -> int:
    """Columns of panels for so many bits."""
    return n_bits if n_bits <= _MOST_ACROSS else _WRAPPED_TO


def _quantities(outcome: Outcome) -> list[str]:
    return list(dict.fromkeys(curve.quantity for bit in outcome.bits for curve in bit.curves))


def shown_bits(outcome: Outcome) -> tuple[str, ...]:
    """Bits whose curves are drawn: all, or of very many those that cost least.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    tuple of str
        In the order of the trial; empty if no bit has a curve.
    """
    drawn = [bit for bit in outcome.bits if bit.curves]
    if len(drawn) > MOST_SHOWN:
        cheapest = {bit.bit for bit in sorted(drawn, key=_middle_cost)[:MOST_SHOWN]}
        drawn = [bit for bit in drawn if bit.bit in cheapest]
    return tuple(bit.bit for bit in drawn)


def _middle_cost(bit: BitOutcome) -> float:
    return float(np.median(np.maximum(bit.cost_draws, bit.cost_at_horizon))) if bit.cost else np.inf


def on_pages(outcome: Outcome) -> list[tuple[str, ...]]:
    """Which bits' curves stand together on a printed page, large enough to be read.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    list of tuple of str
        Names of bits, for `draw_curves`; empty if no bit has a curve.
    """
    names = shown_bits(outcome)
    if len(names) <= _MOST_ACROSS:
        return [names] if names else []
    blocks = int((_PAGE_IN - _LEGEND_IN) / (_WRAPPED_PANEL_IN * len(_quantities(outcome))))
    most = _WRAPPED_TO * max(1, blocks)
    return [names[i : i + most] for i in range(0, len(names), most)]


@dataclass(frozen=True)
class Pictures:
    """A figure as picture files, of pixels and of lines.

    Attributes
    ----------
    png, svg : bytes
    """

    png: bytes
    svg: bytes


def pictures(draw: Callable[[], Figure | None]) -> Pictures | None:
    """Both picture files of a figure that is drawn once; None if there is no figure.

    Parameters
    ----------
    draw : callable
        Draws the figure.

    Returns
    -------
    Pictures or None
    """
    with rc_context(_LOOK):
        figure = _in_any_script(draw())
        if figure is None:
            return None
        return Pictures(_saved(figure, "png"), _saved(figure, "svg"))


Keep = Callable[[Drawn, str, Callable[[], Sequence[bytes]]], Sequence[bytes]]
"""Whoever keeps the files of a figure: what it shows, in which form, and what draws it if they are not there."""


def drawn_anew(what: Drawn, form: str, draw: Callable[[], Sequence[bytes]]) -> Sequence[bytes]:
    """Files of a figure of which none are kept.

    Parameters
    ----------
    what : Drawn
    form : str
    draw : callable

    Returns
    -------
    sequence of bytes
    """
    return draw()


def rendered(draw: Callable[[], Figure | None], suffix: Literal["png", "svg"]) -> bytes | None:
    """Picture file of a figure, the same on every machine; None if there is no figure.

    Parameters
    ----------
    draw : callable
        Draws the figure.
    suffix : {"png", "svg"}

    Returns
    -------
    bytes or None
    """
    with rc_context(_LOOK):
        figure = _in_any_script(draw())
        return None if figure is None else _saved(figure, suffix)


def kept_curves(outcome: Outcome, keep: Keep, draw: Callable[[], Pictures | None]) -> Pictures | None:
    """The wear curves of all bits as they were kept, else drawn; None if no bit has one.

    Parameters
    ----------
    outcome : Outcome
    keep : callable
    draw : callable
        Draws them.

    Returns
    -------
    Pictures or None
    """
    what = drawn_of(outcome)
    if not what.bits:
        return None

    def files() -> Sequence[bytes]:
        drawn = draw()
        return () if drawn is None else (drawn.png, drawn.svg)

    found = keep(what, "pictures", files)
    return Pictures(*found) if found else None


def _in_any_script(figure: Figure | None) -> Figure | None:
    """The figure with its texts in fonts that have their signs, or with words for these."""
    for text in figure.findobj(FigureText) if figure else ():
        if not text.get_text().isascii():
            text.set_text(said := readable(text.get_text()))
            text.set_fontfamily(list(families := families_for(said)))
            if not have_bold(families):
                text.set_fontweight("normal")
    return figure


_PNG_DPI, _SVG_DPI = 200, 72  # the latter is the format's


def _saved(figure: Figure, suffix: Literal["png", "svg"]) -> bytes:
    """File of a figure; `savefig` would draw all of it once more, into nothing, to find places that are found."""
    picture = io.BytesIO()
    if suffix == "png":
        _lay_out(FigureCanvasAgg(figure), _PNG_DPI).print_png(picture)
    else:
        _lay_out(FigureCanvasSVG(figure), _SVG_DPI).print_svg(picture, metadata={"Date": None})
    return picture.getvalue()


_Canvas = TypeVar("_Canvas", FigureCanvasAgg, FigureCanvasSVG)


def _lay_out(canvas: _Canvas, dpi: float) -> _Canvas:
    """Give the panels of a figure their places, for good."""
    figure = canvas.figure
    figure.dpi = dpi
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
        figure.set_layout_engine("none")
    return canvas


def write_curves(drawn: Pictures | None, folder: Path) -> tuple[Path, ...]:
    """Write ``wear-curves.png`` and ``wear-curves.svg``; nothing if no bit has a curve.

    Parameters
    ----------
    drawn : Pictures or None
        The curves of all bits, as `draw_curves` draws them.
    folder : Path

    Returns
    -------
    tuple of Path
        Files written.

    Raises
    ------
    WearscopeError
        A file cannot be written.
    """
    if drawn is None:
        return ()
    png, svg = folder / "wear-curves.png", folder / "wear-curves.svg"
    write_bytes(png, drawn.png)
    write_bytes(svg, drawn.svg)
    return png, svg


def _draw(panel: Axes, bit: DrawnBit, curve: QuantityCurve, axis: Axis) -> None:
    factor = quantity_of(curve.quantity).shown_factor
    x = axis.factor * curve.parts
    worst = curve.worst
    for name, low, high, alpha in (
        ("95 in 100", worst.low95, worst.high95, 0.16),
        ("half of all", worst.low50, worst.high50, 0.36),
    ):
        panel.fill_between(
            x, factor * low, factor * high, color=BLUE, alpha=alpha, lw=0, label=f"worst flute, {name}"
        )
    panel.plot(x, factor * worst.median, color=BLUE, lw=1.6, label="worst flute, middle")
    panel.plot(
        x, factor * curve.mean.median, color=INK, lw=1.1, ls=(0, (4, 2)), label="mean of flutes, middle"
    )
    if curve.limit is not None:
        panel.axhline(
            factor * curve.limit.value, color=VERMILION, lw=1.4, ls=(0, (7, 2, 1, 2)), label="limit"
        )
    cut = axis.factor * bit.parts_cut
    panel.axvline(cut, color=GREY, lw=0.8, ls=":", label="last checkpoint")
    flutes = sorted({row.flute for row in curve.readings})
    for i, flute in enumerate(flutes):
        rows = [row for row in curve.readings if row.flute == flute]
        shift = (
            0.006 * (i - (len(flutes) - 1) / 2) * x[-1]
        )  # so that bars of one checkpoint stand side by side
        panel.errorbar(
            [axis.factor * row.parts + shift for row in rows],
            [factor * (row.value or 0.0) for row in rows],
            [factor * COVERAGE_95 * (row.std_uncertainty or 0.0) for row in rows],
            fmt=_MARKERS[i % len(_MARKERS)],
            ms=4.2,
            mfc=PAPER if i % 2 else ORANGE,
            mec=INK,
            ecolor=INK,
            elinewidth=0.9,
            capsize=2,
            label=f"flute {flute} (± 95 in 100)",
        )


def _top_of(curves: Sequence[QuantityCurve]) -> float:
    """What must be in the figure: all points and limits; of the bands what lies not far above is."""
    tops = [curve.limit.value for curve in curves if curve.limit is not None]
    for curve in curves:
        tops += [(row.value or 0.0) + COVERAGE_95 * (row.std_uncertainty or 0.0) for row in curve.readings]
        if curve.limit is None:
            tops.append(float(np.max(curve.worst.median)))
    return max(tops)
