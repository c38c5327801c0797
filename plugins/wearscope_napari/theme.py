"""The window's theme for the plots beside the photo, and how well ink stands out from it. Knows no Qt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.colors import to_hex, to_rgb

LEAST_CONTRAST = 4.5  # of text: WCAG 2.2, success criterion 1.4.3
LEAST_OF_LINES = 3.0  # of what is no text: WCAG 2.2, success criterion 1.4.11


@dataclass(frozen=True)
class Theme:
    """Colours of the window.

    Attributes
    ----------
    paper, ink : str
        Background and text.
    field : str
        Background of lists and of fields to type in.
    """

    paper: str = "#ffffff"
    ink: str = "#161616"
    field: str = "#ffffff"

    def line(self, colour: str, least: float = LEAST_OF_LINES) -> str:
        """A colour, brought towards the ink as far as it takes to stand out from the paper."""
        for share in np.linspace(0.0, 1.0, 21):
            mixed = (1.0 - share) * np.array(to_rgb(colour)) + share * np.array(to_rgb(self.ink))
            if contrast(to_hex(mixed), self.paper) >= least:
                return str(to_hex(mixed))
        return self.ink

    @property
    def faint(self) -> str:
        """Ink for what is only a hint: as faint as can still be read on the paper of any field."""
        for share in np.linspace(0.45, 0.0, 10):
            mixed = (1.0 - share) * np.array(to_rgb(self.ink)) + share * np.array(to_rgb(self.field))
            if contrast(to_hex(mixed), self.field) >= LEAST_CONTRAST:
                return str(to_hex(mixed))
        return self.ink

    def of_plots(self) -> Any:
        """Settings of matplotlib in these colours."""
        inked = ("text.color", "axes.labelcolor", "axes.edgecolor", "xtick.color", "ytick.color")
        return {"axes.facecolor": self.paper, "legend.labelcolor": self.ink} | dict.fromkeys(inked, self.ink)


def contrast(one: str, other: str) -> float:
    """Contrast of two colours, from 1 for the same to 21 for black on white.

    Notes
    -----
    WCAG 2.2, "contrast ratio": (L1 + 0.05) / (L2 + 0.05) of the relative luminances of sRGB.
    """
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    coded = np.array(to_rgb(colour))
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))
