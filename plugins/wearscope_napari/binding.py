"""Which Qt binding the window runs on. Imports none."""

from __future__ import annotations

import os
import sys
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec

from wearscope.errors import WearscopeError

TRIED = ("PyQt6", "PySide6")
"""Bindings that the viewer's tests have been run with."""

OTHERS = ("PyQt5", "PySide2")
"""Bindings that there are besides; older than the Qt that napari needs."""

MISCOUNTS = (6, 12)
"""First PySide6 that gives None and True away without counting them: each signal takes one count of True, each widget
asked for a parent that it has not one of None, until a Python before 3.12 ends the program. Counted with 6.12.0 on
Python 3.11; 6.10 and 6.11 count right. From 3.12 on Python itself counts neither."""

_NAMES = " and ".join(TRIED)


def choose_binding() -> None:
    """Have a program of our own run on a binding that was tried, even if another one is installed beside it.

    Raises
    ------
    WearscopeError
        There is none, or another one was asked for.
    """
    asked = os.environ.get("QT_API", "")
    if asked:
        name = next((one for one in TRIED + OTHERS if one.casefold() == asked.casefold()), asked)
        require_tried(name)
        if name not in sys.modules and not find_spec(name):
            raise WearscopeError(
                f"QT_API asks for {name}, which is not installed; the viewer has been tried with {_NAMES} alone",
                f"install it (pip install {name}), or unset QT_API",
            )
        return
    loaded = [name for name in TRIED + OTHERS if name in sys.modules]
    there = loaded or [name for name in TRIED + OTHERS if find_spec(name)]
    require_tried(there[0] if there else "")
    os.environ["QT_API"] = there[0].casefold()  # or an older one that is installed too would be taken


def require_tried(name: str) -> None:
    """Make sure that a binding is one of those tried.

    Parameters
    ----------
    name : str
        "" for none.

    Raises
    ------
    WearscopeError
        It is not, or it would end the program on this Python; in one line with the cure.
    """
    if name in TRIED:
        _require_counting(name)
        return
    what = f"the Qt binding in use is {name}" if name else "no Qt binding is installed"
    raise WearscopeError(
        f"{what}; the viewer has been tried with {_NAMES} alone",
        f"install one of them (pip install {TRIED[0]})"
        + (", and unset QT_API" if os.environ.get("QT_API") else ""),
    )


def _require_counting(name: str) -> None:
    if name != "PySide6" or sys.version_info >= (3, 12):
        return
    try:
        of_binding = version("shiboken6")  # PySide6 comes in one piece or in several, always with this one
    except PackageNotFoundError:
        return  # not installed by pip: whoever made it knows for which Python
    if tuple(map(int, of_binding.split(".")[:2])) >= MISCOUNTS:
        limit = ".".join(map(str, MISCOUNTS))
        python = ".".join(map(str, sys.version_info[:2]))
        raise WearscopeError(
            f"PySide6 {of_binding} ends the program all at once on Python {python}",
            f'install an older one (pip install "PySide6<{limit}"), or {TRIED[0]}, or use Python 3.12 or newer',
        )
