"""What a part costs with each bit: a bar for each, with its range."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from wearscope.economics.life import QUANTILES
from wearscope.economics.outcome import Outcome
from wearscope.report.amounts import money_unit
from wearscope.report.curves import MOST_SHOWN, shown_bits
from wearscope.report.fonts import readable
from wearscope.report.style import BLUE, INK, PAPER
from wearscope.report.words import folded

_TEXT = 8.5


def draw_costs(outcome: Outcome) -> Figure | None:
    """Draw the cost per part of each bit: the 95 and 50 % ranges and the median.

    Where a bit may last longer than can be said, an arrow shows that it may cost less.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    Figure or None
        None if no bit has a cost above nothing.
    """
    bits = [bit for bit in outcome.bits if bit.cost]
    if len(bits) > MOST_SHOWN:
        shown = shown_bits(outcome)
        bits = [bit for bit in bits if bit.bit in shown]
    if not bits:
        return None
    names = [folded(readable(bit.bit), 24, 4) for bit in bits]
    # each bar has the room that its name needs, so that long ones side by side do not lie over each other
    room_in = np.array([0.28 + 0.14 * (1 + name.count("\n")) for name in names])
    at = np.cumsum(room_in) - room_in / 2
    figure = Figure(
        figsize=(3.7, 0.75 + float(room_in.sum())),
        facecolor=PAPER,
        layout="constrained",
    )
    axes = figure.subplots()
    most = max(float(np.quantile(np.maximum(bit.cost_draws, bit.cost_at_horizon), 0.975)) for bit in bits)
    factor, unit = money_unit(outcome.currency, most)
    for y, bit in zip(at.tolist(), bits, strict=True):
        assert bit.cost is not None
        # below the cost at the horizon nothing is known
        draws = factor * np.maximum(bit.cost_draws, bit.cost_at_horizon)
        low95, low50, median, high50, high95 = np.quantile(draws, QUANTILES)
        axes.plot([low95, high95], [y, y], color=BLUE, lw=3, solid_capstyle="butt")
        axes.plot([low50, high50], [y, y], color=BLUE, lw=9, alpha=0.55, solid_capstyle="butt")
        if bit.cost.median is not None:
            axes.plot(median, y, "|", color=INK, ms=13, mew=2)
        if bit.cost.low95 is None:
            axes.annotate(
                "",
                (0.72 * low95, y),
                (low95, y),
                arrowprops={"arrowstyle": "->", "color": INK, "lw": 1.4, "ls": (0, (3, 2))},
            )
    axes.set_yticks(at.tolist(), [name.replace("$", r"\$") for name in names])
    axes.set_ylim(float(room_in.sum()), 0.0)
    axes.set_xlim(left=0)
    axes.locator_params(axis="x", nbins=5)  # numbers side by side beside long names
    axes.set_xlabel(", ".join(filter(None, ["cost per part", unit])), fontsize=_TEXT)
    axes.tick_params(labelsize=_TEXT, colors=INK)
    axes.spines[["top", "right"]].set_visible(False)
    return figure
