"""A person at the bench. The viewer's tests need napari and a display; .ci/run has both and skips none of them."""

from __future__ import annotations

import os
import sys
import time

import pytest

napari = pytest.importorskip("napari", reason="the viewer extra is not installed")
pytest.importorskip("pytestqt", reason="pytest-qt is not installed")
if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
    pytest.skip("no display: run under xvfb-run", allow_module_level=True)

from qtpy.QtWidgets import QApplication  # noqa: E402


class Hands:
    """A person at the bench: waits for it, and drives it as a person would."""

    def __init__(self, bench):
        self.bench = bench

    def wait(self, until, seconds=60.0):
        end = time.monotonic() + seconds
        while not until():
            QApplication.processEvents()
            time.sleep(0.005)
            assert time.monotonic() < end, self.bench.status.text()

    def idle(self):
        self.wait(lambda: self.bench.work._waiting == 0 and not self.bench._measuring_all)
        for _ in range(5):
            QApplication.processEvents()

    def open(self, folder, parts=None):
        assert self.bench.open_trial(folder), self.bench.status.text()
        if parts is not None:
            self.choose(parts)
        self.idle()
        return self.bench.shown

    def choose(self, parts):
        photos = self.bench.session.trial.photos
        self.bench.choose(next(photo for photo in photos if photo.parts == parts))
        self.idle()
        assert self.bench.shown.inspection.entry.parts == parts

    def press(self, key):
        """Press a key while the picture has the focus."""
        from napari.utils.key_bindings import coerce_keybinding

        self.bench.viewer.keymap[coerce_keybinding(key)](self.bench.viewer)
        self.idle()

    def drag(self, part, *places_px):
        """Press, move and release the mouse on one of the bench's layers; places are (column, row)."""
        from napari.utils._test_utils import read_only_mouse_event  # private: here and nowhere else
        from napari.utils.interactions import (
            mouse_move_callbacks,
            mouse_press_callbacks,
            mouse_release_callbacks,
        )

        layer = self.bench.layers[part]
        self.bench.viewer.layers.selection.active = layer
        kinds = ["mouse_press", *["mouse_move"] * (len(places_px) - 1), "mouse_release"]
        calls = {
            "mouse_press": mouse_press_callbacks,
            "mouse_move": mouse_move_callbacks,
            "mouse_release": mouse_release_callbacks,
        }
        for kind, (column, row) in zip(kinds, [*places_px, places_px[-1]], strict=True):
            event = read_only_mouse_event(
                type=kind,
                is_dragging=kind == "mouse_move",
                position=layer.data_to_world((row, column)),
                pos=(column, row),
                view_direction=None,
                up_direction=None,
                dims_displayed=[0, 1],
            )
            calls[kind](layer, event)
        self.idle()
