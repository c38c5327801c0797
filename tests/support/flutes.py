"""The flute on the small trial, new and worn."""

from __future__ import annotations

from pictures import CARD, Flute

NEW = Flute(background=CARD)
WORN = NEW.worn(transition_um=120.0)
