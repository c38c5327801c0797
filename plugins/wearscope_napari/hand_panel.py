"""The tools to put right what is wrong with a photo."""

from __future__ import annotations

from functools import partial

from qtpy.QtWidgets import QComboBox, QDoubleSpinBox, QGridLayout, QLabel, QWidget

from wearscope.quantities.views import VIEWS
from wearscope.trial.correction import NOTHING
from wearscope_napari import layers as drawing
from wearscope_napari.state import BenchState
from wearscope_napari.widgets import button, length_field
from wearscope_napari.window_words import DRAW, SET, SIDE, SWAP

FORGOTTEN = {
    "edge line": "edge",
    "transition": "transition_px",
    "used side": "used_towards_px",
    "left out": "ignored_px",
    "scale": "scale",
}
"""What the program can be asked to decide again, and the fields of a correction that say it."""


class HandPanel(QWidget):
    """Buttons that give a tool or say something of the photo shown.

    Parameters
    ----------
    state : BenchState
    """

    def __init__(self, state: BenchState) -> None:
        super().__init__()
        self.state = state
        self.distance = length_field("distance of the two points")
        self.pitch = length_field("pitch: from one line of the graticule to the next")
        self.distance.valueChanged.connect(partial(setattr, state, "distance_um"))
        self.pitch.valueChanged.connect(partial(setattr, state, "pitch_um"))
        self.undo_button = button("Take back", state.undo, "Ctrl+Z")
        self.redo_button = button("Make again", state.redo, "Ctrl+Shift+Z")
        self.clear = QComboBox()
        self.clear.setToolTip("let the program decide again")
        self.clear.addItems(["forget …", *FORGOTTEN])
        self.clear.activated.connect(self.forget)
        state.opened.connect(lambda: self.pitch.setValue(state.pitch_um))
        state.steps_changed.connect(self._enable)
        self._lay_out()

    def _lay_out(self) -> None:
        draw = partial(partial, self.draw)
        nudge = button("Nudge", draw("edge", "direct"), "drag the points of the edge line (Alt+N)")
        redraw = button(DRAW, draw("edge", "add_path"), "drag along the cutting edge (Alt+D)")
        turn = button(SIDE, self.turn_tool, "the tool lies on the other side of the edge line (Alt+O)")
        where = button(SET, draw("transition", "add"), "click where the used edge begins (Alt+S)")
        swap = button(SWAP, self.swap_sides, "the other side of the transition has cut (Alt+U)")
        paint = button(
            "Leave out a patch", draw("ignored", "add_polygon_lasso"), "drag round resin or glare (Alt+R)"
        )
        points = button(
            "Two points", draw("ruler", "add_line"), "give their distance, then drag between them (Alt+2)"
        )
        lines = button(
            "Graticule",
            draw("ruler", "add_rectangle"),
            "give its pitch, then drag a box over its lines (Alt+G)",
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
        grid = QGridLayout(self)
        grid.setVerticalSpacing(2)
        grid.setContentsMargins(4, 2, 4, 2)
        grid.setColumnStretch(1, 1)
        grid.setColumnStretch(2, 1)
        for n, (name, row) in enumerate(rows):
            grid.addWidget(QLabel(name), n, 0)
            for column, widget in enumerate(row):
                last = column == len(row) - 1
                grid.addWidget(widget, n, column + 1, 1, 3 - column if last else 1)

    def draw(self, part: str, mode: str) -> None:
        """Ask for the tool to draw with on a layer."""
        shown = self.state.shown
        if shown is None or shown.photo is None:
            self.state.say("open a trial and choose a photo first")
            return
        lengths: dict[str, tuple[QDoubleSpinBox, str]] = {
            "add_line": (self.distance, "distance of the two points"),
            "add_rectangle": (self.pitch, "pitch of the graticule"),
        }
        if part == "ruler" and not lengths[mode][0].value():
            field, what = lengths[mode]
            field.setFocus()
            self.state.say(f"give the {what} in µm first")
            return
        self.state.tool_wanted.emit(part, mode)

    def turn_tool(self) -> None:
        """Say that the tool lies on the other side of the edge line."""
        shown = self.state.shown
        if shown is None:
            return
        points = drawing.edge_handles(shown.inspection, shown.said)
        if len(points) < 2:
            self.state.say("draw the edge line first; then it can be turned")
            return
        now = drawing.tool_beside(shown.inspection, shown.said, points)
        self.state.correct(edge=drawing.drawn_edge(points, "left" if now == "right" else "right"))

    def swap_sides(self) -> None:
        """Say that the other side of the transition is the used one."""
        shown = self.state.shown
        arrow = None if shown is None else drawing.used_arrow(shown.inspection, shown.said)
        if arrow is None:
            self.state.say("set the transition first; then its two sides can be swapped")
            return
        self.state.correct(used_towards_px=(arrow[1], arrow[0]))

    def forget(self, index: int) -> None:
        """Let the program decide again what was said by hand."""
        self.clear.setCurrentIndex(0)
        if index > 0:
            kind = list(FORGOTTEN.values())[index - 1]
            self.state.correct(**{kind: getattr(NOTHING, kind)})

    def _enable(self) -> None:
        session, shown = self.state.session, self.state.shown
        self.undo_button.setEnabled(
            session is not None and (session.undoable or (shown is not None and shown.undoable))
        )
        self.redo_button.setEnabled(session is not None and session.redoable)
        for one in self.for_faces:  # elsewhere is no transition, and nothing is left out
            one.setEnabled(shown is None or VIEWS[shown.inspection.entry.view].shows_transition)
