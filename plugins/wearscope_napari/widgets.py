"""Widgets that several panels use."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from qtpy.QtWidgets import QDoubleSpinBox, QPushButton


def length_field(tip: str) -> QDoubleSpinBox:
    """A length to be given in µm; none is assumed, for a scale would silently follow from it."""
    field = QDoubleSpinBox()
    field.setRange(0.0, 100_000.0)
    field.setDecimals(1)
    field.setSuffix(" µm")
    field.setSpecialValueText("give µm")
    field.setToolTip(tip)
    return field


def button(text: str, act: Callable[[], Any], tip: str) -> QPushButton:
    """A button that does one thing."""
    made = QPushButton(text)
    made.setToolTip(tip)
    made.clicked.connect(lambda _checked=False: act())
    return made
