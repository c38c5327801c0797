"""The wear bench: the photos of a trial one by one, the tools to put right what is wrong, and the numbers."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any
from weakref import ref

from matplotlib.colors import to_hex
from qtpy.QtCore import QEvent, QObject, Qt, QTimer
from qtpy.QtGui import QKeySequence
from qtpy.QtWidgets import (
    QDockWidget,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QMainWindow,
    QScrollArea,
    QSizePolicy,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from wearscope_napari.capture import Capture
from wearscope_napari.compare_panel import ComparePanel
from wearscope_napari.drawing_tools import DrawingTools
from wearscope_napari.hand_panel import HandPanel
from wearscope_napari.live_panel import LivePanel
from wearscope_napari.numbers import Numbers
from wearscope_napari.overlay import Overlay
from wearscope_napari.photo_layers import PhotoLayers
from wearscope_napari.photo_list import PhotoList
from wearscope_napari.run_panel import RunPanel
from wearscope_napari.state import BenchState, Showing
from wearscope_napari.strip_view import StripView
from wearscope_napari.theme import Theme
from wearscope_napari.why_panel import WhyPanel
from wearscope_napari.widgets import button

if TYPE_CHECKING:
    import napari

FOLDED = ("layer list", "layer controls")
"""napari's own panels, by their names in its window, which leave the photo too little room on a laptop's screen."""

BELOW_PX = 205
LEAST_TEXT_PX, MOST_TEXT_PX = 40, 150
STRIP, NUMBERS = "Strip along the edge", "Numbers"
KEYS = {
    "PageDown": "PgDown",
    "PageUp": "PgUp",
    "Control-Z": "Ctrl+Z",
    "Control-Shift-Z": "Ctrl+Shift+Z",
    "Alt-N": "Alt+N",
    "Alt-D": "Alt+D",
    "Alt-O": "Alt+O",
    "Alt-S": "Alt+S",
    "Alt-U": "Alt+U",
    "Alt-R": "Alt+R",
    "Alt-2": "Alt+2",
    "Alt-G": "Alt+G",
    "Alt-T": "Alt+T",
}
"""Next photo, photo before, take back, make again; nudge, draw anew, other side, set, swap, leave out a patch, two
points, graticule; take a picture: by napari's names and by Qt's."""


class WearBench(QWidget):
    """Dock widget on one trial: puts the panels together, and stands by for keys and for its closing.

    Parameters
    ----------
    napari_viewer : napari.viewer.Viewer
    """

    def __init__(self, napari_viewer: napari.viewer.Viewer, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.viewer = napari_viewer
        self.state = BenchState(self)
        self.on_photo = PhotoLayers(napari_viewer, self.state, self)
        self.tools = DrawingTools(self.state, self.on_photo, self)
        self.overlay = Overlay(self.state, self.on_photo, self)
        self.photos = PhotoList(self.state)
        self.hand = HandPanel(self.state)
        self.compare = ComparePanel(self.state)
        self.capture = Capture(self.state)
        self.live = LivePanel(self.state)
        self.run = RunPanel(self.state)
        self.numbers = Numbers()
        self.strip = StripView()
        self.why = WhyPanel(self.state)
        self.panels = button("Layers", self.fold, "show or fold away napari's own lists of layers")
        self._folded: list[QDockWidget] = []
        self.title = QLabel("No trial open")
        self.title.setWordWrap(True)
        self.who = QLineEdit()
        self.who.setPlaceholderText("your name")
        self.who.setToolTip("who corrects: kept with every correction")
        self.status = QLabel("Open a trial: its file, or the folder that holds it as trial.toml.")
        self.status.setWordWrap(True)
        self.status.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self._window: Callable[[], QWidget | None] = lambda: None  # weak: the window is not ours to keep
        self._lay_out()
        self.who.textChanged.connect(self.state.sign)
        self.state.opened.connect(self._opened)
        self.state.spoken.connect(self._say)
        self.state.awaited.connect(lambda: self.numbers.setEnabled(False))  # those of the photo before
        self.state.showing.connect(self._show)
        self.state.withdrawn.connect(self._withdrawn)
        self.state.reread.connect(self._name)
        self.strip.pointed.connect(self.on_photo.mark_place)
        self.on_photo.pointed.connect(self.strip.point_at)
        self.viewer.events.theme.connect(self._themed)
        self._themed()
        draw = partial(partial, self.hand.draw)
        acts: tuple[Callable[[], object], ...] = (
            self.photos.next_photo,
            self.photos.photo_before,
            self.state.undo,
            self.state.redo,
            draw("edge", "direct"),
            draw("edge", "add_path"),
            self.hand.turn_tool,
            draw("transition", "add"),
            self.hand.swap_sides,
            draw("ignored", "add_polygon_lasso"),
            draw("ruler", "add_line"),
            draw("ruler", "add_rectangle"),
            self.live.take_now,
        )
        self._acts = dict(zip(KEYS, acts, strict=True))
        for key, act in self._acts.items():
            self.viewer.bind_key(key, lambda _viewer, act=act: act(), overwrite=True)
        self.photos.installEventFilter(self)  # or Page Down would leaf through it

    def _lay_out(self) -> None:
        top = QHBoxLayout()
        top.addWidget(button("Open trial …", self.ask_for_trial, "a trial file"))
        top.addWidget(self.who)
        top.addWidget(self.panels)
        top.addWidget(button("Sort", self.photos.list_photos, "put first again what needs an eye"))
        self.pages = tabs = QTabWidget()
        for name, page in (
            ("by hand", self.hand),
            ("new over now", self.compare),
            ("taking photos", self.capture),
            ("camera", self.live),
        ):
            tabs.addTab(page, name)
        tabs.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
        inner = QWidget()
        column = QVBoxLayout(inner)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.photos, 1)
        column.addWidget(tabs)
        scroll = QScrollArea()  # a laptop screen is shorter than the form
        scroll.setWidgetResizable(True)
        scroll.setWidget(inner)
        whole = QVBoxLayout(self)
        whole.addWidget(self.title)
        whole.addLayout(top)
        whole.addWidget(scroll, 1)
        self.texts = _Texts(self.why, self.status)
        whole.addWidget(self.texts)
        whole.addWidget(self.run)
        whole.setContentsMargins(2, 0, 2, 2)
        whole.setSpacing(3)
        self.setMinimumWidth(400)

    # --- Trial and photo

    def ask_for_trial(self) -> None:
        """Ask for a trial file and open it."""
        session = self.state.session
        start = "" if session is None else str(session.trial.folder)
        path, _ = QFileDialog.getOpenFileName(self, "Open a trial", start, "Trial files (*.toml)")
        if path:
            self.open_trial(Path(path))

    def open_trial(self, path: Path, out_dir: Path | None = None) -> bool:
        """Open a trial, which may have no photos yet; what is wrong with it is said and False given."""
        return self.state.open_trial(path, out_dir)

    def _opened(self) -> None:
        session = self.state.session
        assert session is not None
        self._withdrawn()  # numbers of the trial before
        self._settle()
        self._name()
        if not self.who.text().strip():
            self.who.setText(session.who)

    def _name(self) -> None:
        session = self.state.session
        assert session is not None
        self.title.setText(session.trial.name)
        self.title.setToolTip(str(session.trial.path))

    def _themed(self, _event: object = None) -> None:
        from napari.utils.theme import get_theme

        colours = get_theme(self.viewer.theme)
        theme = Theme(
            *(to_hex(str(one.as_hex("long"))) for one in (colours.background, colours.text, colours.primary))
        )
        self.strip.set_theme(theme)
        self.numbers.set_theme(theme)
        for field in (
            self.who,
            self.live.address,
        ):  # Qt has it half as strong as the text, too faint on light paper
            field.setStyleSheet(f"QLineEdit {{ placeholder-text-color: {theme.faint}; }}")

    def _say(self, line: str) -> None:
        self.status.setText(line)
        self.texts.fit()

    def _withdrawn(self) -> None:
        self.numbers.clear()
        self.numbers.setEnabled(False)
        self.strip.clear()

    def _show(self, showing: Showing) -> None:
        found = showing.measured.inspection
        self.numbers.show_photo(found, showing.of_flute)
        self.numbers.setEnabled(True)
        self.strip.show_photo(found)
        self.texts.fit()

    # --- Window and keys

    def showEvent(self, event: Any) -> None:  # noqa: N802 - Qt's name
        """Find the window that the bench is part of."""
        super().showEvent(event)
        self._settle()

    def _settle(self) -> None:
        """Put strip and numbers under the photo, and stand by for the closing of the window."""
        window = self.window()
        if not isinstance(window, QMainWindow):
            return
        docked = list(self.viewer.window.dock_widgets.values())
        for name, widget in self._below():
            if widget not in docked:
                self.viewer.window.add_dock_widget(widget, area="bottom", name=name)
        if self._window() is not window:
            self._window = ref(window)
            window.installEventFilter(self)
            self._folded = [dock for dock in window.findChildren(QDockWidget) if dock.objectName() in FOLDED]
            self.fold()
            QTimer.singleShot(0, self._share_room)  # once the window has laid itself out

    def _share_room(self) -> None:
        """Have strip and numbers as low as they may be, and side by side as wide as each needs."""
        window = self._window()
        if not isinstance(window, QMainWindow):
            return
        docks = [dock for dock in window.findChildren(QDockWidget) if dock.objectName() in (STRIP, NUMBERS)]
        wide = {STRIP: 8 * window.width() // 20, NUMBERS: 12 * window.width() // 20}
        window.resizeDocks(docks, [BELOW_PX] * len(docks), Qt.Orientation.Vertical)
        window.resizeDocks(docks, [wide[dock.objectName()] for dock in docks], Qt.Orientation.Horizontal)

    def fold(self) -> None:
        """Fold napari's own lists of layers away, or show them again."""
        shown = any(not dock.isHidden() for dock in self._folded)
        for dock in self._folded:
            dock.setVisible(not shown)

    def _below(self) -> tuple[tuple[str, QWidget], ...]:
        return (STRIP, self.strip), (NUMBERS, self.numbers)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 - Qt's name
        """Finish saving before the window goes; the person may yet decide to stay. Keys pressed in the list."""
        if watched is self.photos and event.type() == QEvent.Type.KeyPress:
            return self._pressed(event)
        if event.type() == QEvent.Type.Close and watched is self._window():
            self.run.end()
            self.live.looking.flush()  # a picture that is just being taken
            self.state.work.flush()
        return False

    def keyPressEvent(self, event: Any) -> None:  # noqa: N802 - Qt's name
        """Keys that the part of the bench which has the focus leaves alone."""
        if not self._pressed(event):
            super().keyPressEvent(event)

    def _pressed(self, event: Any) -> bool:
        pressed = QKeySequence(event.keyCombination())
        for key, act in self._acts.items():
            if pressed == QKeySequence(KEYS[key]):
                act()
                return True
        return False

    # --- Closing

    def changeEvent(self, event: Any) -> None:  # noqa: N802 - Qt's name
        """Taken out of the window by the cross of its dock, of which no closing tells."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.ParentChange and self.parent() is None and self._window() is not None:
            self.finish()

    def closeEvent(self, event: Any) -> None:  # noqa: N802 - Qt's name
        """The dock was closed."""
        self.finish()
        super().closeEvent(event)

    def finish(self) -> None:
        """Stop what runs, save what is to be saved, give back the keys, take the panels away."""
        self.live.finish()
        self.run.close_down()
        self.state.close()
        for key in KEYS:
            self.viewer.bind_key(key, None)
        with suppress(RuntimeError, LookupError):  # with the window, Qt's own parts are gone
            self.overlay.blink.stop()
            self.capture.finish()
            self.on_photo.forget_viewer()
            self.viewer.events.theme.disconnect(self._themed)
            for dock in self._folded:
                dock.setVisible(True)
            docked = list(self.viewer.window.dock_widgets.values())
            for _, widget in self._below():
                if widget in docked:
                    self.viewer.window.remove_dock_widget(widget)


class _Texts(QScrollArea):
    """Texts of any length, in as much room as they need and no more than there is."""

    def __init__(self, *texts: QLabel) -> None:
        super().__init__()
        self._texts = texts
        inner = QWidget()
        column = QVBoxLayout(inner)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        for text in texts:
            column.addWidget(text)
        column.addStretch(1)
        self.setWidgetResizable(True)
        self.setWidget(inner)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)

    def fit(self) -> None:
        """Take the room that the texts need now."""
        width = max(100, self.viewport().width() - 4)
        needed = sum(text.heightForWidth(width) + 2 for text in self._texts if text.text())
        self.setFixedHeight(min(max(needed + 4, LEAST_TEXT_PX), MOST_TEXT_PX))
