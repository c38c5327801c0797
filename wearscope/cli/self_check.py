"""What of wearscope works on this computer, and what to install for the rest."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path

_PIP = "run, in the folder of wearscope: .venv/bin/pip install -c requirements-tested.txt -e '.[{extra}]'"
_AGAIN = "install wearscope again, from its wheel"
_QT = ("PyQt6", "PySide6", "PyQt5", "PySide2")
_QT_LIBRARIES = {
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libEGL.so.1": "libegl1",
}


@dataclass(frozen=True)
class Checked:
    """Whether one part works.

    Attributes
    ----------
    part : str
    works : bool
    needed : bool
        Nothing is measured without it.
    says : str
        What was found; where it does not work, what to do.
    """

    part: str
    works: bool
    needed: bool
    says: str


class _NotHereError(Exception):
    """A part that does not work, and the cure."""


def self_check() -> Iterator[Checked]:
    """Try each part; nothing is left behind.

    Yields
    ------
    Checked
    """
    for part, needed, check in _PARTS:
        try:
            yield Checked(part, True, needed, check())
        except _NotHereError as absent:
            yield Checked(part, False, needed, str(absent))
        except Exception as error:  # whatever a damaged installation does
            said = " ".join(str(error).split())[:150]
            cure = _AGAIN if needed else "install again what it needs"
            yield Checked(part, False, needed, f"fails ({type(error).__name__}: {said}); {cure}")


def _photos() -> str:
    import io

    import cv2
    import numpy as np
    import tifffile

    from wearscope.imaging.photo import photo_of

    picture = np.full((64, 64, 3), 90, np.uint8)
    tiff = io.BytesIO()
    tifffile.imwrite(tiff, picture, photometric="rgb")
    kinds = {"TIFF": tiff.getvalue()}
    for kind, ending in (("JPEG", ".jpg"), ("PNG", ".png"), ("BMP", ".bmp"), ("WebP", ".webp")):
        kinds[kind] = cv2.imencode(ending, picture)[1].tobytes()
    for kind, content in kinds.items():
        if abs(int(photo_of(Path(kind), content).pixels.mean()) - 90) > 3:
            raise _NotHereError(f"{kind} pictures come out wrong; {_AGAIN}")
    return f"{', '.join(kinds)} are read"


def _edges() -> str:
    from wearscope.imaging import edge_map

    if not (Path(edge_map.__file__).parent / "edge_map.onnx").is_file():
        raise _NotHereError(f"the trained net is missing; {_AGAIN}")
    return "the trained net is there"


def _log() -> str:
    import sqlite3

    from wearscope.log.database import writing
    from wearscope.log.place import LOG_NAME, LogFile

    with tempfile.TemporaryDirectory() as folder:
        place = LogFile(Path(folder) / LOG_NAME)
        engine = place.engine()
        with writing(engine, place):
            pass
        engine.dispose()
    return f"a wear log can be written (SQLite {sqlite3.sqlite_version})"


def _fonts() -> str:
    import matplotlib
    from matplotlib.ft2font import FT2Font

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"):
        FT2Font(str(folder / name))
    return "sheets and reports have theirs"


def _sample() -> str:
    from wearscope.samples import sample_trial_folder

    return f"in {sample_trial_folder()}"


def _browser() -> str:
    import webbrowser

    try:
        webbrowser.get()
    except webbrowser.Error:
        raise _NotHereError(
            "none was found; open results/report.html on another computer, or read report.pdf"
        ) from None
    return "one is there, for results/report.html"


def _extra(module: str, extra: str, what: str) -> Callable[[], str]:
    def check() -> str:
        if find_spec(module) is None:
            raise _NotHereError(f"{what}: not installed; {_PIP.format(extra=extra)}")
        import_module(module)
        return what

    return check


def _viewer() -> str:
    binding = next((name for name in _QT if find_spec(name)), None)
    if binding is None or not find_spec("napari"):
        raise _NotHereError(f"not installed; {_PIP.format(extra='viewer')}")
    if sys.platform == "linux":
        from ctypes import CDLL

        absent = []
        for library, package in _QT_LIBRARIES.items():
            try:
                CDLL(library)
            except OSError:
                absent.append(package)
        if absent:
            raise _NotHereError(
                f"Qt lacks libraries; on Debian or Ubuntu: sudo apt install {' '.join(absent)}"
            )
        if not os.environ.get("DISPLAY") and not os.environ.get("WAYLAND_DISPLAY"):
            raise _NotHereError("installed, but there is no screen here; everything else works without one")
    import_module(f"{binding}.QtWidgets")
    return "wearscope view opens"


def _camera() -> str:
    import cv2

    otherwise = "or have the bench watch the folder that your microscope's own program saves into"
    if not cv2.videoio_registry.getCameraBackends():
        raise _NotHereError(f"OpenCV was built without cameras; install opencv-python-headless, {otherwise}")
    if sys.platform != "linux":
        return "one can be opened, if it is connected"
    devices = sorted(Path("/dev").glob("video*"))
    if not devices:
        raise _NotHereError(f"none is connected; connect one, {otherwise}")
    if not any(os.access(device, os.R_OK | os.W_OK) for device in devices):
        raise _NotHereError('you may not use it; run sudo usermod -aG video "$USER", and log in again')
    return f"connected: {', '.join(map(str, devices))}"


def _packed_tiff() -> str:
    if find_spec("imagecodecs") is None:
        raise _NotHereError(
            "the rarer compressions of TIFF need imagecodecs; run: .venv/bin/pip install imagecodecs"
        )
    return "the rarer compressions of TIFF are read"


_PARTS: tuple[tuple[str, bool, Callable[[], str]], ...] = (
    ("photos", True, _photos),
    ("edges", True, _edges),
    ("wear log", True, _log),
    ("fonts", True, _fonts),
    ("sample trial", False, _sample),
    ("browser", False, _browser),
    ("viewer", False, _viewer),
    ("camera", False, _camera),
    ("PostgreSQL", False, _extra("psycopg", "postgres", "a wear log that several rooms write to")),
    ("packed TIFF", False, _packed_tiff),
    ("recordings", False, _extra("av", "recordings", "M4A, MP3 and others; WAV is read anyway")),
    ("Parquet", False, _extra("pyarrow", "parquet", "export --parquet")),
    ("cluster", False, _extra("distributed", "cluster", "measuring on several computers")),
)
