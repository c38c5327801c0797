"""What napari asks for by the manifest: commands, a reader, sample data."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from wearscope.files import TRIAL_BYTES, read_file
from wearscope.imaging.photo import read_photo
from wearscope.samples import copy_sample_trial
from wearscope.trial import load_trial
from wearscope_napari.binding import require_tried
from wearscope_napari.layers import PART, on_scale, photo_layer

if TYPE_CHECKING:
    import napari

    from wearscope_napari.bench import WearBench

LayerData = tuple[Any, dict[str, Any], str]
PANEL = "Wear bench"


def choose_trial() -> None:
    """Ask for a trial, and open it on the bench."""
    if (bench := open_bench()) is not None:
        bench.ask_for_trial()


def measure_all() -> None:
    """Measure every photo of the trial on the bench."""
    if (bench := open_bench()) is not None:
        bench.run.measure_all()


def take_photos() -> None:
    """Show the camera's page of the bench."""
    if (bench := open_bench()) is not None:
        bench.pages.setCurrentWidget(bench.live)


def get_reader(path: str | Sequence[str]) -> Callable[[str | Sequence[str]], list[LayerData]] | None:
    """Reader for a trial file, a folder with a trial, or single photos; None for what is neither."""
    paths = [Path(one) for one in ([path] if isinstance(path, str) else path)]
    if len(paths) == 1 and _is_trial(paths[0]):
        return _read_trial
    if any(one.is_dir() or one.suffix.casefold() == ".toml" for one in paths):
        return None
    return _read_photos


def _is_trial(path: Path) -> bool:
    if path.is_dir():
        return (path / "trial.toml").is_file()
    if path.suffix.casefold() != ".toml":
        return False
    try:
        text = read_file(path, TRIAL_BYTES).decode("utf-8-sig", errors="replace")
    except OSError:
        return False
    return "[trial]" in text


def _read_trial(path: str | Sequence[str]) -> list[LayerData]:
    """Open the trial on the bench; without a window its first photo is all there is to show."""
    one = Path(path if isinstance(path, str) else path[0])
    trial = load_trial(one, photos_to_come=True)  # a mistake in it is said as an error
    bench = open_bench()
    if (bench is not None and bench.open_trial(trial.path)) or not trial.photos:
        return [(None,)]  # type: ignore[list-item]  # napari's way to say: no layer, all is well
    return [_layer_data(trial.photos[0].path)]


def _read_photos(path: str | Sequence[str]) -> list[LayerData]:
    return [_layer_data(Path(one)) for one in ([path] if isinstance(path, str) else path)]


def _layer_data(path: Path) -> LayerData:
    """A photo as it is in its file, upright, on the scale that the file states, if any.

    Raises
    ------
    PhotoRefused
        The file is no photo.
    """
    photo = read_photo(path)
    embedded = photo.embedded_um_per_px
    drawn = photo_layer(photo.pixels, photo.full_scale)
    located = drawn.located | on_scale(embedded[0] if embedded else None) | {"name": path.name}
    return drawn.data, located | {"metadata": {"photo_sha256": photo.sha256}}, "image"


def sample_trial() -> list[LayerData]:
    """A copy of the sample trial in a new folder, opened on the bench; its first photo as a layer."""
    folder = Path(tempfile.mkdtemp(prefix="wearscope-sample-"))
    trial = load_trial(copy_sample_trial(folder))
    data, located, kind = _layer_data(trial.photos[-1].path)
    bench = open_bench()
    if bench is not None:
        located["metadata"][PART] = "sample"  # the bench takes it away when it shows the first photo
        bench.open_trial(trial.path)
    return [(data, located, kind)]


def open_bench(viewer: napari.viewer.Viewer | None = None) -> WearBench | None:
    """The bench of a viewer, opened if it is not there yet; None where there is no window."""
    import napari

    viewer = viewer or napari.current_viewer()
    if viewer is None or getattr(viewer, "window", None) is None:
        return None
    from qtpy import API_NAME

    require_tried(API_NAME)
    # the one that the menu opens and closes, or there would be two
    _, bench = viewer.window.add_plugin_dock_widget("wearscope", PANEL)
    return cast("WearBench", bench)
