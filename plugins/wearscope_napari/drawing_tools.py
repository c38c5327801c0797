"""What the person draws on the photo, as corrections."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
from qtpy.QtCore import QObject, QTimer

from wearscope.errors import WearscopeError
from wearscope.imaging.calibration.scale import scale_from_graticule
from wearscope.trial.correction import HandScale, scale_between
from wearscope_napari import layers as drawing
from wearscope_napari.coordinates import from_napari
from wearscope_napari.photo_layers import PhotoLayers
from wearscope_napari.state import BenchState

MOST_POINTS = 40  # of an edge drawn free-hand
LEAST_BOX_PX = 20  # of a graticule
RULER = drawing.Drawn(
    "ruler",
    "ruler",
    "shapes",
    [],
    {"shape_type": "line", "edge_color": "cyan", "edge_width": 1.5, "face_color": "transparent"},
)


class DrawingTools(QObject):
    """Gives the person the tool that a panel asks for, and saves what was drawn.

    Parameters
    ----------
    state : BenchState
    on_photo : PhotoLayers
    parent : QObject
    """

    def __init__(self, state: BenchState, on_photo: PhotoLayers, parent: QObject) -> None:
        super().__init__(parent)
        self.state, self.on_photo = state, on_photo
        state.tool_wanted.connect(self._take_up)
        on_photo.edited.connect(self._edited)

    def _take_up(self, part: str, mode: str) -> None:
        """Give the person the tool to draw with."""
        shown, mine = self.state.shown, self.on_photo
        assert shown is not None
        if any(mine.there(one) is None for one in mine.layers):  # deleted, by mistake or not
            mine.renew(shown, drawing.all_layers(shown.inspection, shown.said, shown.photo))
        if part == RULER.part and part not in mine.layers:
            with mine.quietly():
                mine.add(RULER)
            mine.watch(part)
        layer = mine.layers[part]
        mine.viewer.layers.selection.active = layer
        layer.mode = mode

    def _edited(self, part: str, action: str, begun: int | None) -> None:
        """The person has drawn, dragged or deleted something; napari tells when it is finished."""
        layer = self.on_photo.layers[part]
        if part == RULER.part:
            if action == "added":
                self._ruled(layer)
            return
        if action == "added":
            # drawing is done: back to dragging, once napari has finished with the shape
            QTimer.singleShot(0, partial(self._back_to_dragging, part))
            if begun is not None and len(layer.data) <= begun:
                self.state.say("that was too small to be anything; hold the button down and drag")
                return
        try:
            self.state.correct(**self._meant(part, layer))
        except WearscopeError as problem:
            self.state.say(str(problem))

    def _meant(self, part: str, layer: Any) -> dict[str, Any]:
        """What a layer now says of the photo, as fields of a `Correction`."""
        if part == "transition":
            points = from_napari(layer.data)
            return {"transition_px": points[-1] if points else None}
        if part == "ignored":
            polygons = [from_napari(polygon) for polygon in layer.data]
            return {"ignored_px": tuple(p for p in polygons if len(set(p)) >= 3)}
        if not len(layer.data):
            return {"edge": None}
        line = np.array(from_napari(layer.data[-1]))
        few = line[np.unique(np.linspace(0, len(line) - 1, MOST_POINTS).round().astype(int))]
        shown = self.state.shown
        assert shown is not None
        return {"edge": drawing.drawn_edge(few, drawing.tool_beside(shown.inspection, shown.said, few))}

    def _back_to_dragging(self, part: str) -> None:
        layer = self.on_photo.there(part)
        if layer is not None:
            layer.mode = "select" if part != "edge" else "direct"

    def _ruled(self, ruler: Any) -> None:
        """A line between two points, or a box over a graticule, was drawn."""
        corners, kind = np.array(from_napari(ruler.data[-1])), str(ruler.shape_type[-1])
        QTimer.singleShot(0, self._tidy_ruler)
        if kind == "line":
            try:
                scale = scale_between(tuple(corners[0]), tuple(corners[1]), self.state.distance_um)
                self.state.correct(scale=scale)
            except WearscopeError as problem:
                self.state.say(str(problem))
            return
        self._read_graticule(corners)

    def _read_graticule(self, corners: drawing.Array) -> None:
        """Read the scale from the lines inside a box."""
        shown, pitch_um = self.state.shown, self.state.pitch_um
        assert shown is not None
        photo = shown.photo
        assert photo is not None
        (left, top), (right, bottom) = np.round(corners.min(axis=0)), np.round(corners.max(axis=0))
        rows, columns = slice(max(int(top), 0), int(bottom)), slice(max(int(left), 0), int(right))
        if min(photo.pixels[rows, columns].shape[:2]) < LEAST_BOX_PX:
            self.state.say(
                "the box is too small; drag it over as many lines of the graticule as the photo shows"
            )
            return

        def read() -> HandScale:
            found = scale_from_graticule(photo.linear(rows, columns), pitch_um, file=photo.path.name)
            return HandScale(
                found.um_per_px, found.u_um_per_px, f"a graticule of {pitch_um:g} µm, boxed by hand"
            )

        self.state.work.do(read, lambda scale: self.state.correct(of=shown, scale=scale))

    def _tidy_ruler(self) -> None:
        ruler = self.on_photo.there(RULER.part)
        if ruler is not None:
            with self.on_photo.quietly():
                ruler.mode = "pan_zoom"
                self.on_photo.remove(RULER.part)
