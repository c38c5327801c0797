"""The strip laid straight, when new and now, and under it how far the edge has moved back at each place."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
from matplotlib.figure import Figure
from qtpy.QtWidgets import QVBoxLayout, QWidget

from wearscope.inspect import Inspection
from wearscope.sheets.style import BLUE, INK, ORANGE, SKY, VERMILION
from wearscope.sheets.tone import to_display, white_level
from wearscope.wear.strip import UNUSED, USED, EdgeView

SHOWN_UM = (-60.0, 260.0)
MOST_COLUMNS = 1200


class StripView(QWidget):
    """Pictures of the strip over a plot of the recession, on one axis along the edge."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.figure = Figure(figsize=(9.0, 2.6), layout="constrained")
        self.canvas = FigureCanvasQTAgg(self.figure)
        self.setMinimumHeight(230)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.canvas)

    def show_photo(self, found: Inspection) -> None:
        """Show the strip of one photo; nothing if it has none."""
        self.figure.clear()
        if found.now is not None:
            views = (
                [("new", found.new), ("now", found.now)] if found.new is not None else [("now", found.now)]
            )
            axes = self.figure.subplots(len(views) + 1, 1, sharex=True)
            white = white_level([view.strip for _, view in views])
            for (word, view), on in zip(views, axes, strict=False):
                _picture(on, view, white, word)
            _recession(axes[-1], found.now)
        else:
            self.figure.text(0.5, 0.5, "no strip: this photo was not measured", ha="center", color=INK)
        self.canvas.draw_idle()


def _picture(axes: Axes, view: EdgeView, white: float, word: str) -> None:
    strip = view.strip
    rows = (strip.d_um >= SHOWN_UM[0]) & (strip.d_um <= SHOWN_UM[1])
    every = max(1, len(strip.s_um) // MOST_COLUMNS)
    s_mm = strip.s_um / 1e3
    picture = to_display(np.ascontiguousarray(strip.light[rows][:, ::every]), white)
    d_um = strip.d_um[rows]
    axes.imshow(
        picture, extent=(s_mm[0], s_mm[-1], d_um[-1], d_um[0]), aspect="auto", interpolation="bilinear"
    )
    axes.plot(
        s_mm[::every], view.silhouette_um[::every], color="white" if word == "now" else BLUE, linewidth=0.8
    )
    axes.set_ylabel(f"{word}\nµm", fontsize=8)
    axes.tick_params(labelsize=7)
    for start, end in view.chips_um:
        axes.axvspan(start / 1e3, end / 1e3, color="magenta", alpha=0.3, linewidth=0)


def _recession(axes: Axes, view: EdgeView) -> None:
    s_mm = view.strip.s_um / 1e3
    for zone, colour in ((USED, ORANGE), (UNUSED, SKY)):
        axes.fill_between(
            s_mm,
            0,
            1,
            where=view.zone == zone,
            transform=axes.get_xaxis_transform(),
            color=colour,
            alpha=0.3,
            linewidth=0,
        )
    axes.plot(s_mm, view.recession_um, color=INK, linewidth=0.8)
    axes.axhline(0.0, color=BLUE, linewidth=0.6)
    if view.transition_um is not None:
        axes.axvline(view.transition_um / 1e3, color=VERMILION, linewidth=1.2)
    known = view.recession_um[view.zone != 0]
    known = known[np.isfinite(known)]
    if len(known):
        low, high = np.quantile(known, [0.01, 0.99])
        axes.set_ylim(min(low, 0.0) - 5.0, max(high, 0.0) + 5.0)
    axes.invert_yaxis()
    axes.set_ylabel("moved back\nµm", fontsize=8)
    axes.set_xlabel("along the edge, mm", fontsize=8)
    axes.tick_params(labelsize=7)
