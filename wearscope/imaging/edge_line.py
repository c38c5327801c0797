"""A smooth curve along an edge in a picture, as it would be in square pixels and without a lens's distortion."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray

from wearscope.imaging.lens import Lens

Array = NDArray[np.float64]

STRETCHED = 257  # places along a curve, from which it is described anew
BENT_DEGREE = 4  # of a curve that a lens has bent, at least


@dataclass(frozen=True, eq=False)
class EdgeLine:
    """A smooth curve along an edge, with the tool on its inward side.

    A point at distance t (px) along `direction` and offset o into the tool lies at
    ``origin + t direction + (polynomial(t) + o) inward``, in pixels as wide as they are high and as they would be
    without a lens's distortion.

    Attributes
    ----------
    origin_px, direction, inward : ndarray, shape (2,)
        Column and row; `inward` is `direction` turned by a quarter turn, so a photo never comes out mirrored.
    offset_px : ndarray
        Polynomial coefficients of the curve's offset along `inward`, lowest power first, in t (px).
    start_px, end_px : float
        The range of t over which the edge is inside the frame.
    coverage : float
        Share of that range on which the edge stands out from the noise.
    aspect_ratio : (float, float)
        Width and height of the picture's pixels over those that the curve is described in.
    lens : Lens or None
        What bends the picture; in pixels of the description, too.
    """

    origin_px: Array
    direction: Array
    inward: Array
    offset_px: Array
    start_px: float
    end_px: float
    coverage: float = 1.0
    aspect_ratio: tuple[float, float] = (1.0, 1.0)
    lens: Lens | None = None

    def points_px(self, t_px: Array, into_px: Array | float = 0.0) -> tuple[Array, Array]:
        """Find points along the curve and beside it.

        Parameters
        ----------
        t_px : ndarray
            Along the straight direction.
        into_px : ndarray or float
            Into the tool, along the local normal.

        Returns
        -------
        columns : ndarray
            Of the picture.
        rows : ndarray
        """
        slope = polynomial.polyval(t_px, polynomial.polyder(self.offset_px))
        norm = np.sqrt(1.0 + slope**2)
        along = t_px - into_px * slope / norm
        across = polynomial.polyval(t_px, self.offset_px) + into_px / norm
        wide, high = self.aspect_ratio
        column = self.origin_px[0] + along * self.direction[0] + across * self.inward[0]
        row = self.origin_px[1] + along * self.direction[1] + across * self.inward[1]
        if self.lens is not None:
            column, row = np.moveaxis(self.lens.shown(np.stack([column, row], axis=-1)), -1, 0)
        return column / wide, row / high

    def described_px(self, points_px: Array) -> Array:
        """Where points of the picture lie in the pixels of the description.

        Parameters
        ----------
        points_px : ndarray, shape (N, 2)
            Columns and rows.

        Returns
        -------
        ndarray, shape (N, 2)
        """
        square = points_px * self.aspect_ratio
        return square if self.lens is None else self.lens.straightened(square)

    def straight_px(self, t_px: Array, offset_px: Array) -> Array:
        """Find places in the curve's straight frame in the picture.

        Parameters
        ----------
        t_px, offset_px : ndarray, shape (N,)
            Along its straight direction, and square to it into the tool.

        Returns
        -------
        ndarray, shape (N, 2)
            Columns and rows.
        """
        square = self.origin_px + t_px[:, None] * self.direction + offset_px[:, None] * self.inward
        shown = square if self.lens is None else self.lens.shown(square)
        return np.asarray(shown / self.aspect_ratio)

    def with_lens(self, lens: Lens | None) -> EdgeLine:
        """The same curve described as it would be without a lens's distortion.

        Parameters
        ----------
        lens : Lens or None
            In pixels as wide as they are high; None for the picture as it is.

        Returns
        -------
        EdgeLine
        """
        if lens == self.lens:
            return self
        bare = replace(self, aspect_ratio=(1.0, 1.0))
        target = replace(bare, lens=lens)
        t_px = np.linspace(self.start_px, self.end_px, STRETCHED)
        origin, *places = target.described_px(
            np.concatenate(
                [bare.straight_px(np.zeros(1), np.zeros(1)), np.column_stack(bare.points_px(t_px))]
            )
        )
        away_px = np.array(places) - origin
        direction = (away_px[-1] - away_px[0]) / np.linalg.norm(away_px[-1] - away_px[0])
        inward = np.array([-direction[1], direction[0]])
        along_px, across_px = away_px @ direction, away_px @ inward
        # a curve that is straight through a lens is bent without one
        fitted = polynomial.Polynomial.fit(along_px, across_px, max(BENT_DEGREE, len(self.offset_px) - 1))
        return EdgeLine(
            origin,
            direction,
            inward,
            np.asarray(fitted.convert().coef, float),
            float(along_px[0]),
            float(along_px[-1]),
            self.coverage,
            self.aspect_ratio,
            lens,
        )

    def in_picture(self) -> EdgeLine:
        """The same curve described in the picture's own pixels.

        Returns
        -------
        EdgeLine
        """
        return self.with_lens(None).with_pixels((1.0, 1.0))

    def with_pixels(self, aspect_ratio: tuple[float, float]) -> EdgeLine:
        """The same curve described in pixels of another shape, so that lengths and right angles come out right.

        Its lens is the one thing that does not follow: take it off before, and put it on after.

        Parameters
        ----------
        aspect_ratio : (float, float)
            Width and height of the picture's pixels over those of the description.

        Returns
        -------
        EdgeLine
        """
        if aspect_ratio == self.aspect_ratio:
            return self
        stretch = np.array(aspect_ratio) / self.aspect_ratio
        direction = self.direction * stretch / np.linalg.norm(self.direction * stretch)
        inward = np.array([-direction[1], direction[0]])
        t_px = np.linspace(self.start_px, self.end_px, STRETCHED)
        offset_px = polynomial.polyval(t_px, self.offset_px)
        away_px = stretch * (t_px[:, None] * self.direction + offset_px[:, None] * self.inward)
        along_px, across_px = away_px @ direction, away_px @ inward
        fitted = polynomial.Polynomial.fit(along_px, across_px, len(self.offset_px) - 1).convert().coef
        return EdgeLine(
            self.origin_px * stretch,
            direction,
            inward,
            np.pad(fitted, (0, len(self.offset_px) - len(fitted))),
            float(along_px[0]),
            float(along_px[-1]),
            self.coverage,
            aspect_ratio,
        )

    def scaled(self, factor: float) -> EdgeLine:
        """The same curve in a picture whose pixels are finer.

        Parameters
        ----------
        factor : float

        Returns
        -------
        EdgeLine
        """
        powers = np.arange(len(self.offset_px))
        return EdgeLine(
            # a coarse pixel covers a block of fine ones: centres are half a pixel off
            (self.origin_px + 0.5) * factor - 0.5,
            self.direction,
            self.inward,
            self.offset_px * factor ** (1.0 - powers),
            self.start_px * factor,
            self.end_px * factor,
            self.coverage,
        )

    def turned(self) -> EdgeLine:
        """The same curve with the tool on its other side.

        Returns
        -------
        EdgeLine
        """
        signs = (-1.0) ** np.arange(1, len(self.offset_px) + 1)
        return EdgeLine(
            self.origin_px,
            -self.direction,
            -self.inward,
            self.offset_px * signs,
            -self.end_px,
            -self.start_px,
            self.coverage,
            self.aspect_ratio,
            self.lens,
        )


def offset_from(points_px: Array, line: EdgeLine) -> Array:
    """Signed distance of points from an edge line, for gentle curves.

    Parameters
    ----------
    points_px : ndarray, shape (N, 2)
        Column and row.
    line : EdgeLine

    Returns
    -------
    ndarray, shape (N,)
        Pixels as the line is described in, positive into the tool.
    """
    rel = line.described_px(points_px) - line.origin_px
    t = rel @ line.direction
    return np.asarray(rel @ line.inward - polynomial.polyval(t, line.offset_px))
