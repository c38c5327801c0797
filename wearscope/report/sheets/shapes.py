"""What lies on a page: text, lines, boxes, pointers and pictures, and how each is drawn.

A page is laid out first and drawn at the end, straight by matplotlib's renderer. Its artists would draw the same, but
they know axes, units and styles that a page has no use for, and asking them takes longer than drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, Protocol

import cv2
import numpy as np
from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.backends.backend_agg import RendererAgg, get_hinting_flag
from matplotlib.colors import to_rgba
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.path import Path as Outline
from matplotlib.transforms import Affine2D, Bbox
from numpy.typing import NDArray

from wearscope.report.fonts import families_for, have_bold, readable
from wearscope.report.style import HALO, INK, PAPER
from wearscope.texts import visible

Align = Literal["left", "center", "right"]
Colour = tuple[float, float, float, float]
Frame = tuple[float, float, float, float]
"""Left, top, right, bottom."""

_UNIT_DPI = 72  # one typographic point is then one pixel, so sizes and line widths are pixels
_ABOVE, _BELOW = (
    0.76,
    0.24,
)  # of the font size: DejaVu Sans's ascender and descender, as its OS/2 table has them
_TEXTS_KEPT = 4096  # what is measured while a trial's sheets are drawn; many of their texts are alike
_INKS_KEPT = 1024  # lines of text as drawn, some 6 kB each
_NO_WIDTH = "\u200b"  # nothing to see, at the very place where a text begins


class Canvas:
    """Pixels to draw on, counted from the top left corner.

    Parameters
    ----------
    width, height : int
        In pixels.
    """

    def __init__(self, width: int, height: int) -> None:
        self.renderer = RendererAgg(width, height, _UNIT_DPI)
        self._height = height
        self._upright = Affine2D().scale(1.0, -1.0).translate(0.0, height)

    @property
    def pixels(self) -> NDArray[np.uint8]:
        """What was drawn so far, shape (height, width, 4): a view that can be written to."""
        return np.asarray(self.renderer.buffer_rgba())

    def pen(self, colour: str, width: float = 0.0, *, alpha: float | None = None) -> GraphicsContextBase:
        """Return a pen, as matplotlib's graphics context, of a colour and a width in pixels.

        Parameters
        ----------
        colour : str
        width : float
            In pixels.
        alpha : float, optional
            Opacity from 0 to 1.

        Returns
        -------
        GraphicsContextBase
        """
        pen = self.renderer.new_gc()
        pen.set_foreground(to_rgba(colour, alpha), isRGBA=True)
        pen.set_linewidth(width)
        return pen

    def cut(self, pen: GraphicsContextBase, clip: Frame) -> None:
        """Have a pen draw nothing outside a frame.

        Parameters
        ----------
        pen : GraphicsContextBase
        clip : tuple of (left, top, right, bottom)
            In pixels.
        """
        left, top, right, bottom = clip
        pen.set_clip_rectangle(Bbox([(left, self._height - bottom), (right, self._height - top)]))

    def path(
        self,
        pen: GraphicsContextBase,
        points: NDArray[np.float64],
        fill: Colour | None = None,
        *,
        closed: bool = False,
    ) -> None:
        """Draw along `points`, shape (N, 2), broken at NaN, and fill what they enclose.

        Parameters
        ----------
        pen : GraphicsContextBase
        points : ndarray, shape (N, 2)
            x and y in pixels.
        fill : tuple of float, optional
            Red, green, blue and opacity from 0 to 1.
        closed : bool
            Whether the last point is the first.
        """
        self.renderer.draw_path(pen, Outline(points, closed=closed), self._upright, fill)

    def lay_ink(self, cover: NDArray[np.uint8], colour: str, left: int, top: int) -> None:
        """Lay a colour over what is there, wherever it covers; what lies beside the canvas is left out.

        Parameters
        ----------
        cover : ndarray of uint8, shape (H, W)
            255 where nothing shines through.
        colour : str
        left, top : int
            In pixels.
        """
        ink = np.empty((*cover.shape, 4), np.uint8)
        ink[..., :3] = np.rint(255.0 * np.array(to_rgba(colour)[:3]))
        ink[..., 3] = cover
        # the renderer counts from the bottom, in rows of a picture too
        self.renderer.draw_image(self.renderer.new_gc(), left, self._height - top - len(cover), ink[::-1])


class Shape(Protocol):
    """Something that lies on a page."""

    def draw(self, canvas: Canvas) -> None:
        """Draw it over all that came before it.

        Parameters
        ----------
        canvas : Canvas
        """


@dataclass(frozen=True)
class Text:
    """One line of text, taken as it is: no markup. Signs that no font has are spelt out.

    Attributes
    ----------
    x, y : float
        Anchor: `align` across, baseline down; the middle of the line if `upright`.
    text : str
    size : float
        Font size in pixels.
    bold : bool
    colour : str
    align : {"left", "center", "right"}
    upright : bool
        Written from bottom to top.
    """

    x: float
    y: float
    text: str
    size: float
    bold: bool = False
    colour: str = INK
    align: Align = "left"
    upright: bool = False

    @property
    def begins(self) -> tuple[int, int]:
        """Where its baseline begins: on a whole pixel, so that a text looks alike wherever it stands."""
        left, _, right, bottom = self.frame
        if self.upright:
            return round(right - text_extent(self.text, self.size, self.bold)[2]), round(bottom)
        return round(left), round(self.y)

    @property
    def frame(self) -> Frame:
        """Rectangle on the page that holds the text."""
        wide, above, below = text_extent(self.text, self.size, self.bold)
        if self.upright:
            high = above + below
            return self.x - high / 2, self.y - wide / 2, self.x + high / 2, self.y + wide / 2
        left = self.x - {"left": 0.0, "center": 0.5, "right": 1.0}[self.align] * wide
        return left, self.y - above, left + wide, self.y + below

    def draw(self, canvas: Canvas) -> None:
        """Draw it over all that came before it.

        Parameters
        ----------
        canvas : Canvas
        """
        text, (x, y) = readable(visible(self.text)), self.begins
        ink = _ink(text, self.size, self.bold)
        if ink is None:
            font = _font(self.size, self.bold, families_for(text))
            canvas.renderer.draw_text(
                canvas.pen(self.colour), x, y, text, font, 90.0 if self.upright else 0.0
            )
            return
        cover, below = ink
        high, wide = cover.shape
        if self.upright:
            canvas.lay_ink(np.rot90(cover), self.colour, x + below - high, y - wide)
        else:
            canvas.lay_ink(cover, self.colour, x, y + below - high)


@dataclass(frozen=True, eq=False)
class Line:
    """A line, broken at NaN.

    Attributes
    ----------
    x, y : ndarray, shape (N,)
    colour : str
    width : float
    dashes : tuple of float or None
        On and off lengths.
    halo : float
        Width of the pale border on each side that lifts the line off dark ground.
    clip : tuple of (left, top, right, bottom) or None
        Nothing is drawn outside.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    colour: str
    width: float
    dashes: tuple[float, ...] | None
    halo: float
    clip: Frame | None

    def draw(self, canvas: Canvas) -> None:
        """Draw it over all that came before it.

        Parameters
        ----------
        canvas : Canvas
        """
        points = np.column_stack([self.x, self.y])
        pens = [canvas.pen(HALO, self.width + 2 * self.halo)] if self.halo else []
        for pen in [*pens, canvas.pen(self.colour, self.width)]:
            pen.set_joinstyle("round")
            pen.set_dashes(0.0, self.dashes)
            if self.clip is not None:
                canvas.cut(pen, self.clip)
            canvas.path(pen, points)


@dataclass(frozen=True)
class Box:
    """A rectangle.

    Attributes
    ----------
    frame : tuple of (left, top, right, bottom)
    fill, edge : str or None
        Colours; none is drawn where absent.
    width : float
        Of the edge.
    hatch : str or None
        Matplotlib's hatch pattern, in the colour of the edge.
    alpha : float or None
    """

    frame: Frame
    fill: str | None
    edge: str | None
    width: float
    hatch: str | None
    alpha: float | None

    def draw(self, canvas: Canvas) -> None:
        """Draw it over all that came before it.

        Parameters
        ----------
        canvas : Canvas
        """
        left, top, right, bottom = self.frame
        pen = canvas.pen(self.edge or INK, self.width if self.edge else 0.0, alpha=self.alpha)
        pen.set_joinstyle("miter")
        pen.set_antialiased(self.edge is not None)
        if self.hatch:
            pen.set_hatch(self.hatch)
            pen.set_hatch_color(to_rgba(self.edge or INK, self.alpha))
        fill = to_rgba(self.fill, self.alpha) if self.fill else None
        corners = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)]
        canvas.path(pen, np.array(corners), fill, closed=True)


@dataclass(frozen=True)
class Pointer:
    """A triangle whose tip points down to (`x`, `y`); white inside if not `filled`.

    Attributes
    ----------
    x, y : float
        Of the tip, in pixels.
    size : float
        Height and width in pixels.
    colour : str
    filled : bool
    """

    x: float
    y: float
    size: float
    colour: str
    filled: bool

    @property
    def frame(self) -> Frame:
        """Rectangle on the page that holds it."""
        return self.x - self.size / 2, self.y - self.size, self.x + self.size / 2, self.y

    def draw(self, canvas: Canvas) -> None:
        """Draw it over all that came before it.

        Parameters
        ----------
        canvas : Canvas
        """
        left, top, right, tip = self.frame
        pen = canvas.pen(self.colour, 2.0)
        pen.set_joinstyle("miter")
        corners = np.array([(self.x, tip), (left, top), (right, top), (self.x, tip)])
        canvas.path(pen, corners, to_rgba(self.colour if self.filled else PAPER), closed=True)


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture, one of its pixels to one of the page's.

    Attributes
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    left, top : int
    seen : ndarray of bool, shape (H, W)
        Elsewhere what lies below shows through.
    """

    rgb: NDArray[np.uint8]
    left: int
    top: int
    seen: NDArray[np.bool_]

    @property
    def frame(self) -> Frame:
        """Rectangle on the page that it fills."""
        high, wide = self.seen.shape
        return self.left, self.top, self.left + wide, self.top + high

    def draw(self, canvas: Canvas) -> None:
        """Draw it over all that came before it.

        Parameters
        ----------
        canvas : Canvas
        """
        high, wide = self.seen.shape
        whole = canvas.pixels.view(np.uint32)[..., 0]  # pixel by pixel, which takes a third of the time
        below = whole[self.top : self.top + high, self.left : self.left + wide]
        rgba = np.asarray(cv2.cvtColor(self.rgb, cv2.COLOR_RGB2RGBA), dtype=np.uint8)
        np.copyto(below, rgba.view(np.uint32)[..., 0], where=self.seen)


@lru_cache(maxsize=_TEXTS_KEPT)
def text_extent(text: str, size: float, bold: bool) -> tuple[float, float, float]:
    """Extent of one line of text.

    Parameters
    ----------
    text : str
    size : float
        Font size in pixels.
    bold : bool

    Returns
    -------
    width, above, below : float
        In pixels; the last two from the baseline, and at least those of the font's own line.
    """
    text = readable(visible(text))
    font = _font(size, bold, families_for(text))
    wide, high, below = _ruler().get_text_width_height_descent(text, font, ismath=False)
    above = high - below
    return float(wide), max(float(above), _ABOVE * size), max(float(below), _BELOW * size)


@lru_cache(maxsize=1)
def _ruler() -> RendererAgg:
    return RendererAgg(1, 1, _UNIT_DPI)


@lru_cache
def _font(size: float, bold: bool, families: tuple[str, ...]) -> FontProperties:
    weight = "bold" if bold and have_bold(families) else "normal"
    return FontProperties(family=list(families), size=size, weight=weight)


@lru_cache(maxsize=_INKS_KEPT)
def _ink(text: str, size: float, bold: bool) -> tuple[NDArray[np.uint8], int] | None:
    """How far a line of text covers each pixel from its beginning on, and how many rows of it lie below the baseline.

    None where it reaches further left than it begins, as a j does: of such a text the font library draws the first
    sign a pixel off. Drawing all signs of a line at once takes a third of the time that they take one by one.
    """
    font = _font(size, bold, families_for(text))
    files = []
    for family in font.get_family():
        alone = font.copy()
        alone.set_family(family)
        files.append(findfont(alone))
    drawn = get_font(files)
    drawn.clear()
    drawn.set_size(size, _UNIT_DPI)
    drawn.set_text(_NO_WIDTH + text, 0.0, flags=get_hinting_flag())
    if drawn.get_bitmap_offset()[0] < 0:
        return None
    drawn.draw_glyphs_to_bitmap(antialiased=True)
    return np.array(drawn.get_image()), int(np.ceil(drawn.get_descent() / 64)) + 1
