"""A page measured in pixels from its top left corner, and how it becomes a file."""

from __future__ import annotations

import io
import re
import secrets
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import numpy as np
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.patheffects import Normal, Stroke
from matplotlib.text import Text
from matplotlib.transforms import Bbox, TransformedBbox
from numpy.typing import NDArray

from wearscope.report.style import HALO, INK, PAPER

_UNIT_DPI = 72  # one typographic point is then one pixel, so sizes and line widths are pixels
_PRINT_DPI = 200
_TOGETHER = re.compile(r"(?<!±) (?!±|µm\b|mm\b|%)")  # a value keeps its interval and unit on its line


class Page:
    """A sheet of paper that grows downwards; every position and size on it is in pixels.

    Parameters
    ----------
    width : int
        Width in pixels.
    """

    def __init__(self, width: int) -> None:
        self.width = width
        self.figure = Figure(figsize=(width / _UNIT_DPI, 1), dpi=_UNIT_DPI, facecolor=PAPER)
        self._canvas = FigureCanvasAgg(self.figure)
        self._axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self._axes.set_axis_off()
        self._axes.set_xlim(0, width)
        self._drawn = 0

    def finish(self, height: float) -> Figure:
        """Cut the page to its final height.

        Parameters
        ----------
        height : float
            In pixels.

        Returns
        -------
        Figure
        """
        rows = round(height)
        self.figure.set_size_inches(self.width / _UNIT_DPI, rows / _UNIT_DPI)
        self._axes.set_ylim(rows, 0)
        return self.figure

    def _place(self, artist: Artist) -> None:
        """Put an artist over all that came before it."""
        self._drawn += 1
        artist.set_zorder(self._drawn)
        self._axes.add_artist(artist)

    # ---- text ----------------------------------------------------------------------------------

    def text_width(self, text: str, size: float, *, bold: bool = False) -> float:
        """Width of one line of text.

        Parameters
        ----------
        text : str
        size : float
            Font size in pixels.
        bold : bool

        Returns
        -------
        float
            In pixels.
        """
        renderer: RendererAgg = self._canvas.get_renderer()  # type: ignore[no-untyped-call]
        extent = renderer.get_text_width_height_descent(  # type: ignore[no-untyped-call]
            text, _font(size, bold), ismath=False
        )
        return float(extent[0])

    def wrap(
        self, text: str, size: float, width: float, *, bold: bool = False, most: int | None = None
    ) -> list[str]:
        """Break a text into lines that fit `width`.

        Parameters
        ----------
        text : str
        size, width : float
            In pixels.
        bold : bool
        most : int, optional
            Lines at most; what does not fit is replaced by an ellipsis.

        Returns
        -------
        list of str
        """
        lines = [""]
        words = _TOGETHER.split(" ".join(text.split()))
        while words:
            word = words.pop(0)
            trial = f"{lines[-1]} {word}".strip()
            if self.text_width(trial, size, bold=bold) <= width:
                lines[-1] = trial
            elif lines[-1]:
                lines.append("")
                words.insert(0, word)
            else:  # a single word wider than the line, such as a file name
                n = len(word) - 1
                while n > 1 and self.text_width(word[:n], size, bold=bold) > width:
                    n -= 1
                lines[-1] = word[:n]
                words.insert(0, word[n:])
                lines.append("")
        if most is not None and len(lines) > most:
            lines = [*lines[: most - 1], self.fit(" ".join(lines[most - 1 :]), size, width, bold=bold)]
        return lines

    def fit(self, text: str, size: float, width: float, *, bold: bool = False) -> str:
        """Shorten a text with an ellipsis until it fits `width`.

        Parameters
        ----------
        text : str
        size, width : float
            In pixels.
        bold : bool

        Returns
        -------
        str
        """
        if self.text_width(text, size, bold=bold) <= width:
            return text
        n = len(text)
        while n > 1 and self.text_width(text[:n].rstrip() + "…", size, bold=bold) > width:
            n -= 1
        return text[:n].rstrip(" ,;:") + "…"

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        bold: bool = False,
        colour: str = INK,
        align: Literal["left", "center", "right"] = "left",
        upright: bool = False,
    ) -> None:
        """Write one line.

        Parameters
        ----------
        x, y : float
            Anchor: `align` across, baseline down; the middle of the line if `upright`.
        text : str
            Taken as it is: no markup.
        size : float
            Font size in pixels.
        bold : bool
        colour : str
        align : {"left", "center", "right"}
        upright : bool
            Write from bottom to top.
        """
        if not text:
            return
        artist = Text(
            x,
            y,
            text,
            color=colour,
            fontproperties=_font(size, bold),
            horizontalalignment="center" if upright else align,
            verticalalignment="center" if upright else "baseline",
            rotation=90 if upright else 0,
            usetex=False,
            parse_math=False,
        )
        self._place(artist)

    # ---- shapes --------------------------------------------------------------------------------

    def line(
        self,
        x: Sequence[float] | NDArray[np.float64],
        y: Sequence[float] | NDArray[np.float64],
        *,
        colour: str = INK,
        width: float = 2.0,
        dashes: tuple[float, ...] | None = None,
        halo: float = 0.0,
        clip: tuple[float, float, float, float] | None = None,
    ) -> None:
        """Draw a line, broken at NaN.

        Parameters
        ----------
        x, y : sequence of float
        colour : str
        width : float
        dashes : tuple of float, optional
            On and off lengths.
        halo : float
            Width of the pale border on each side that lifts the line off dark ground.
        clip : tuple of (left, top, right, bottom), optional
            Nothing is drawn outside.
        """
        artist = Line2D(
            x,
            y,
            color=colour,
            linewidth=width,
            linestyle="-" if dashes is None else (0, tuple(d / width for d in dashes)),
            solid_capstyle="butt",
            dash_capstyle="butt",
            solid_joinstyle="round",
            marker="",
        )
        if halo:
            artist.set_path_effects([Stroke(linewidth=width + 2 * halo, foreground=HALO), Normal()])
        self._place(artist)
        if clip is not None:
            artist.set_clip_box(self._clip(clip))

    def box(
        self,
        left: float,
        top: float,
        right: float,
        bottom: float,
        *,
        fill: str | None = None,
        edge: str | None = None,
        width: float = 2.0,
        hatch: str | None = None,
        alpha: float | None = None,
    ) -> None:
        """Draw a rectangle.

        Parameters
        ----------
        left, top, right, bottom : float
        fill, edge : str, optional
            Colours; none is drawn where absent.
        width : float
            Of the edge.
        hatch : str, optional
            Matplotlib's hatch pattern, in the colour of the edge.
        alpha : float, optional
        """
        patch = Rectangle(
            (left, top),
            right - left,
            bottom - top,
            facecolor=fill or "none",
            edgecolor=edge or "none",
            linewidth=width if edge else 0.0,
            hatch=hatch,
            alpha=alpha,
        )
        self._place(patch)
        if edge is None:
            patch.set_antialiased(False)

    def pointer(self, x: float, y: float, size: float, *, colour: str = INK, filled: bool = True) -> None:
        """Draw a triangle whose tip points down to (`x`, `y`).

        Parameters
        ----------
        x, y, size : float
        colour : str
        filled : bool
        """
        corners = [(x, y), (x - size / 2, y - size), (x + size / 2, y - size)]
        face = colour if filled else PAPER
        self._place(Polygon(corners, closed=True, facecolor=face, edgecolor=colour, linewidth=2))

    def image(self, rgb: NDArray[np.uint8], left: int, top: int) -> None:
        """Place a picture, one of its pixels to one of the page's.

        Parameters
        ----------
        rgb : ndarray of uint8, shape (H, W, 3) or (H, W, 4)
        left, top : int
        """
        height, width = rgb.shape[:2]
        artist = AxesImage(
            self._axes,
            extent=(left, left + width, top + height, top),
            origin="upper",
            interpolation="nearest",
        )
        artist.set_data(rgb)
        self._place(artist)

    def _clip(self, box: tuple[float, float, float, float]) -> TransformedBbox:
        return TransformedBbox(Bbox([(box[0], box[1]), (box[2], box[3])]), self._axes.transData)


def write_png(figure: Figure, path: Path, *, title: str, software: str) -> None:
    """Write a figure so that `path` holds either the whole picture or what it held before.

    Parameters
    ----------
    figure : Figure
    path : Path
        Its folder is made if need be.
    title, software : str
        Kept in the file.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    canvas = FigureCanvasAgg(figure)
    picture = io.BytesIO()
    canvas.print_png(  # type: ignore[no-untyped-call]
        picture,
        metadata={"Title": title, "Software": software},
        pil_kwargs={"dpi": (_PRINT_DPI, _PRINT_DPI), "compress_level": 4},
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{secrets.token_hex(6)}.part")
    try:
        with part.open("xb") as file:
            file.write(picture.getbuffer())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _font(size: float, bold: bool) -> FontProperties:
    # The family that comes with matplotlib: the sheet looks the same on every machine.
    return FontProperties(family="DejaVu Sans", size=size, weight="bold" if bold else "normal")
