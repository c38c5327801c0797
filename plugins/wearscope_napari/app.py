"""The bench as a program of its own: ``wearscope view``."""

from __future__ import annotations

from pathlib import Path

from wearscope_napari.binding import choose_binding


def view(trial_file: Path, out_dir: Path | None = None) -> None:
    """Open a trial in a new window; comes back when the window is closed.

    Raises
    ------
    WearscopeError
        There is no Qt binding that it was tried with.
    """
    choose_binding()
    import napari

    from wearscope_napari.contributions import open_bench

    viewer = napari.Viewer(title="wearscope")
    bench = open_bench(viewer)
    assert bench is not None
    bench.open_trial(trial_file, out_dir)
    napari.run()
