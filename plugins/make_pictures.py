"""Make the pictures of the viewer that the README shows: needs the viewer extra and a display (xvfb-run will do)."""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import napari
import numpy as np
from qtpy.QtWidgets import QApplication, QTabWidget
from wearscope_napari.bench import WearBench
from wearscope_napari.contributions import open_bench

from wearscope.samples import copy_sample_trial

PICTURES = Path(__file__).parent / "pictures"
SIZE = (1700, 960)


def main() -> None:
    """Open the sample trial, look at three things, and save what is to be seen."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        trial_file = copy_sample_trial(Path(folder) / "demo")
        viewer = napari.Viewer()
        viewer.window.resize(*SIZE)
        bench = open_bench(viewer)
        assert bench is not None
        bench.who.setText("Ada")
        bench.open_trial(trial_file)
        for parts in (0, 150, 300):
            show(bench, f"photos/plover-{parts:03}-1.jpg")
        show(bench, "photos/plover-150-2.jpg")  # out of focus
        show(bench, "photos/plover-300-1.jpg")
        bench.photos.list_photos()
        bench.title.setText(bench.title.text().replace(folder, "…"))  # no path of this machine
        bench.state.say("photos/plover-300-1.jpg: measured")
        zoom_to_transition(bench, 0.45)
        save(viewer, bench, "bench.jpg")

        column, row = bench.on_photo.layers["transition"].data[0][::-1]
        bench.state.correct(transition_px=(float(column) + 45.0, float(row)))
        wait(bench)
        wait_for(
            lambda: bench.state.shown is not None and bench.state.shown.said.transition_px is not None, bench
        )
        found = bench.state.shown.inspection
        corner = np.array(found.on_photo.places_px(PATCH[0] + found.now.transition_um, PATCH[1]))
        bench.state.correct(ignored_px=(tuple(map(tuple, corner.tolist())),))
        wait(bench)
        bench.state.say("saved, by Ada; measured again")
        zoom_to_transition(bench, 0.7)
        save(viewer, bench, "correcting.jpg")

        (tools,) = (tabs for tabs in bench.findChildren(QTabWidget) if tabs.count() == 4)
        tools.setCurrentIndex(1)
        bench.compare.over.setChecked(True)
        wait_for(lambda: "over" in bench.on_photo.layers, bench)
        bench.viewer.layers["coating lost"].visible = False
        bench.state.say("left half: new; right half: after 300 parts")
        zoom_to_transition(bench, 0.9)
        save(viewer, bench, "new-over-now.jpg")
        viewer.close()


PATCH = (
    np.array([-620.0, -450.0, -450.0, -620.0]),
    np.array([-70.0, -70.0, 90.0, 90.0]),
)  # from the transition, µm


def show(bench: WearBench, file: str) -> None:
    """Choose a photo and wait for its numbers."""
    assert bench.state.session is not None
    entry = next(photo for photo in bench.state.session.trial.photos if photo.file == file)
    bench.state.choose(entry)
    wait_for(lambda: bench.state.shown is not None and bench.state.shown.inspection.entry == entry, bench)


def zoom_to_transition(bench: WearBench, share: float) -> None:
    """Show `share` times as many photo pixels as the canvas has, around the transition."""
    layer = bench.on_photo.layers["transition"]
    row, column = layer.data_to_world(layer.data[0])
    bench.viewer.scene.camera.center = (0.0, row, column)
    bench.viewer.scene.camera.zoom = 1.0 / (share * layer.scale[0])


def wait(bench: WearBench) -> None:
    """Wait until nothing is being measured."""
    wait_for(lambda: bench.run.busy.isHidden(), bench)


def wait_for(until: Callable[[], bool], bench: WearBench, seconds: float = 120.0) -> None:
    """Let the window work until something is so."""
    end = time.monotonic() + seconds
    while not until():
        QApplication.processEvents()
        time.sleep(0.01)
        if time.monotonic() > end:
            sys.exit(f"waited too long; the bench says: {bench.status.text()}")


def save(viewer: napari.Viewer, bench: WearBench, name: str) -> None:
    """Save what the whole window shows."""
    end = time.monotonic() + 1.5  # plots are drawn when the window is idle
    wait_for(lambda: time.monotonic() > end, bench)
    shown = viewer.window.screenshot(canvas_only=False, flash=False)
    cv2.imwrite(str(PICTURES / name), shown[..., 2::-1], [cv2.IMWRITE_JPEG_QUALITY, 88])


if __name__ == "__main__":
    main()
