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

    def wait(self, until, seconds=240.0):  # ends what hangs; on a busy machine a photo takes a minute
        """Let the window work until something is so; fails with what the bench says if that takes too long."""
        end = time.monotonic() + seconds
        while not until():
            QApplication.processEvents()
            time.sleep(0.005)
            if time.monotonic() > end:
                said = " | ".join(
                    filter(
                        None,
                        (
                            self.bench.status.text(),
                            self.bench.live.way.text(),
                            self.bench.live.last.text(),
                            self.bench.capture.verdict.text(),
                        ),
                    )
                )
                pytest.fail(f"waited for {seconds:.0f} s in vain; the bench says: {said}")

    def idle(self):
        self.wait(lambda: self.bench.state.work._waiting == 0 and not self.bench.run.measuring)
        for _ in range(5):
            QApplication.processEvents()

    def open(self, folder, parts=None):
        assert self.bench.open_trial(folder), self.bench.status.text()
        if parts is not None:
            self.choose(parts)
        self.idle()
        return self.bench.state.shown

    def choose(self, parts):
        photos = self.bench.state.session.trial.photos
        self.bench.state.choose(next(photo for photo in photos if photo.parts == parts))
        self.idle()
        assert self.bench.state.shown.inspection.entry.parts == parts

    def press(self, key):
        """Press a key while the picture has the focus."""
        from napari.utils.key_bindings import coerce_keybinding

        self.bench.viewer.keymap[coerce_keybinding(key)](self.bench.viewer)
        self.idle()

    def type_key(self, widget, key, modifier=None):
        """Press a key while a widget has the focus."""
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        QTest.keyClick(widget, key, modifier or Qt.KeyboardModifier.NoModifier)
        self.idle()

    def drag(self, part, *places_px):
        """Press, move and release the mouse on one of the bench's layers; places are (column, row)."""
        self.hold(part, *places_px)
        self.let_go(part, places_px[-1])
        self.idle()

    def hold(self, part, *places_px):
        """Press at the first place and move on to the others; the button stays down."""
        self.bench.viewer.layers.selection.active = self.bench.on_photo.layers[part]
        for kind, place in zip(
            ["mouse_press", *["mouse_move"] * (len(places_px) - 1)], places_px, strict=True
        ):
            self._mouse(kind, part, place)

    def let_go(self, part, place_px):
        """Release the button."""
        self._mouse("mouse_release", part, place_px)

    def _mouse(self, kind, part, place_px):
        from napari.utils import interactions  # private: here and nowhere else
        from napari.utils._test_utils import read_only_mouse_event

        layer = self.bench.on_photo.layers[part]
        column, row = place_px
        event = read_only_mouse_event(
            type=kind,
            is_dragging=kind == "mouse_move",
            position=layer.data_to_world((row, column)),
            pos=(column, row),
            view_direction=None,
            up_direction=None,
            dims_displayed=[0, 1],
        )
        getattr(interactions, f"{kind}_callbacks")(layer, event)
