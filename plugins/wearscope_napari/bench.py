"""The wear bench: the photos of a trial one by one, the tools to put right what is wrong, and the numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Any, Literal
from weakref import ref

import numpy as np
from qtpy.QtCore import QEvent, QObject, Qt, QTimer, Signal
from qtpy.QtGui import QColor, QKeySequence
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QMainWindow,
    QProgressBar,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QSlider,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from wearscope.errors import WearscopeError
from wearscope.imaging.calibration.scale import scale_from_graticule
from wearscope.light.strip import USED
from wearscope.log.records import Record
from wearscope.trial import PhotoEntry, load_trial
from wearscope.trial.correction import NOTHING, DrawnEdge, HandScale, scale_between
from wearscope_napari import layers as drawing
from wearscope_napari.capture import Capture
from wearscope_napari.coordinates import from_napari
from wearscope_napari.numbers import Numbers, photo_text
from wearscope_napari.session import Measured, PhotoState, Session
from wearscope_napari.strip_view import StripView
from wearscope_napari.work import Work

if TYPE_CHECKING:
    import napari

STATE_COLOURS = {"refused": "#E4572E", "doubtful": "#E69F00", "to measure": "#B8BEC6", "done": "#3FA66B"}
STRIP, NUMBERS = "Strip along the edge", "Numbers"
BLINK_MS = 600
MOST_POINTS = 40  # of an edge drawn free-hand
WAIT_MS = 40
KEYS = {"PageDown": "PgDown", "PageUp": "PgUp", "Control-Z": "Ctrl+Z", "Control-Shift-Z": "Ctrl+Shift+Z"}
"""Next photo, photo before, take back, make again: by napari's names and by Qt's."""
LEAST_BOX_PX = 20  # of a graticule


Side = Literal["left", "right"]
_Shown = tuple[Measured, list[Record], list[drawing.Drawn]]
"""A photo measured, the rows of all checkpoints of its flute, and what is drawn on it."""


class WearBench(QWidget):
    """Dock widget on one trial.

    Parameters
    ----------
    napari_viewer : napari.viewer.Viewer
    """

    def __init__(self, napari_viewer: napari.viewer.Viewer, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.viewer = napari_viewer
        self.session: Session | None = None
        self.shown: Measured | None = None
        self.work = Work(self)
        self.layers: dict[str, Any] = {}
        self._quiet = False
        self._stop = Event()
        self._measuring_all = False
        self._asked = 0  # results of earlier askings are out of date
        self._news = ""  # what became of the last correction: stays said until the next one
        self._held: Any = None  # the layer on which the mouse button is down
        self._begun: tuple[Any, int] | None = (
            None  # the layer on which something is being drawn, and what it had
        )
        self._over: np.ndarray | None = None
        self._window: Callable[[], QWidget | None] = lambda: None  # weak: the window is not ours to keep
        self._blink = QTimer(self)
        self._blink.setInterval(BLINK_MS)
        self._blink.timeout.connect(self._blinked)
        self._build()
        self.work.failed.connect(self._tell)
        self.work.idle.connect(lambda idle: self.busy.setVisible(not idle))
        self._acts = dict(zip(KEYS, (self.next_photo, self.photo_before, self.undo, self.redo), strict=True))
        for key, act in self._acts.items():
            self.viewer.bind_key(key, lambda _viewer, act=act: act(), overwrite=True)
        self.list.installEventFilter(self)  # or Page Down would leaf through it

    # --- What it consists of

    def _build(self) -> None:
        self.title = QLabel("No trial open")
        self.title.setWordWrap(True)
        self.who = QLineEdit()
        self.who.setPlaceholderText("your name")
        self.who.setToolTip("who corrects: kept with every correction")
        self.who.textChanged.connect(self._who_changed)
        self.list = QListWidget()
        self.list.setToolTip("what needs an eye comes first; Page Down and Page Up go through it")
        self.list.currentItemChanged.connect(self._chosen)
        self.all = _button("Measure all", self.measure_all, "every photo of the trial, in the background")
        self.stop = _button("Stop", self._stop.set, "end after the photos under way; what is done is kept")
        self.stop.setEnabled(False)
        self.progress = QProgressBar()
        self.progress.setVisible(False)
        self.busy = QLabel("measuring …")
        self.busy.setVisible(False)
        self.status = QLabel("Open a trial: its file, or the folder that holds it as trial.toml.")
        self.status.setWordWrap(True)
        self.status.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.numbers = Numbers()
        self.strip = StripView()
        self.capture = Capture(self)

        top, run = QHBoxLayout(), QHBoxLayout()
        top.addWidget(_button("Open trial …", self.ask_for_trial, "a trial file"))
        top.addWidget(self.who)
        top.addWidget(_button("Sort", self.list_photos, "put first again what needs an eye"))
        for widget in (self.all, self.stop, self.progress, self.busy):
            run.addWidget(widget)
        tools = QTabWidget()
        for name, page in (
            ("by hand", self._hand_box()),
            ("new over now", self._compare_box()),
            ("taking photos", self.capture),
        ):
            tools.addTab(page, name)
        tools.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
        self.list.setMinimumHeight(130)
        inner = QWidget()
        column = QVBoxLayout(inner)
        column.setContentsMargins(0, 0, 0, 0)
        for widget, stretch in ((self.list, 1), (tools, 0)):
            column.addWidget(widget, stretch)
        scroll = QScrollArea()  # a laptop screen is shorter than the form
        scroll.setWidgetResizable(True)
        scroll.setWidget(inner)
        whole = QVBoxLayout(self)
        whole.addWidget(self.title)
        whole.addLayout(top)
        whole.addWidget(scroll, 1)
        whole.addLayout(run)
        whole.addWidget(self.status)
        self.setMinimumWidth(440)

    def _hand_box(self) -> QWidget:
        box = QWidget()
        grid = QGridLayout(box)
        grid.setVerticalSpacing(4)
        grid.setColumnStretch(1, 1)
        grid.setColumnStretch(2, 1)
        self.distance = _length("distance of the two points")
        self.pitch = _length("pitch: from one line of the graticule to the next")
        self.undo_button = _button("Take back", self.undo, "Ctrl+Z")
        self.redo_button = _button("Make again", self.redo, "Ctrl+Shift+Z")
        self.clear = QComboBox()
        self.clear.setToolTip("let the program decide again")
        self.clear.addItems(["forget …", "edge line", "transition", "used side", "left out", "scale"])
        self.clear.activated.connect(self._forget)
        draw = partial(partial, self._draw)
        nudge = _button("Nudge", draw("edge", "direct"), "drag the points of the edge line")
        redraw = _button("Draw anew", draw("edge", "add_path"), "drag along the cutting edge")
        turn = _button(
            "Tool on other side", self.turn_tool, "the tool lies on the other side of the edge line"
        )
        where = _button("Set", draw("transition", "add"), "click where the used edge begins")
        swap = _button("Swap used and unused", self.swap_sides, "the other side of the transition has cut")
        paint = _button(
            "Leave out a patch", draw("ignored", "add_polygon_lasso"), "drag round resin or glare"
        )
        points = _button(
            "Two points", draw("ruler", "add_line"), "give their distance, then drag between them"
        )
        lines = _button(
            "Graticule", draw("ruler", "add_rectangle"), "give its pitch, then drag a box over its lines"
        )
        self.for_faces = (turn, where, swap, paint)
        rows: list[tuple[str, list[QWidget]]] = [
            ("edge", [nudge, redraw, turn]),
            ("transition", [where, swap]),
            ("resin, glare", [paint]),
            ("scale", [points, self.distance]),
            ("", [lines, self.pitch]),
            ("", [self.undo_button, self.redo_button, self.clear]),
        ]
        for n, (name, row) in enumerate(rows):
            grid.addWidget(QLabel(name), n, 0)
            for column, widget in enumerate(row):
                last = column == len(row) - 1
                grid.addWidget(widget, n, column + 1, 1, 3 - column if last else 1)
        return box

    def _compare_box(self) -> QWidget:
        box = QWidget()
        row = QHBoxLayout(box)
        self.over = QCheckBox("swipe")
        self.over.toggled.connect(self._compare)
        self.blink = QCheckBox("blink")
        self.blink.toggled.connect(self._compare)
        self.swipe = QSlider(Qt.Orientation.Horizontal)
        self.swipe.setRange(0, 100)
        self.swipe.setValue(50)
        self.swipe.setToolTip("how far the new-state photo is drawn over this one")
        self.swipe.valueChanged.connect(self._swiped)
        for widget in (self.over, self.blink, self.swipe):
            row.addWidget(widget)
        return box

    # --- Trial and photos

    def ask_for_trial(self) -> None:
        """Ask for a trial file and open it."""
        path, _ = QFileDialog.getOpenFileName(self, "Open a trial", "", "Trial files (*.toml)")
        if path:
            self.open_trial(Path(path))

    def open_trial(self, path: Path, out_dir: Path | None = None) -> bool:
        """Open a trial, which may have no photos yet; what is wrong with it is said and False given.

        How its photos stand is found out in the background, and the first that needs an eye is shown then.
        """
        try:
            trial = load_trial(path, photos_to_come=True)
        except WearscopeError as problem:
            self.say(str(problem))
            return False
        session = Session(trial, (out_dir or trial.folder).absolute())
        self._settle()
        self._clear_layers()
        self.session, self.shown, self._news = session, None, ""
        self._asked += 1
        if self.who.text().strip():
            session.who = self.who.text().strip()
        else:
            self.who.setText(session.who)
        self.title.setText(f"{trial.name}\n{trial.path}")
        self.pitch.setValue(next((scale.division_um for scale in trial.scales if scale.division_um), 0.0))
        self.say(f"{len(trial.photos)} photos. Wear log: {session.log_path}")
        self.capture.show_trial()
        with self._quietly():
            self.list.clear()
        self.list_photos()
        self.work.do(session.read_states, lambda _: self._states_read(session), name="states")
        return True

    def _states_read(self, session: Session) -> None:
        if session is not self.session:
            return
        self.list_photos()
        if self.entry is None:
            self.list.setCurrentRow(0)

    def reload(self) -> None:
        """Read the trial file again, as after a photo was filed; what can be taken back stays so."""
        assert self.session is not None
        try:
            self.session.trial = load_trial(self.session.trial.path, photos_to_come=True)
        except WearscopeError as problem:
            self.say(str(problem))
            return
        self.list_photos()
        self.work.do(self.session.read_states, lambda _: self._mark_states(), name="states")

    def list_photos(self) -> None:
        """List the photos afresh, those first that need an eye."""
        if self.session is None:
            return
        chosen = self.entry
        with self._quietly():
            self.list.clear()
            for state in self.session.queue():
                item = QListWidgetItem()
                item.setData(Qt.ItemDataRole.UserRole, state.entry)
                _mark(item, state)
                self.list.addItem(item)
                if state.entry == chosen:
                    self.list.setCurrentItem(item)

    def _mark_states(self) -> None:
        """Show how the photos stand now, each where it is: the list must not move under the person's hand."""
        assert self.session is not None
        states = {state.entry: state for state in self.session.queue()}
        for row in range(self.list.count()):
            item = self.list.item(row)
            if state := states.get(item.data(Qt.ItemDataRole.UserRole)):
                _mark(item, state)

    @property
    def entry(self) -> PhotoEntry | None:
        """The photo chosen in the list."""
        item = self.list.currentItem()
        return None if item is None else item.data(Qt.ItemDataRole.UserRole)

    def choose(self, entry: PhotoEntry) -> None:
        """Choose a photo in the list; the one that is chosen already is read and measured again."""
        for row in range(self.list.count()):
            if self.list.item(row).data(Qt.ItemDataRole.UserRole) == entry:
                if row == self.list.currentRow():
                    self._chosen()
                self.list.setCurrentRow(row)

    def next_photo(self) -> None:
        """Go to the next photo of the list."""
        self._go(1)

    def photo_before(self) -> None:
        """Go to the photo before."""
        self._go(-1)

    def _go(self, step: int) -> None:
        if self.list.count():
            self.list.setCurrentRow(int(np.clip(self.list.currentRow() + step, 0, self.list.count() - 1)))

    def _chosen(self, *_items: object) -> None:
        if not self._quiet and self.session is not None and self.entry is not None:
            self._news = ""
            self._measure(self.entry)

    # --- Measuring

    def _measure(self, entry: PhotoEntry) -> None:
        """Measure a photo in the background and show it, unless another one is asked for meanwhile."""
        session = self.session
        assert session is not None
        self._asked += 1
        if self.shown is None or self.shown.inspection.entry != entry:
            self.numbers.setEnabled(False)  # those of the photo before, until these are there

        def job() -> _Shown:
            shown = session.measure(entry)
            return shown, session.earlier(entry), drawing.findings_layers(shown.inspection, shown.said)

        self.work.do(job, partial(self._show, self._asked), name="measure")

    def _measure_unseen(self, entries: Iterable[PhotoEntry]) -> None:
        """Bring the wear log up to date with photos that are not shown."""
        session = self.session
        assert session is not None
        for entry in entries:
            self.work.do(
                partial(session.measure, entry), lambda _: self._mark_states(), name=f"unseen {entry.file}"
            )

    def _show(self, asked: int, result: _Shown) -> None:
        if asked != self._asked:
            return
        shown, of_flute, drawn = result
        found = shown.inspection
        another = self.shown is None or (
            (self.shown.inspection.entry, self.shown.inspection.photo_sha256)
            != (found.entry, found.photo_sha256)
        )
        if not another and self.in_hand:
            QTimer.singleShot(WAIT_MS, partial(self._show, asked, result))
            return
        rescaled = self.shown is not None and self.shown.um_per_px != shown.um_per_px
        self.shown = shown
        with self._quietly():
            if another:
                self._clear_layers()
                self._add_layers(shown, drawn)
            else:
                self._update_layers(shown, drawn)
            if another or rescaled:
                self.viewer.reset_view()
        self.numbers.show_photo(found, of_flute)
        self.numbers.setEnabled(True)
        self.strip.show_photo(found)
        self._mark_states()
        self._tell(self._news)
        self._over = None
        self._compare()
        self._buttons()

    @property
    def in_hand(self) -> bool:
        """Whether the person is at it with the mouse: what they hold must not be put right under their hand."""
        busy = (self._held, self._begun[0] if self._begun else None)
        return self.viewer.layers.selection.active in [layer for layer in busy if layer is not None]

    def _watch(self, layer: Any) -> None:
        """Notice when the person begins something on a layer, and when it is done."""
        layer.mouse_drag_callbacks.append(self._holding)
        layer.events.data.connect(partial(self._begins, layer))

    def _begins(self, layer: Any, event: Any) -> None:
        if not self._quiet and str(event.action.value) == "adding":
            self._begun = layer, len(layer.data)

    def _holding(self, layer: Any, event: Any) -> Iterator[None]:
        self._held = layer
        yield
        while event.type == "mouse_move":
            yield
        self._held = None

    def measure_all(self) -> None:
        """Measure every photo of the trial in the background, with progress and a way to stop."""
        from napari.qt.threading import create_worker

        session = self.session
        if session is None or self._measuring_all:
            return
        self._stop.clear()
        self._measuring_all = True
        self._buttons()
        self.progress.setRange(0, len(session.trial.photos))
        self.progress.setValue(0)
        self.progress.setVisible(True)
        told = _Told(self)
        told.done.connect(self.progress.setValue)

        def run() -> tuple[str, list[PhotoEntry]]:
            def progress(done: int, _of: int, _entry: PhotoEntry) -> None:
                told.done.emit(done)
                if self._stop.is_set() or worker.abort_requested:
                    raise _StoppedError

            try:
                rows = session.corrections_made()
                try:
                    result = session.measure_all(progress)
                    refused = len(result.refusals)
                    line = (
                        f"{len(result.photos) - refused} measured, {refused} refused; {result.measurements}"
                    )
                except _StoppedError:
                    line = "stopped; what was finished is kept"
                # a run works with the corrections that held when it began
                return line, session.corrected_after(rows)
            except WearscopeError as problem:
                return str(problem), []

        worker = create_worker(run, _start_thread=False)
        worker.returned.connect(lambda done: self._all_done(session, *done))
        worker.errored.connect(
            lambda error: self._all_done(session, f"the program failed ({error}); please report this", [])
        )
        worker.start()

    def _all_done(self, session: Session, line: str, late: list[PhotoEntry]) -> None:
        self._measuring_all = False
        self.progress.setVisible(False)
        self._buttons()
        self._tell(line)
        if session is not self.session:
            return
        self.list_photos()
        self._measure_unseen(late)
        if self.entry is not None:
            self._measure(self.entry)

    # --- Layers

    def _clear_layers(self) -> None:
        for layer in [layer for layer in self.viewer.layers if drawing.PART in layer.metadata]:
            self.viewer.layers.remove(layer)
        self.layers = {}

    def _add_layers(self, shown: Measured, drawn: list[drawing.Drawn]) -> None:
        if shown.photo is None:
            return
        for one in [drawing.photo_layer(shown.photo.pixels, shown.photo.full_scale), *drawn]:
            self._add(one)
        for part in drawing.BY_HAND & self.layers.keys():
            self._watch(self.layers[part])
            self.layers[part].events.data.connect(partial(self._edited, part))
        self._ready_edge()
        if "transition" in self.layers:
            self.layers["transition"].mode = "select"
        self.viewer.layers.selection.active = self.layers.get("transition", self.layers["edge"])
        self.viewer.canvas.overlays.scale_bar.visible = shown.um_per_px is not None

    def _add(self, one: drawing.Drawn) -> Any:
        assert self.shown is not None
        add = {
            "image": self.viewer.add_image,
            "labels": self.viewer.add_labels,
            "points": self.viewer.add_points,
            "shapes": self.viewer.add_shapes,
        }[one.kind]
        place = drawing.on_scale(self.shown.um_per_px)
        data = one.data
        if one.kind == "labels" and self.shown.photo is not None and data.shape == (1, 1):
            data = np.zeros(self.shown.photo.pixels.shape[:2], np.uint8)
        located = dict(one.located)
        if one.kind == "shapes" and not len(data):
            data = None
            located = {key: value for key, value in located.items() if not isinstance(value, list)} | {
                "ndim": 2
            }
            located.pop("shape_type")
        layer = add(data, name=one.name, metadata={drawing.PART: one.part}, **located, **place)
        self.layers[one.part] = layer
        return layer

    def _update_layers(self, shown: Measured, drawn: list[drawing.Drawn]) -> None:
        place = drawing.on_scale(shown.um_per_px)
        for one in drawn:
            layer = self.layers.get(one.part)
            if layer is None or layer not in self.viewer.layers:  # the person has deleted it
                continue
            if drawing.shows(layer, one):
                continue
            if one.kind == "shapes":
                layer.selected_data = set(range(layer.nshapes))
                layer.remove_selected()
                if len(one.data):
                    located = {k: v for k, v in one.located.items() if k != "opacity"}
                    layer.add(one.data, **located)
                    layer.selected_data = set()
            elif one.kind == "labels":
                same = one.data.shape == layer.data.shape
                layer.data = one.data if same else np.zeros_like(layer.data)
            else:
                layer.data = one.data
        self._ready_edge()
        for layer in self.layers.values():
            if layer in self.viewer.layers and tuple(layer.scale) != place["scale"]:
                layer.scale, layer.units = place["scale"], place["units"]
        self.viewer.canvas.overlays.scale_bar.visible = shown.um_per_px is not None

    def _ready_edge(self) -> None:
        """Have the points of the edge line ready to be dragged: napari lets go of what is not selected."""
        edge = self.layers.get("edge")
        if edge is not None and edge in self.viewer.layers and edge.nshapes:
            edge.mode = "direct"
            edge.selected_data = {0}

    @contextmanager
    def _quietly(self) -> Iterator[None]:
        """What changes now is not the person's doing."""
        before, self._quiet = self._quiet, True
        try:
            yield
        finally:
            self._quiet = before

    # --- Corrections

    def _edited(self, part: str, event: Any) -> None:
        """The person has drawn, dragged or deleted something; napari tells when it is finished."""
        if (
            self._quiet
            or self.shown is None
            or str(event.action.value) not in ("added", "changed", "removed")
        ):
            return
        layer, action = self.layers[part], str(event.action.value)
        begun, self._begun = self._begun, None
        if action == "added":
            # drawing is done: back to dragging, once napari has finished with the shape
            QTimer.singleShot(0, partial(self._back_to_dragging, part))
            if begun is not None and len(layer.data) <= begun[1]:
                self.say("that was too small to be anything; hold the button down and drag")
                return
        try:
            if part == "transition":
                points = from_napari(layer.data)
                self.correct(transition_px=points[-1] if points else None)
            elif part == "ignored":
                polygons = [from_napari(polygon) for polygon in layer.data]
                self.correct(ignored_px=tuple(p for p in polygons if len(set(p)) >= 3))
            elif not len(layer.data):
                self.correct(edge=None)
            else:
                line = np.array(from_napari(layer.data[-1]))
                few = line[np.unique(np.linspace(0, len(line) - 1, MOST_POINTS).round().astype(int))]
                self.correct(edge=_drawn(few, self._tool_beside(few)))
        except WearscopeError as problem:
            self.say(str(problem))

    def _back_to_dragging(self, part: str) -> None:
        layer = self.layers.get(part)
        if layer is not None and layer in self.viewer.layers:
            layer.mode = "select" if part != "edge" else "direct"

    def _tool_beside(self, points: drawing.Array) -> Side | None:
        """On which side of a polyline the tool lies, as far as is known."""
        assert self.shown is not None
        said, placing = self.shown.said.edge, self.shown.inspection.on_photo
        if placing is not None:
            return "right" if (points[-1] - points[0]) @ placing.located.line.direction > 0 else "left"
        return said.tool if said is not None else None

    def correct(self, of: Measured | None = None, **said: Any) -> None:
        """Save what the person says of a photo, by default of the one shown, and measure it again."""
        session, shown = self.session, of or self.shown
        if session is None or shown is None or not shown.inspection.photo_sha256:
            return
        entry, sha256 = shown.inspection.entry, shown.inspection.photo_sha256
        self._news = ""
        self.work.do(partial(session.correct, entry, sha256, **said), lambda _: self._said("saved"))
        self._measure_again(entry)

    def _measure_again(self, entry: PhotoEntry) -> None:
        """Measure a photo after a correction, and those whose numbers rest on it."""
        assert self.session is not None
        if entry == self.entry:
            self._measure(entry)
        else:  # the person has gone on meanwhile
            self._measure_unseen([entry])
        self._measure_unseen(self.session.resting_on(entry))

    def turn_tool(self) -> None:
        """Say that the tool lies on the other side of the edge line."""
        if self.shown is None:
            return
        points = drawing.edge_handles(self.shown.inspection, self.shown.said)
        if len(points) < 2:
            self.say("draw the edge line first; then it can be turned")
            return
        side: Side = "left" if self._tool_beside(points) == "right" else "right"
        self.correct(edge=_drawn(points, side))

    def swap_sides(self) -> None:
        """Say that the other side of the transition is the used one."""
        arrow = self._used_arrow()
        if arrow is None:
            self.say("set the transition first; then its two sides can be swapped")
            return
        self.correct(used_towards_px=(arrow[1], arrow[0]))

    def _used_arrow(self) -> tuple[Any, Any] | None:
        """From unused to used, as it is taken now."""
        if self.shown is None:
            return None
        if self.shown.said.used_towards_px is not None:
            return self.shown.said.used_towards_px
        found = self.shown.inspection
        if found.on_photo is None:
            return None
        s_um = found.on_photo.located.strip.s_um
        ends = found.on_photo.located.places_px(s_um[[0, -1]], np.zeros(2)).tolist()
        used = 1
        if found.now is not None and found.now.transition_um is not None:
            of_used = s_um[found.now.zone == USED]
            used = 1 if len(of_used) and of_used.mean() > found.now.transition_um else -1
        return (tuple(ends[0]), tuple(ends[1])) if used > 0 else (tuple(ends[1]), tuple(ends[0]))

    def undo(self) -> None:
        """Take back the last correction of this session, else the last one ever made of this photo."""
        shown = self.shown
        self._step(lambda session: session.undo(shown), "taken back")

    def redo(self) -> None:
        """Make the correction taken back last again."""
        self._step(lambda session: session.redo(), "made again")

    def _step(self, turn: Callable[[Session], PhotoEntry | None], word: str) -> None:
        session = self.session
        if session is None:
            return
        self._news = ""

        def then(entry: PhotoEntry | None) -> None:
            if entry is None:
                self._tell("there is nothing to take back or make again")
                return
            if entry != self.entry:
                self.choose(entry)
            self._said(word)
            self._measure_unseen(session.resting_on(entry))

        self.work.do(lambda: turn(session), then)
        if self.entry is not None:  # also if it failed, for someone else has said something then
            self._measure(self.entry)

    def _forget(self, index: int) -> None:
        """Let the program decide again what was said by hand."""
        kinds = (None, "edge", "transition_px", "used_towards_px", "ignored_px", "scale")
        kind = kinds[index]
        self.clear.setCurrentIndex(0)
        if kind is not None:
            self.correct(**{kind: getattr(NOTHING, kind)})

    # --- Drawing tools

    def _draw(self, part: str, mode: str) -> None:
        """Give the person the tool to draw with."""
        shown = self.shown
        if shown is None or shown.photo is None:
            self.say("open a trial and choose a photo first")
            return
        if any(
            layer not in self.viewer.layers for layer in self.layers.values()
        ):  # deleted, by mistake or not
            with self._quietly():
                self._clear_layers()
                self._add_layers(shown, drawing.findings_layers(shown.inspection, shown.said))
        if part == "ruler":
            field, what = {
                "add_line": (self.distance, "distance of the two points"),
                "add_rectangle": (self.pitch, "pitch of the graticule"),
            }[mode]
            if not field.value():
                field.setFocus()
                self.say(f"give the {what} in µm first")
                return
            if part not in self.layers:
                located = {
                    "shape_type": "line",
                    "edge_color": "cyan",
                    "edge_width": 1.5,
                    "face_color": "transparent",
                }
                with self._quietly():
                    ruler = self._add(drawing.Drawn("ruler", "ruler", "shapes", [], located))
                self._watch(ruler)
                ruler.events.data.connect(self._ruled)
        layer = self.layers[part]
        self.viewer.layers.selection.active = layer
        layer.mode = mode

    def _ruled(self, event: Any) -> None:
        """A line between two points, or a box over a graticule, was drawn."""
        if self._quiet or self.shown is None or str(event.action.value) != "added":
            return
        self._begun = None
        ruler, shown = self.layers["ruler"], self.shown
        corners, kind = np.array(from_napari(ruler.data[-1])), str(ruler.shape_type[-1])
        QTimer.singleShot(0, self._tidy_ruler)
        if kind == "line":
            try:
                self.correct(scale=scale_between(tuple(corners[0]), tuple(corners[1]), self.distance.value()))
            except WearscopeError as problem:
                self.say(str(problem))
            return
        photo, pitch_um = shown.photo, self.pitch.value()
        assert photo is not None
        (left, top), (right, bottom) = np.round(corners.min(axis=0)), np.round(corners.max(axis=0))
        rows, columns = slice(max(int(top), 0), int(bottom)), slice(max(int(left), 0), int(right))
        part = photo.pixels[rows, columns]
        if min(part.shape[:2]) < LEAST_BOX_PX:
            self.say("the box is too small; drag it over as many lines of the graticule as the photo shows")
            return

        def read() -> HandScale:
            found = scale_from_graticule(photo.linear(rows, columns), pitch_um, file=photo.path.name)
            return HandScale(
                found.um_per_px, found.u_um_per_px, f"a graticule of {pitch_um:g} µm, boxed by hand"
            )

        self.work.do(read, lambda scale: self.correct(of=shown, scale=scale))

    def _tidy_ruler(self) -> None:
        ruler = self.layers.get("ruler")
        if ruler is not None and ruler in self.viewer.layers:
            with self._quietly():
                ruler.mode = "pan_zoom"
                self.viewer.layers.remove(ruler)
                del self.layers["ruler"]

    # --- New state over now

    def _compare(self, *_checked: object) -> None:
        wanted = self.over.isChecked() or self.blink.isChecked()
        if not wanted or self.shown is None:
            self._blink.stop()
            self._drop_over()
            return
        if self._over is None:
            found = self.shown.inspection
            self.work.do(lambda: drawing.new_on_now(found), partial(self._have_over, found), name="compare")
        else:
            self._draw_over()

    def _have_over(self, found: Any, pixels: np.ndarray | None) -> None:
        if self.shown is None or self.shown.inspection is not found:
            return
        if pixels is None:
            self.say("there is no new-state photo that lies over this one")
            return
        self._over = pixels
        self._draw_over()

    def _draw_over(self) -> None:
        if self._over is None or not (self.over.isChecked() or self.blink.isChecked()):
            return
        blinking = self.blink.isChecked()
        width = self._over.shape[1]
        shown = self._over if blinking else self._over[:, : max(2, round(width * self.swipe.value() / 100))]
        layer = self.layers.get("over")
        if layer is None or layer not in self.viewer.layers:
            active = self.viewer.layers.selection.active
            layer = self._add(drawing.Drawn("over", "new state, laid over", "image", shown, {"rgb": True}))
            self.viewer.layers.move(self.viewer.layers.index(layer), 1)
            self.viewer.layers.selection.active = active
        else:
            layer.data = shown
        layer.visible = True
        if blinking:
            self._blink.start()
        else:
            self._blink.stop()

    def _swiped(self, _value: int) -> None:
        if not self.blink.isChecked():
            self._draw_over()

    def _blinked(self) -> None:
        layer = self.layers.get("over")
        if layer is not None and layer in self.viewer.layers:
            layer.visible = not layer.visible

    def _drop_over(self) -> None:
        layer = self.layers.pop("over", None)
        if layer is not None and layer in self.viewer.layers:
            self.viewer.layers.remove(layer)

    # --- Words

    def say(self, line: str) -> None:
        """Say something under the numbers."""
        self.status.setText(line)

    def _tell(self, news: str) -> None:
        """Say what became of the last thing done, and how the photo shown stands."""
        self._news = news
        lines = [news]
        if self.shown is not None:
            found, said = self.shown.inspection, not self.shown.said.empty
            by = f"; corrected by {self.shown.history[-1].by}" if said else ""
            measured = f"{found.entry.file}: measured in {self.shown.seconds:.2f} s{by}"
            lines += [self.shown.not_kept, found.refusal or measured, *found.warnings]
        self.say("\n".join(filter(None, lines)))

    def _said(self, word: str) -> None:
        assert self.session is not None
        self._buttons()
        self._tell(f"{word} {datetime.now():%H:%M:%S}, by {self.session.who}")

    def _who_changed(self) -> None:
        if self.session is not None and self.who.text().strip():
            self.session.who = self.who.text().strip()

    def _buttons(self) -> None:
        session, shown = self.session, self.shown
        self.undo_button.setEnabled(
            session is not None and (session.undoable or (shown is not None and shown.undoable))
        )
        self.redo_button.setEnabled(session is not None and session.redoable)
        self.all.setEnabled(session is not None and not self._measuring_all)
        self.stop.setEnabled(self._measuring_all)
        for button in self.for_faces:  # a section has no transition, and nothing in it is left out
            button.setEnabled(shown is None or shown.inspection.entry.view != "profile")

    # --- Closing

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

    def _below(self) -> tuple[tuple[str, QWidget], ...]:
        return (STRIP, self.strip), (NUMBERS, self.numbers)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 - Qt's name
        """Finish saving before the window goes; the person may yet decide to stay. Keys pressed in the list."""
        if watched is self.list and event.type() == QEvent.Type.KeyPress:
            return self._pressed(event)
        if event.type() == QEvent.Type.Close and watched is self._window():
            self._stop.set()
            self.work.flush()
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
        self._stop.set()
        self._asked += 1
        self.work.close()
        for key in KEYS:
            self.viewer.bind_key(key, None)
        with suppress(RuntimeError, LookupError):  # with the window, Qt's own parts are gone
            self._blink.stop()
            self.capture.finish()
            docked = list(self.viewer.window.dock_widgets.values())
            for _, widget in self._below():
                if widget in docked:
                    self.viewer.window.remove_dock_widget(widget)


class _Told(QObject):
    """Carries the number of photos done to the GUI thread."""

    done = Signal(int)


class _StoppedError(Exception):
    """The person has stopped it."""


def _length(tip: str) -> QDoubleSpinBox:
    """A length to be given in µm; none is assumed, for a scale would silently follow from it."""
    field = QDoubleSpinBox()
    field.setRange(0.0, 100_000.0)
    field.setDecimals(1)
    field.setSuffix(" µm")
    field.setSpecialValueText("give µm")
    field.setToolTip(tip)
    return field


def _drawn(points_px: drawing.Array, tool: Side | None) -> DrawnEdge:
    return DrawnEdge(tuple((column, row) for column, row in points_px.tolist()), tool)


def _button(text: str, act: Callable[[], Any], tip: str) -> QPushButton:
    button = QPushButton(text)
    button.setToolTip(tip)
    button.clicked.connect(lambda _checked=False: act())
    return button


def _mark(item: QListWidgetItem, state: PhotoState) -> None:
    item.setText(_line(state))
    item.setToolTip(state.why or state.entry.file)
    item.setForeground(QColor(STATE_COLOURS[state.state]))


def _line(state: PhotoState) -> str:
    return f"{state.state}:  {photo_text(state.entry)}"
