"""Wear curves that answer to the pointer: figures for plotly, with all bits in one panel."""

from __future__ import annotations

from html import escape
from typing import Any

from wearscope.economics.curve import Array
from wearscope.economics.outcome import Axis, Outcome, QuantityCurve
from wearscope.metrology.findings import COVERAGE_95
from wearscope.quantities.quantity import quantity_of
from wearscope.report.amounts import axis_words
from wearscope.report.short_names import LONGEST
from wearscope.report.words import capitalised, finding, parts_text, shortened

# Okabe and Ito's colours, darkened where they are pale on white; dashes and markers tell the bits apart without them.
_COLOURS = ("#0072B2", "#D55E00", "#00795A", "#A3457C", "#161616", "#7A5C00")
_DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "star")

Trace = dict[str, Any]


def interactive_curves(outcome: Outcome) -> list[dict[str, Any]]:
    """Figures for plotly, one for each quantity.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    list of dict
        Fit for JSON; each with ``title``, ``data`` and ``layout``.
    """
    quantities = dict.fromkeys(curve.quantity for bit in outcome.bits for curve in bit.curves)
    return [_figure(outcome, quantity) for quantity in quantities]


def _figure(outcome: Outcome, quantity: str) -> dict[str, Any]:
    how, axis = quantity_of(quantity), outcome.axis
    curves = [
        (i, bit.bit, curve)
        for i, bit in enumerate(outcome.bits)
        for curve in bit.curves
        if curve.quantity == quantity
    ]
    limits = sorted({how.shown_factor * curve.limit.value for _, _, curve in curves if curve.limit})
    tops = limits + [
        how.shown_factor * ((row.value or 0.0) + COVERAGE_95 * (row.std_uncertainty or 0.0))
        for _, _, curve in curves
        for row in curve.readings
    ]
    across = {"xref": "paper", "x0": 0, "x1": 1, "type": "line", "line": {"dash": "dash", "width": 1.5}}
    left = {"xref": "paper", "x": 0, "xanchor": "left", "yanchor": "bottom", "showarrow": False}
    return {
        "title": capitalised(how.label),
        "data": [trace for i, bit, curve in curves for trace in _traces(i, bit, curve, axis)],
        "layout": {
            "xaxis": {"title": {"text": axis_words(axis), "standoff": 6}, "rangemode": "tozero"},
            "yaxis": {"title": {"text": f"{how.label}, {how.shown_unit}"}, "range": [0, 1.25 * max(tops)]},
            "shapes": [across | {"y0": y, "y1": y} for y in limits],
            "annotations": [left | {"y": y, "text": "limit"} for y in limits],
        },
    }


def _traces(i: int, bit: str, curve: QuantityCurve, axis: Axis) -> list[Trace]:
    """Band, median and points of one bit."""
    colour, dash, _ = _look(i)
    how, name = quantity_of(curve.quantity), _plain(shortened(bit, LONGEST))
    x = _short(axis.factor * curve.parts)
    low, middle, high = (
        _short(how.shown_factor * line)
        for line in (curve.worst.low95, curve.worst.median, curve.worst.high95)
    )
    together = {"legendgroup": bit}
    band = together | {
        "showlegend": False,
        "x": x + x[::-1],
        "y": high + low[::-1],
        "fill": "toself",
        "fillcolor": f"{colour}22",
        "line": {"width": 0},
        "mode": "lines",
        "hoverinfo": "skip",
    }
    median = together | {
        "x": x,
        "y": middle,
        "mode": "lines",
        "name": f"{name}, worst flute",
        "line": {"color": colour, "dash": dash, "width": 2.2},
        "customdata": list(zip(low, high, strict=True)),
        "hovertemplate": f"{name}, worst flute: %{{y:.3g}} {how.shown_unit}<br>"
        f"95 in 100: %{{customdata[0]:.3g}} to %{{customdata[1]:.3g}} {how.shown_unit}<br>"
        f"%{{x:.0f}} {axis_words(axis)}<extra></extra>",
    }
    return [band, median, together | _points(i, name, curve, axis)]


def _look(i: int) -> tuple[str, str, str]:
    """Colour, dashes and marker of a bit: more bits than there are of each go together in other ways."""
    n, turn = len(_COLOURS), i // len(_COLOURS)
    return _COLOURS[i % n], _DASHES[(i + turn) % n], _SYMBOLS[(i + 2 * turn) % n]


def _points(i: int, name: str, curve: QuantityCurve, axis: Axis) -> Trace:
    factor = quantity_of(curve.quantity).shown_factor
    colour, _, symbol = _look(i)
    return {
        "showlegend": False,
        "x": [axis.factor * row.parts for row in curve.readings],
        "y": [factor * (row.value or 0.0) for row in curve.readings],
        "error_y": {
            "array": [factor * COVERAGE_95 * (row.std_uncertainty or 0.0) for row in curve.readings],
            "color": colour,
            "thickness": 1.4,
            "width": 4,
        },
        "mode": "markers",
        "marker": {"color": colour, "symbol": symbol, "size": 8},
        "customdata": [
            (row.flute, parts_text(row.parts), finding(row), _plain(row.photo)) for row in curve.readings
        ],
        "hovertemplate": f"{name}, flute %{{customdata[0]}} %{{customdata[1]}}<br>"
        "%{customdata[2]}<br>%{customdata[3]}<extra></extra>",
    }


def _plain(text: str) -> str:
    """Text in which plotly finds neither tags nor templates."""
    return escape(text, quote=False).replace("%{", "% {")


def _short(values: Array) -> list[float]:
    return [float(f"{value:.4g}") for value in values.tolist()]
