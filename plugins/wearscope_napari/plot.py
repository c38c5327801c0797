"""A plot in the window, drawn once the window has shown what does not wait: never while nobody can see it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from matplotlib import rc_context
from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
from matplotlib.figure import Figure
from qtpy.QtCore import QTimer
from qtpy.QtGui import QColor, QPainter

from wearscope_napari.margins import Margins
from wearscope_napari.theme import Theme

MARGINS = Margins()


class Plot(FigureCanvasQTAgg):
    """A figure that is drawn anew when the events that wait are done: several changes make one drawing.

    Parameters
    ----------
    size_in : (float, float)
    draw_on : callable
        Draws on the figure, which is empty and has the colours of the theme.
    """

    def __init__(self, size_in: tuple[float, float], draw_on: Callable[[Figure, Theme], None]) -> None:
        super().__init__(Figure(figsize=size_in))  # type: ignore[no-untyped-call]
        self.theme = Theme()
        self._draw_on = draw_on
        self._stale = False
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.timeout.connect(self._catch_up)
        self.mpl_connect("resize_event", lambda _event: MARGINS.keep(self.figure))

    def renew(self) -> None:
        """Draw anew what is to be seen now, when there is time for it."""
        self._stale = True
        self.update()  # what it shows does not hold any more
        self._soon.start(0)

    def redraw(self) -> None:
        """Draw again what has been put on the figure since."""
        self.draw_idle()  # type: ignore[no-untyped-call]

    def set_theme(self, theme: Theme) -> None:
        """Draw in the colours of the window from now on."""
        self.theme = theme
        self.renew()

    def paintEvent(self, event: Any) -> None:  # noqa: N802 - Qt's name
        """Plain paper until it is drawn: nothing of the photo before may stand beside the numbers of this one."""
        if not self._stale:
            super().paintEvent(event)  # type: ignore[no-untyped-call]
            return
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(self.theme.paper))
        painter.end()

    def showEvent(self, event: Any) -> None:  # noqa: N802 - Qt's name
        """Seen again: what was put off is drawn."""
        super().showEvent(event)  # type: ignore[no-untyped-call]
        if self._stale:
            self._soon.start(0)

    def _catch_up(self) -> None:
        if not self._stale or not self.isVisibleTo(self.window()):
            return
        MARGINS.clear(self.figure)
        self.figure.set_facecolor(self.theme.paper)
        with rc_context(self.theme.of_plots()):
            self._draw_on(self.figure, self.theme)
        self.draw()  # type: ignore[no-untyped-call]
        self._stale = False
