"""Margins of the plots in the window."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure


@dataclass(frozen=True)
class Margins:
    """Room for the labels of a figure, in inches, however large it is.

    To fit margins to their labels at each drawing, as matplotlib can, takes longer than the drawing.
    """

    left_in: float = 0.75
    bottom_in: float = 0.42
    right_in: float = 0.12
    top_in: float = 0.1

    def keep(self, figure: Figure) -> None:
        """Give a figure these margins at its present size."""
        width_in, height_in = figure.get_size_inches()
        # in a window squeezed to nothing, something must remain to draw on
        figure.subplots_adjust(
            left=min(self.left_in / width_in, 0.4),
            bottom=min(self.bottom_in / height_in, 0.4),
            right=max(1.0 - self.right_in / width_in, 0.6),
            top=max(1.0 - self.top_in / height_in, 0.6),
        )

    def clear(self, figure: Figure) -> None:
        """Empty a figure, which takes its margins away with the rest."""
        figure.clear()
        self.keep(figure)
