"""The one owner of the layers that the bench draws."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtCore import QObject, Signal

from wearscope.live.guide import Ghost, Look
from wearscope.report.style import VERMILION
from wearscope_napari import layers as drawing
from wearscope_napari.coordinates import to_napari
from wearscope_napari.session import Measured
from wearscope_napari.state import BenchState, Showing

if TYPE_CHECKING:
    import napari


LIVE = frozenset({"live", "live edge", "ghost", "ghost marks"})
PASSING = frozenset({"over", "ruler", "place"}) | LIVE
"""Layers that belong to what the person is just doing."""

PLACE = drawing.Drawn(
    "place",
    "place pointed at",
    "points",
    np.empty((0, 2)),
    {"symbol": "cross", "size": 26, "face_color": VERMILION},
)


class PhotoLayers(QObject):
    """Adds, renews and removes the bench's layers, and tells what the person does to them.

    Parameters
    ----------
    viewer : napari.viewer.Viewer
    state : BenchState
    parent : QObject
    """

    pointed = Signal(float)  # a place along the edge, in µm, that the person has clicked on
    edited = Signal(str, object, object)  # part, napari's event, and what the layer held when it was begun

    def __init__(self, viewer: napari.viewer.Viewer, state: BenchState, parent: QObject) -> None:
        super().__init__(parent)
        self.viewer, self.state = viewer, state
        self.layers: dict[str, Any] = {}
        self._quiet = False
        self._held: Any = None  # the layer on which the mouse button is down
        self._begun: tuple[Any, int] | None = None  # the layer being drawn on, and what it had
        state.in_hand = self.in_hand
        self._faded: list[
            tuple[Any, float]
        ] = []  # layers not seen until the photo is measured; their opacity
        state.opened.connect(self._put_aside)
        state.pictured.connect(self._picture)
        state.showing.connect(self._show)
        state.withdrawn.connect(self._withdrawn)
        state.frame_seen.connect(self.show_live)
        state.camera_gone.connect(self.hide_live)
        viewer.mouse_drag_callbacks.append(self._clicked)

    def in_hand(self) -> bool:
        """Whether the person is at it with the mouse: what they hold must not be put right under their hand."""
        busy = (self._held, self._begun[0] if self._begun else None)
        return self.viewer.layers.selection.active in [layer for layer in busy if layer is not None]

    def there(self, part: str) -> Any:
        """The layer of a part, or None if there is none or the person has deleted it."""
        layer = self.layers.get(part)
        return layer if layer is not None and layer in self.viewer.layers else None

    @contextmanager
    def quietly(self) -> Iterator[None]:
        """What changes now is not the person's doing."""
        before, self._quiet = self._quiet, True
        try:
            yield
        finally:
            self._quiet = before

    # --- What is drawn

    def _show(self, showing: Showing) -> None:
        with self.quietly():
            if showing.another and not self._exchange(showing.measured, showing.drawn):
                self.renew(showing.measured, showing.drawn)
            elif not showing.another:
                self._update(showing.measured, showing.drawn)
            if showing.another or showing.rescaled:
                self.viewer.reset_view()

    def _picture(self, photo: drawing.Drawn) -> None:
        """Show a photo by itself, before anything is known of it."""
        if self.there("photo") is None:
            return  # the first one comes with all the rest
        with self.quietly():
            self.layers["photo"].data = photo.data
            self._unfade()
            self._fade(self.layers.keys() - PASSING - {"photo"})

    def _put_aside(self) -> None:
        """Let nothing be seen of the trial before; its layers are for the first photo of this one."""
        session = self.state.session
        with self.quietly():
            if session is None or not session.trial.photos or self.there("photo") is None or self.in_hand():
                self.clear()
                return
            for part in PASSING:
                self.remove(part)
            self._unfade()
            self._fade(self.layers.keys())

    def _fade(self, parts: Iterable[str]) -> None:
        for layer in filter(None, map(self.there, parts)):
            self._faded.append((layer, layer.opacity))
            layer.opacity = 0.0  # to hide it, or take its shapes away, takes napari much longer
        self.viewer.canvas.overlays.scale_bar.visible = False  # it may have another scale

    def _unfade(self) -> None:
        faded, self._faded = self._faded, []
        for layer, opacity in faded:
            layer.opacity = opacity

    def _exchange(self, shown: Measured, drawn: list[drawing.Drawn]) -> bool:
        """Have the layers show another photo; False where others are needed, or one is under the person's hand.

        To remove and add a layer takes napari many times as long as to give it other data.
        """
        wanted = {one.part for one in drawn}
        mine = {part for part in self.layers if self.there(part) is not None} - PASSING
        if not drawn or mine != wanted or self.in_hand():
            return False
        for part in ("ruler", "place"):
            self.remove(part)
        self._begun = self._held = None
        self._update(shown, drawn)
        self._unfade()
        self._take_up()
        return True

    def _withdrawn(self) -> None:
        with self.quietly():
            self.clear()

    def clear(self) -> None:
        """Remove all layers that are the bench's own."""
        for layer in [layer for layer in self.viewer.layers if drawing.PART in layer.metadata]:
            self.viewer.layers.remove(layer)
        self.layers, self._faded = {}, []

    def renew(self, shown: Measured, drawn: list[drawing.Drawn]) -> None:
        """Draw a photo and what was found on it afresh."""
        with self.quietly():
            self.clear()
            if not drawn:
                return
            for one in drawn:
                self.add(one)
            for part in drawing.BY_HAND & self.layers.keys():
                self.watch(part)
            self._take_up()
            self.viewer.canvas.overlays.scale_bar.visible = shown.um_per_px is not None

    def _take_up(self) -> None:
        """Have what is dragged most ready to be dragged."""
        self._ready_edge()
        if "transition" in self.layers:
            self.layers["transition"].mode = "select"
        self.viewer.layers.selection.active = self.layers.get("transition", self.layers["edge"])

    def add(self, one: drawing.Drawn) -> Any:
        """Add one layer to the photo that is shown."""
        shown = self.state.shown
        assert shown is not None
        add = {
            "image": self.viewer.add_image,
            "labels": self.viewer.add_labels,
            "points": self.viewer.add_points,
            "shapes": self.viewer.add_shapes,
        }[one.kind]
        place = drawing.on_scale(shown.um_per_px)
        data = one.data
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

    def _add(self, one: drawing.Drawn, place: dict[str, Any]) -> Any:
        add = self.viewer.add_image if one.kind == "image" else self.viewer.add_points
        return add(one.data, name=one.name, metadata={drawing.PART: one.part}, **one.located, **place)

    def remove(self, part: str) -> None:
        """Remove one layer, if it is there."""
        layer = self.there(part)
        self.layers.pop(part, None)
        if layer is not None:
            self.viewer.layers.remove(layer)

    def _update(self, shown: Measured, drawn: list[drawing.Drawn]) -> None:
        place = drawing.on_scale(shown.um_per_px)
        for one in drawn:
            layer = self.there(one.part)
            if layer is None or drawing.shows(layer, one):
                continue
            if one.kind == "shapes":
                layer.selected_data = set(range(layer.nshapes))
                layer.remove_selected()
                if len(one.data):
                    located = {k: v for k, v in one.located.items() if k != "opacity"}
                    layer.add(one.data, **located)
                    layer.selected_data = set()
            else:
                layer.data = one.data
        self._ready_edge()
        for layer in self.layers.values():
            if layer in self.viewer.layers and tuple(layer.scale) != place["scale"]:
                layer.scale, layer.units = place["scale"], place["units"]
        self.viewer.canvas.overlays.scale_bar.visible = shown.um_per_px is not None

    def _ready_edge(self) -> None:
        """Have the points of the edge line ready to be dragged: napari lets go of what is not selected."""
        edge = self.there("edge")
        if edge is not None and edge.nshapes:
            edge.mode = "direct"
            edge.selected_data = {0}

    # --- The live picture

    def show_live(self, look: Look, ghost: Ghost) -> None:
        """Show a frame, the edge as found, and where it and its grinding marks lay in the new-state photo."""
        with self.quietly():
            if self.there("live") is None:
                active = self.viewer.layers.selection.active
                for one in drawing.live_layers(look.frame.pixels):
                    shown = self.state.shown  # one unit for all, or napari heeds none
                    scale = drawing.on_scale(None if shown is None else shown.um_per_px)
                    self.layers[one.part] = self._add(one, scale)
                self.viewer.layers.selection.active = active
                self.viewer.reset_view()
            for part, data in (
                ("live", look.frame.pixels),
                ("live edge", to_napari(look.edge_px)),
                ("ghost", to_napari(ghost.edge_px)),
                ("ghost marks", to_napari(ghost.marks_px)),
            ):
                if (layer := self.there(part)) is None:
                    continue
                if part in ("live", "live edge") or not np.array_equal(layer.data, data):
                    layer.data = data  # the ghost stays as it is from frame to frame
                layer.visible = True

    def hide_live(self) -> None:
        """Let the live picture be seen no longer; to remove its layers would take longer."""
        with self.quietly():
            for layer in filter(None, map(self.there, sorted(LIVE))):
                layer.visible = False
            self.viewer.reset_view()

    # --- Places on the edge

    def mark_place(self, s_um: float) -> None:
        """Mark a place along the edge, and bring it into view."""
        shown = self.state.shown
        if shown is None or shown.inspection.on_photo is None or shown.inspection.now is None:
            return
        view = shown.inspection.now
        depth_um = np.interp([s_um], view.strip.s_um, np.nan_to_num(view.silhouette_um))
        place = to_napari(shown.inspection.on_photo.places_px(np.array([s_um]), depth_um))
        with self.quietly():
            active = self.viewer.layers.selection.active
            layer = self.there("place") or self.add(PLACE)
            layer.data = place
            self.viewer.layers.selection.active = active

    def forget_viewer(self) -> None:
        """Listen to clicks no longer."""
        if self._clicked in self.viewer.mouse_drag_callbacks:
            self.viewer.mouse_drag_callbacks.remove(self._clicked)

    def _clicked(self, _viewer: Any, event: Any) -> Iterator[None]:
        """Tell of a click on the photo that was no drag."""
        yield
        moved = False
        while event.type == "mouse_move":
            moved = True
            yield
        shown = self.state.shown
        if moved or shown is None or shown.inspection.on_photo is None or shown.inspection.now is None:
            return
        row, column = (value / scale for value, scale in zip(event.position[-2:], self._scale(), strict=True))
        s_um, _ = shown.inspection.on_photo.on_strip((float(column), float(row)))
        self.mark_place(s_um)
        self.pointed.emit(s_um)

    def _scale(self) -> tuple[float, float]:
        shown = self.state.shown
        scale = None if shown is None else drawing.on_scale(shown.um_per_px)["scale"]
        return scale or (1.0, 1.0)

    # --- What the person does

    def watch(self, part: str) -> None:
        """Notice when the person begins something on a layer, and tell when it is done."""
        layer = self.layers[part]
        layer.mouse_drag_callbacks.append(self._holding)
        layer.events.data.connect(partial(self._changed, part, layer))

    def _changed(self, part: str, layer: Any, event: Any) -> None:
        if self._quiet or self.state.shown is None:
            return
        action = str(event.action.value)
        if action == "adding":
            self._begun = layer, len(layer.data)
        elif action in ("added", "changed", "removed"):
            begun, self._begun = self._begun, None
            self.edited.emit(part, action, begun and begun[1])

    def _holding(self, layer: Any, event: Any) -> Iterator[None]:
        self._held = layer
        yield
        while event.type == "mouse_move":
            yield
        self._held = None
