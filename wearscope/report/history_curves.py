"""Wear of one kind of bit from several trials, in one figure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.figure import Figure

from wearscope.quantities.quantity import quantity_of
from wearscope.report.fonts import readable
from wearscope.report.style import GREY, INK, PAPER, VERMILION
from wearscope.report.words import folded

_COLOURS = ("#0072B2", "#D55E00", "#00795A", "#A3457C", "#161616", "#7A5C00")
_DASHES: tuple[Any, ...] = (
    "-",
    (0, (5, 2)),
    (0, (1, 1.5)),
    (0, (7, 2, 1, 2)),
    (0, (3, 1, 1, 1)),
    (0, (9, 3)),
)
_MARKERS = "osD^vP"
_TEXT, _PANEL_IN, _ACROSS = 8.5, 3.0, 2
_NAME_WIDTH, _NAME_LINES = 60, 2  # of a name in the legend: characters of a line, and lines


@dataclass(frozen=True)
class TriedCurve:
    """How one quantity of a bit went on, as the report of its trial has it.

    Attributes
    ----------
    quantity : str
    parts : tuple of float
        Parts cut.
    low95, middle, high95 : tuple of float
        Of the worst flute, at these, in the unit of the quantity.
    limit : float or None
        At which a bit is worn out.
    points : tuple of (float, float)
        Parts and value of each photo.
    """

    quantity: str
    parts: tuple[float, ...]
    low95: tuple[float, ...]
    middle: tuple[float, ...]
    high95: tuple[float, ...]
    limit: float | None
    points: tuple[tuple[float, float], ...]


def curves_of(bit: dict[str, Any]) -> tuple[TriedCurve, ...]:
    """Curves of a bit out of ``outcome.json``.

    Parameters
    ----------
    bit : dict
        One of its bits.

    Returns
    -------
    tuple of TriedCurve
    """
    return tuple(
        TriedCurve(
            curve["quantity"],
            tuple(curve["parts"]),
            tuple(curve["worst"]["low95"]),
            tuple(curve["worst"]["median"]),
            tuple(curve["worst"]["high95"]),
            (curve["limit"] or {}).get("value"),
            tuple((row["parts"], row["value"]) for row in curve["readings"] if row["value"] is not None),
        )
        for curve in bit["curves"]
    )


def draw_side_by_side(tried: Sequence[tuple[str, Sequence[TriedCurve]]]) -> Figure | None:
    """Draw the wear of bits of one kind over the parts they cut, a panel for each quantity.

    Parameters
    ----------
    tried : sequence of (str, sequence of TriedCurve)
        What each is called in the legend, and its curves.

    Returns
    -------
    Figure or None
        None if fewer than two have a curve of one quantity.
    """
    quantities = dict.fromkeys(curve.quantity for _, curves in tried for curve in curves)
    panels = {
        quantity: [
            (at, curve) for at, (_, each) in enumerate(tried) for curve in each if curve.quantity == quantity
        ]
        for quantity in quantities
    }
    panels = {quantity: curves for quantity, curves in panels.items() if len(curves) > 1}
    if not panels:
        return None
    across = min(_ACROSS, len(panels))
    down = -(-len(panels) // across)
    height = 0.6 + 0.25 * len(tried) + _PANEL_IN * down
    figure = Figure(figsize=(9.6, height), facecolor=PAPER, layout="constrained")
    grid = figure.subplots(down, across, squeeze=False, sharex=True).ravel()
    for panel in grid[len(panels) :]:
        panel.remove()
    axes = grid[: len(panels)]
    for panel, (quantity, curves) in zip(axes, panels.items(), strict=True):
        how = quantity_of(quantity)
        for at, curve in curves:
            _draw(panel, at, tried[at][0], curve, how.shown_factor)
        for limit in sorted({curve.limit for _, curve in curves if curve.limit is not None}):
            panel.axhline(how.shown_factor * limit, color=VERMILION, lw=1.2, ls=(0, (7, 2, 1, 2)))
            beside = {"color": VERMILION, "fontsize": _TEXT, "ha": "right", "va": "bottom"}
            across = panel.get_yaxis_transform()  # at the right rim, however many parts were cut
            panel.text(0.995, how.shown_factor * limit, "limit", transform=across, **beside)
        tops = [value for _, curve in curves for _, value in curve.points]
        tops += [curve.limit for _, curve in curves if curve.limit is not None]
        panel.set_ylim(0, 1.35 * how.shown_factor * max(tops, default=1.0))
        panel.set_ylabel(f"{how.label}, {how.shown_unit}", fontsize=_TEXT)
        panel.tick_params(labelsize=_TEXT, colors=INK)
        panel.spines[["top", "right"]].set_visible(False)
        panel.set_xlabel("parts cut", fontsize=_TEXT)
    axes[0].set_xlim(left=0)
    _legend(figure, axes)
    return figure


def _draw(panel: Any, at: int, name: str, curve: TriedCurve, factor: float) -> None:  # noqa: ANN401 - of matplotlib
    colour, dashes = _COLOURS[at % len(_COLOURS)], _DASHES[at % len(_DASHES)]
    low, high = ([factor * value for value in end] for end in (curve.low95, curve.high95))
    panel.fill_between(curve.parts, low, high, color=colour, alpha=0.12, lw=0)
    for end in (low, high):  # bands that lie over each other are told apart by their rims
        panel.plot(curve.parts, end, color=colour, lw=0.6, ls=dashes)
    middle = [factor * value for value in curve.middle]
    label = folded(readable(name), _NAME_WIDTH, _NAME_LINES)
    panel.plot(curve.parts, middle, color=colour, lw=1.8, ls=dashes, label=label)
    if curve.points:
        parts, values = zip(*curve.points, strict=True)
        marker = _MARKERS[at % len(_MARKERS)]
        shown = [factor * value for value in values]
        panel.plot(parts, shown, marker, color=colour, mec=INK, mew=0.6, ms=4.5, ls="")


def _legend(figure: Figure, panels: Iterable[Any]) -> None:
    handles: dict[str, Any] = {}
    for panel in panels:
        handles |= {label: handle for handle, label in zip(*panel.get_legend_handles_labels(), strict=True)}
    look: dict[str, Any] = {"loc": "outside lower left", "alignment": "left", "labelcolor": INK}
    title = "worst flute, middle; bands hold 95 times in 100"
    legend = figure.legend(
        list(handles.values()),
        list(handles),
        fontsize=_TEXT,
        frameon=False,
        title=title,
        title_fontsize=_TEXT,
        **look,
    )
    legend.get_title().set_color(GREY)
