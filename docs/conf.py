"""How the documentation is built: ``sphinx-build -W -b html docs build/docs``."""

from __future__ import annotations

import os
import shutil
import sys
import sysconfig
import types
from pathlib import Path
from typing import Any

from wearscope.version import __version__

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "plugins"))
# the commands of the tutorial are those of this environment
os.environ["PATH"] = os.pathsep.join([sysconfig.get_path("scripts"), os.environ["PATH"]])
os.environ.update(COLUMNS="100", TERM="dumb", NO_COLOR="1")

# the tutorial starts in an empty folder each time
shutil.rmtree(ROOT / "build" / "tutorial", ignore_errors=True)
(ROOT / "build" / "tutorial").mkdir(parents=True)

project = "wearscope"
release = version = __version__
html_title = f"wearscope {version}"
extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "sphinx.ext.doctest",
    "sphinxcontrib.programoutput",
    "numpydoc",
]
html_theme = "furo"
myst_enable_extensions = ["colon_fence", "deflist"]
myst_heading_anchors = 3
nitpicky = False
exclude_patterns = ["_build"]
templates_path = ["templates"]
autosummary_generate = True
autodoc_typehints = "none"  # numpydoc's sections say them
numpydoc_show_class_members = False
programoutput_prompt_template = "$ {command}\n{output}"
doctest_global_setup = "import numpy as np"


def _is_alias(_app: Any, _what: str, _name: str, thing: Any, _skip: bool, _options: Any) -> bool | None:  # noqa: ANN401
    """Names of types, and what a module has from others, are no objects of its own."""
    elsewhere = isinstance(thing, type) and not thing.__module__.startswith("wearscope")
    return True if elsewhere or isinstance(thing, (types.GenericAlias, types.UnionType)) else None


def setup(app: Any) -> None:  # noqa: ANN401
    """Called by Sphinx."""
    app.connect("autodoc-skip-member", _is_alias)
