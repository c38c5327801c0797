"""A page measured in pixels from its top left corner, and how it becomes a file."""

from __future__ import annotations

import io
import re
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL.PngImagePlugin import PngInfo, putchunk

from wearscope.log.export import replace_file
from wearscope.report.sheets.shapes import (
    Align,
    Box,
    Canvas,
    Frame,
    Line,
    Picture,
    Pointer,
    Shape,
    Text,
    text_extent,
)
from wearscope.report.style import INK, NOT_SEEN, PAPER, RULE
from wearscope.report.words import joints

_TOGETHER = re.compile(r"(?<!±) (?!±|µm\b|mm\b|%)")  # a value keeps its interval and unit on its line
_PRINT_PER_M = 7874  # pixels: 200 to the inch
# As small as the slower searches make drawings and photos, in a third of their time.
_ENCODING = (
    cv2.IMWRITE_PNG_STRATEGY,
    cv2.IMWRITE_PNG_STRATEGY_RLE,
    cv2.IMWRITE_PNG_FILTER,
    cv2.IMWRITE_PNG_FILTER_UP,
)
_PNG_HEAD = 8 + 25  # signature and the chunk with the size, after which others may follow (ISO/IEC 15948)


@dataclass(frozen=True)
class Sheet:
    """A page laid out.

    Attributes
    ----------
    width, height : int
        In pixels.
    shapes : tuple of Shape
        What lies on it, the lowest first.
    """

    width: int
    height: int
    shapes: tuple[Shape, ...]

    def pixels(self) -> NDArray[np.uint8]:
        """Draw it.

        Returns
        -------
        ndarray of uint8, shape (height, width, 4)
            Red, green, blue, and 255 throughout.
        """
        canvas = Canvas(self.width, self.height)
        Box((0.0, 0.0, self.width, self.height), PAPER, None, 0.0, None, None).draw(canvas)
        for shape in self.shapes:
            shape.draw(canvas)
        return canvas.pixels


class Page:
    """A sheet of paper that grows downwards; every position and size on it is in pixels.

    Parameters
    ----------
    width : int
        Width in pixels.
    """

    def __init__(self, width: int) -> None:
        self.width = width
        self._shapes: list[Shape] = []

    def finish(self, height: float) -> Sheet:
        """Cut the page to its final height.

        Parameters
        ----------
        height : float
            In pixels.

        Returns
        -------
        Sheet
        """
        return Sheet(self.width, round(height), tuple(self._shapes))

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
        return text_extent(text, size, bold)[0]

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
        lines = []
        words = _TOGETHER.split(" ".join(text.split()))
        while words:
            n = self._fitting(words, " ", size, width, bold)
            if n:
                lines.append(" ".join(words[:n]))
                del words[:n]
            else:  # a single word wider than the line, such as a file name
                parts = joints(words[0])
                n = len("".join(parts[: self._fitting(parts, "", size, width, bold)]))
                n = n or max(1, self._fitting(words[0], "", size, width, bold))
                lines.append(words[0][:n])
                words[0] = words[0][n:]
        if most is not None and len(lines) > most:
            lines = [*lines[: most - 1], self.fit(" ".join(lines[most - 1 :]), size, width, bold=bold)]
        return lines

    def _fitting(self, pieces: Sequence[str], between: str, size: float, width: float, bold: bool) -> int:
        """How many of the first pieces fit on a line: guessed from each alone, then measured together."""

        def fits(n: int) -> bool:
            return self.text_width(between.join(pieces[:n]), size, bold=bold) <= width

        alone = [self.text_width(piece + between, size, bold=bold) for piece in pieces]
        n = int(np.searchsorted(np.cumsum(alone), width, side="right"))
        while n < len(pieces) and fits(n + 1):
            n += 1
        while n > 0 and not fits(n):
            n -= 1
        return n

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
        n = self._fitting(text, "", size, width, bold)
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
        align: Align = "left",
        upright: bool = False,
    ) -> None:
        """Write one line; see `Text`. Nothing is written where there is no text.

        Parameters
        ----------
        x, y : float
            Its anchor, in pixels.
        text : str
        size : float
            Font size in pixels.
        bold : bool
        colour : str
        align : {"left", "center", "right"}
        upright : bool
            Whether it is written from bottom to top.
        """
        if text:
            self._shapes.append(Text(x, y, text, size, bold, colour, align, upright))

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
        clip: Frame | None = None,
    ) -> None:
        """Draw a line, broken at NaN; see `Line`.

        Parameters
        ----------
        x, y : array_like, shape (N,)
            In pixels.
        colour : str
        width : float
            In pixels.
        dashes : tuple of float, optional
            On and off lengths, in pixels.
        halo : float
            Width of the pale border on each side, in pixels.
        clip : tuple of (left, top, right, bottom), optional
            Nothing is drawn outside.
        """
        self._shapes.append(
            Line(np.asarray(x, float), np.asarray(y, float), colour, width, dashes, halo, clip)
        )

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
        """Draw a rectangle; see `Box`.

        Parameters
        ----------
        left, top, right, bottom : float
            In pixels.
        fill, edge : str, optional
            Colours; none is drawn where absent.
        width : float
            Of the edge, in pixels.
        hatch : str, optional
            Matplotlib's hatch pattern.
        alpha : float, optional
            Opacity from 0 to 1.
        """
        self._shapes.append(Box((left, top, right, bottom), fill, edge, width, hatch, alpha))

    def pointer(self, x: float, y: float, size: float, *, colour: str = INK, filled: bool = True) -> None:
        """Draw a triangle whose tip points down to (`x`, `y`).

        Parameters
        ----------
        x, y : float
            Of the tip, in pixels.
        size : float
            Height and width in pixels.
        colour : str
        filled : bool
            Otherwise it is white inside.
        """
        self._shapes.append(Pointer(x, y, size, colour, filled))

    def image(self, rgb: NDArray[np.uint8], seen: NDArray[np.bool_], left: int, top: int) -> None:
        """Place a picture, one of its pixels to one of the page's; see `Picture`.

        What the photo does not show is hatched.

        Parameters
        ----------
        rgb : ndarray of uint8, shape (H, W, 3)
        seen : ndarray of bool, shape (H, W)
            Where the photo shows anything.
        left, top : int
            In pixels of the page.
        """
        picture = Picture(rgb, left, top, seen)
        right, bottom = picture.frame[2:]
        self.box(left - 1, top - 1, right + 1, bottom + 1, fill=RULE)
        if not seen.all():
            self.box(left, top, right, bottom, fill=NOT_SEEN, edge=RULE, hatch="xx", width=0)
        self._shapes.append(picture)


def write_png(sheet: Sheet, path: Path, *, title: str, software: str) -> None:
    """Write a sheet so that `path` holds either the whole picture or what it held before.

    Parameters
    ----------
    sheet : Sheet
    path : Path
        Its folder is made if need be.
    title, software : str
        Kept in the file.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    picture = _png(sheet.pixels(), {"Title": title, "Software": software})
    path.parent.mkdir(parents=True, exist_ok=True)
    replace_file(path, picture)


def _png(rgba: NDArray[np.uint8], remarks: dict[str, str]) -> bytes:
    """Encode the colours of a picture, with its size on paper and remarks of what it is."""
    _, encoded = cv2.imencode(".png", cv2.cvtColor(rgba, cv2.COLOR_RGBA2BGR), _ENCODING)
    about = PngInfo()
    about.add(b"pHYs", struct.pack(">IIB", _PRINT_PER_M, _PRINT_PER_M, 1))
    for key, remark in remarks.items():
        about.add_text(key, remark)
    picture = io.BytesIO()
    picture.write(encoded[:_PNG_HEAD].tobytes())
    for kind, content, *_ in about.chunks:
        putchunk(picture, kind, content)
    picture.write(encoded[_PNG_HEAD:].tobytes())
    return picture.getvalue()
