"""wearscope: wear of router-bit flutes, in microns, from microscope photographs."""

from __future__ import annotations

__version__ = "0.1.0"
