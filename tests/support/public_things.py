"""What of wearscope others may use: its modules, and their functions, classes and methods without an underscore."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from pathlib import Path

import wearscope

MODULES = sorted(
    name
    for _, name, _ in pkgutil.walk_packages([str(Path(wearscope.__file__).parent)], "wearscope.")
    if "sample_images" not in name
)


def public_things():
    """Each with its dotted name."""
    for name in MODULES:
        module = importlib.import_module(name)
        yield name, module
        for label, thing in vars(module).items():
            if label.startswith("_") or getattr(thing, "__module__", None) != name:
                continue
            if inspect.isfunction(thing) or inspect.isclass(thing):
                yield f"{name}.{label}", thing
            if inspect.isclass(thing):
                for method, what in vars(thing).items():
                    plain = what.fget if isinstance(what, property) else getattr(what, "__func__", what)
                    if not method.startswith("_") and inspect.isfunction(plain):
                        yield f"{name}.{label}.{method}", plain
