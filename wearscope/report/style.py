"""The look that all sheets share: sizes in pixels, colours, and how each line is drawn."""

from __future__ import annotations

from wearscope.light.strip import UNUSED, USED

WIDTH = 1600
LEFT, RIGHT = 64, 1536
HEADLINE, LEAD, TITLE, BODY, SMALL = 60.0, 39.0, 35.0, 30.0, 28.0

INK = "#161616"
GREY = "#4d4d4d"
RULE = "#b5b5b5"
PAPER = "#ffffff"
HALO = "#ffffff"
NOT_SEEN = "#ececec"
# Colours that readers with the common kinds of colour blindness tell apart too.
ORANGE = "#E69F00"
SKY = "#A8D8F4"  # pale, so that it is lighter than the orange in grey too
BLUE = "#0072B2"
GREEN = "#009E73"
VERMILION = "#D55E00"

# Colour and dashes together: either alone is enough.
EDGE_NOW: tuple[str, tuple[float, ...] | None] = (INK, None)
EDGE_NEW: tuple[str, tuple[float, ...] | None] = (BLUE, (11.0, 7.0))
COATING_GONE: tuple[str, tuple[float, ...] | None] = (VERMILION, (4.0, 4.0))
LAND: tuple[str, tuple[float, ...] | None] = (GREEN, (14.0, 4.0, 3.0, 4.0))
ZONE_MEAN: tuple[str, tuple[float, ...] | None] = (VERMILION, (18.0, 6.0))
TICK_DASHES = (6.0, 4.0)
ZONES = {USED: ("used", ORANGE), UNUSED: ("unused", SKY)}
