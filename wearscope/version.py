"""The version, and nothing else: every part may ask for it."""

from __future__ import annotations

__version__ = "0.4.3"
