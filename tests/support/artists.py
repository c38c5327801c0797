"""A sheet drawn by matplotlib's own artists, one for each of its shapes: what drawing without them is held against."""

from __future__ import annotations

import io

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.patheffects import Normal, Stroke
from matplotlib.text import Text as TextArtist
from matplotlib.transforms import Bbox, TransformedBbox

from wearscope.report.sheets.page import Sheet
from wearscope.report.sheets.shapes import Box, Line, Picture, Pointer, Text

DPI = 72  # one point is one pixel


def figure_of(sheet: Sheet) -> Figure:
    """The sheet as a figure whose only axes count pixels from the top left corner."""
    figure = Figure(figsize=(sheet.width / DPI, sheet.height / DPI), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_xlim(0, sheet.width)
    axes.set_ylim(sheet.height, 0)
    for order, shape in enumerate(sheet.shapes):
        artist = _ARTISTS[type(shape)](shape, axes)
        artist.set_zorder(order)
        axes.add_artist(artist)
        if isinstance(shape, Line) and shape.clip is not None:
            left, top, right, bottom = shape.clip
            artist.set_clip_box(TransformedBbox(Bbox([(left, top), (right, bottom)]), axes.transData))
    return figure


def drawn_by_artists(sheet: Sheet) -> np.ndarray:
    """Pixels of shape (H, W, 4)."""
    figure = figure_of(sheet)
    figure.canvas.draw()
    return np.asarray(figure.canvas.buffer_rgba())


def png_by_artists(sheet: Sheet) -> bytes:
    """The same as a PNG file, written by Pillow."""
    picture = io.BytesIO()
    figure_of(sheet).canvas.print_png(picture, pil_kwargs={"compress_level": 4})
    return picture.getvalue()


def _text(shape: Text, _axes):
    x, y = shape.begins
    return TextArtist(
        x,
        y,
        shape.text,
        color=shape.colour,
        fontproperties=FontProperties(
            family="DejaVu Sans", size=shape.size, weight="bold" if shape.bold else "normal"
        ),
        horizontalalignment="left",
        verticalalignment="baseline",
        rotation=90 if shape.upright else 0,
        rotation_mode="anchor",
        parse_math=False,
    )


def _line(shape: Line, _axes):
    line = Line2D(
        shape.x,
        shape.y,
        color=shape.colour,
        linewidth=shape.width,
        linestyle=(0, tuple(d / shape.width for d in shape.dashes)) if shape.dashes else "-",
        solid_capstyle="butt",
        dash_capstyle="butt",
        solid_joinstyle="round",
    )
    if shape.halo:
        line.set_path_effects([Stroke(linewidth=shape.width + 2 * shape.halo, foreground="white"), Normal()])
    return line


def _box(shape: Box, _axes):
    left, top, right, bottom = shape.frame
    return Rectangle(
        (left, top),
        right - left,
        bottom - top,
        facecolor=shape.fill or "none",
        edgecolor=shape.edge or "none",
        linewidth=shape.width if shape.edge else 0.0,
        hatch=shape.hatch,
        alpha=shape.alpha,
        antialiased=shape.edge is not None,
    )


def _pointer(shape: Pointer, _axes):
    left, top, right, tip = shape.frame
    inside = shape.colour if shape.filled else "white"
    return Polygon(
        [(shape.x, tip), (left, top), (right, top)], facecolor=inside, edgecolor=shape.colour, linewidth=2
    )


def _picture(shape: Picture, axes):
    left, top, right, bottom = shape.frame
    image = AxesImage(axes, extent=(left, right, bottom, top), origin="upper", interpolation="nearest")
    image.set_data(np.dstack([shape.rgb, np.where(shape.seen, 255, 0).astype(np.uint8)]))
    return image


_ARTISTS = {Text: _text, Line: _line, Box: _box, Pointer: _pointer, Picture: _picture}
