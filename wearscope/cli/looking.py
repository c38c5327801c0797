"""The commands view and info."""

from __future__ import annotations

from wearscope.cli.common import CommandLineError, LogOption, TrialArgument, load
from wearscope.cli.terminal import say
from wearscope.version import __version__


def view(
    trial: TrialArgument = None,
    out: LogOption = None,
) -> None:
    """Look at the photos of a trial, and correct by hand what the program got wrong."""
    from importlib.util import find_spec

    if not find_spec("napari") or not any(map(find_spec, ("PyQt6", "PySide6", "PyQt5", "PySide2"))):
        raise CommandLineError(
            "the viewer is not installed",
            "install it, in the folder of wearscope: .venv/bin/pip install -c requirements-tested.txt -e '.[viewer]'",
        )
    loaded = load(trial, photos_to_come=True)
    from wearscope_napari.app import view as open_viewer

    open_viewer(loaded.path, out)


def info() -> None:
    """Print the versions that a bug report needs."""
    import platform
    import sqlite3
    from importlib.metadata import PackageNotFoundError, version

    say(f"wearscope {__version__}")
    say(f"python {platform.python_version()}, {platform.platform()}")
    say(f"sqlite {sqlite3.sqlite_version}")
    for name in _LIBRARIES:
        try:
            say(f"{name} {version(name)}")
        except PackageNotFoundError:
            say(f"{name} not installed")


_LIBRARIES = (
    "numpy",
    "scipy",
    "opencv-python-headless",
    "scikit-image",
    "tifffile",
    "pydantic",
    "SQLAlchemy",
    "matplotlib",
    "jinja2",
    "fpdf2",
    "plotly",
    "XlsxWriter",
    "pyarrow",
    "typer",
    "rich",
    "napari",
    "PyQt6",
    "distributed",
)
