"""The quantities that are measured: what each is called, its unit, its zones, its place among the others."""

from __future__ import annotations

from typing import Literal

Zone = Literal["used", "unused", "difference", "whole"]
Status = Literal["ok", "below_detection", "doubtful", "refused"]

OF_THE_PHOTO = frozenset(
    {"transition_x_px", "transition_y_px", "used_length", "sharpness", "registration_residual"}
)
"""Quantities that say how a photo was taken, not how worn the flute is."""
