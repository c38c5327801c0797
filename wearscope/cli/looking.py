"""The commands view and info."""

from __future__ import annotations

from dataclasses import asdict

import typer

from wearscope.cli.common import (
    OK,
    REFUSED,
    CommandLineError,
    JsonOption,
    LogOption,
    TrialArgument,
    load,
    print_json,
)
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


def info(as_json: JsonOption = False) -> None:
    """Try what works on this computer, say what to install for the rest, and the versions that a bug report needs."""
    import platform
    import sqlite3
    from importlib.metadata import PackageNotFoundError, version

    from wearscope.cli.self_check import self_check

    versions = {
        "wearscope": __version__,
        "python": f"{platform.python_version()}, {platform.platform()}",
        "sqlite": sqlite3.sqlite_version,
    }
    for name in _LIBRARIES:
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            versions[name] = "not installed"
    checks = list(self_check())
    if as_json:
        print_json({"checks": [asdict(one) for one in checks], "versions": versions})
    else:
        for one in checks:
            state = "works" if one.works else "BROKEN" if one.needed else "absent"
            say(f"{state:7} {one.part}: {one.says}")
        say()
        for name, number in versions.items():
            say(f"{name} {number}")
    raise typer.Exit(OK if all(one.works for one in checks if one.needed) else REFUSED)


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
    "psycopg",
    "imagecodecs",
    "av",
    "pyarrow",
    "typer",
    "rich",
    "napari",
    "PyQt6",
    "distributed",
)
