"""The strip laid straight, new and now, over how far the edge has moved back; of a section the outline of its tip."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from qtpy.QtCore import Signal
from qtpy.QtWidgets import QVBoxLayout, QWidget

from wearscope.light.strip import UNUSED, USED, EdgeView
from wearscope.pipeline.inspection import Inspection
from wearscope.report.style import BLUE, ORANGE, SKY, VERMILION
from wearscope.report.tone import to_display, white_level
from wearscope.wear.section import SectionView
from wearscope_napari.layers import sections, strips, tip_axes
from wearscope_napari.plot import Plot
from wearscope_napari.theme import Theme

SHOWN_UM = (-60.0, 260.0)
MOST_COLUMNS = 1200


class StripView(QWidget):
    """Pictures of the strip over a plot of the recession, on one axis along the edge; or the tip of a section."""

    pointed = Signal(float)  # a place along the edge, in µm, that the person has clicked on

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._found: Inspection | None = None
        self._at_um: float | None = None  # the place that is marked
        self._marks: list[Any] = []
        self.canvas = Plot((5.5, 2.0), self._draw)
        self.figure = self.canvas.figure
        self.canvas.mpl_connect("button_press_event", self._clicked)
        self.setMinimumSize(420, 150)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.canvas)

    def clear(self) -> None:
        """Show nothing."""
        self._found, self._at_um = None, None
        self.canvas.renew()

    def set_theme(self, theme: Theme) -> None:
        """Draw in the colours of the window from now on."""
        self.canvas.set_theme(theme)

    def show_photo(self, found: Inspection) -> None:
        """Show the strip of one photo; nothing if it has none."""
        self._found, self._at_um = found, None
        self.canvas.renew()

    def _draw(self, figure: Figure, theme: Theme) -> None:
        self._marks, found = [], self._found
        if found is None:
            return
        views = strips(found)
        new, now = theme.line(BLUE), theme.ink
        tips = [(word, new if word == "new" else now, section) for word, section in sections(found)]
        if views:
            axes = figure.subplots(len(views) + 1, 1, sharex=True)
            white = white_level([view.strip for _, view in views])
            turned = runs_backwards(found)
            for (word, view), on in zip(views, axes, strict=False):
                _picture(on, view, white, word, turned)
            _recession(axes[-1], views[-1][1], theme)
            if turned:
                axes[0].invert_xaxis()  # shared by all
        elif tips:
            shape, rest = figure.subplots(1, 2, width_ratios=(1, 2))
            _shape(shape, tips)
            _residuals(rest, tips)
        else:
            figure.text(0.5, 0.5, "no strip: this photo was not measured", ha="center")
        self._mark()

    def point_at(self, s_um: float) -> None:
        """Mark a place along the edge."""
        self._at_um = s_um
        self._mark()
        self.canvas.redraw()

    def _mark(self) -> None:
        for mark in self._marks:
            mark.remove()
        self._marks, at_um = [], self._at_um
        if at_um is not None and self._found is not None and strips(self._found):
            self._marks = [on.axvline(at_um / 1e3, color=VERMILION, linewidth=1.0) for on in self.figure.axes]

    def _clicked(self, event: Any) -> None:
        if self._found is not None and strips(self._found) and event.xdata is not None:
            self.point_at(1e3 * event.xdata)
            self.pointed.emit(1e3 * event.xdata)


def runs_backwards(found: Inspection) -> bool:
    """Whether the edge runs leftward in the photo, or upward if it stands upright: then the strip is shown turned."""
    if found.on_photo is None:
        return False
    across, down = found.on_photo.located.line.direction
    return bool(across < 0 if abs(across) > abs(down) else down < 0)


def _shape(axes: Axes, tips: list[tuple[str, str, SectionView]]) -> None:
    """The outlines one over the other, by their apex, with the tip up."""
    for word, colour, section in tips:
        fit = section.fit
        order = np.argsort(fit.along_um)
        turned = (fit.points_um - fit.apex_um)[order] @ np.column_stack(tip_axes(fit))
        turned[~fit.kept[order]] = np.nan
        axes.plot(turned[:, 0], turned[:, 1], color=colour, linewidth=1.0, label=word)
    fit = tips[-1][2].fit
    deep = 2.0 * max(fit.departure_a_um, fit.departure_b_um, fit.radius_um / np.tan(fit.wedge_angle / 2))
    axes.set_ylim(deep, -0.1 * deep)
    axes.set_xlim(-deep, deep)
    axes.set_aspect("equal", adjustable="box")
    axes.set_xlabel("across, µm", fontsize=8)
    axes.set_ylabel("below the apex, µm", fontsize=8)
    axes.tick_params(labelsize=7)
    axes.legend(fontsize=7, frameon=False, loc="lower center")


def _residuals(axes: Axes, tips: list[tuple[str, str, SectionView]]) -> None:
    """What the outline leaves over from faces and arc; above the line the tool stands out."""
    fit = tips[-1][2].fit
    half = 0.5 * fit.radius_um * (np.pi - fit.wedge_angle)
    axes.axvspan(-half, half, color=ORANGE, alpha=0.2, linewidth=0)
    axes.axhline(0.0, color=BLUE, linewidth=0.6)
    for _, colour, section in tips:
        fit = section.fit
        order = np.argsort(fit.along_um)
        axes.plot(
            fit.along_um[order],
            np.where(fit.kept, -fit.residual_um, np.nan)[order],
            color=colour,
            linewidth=0.8,
        )
    axes.set_xlabel("along the outline from face a to face b, µm; orange: the arc", fontsize=8)
    axes.set_ylabel("off faces and arc\nµm", fontsize=8)
    axes.tick_params(labelsize=7)


def _picture(axes: Axes, view: EdgeView, white: float, word: str, turned: bool) -> None:
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
    if turned:
        axes.invert_yaxis()
    for start, end in view.chips_um:
        axes.axvspan(start / 1e3, end / 1e3, color="magenta", alpha=0.3, linewidth=0)


def _recession(axes: Axes, view: EdgeView, theme: Theme) -> None:
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
    axes.plot(s_mm, view.recession_um, color=theme.ink, linewidth=0.8)
    axes.axhline(0.0, color=theme.line(BLUE), linewidth=0.6)
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
