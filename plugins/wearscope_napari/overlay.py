"""The new-state photo laid over the one shown, part of it or blinking."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QObject, QTimer

from wearscope.pipeline.inspection import Inspection
from wearscope.report import words
from wearscope_napari import layers as drawing
from wearscope_napari.photo_layers import PhotoLayers
from wearscope_napari.state import BenchState, Showing

BLINK_MS = 600
NEW = "new state"


class Overlay(QObject):
    """Keeps one layer of the new-state photo as the state wants it.

    Parameters
    ----------
    state : BenchState
    on_photo : PhotoLayers
    parent : QObject
    """

    def __init__(self, state: BenchState, on_photo: PhotoLayers, parent: QObject) -> None:
        super().__init__(parent)
        self.state, self.on_photo = state, on_photo
        self._pixels: NDArray[np.uint8] | None = None
        self._now = ""
        self.blink = QTimer(self)
        self.blink.setInterval(BLINK_MS)
        self.blink.timeout.connect(self._blinked)
        state.laid_over.connect(self._lay)
        state.pictured.connect(self._take_away)
        state.showing.connect(self._begin_anew)

    def _take_away(self, _photo: object) -> None:
        """It belongs to the photo before, or is not wanted any more."""
        self.blink.stop()
        self.on_photo.remove("over")
        self._label("")

    def _begin_anew(self, showing: Showing) -> None:
        self._pixels = None
        if showing.another:
            self._take_away(showing)
        self._lay()

    def _label(self, text: str) -> None:
        """Say on the photo which part of it is which."""
        label = self.on_photo.viewer.canvas.overlays.text
        label.text, label.visible, label.position, label.font_size = text, bool(text), "top_left", 12

    def _lay(self) -> None:
        state = self.state
        if not state.over.wanted or state.shown is None:
            self._take_away(None)
            return
        if self._pixels is None:
            found = state.shown.inspection
            state.work.do(lambda: drawing.new_on_now(found), partial(self._have, found), name="compare")
        else:
            self._draw(self._pixels)

    def _have(self, found: Inspection, pixels: NDArray[np.uint8] | None) -> None:
        if self.state.shown is None or self.state.shown.inspection is not found:
            return
        if pixels is None:
            self.state.say("there is no new-state photo that lies over this one")
            return
        self._pixels = pixels
        self._draw(pixels)

    def _draw(self, pixels: NDArray[np.uint8]) -> None:
        over = self.state.over
        if not over.wanted:
            return
        width = pixels.shape[1]
        shown = pixels if over.blinking else pixels[:, : max(2, round(width * over.share))]
        layer, layers = self.on_photo.there("over"), self.on_photo.viewer.layers
        if layer is None:
            active = layers.selection.active
            layer = self.on_photo.add(
                drawing.Drawn("over", "new state, laid over", "image", shown, {"rgb": True})
            )
            layers.move(layers.index(layer), 1)
            layers.selection.active = active
        else:
            layer.data = shown
        layer.visible = True
        assert self.state.shown is not None
        self._now = f"now: {words.parts_text(self.state.shown.inspection.entry.parts)}"
        self._label(NEW if over.blinking else f"left {NEW}, right {self._now}")
        if over.blinking:
            self.blink.start()
        else:
            self.blink.stop()

    def _blinked(self) -> None:
        layer = self.on_photo.there("over")
        if layer is not None:
            layer.visible = not layer.visible
            self._label(NEW if layer.visible else self._now)
