"""Synthetic pictures of ruled scales with known truth.

A pixel's value is the exact area of it that a line covers: along one axis the position of a point inside a
pixel, measured across the ruling, is the sum of two uniform variables, whose distribution function is known
in closed form. So the pictures owe nothing to any resampling, and the truth is the index field they were
made from.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np


def half_plane_area(t, a, b):
    """Share of a box of extents a and b (seen across the line) that lies below t, from its centre."""
    a, b = max(a, b), max(min(a, b), 1e-4 * max(a, b))
    t = np.clip(t, -(a + b), a + b)  # far away the differences of squares would cancel

    def ramp(z):
        return np.square(np.maximum(z, 0.0))

    return (ramp(t + (a + b) / 2) - ramp(t + (a - b) / 2) - ramp(t - (a - b) / 2) + ramp(t - (a + b) / 2)) / (
        2 * a * b
    )


def slab_area(t, half_width, a, b):
    """Share of a pixel covered by a strip of the given half width whose centre line is at -t."""
    return half_plane_area(t + half_width, a, b) - half_plane_area(t - half_width, a, b)


@dataclass(frozen=True)
class Graticule:
    """A ruled scale in front of a camera; `pitch_px` is one division along the normal of the lines."""

    shape: tuple[int, int] = (600, 800)
    pitch_px: float = 20.0
    angle_deg: float = 0.0  # direction of the normal of the lines, from +x towards +y
    aspect: float = 1.0  # µm per px along y over µm per px along x; pitch_px is then that along x
    phase: float = 0.3
    line_width: float = 0.2  # in divisions
    tick_rows: tuple[tuple[float, float], ...] = ((-4.0, 4.0),)  # along the lines, in divisions
    long_extra: tuple[float, float] = (2.0, 4.0)  # how much every 5th and 10th line is longer at its far end
    first: int = -10_000
    last: int = 10_000
    missing: tuple[int, ...] = ()
    crossed: bool = False
    base_line: bool = False
    bright_on_dark: bool = False
    contrast: float = 0.6
    keystone: float = 0.0  # relative change of pitch along the ruling, over half the diagonal
    barrel: float = 0.0  # relative change of radius at half the diagonal
    ruling_jitter: float = 0.0  # standard deviation of single lines, in divisions
    vignette: float = 0.3
    gradient: float = 0.3
    blur_px: float = 0.9
    noise: float = 0.01
    jpeg_quality: int | None = 92
    text: tuple[str, ...] = ()
    cross_hair: bool = False
    seed: int = 1

    def um_per_px(self, division_um):
        """True µm per pixel along x and y."""
        s = division_um / self.pitch_px
        return s, s * self.aspect

    def but(self, **changes):
        return replace(self, **changes)

    def _plane(self):
        """Index across (lines at integers) and along the lines, both in divisions."""
        h, w = self.shape
        y, x = np.mgrid[0:h, 0:w].astype(float)
        x -= (w - 1) / 2
        y -= (h - 1) / 2
        half_diagonal = np.hypot(h, w) / 2
        if self.barrel:
            stretch = 1 + self.barrel * (x**2 + y**2) / half_diagonal**2
            x, y = x * stretch, y * stretch
        c, s = np.cos(np.deg2rad(self.angle_deg)), np.sin(np.deg2rad(self.angle_deg))
        across = (x * c + y * self.aspect * s) / self.pitch_px
        along = (-x * s + y * self.aspect * c) / self.pitch_px
        if self.keystone:
            across = across + self.keystone / 2 * across**2 * self.pitch_px / half_diagonal
        return across + self.phase, along

    def _lines(self, across, along, extents, rows):
        a, b = extents
        rng = np.random.default_rng(self.seed + 77)
        jitter = self.ruling_jitter * rng.standard_normal(4001)
        index = np.rint(across).astype(int)
        cover = np.zeros_like(across)
        reach = self.line_width / 2 + (a + b) / 2  # beyond it a line covers nothing of a pixel
        # a neighbouring line reaches a point halfway between two only if it is wide
        for shift in (-1, 0, 1) if reach + np.abs(jitter).max() > 0.5 else (0,):
            i = index + shift
            off = across - (i + jitter[np.clip(i + 2000, 0, 4000)])
            there = (np.abs(off) < reach) & (i >= self.first) & (i <= self.last) & ~np.isin(i, self.missing)
            i, at = i[there], along[there]
            strip = slab_area(off[there], self.line_width / 2, a, b)
            extra = np.where(i % 10 == 0, self.long_extra[1], np.where(i % 5 == 0, self.long_extra[0], 0.0))
            inside = np.zeros_like(strip)
            for j0, j1 in rows:
                middle, half = (j0 + j1 + extra) / 2, (j1 + extra - j0) / 2
                inside = np.maximum(inside, slab_area(at - middle, half, b, a))
            cover[there] += strip * inside
        return cover

    def coverage(self):
        """Share of each pixel that is line."""
        across, along = self._plane()
        c, s = np.cos(np.deg2rad(self.angle_deg)), np.sin(np.deg2rad(self.angle_deg))
        extents = abs(c) / self.pitch_px, abs(s) * self.aspect / self.pitch_px
        cover = self._lines(across, along, extents, self.tick_rows)
        if self.crossed:
            extents = abs(s) / self.pitch_px, abs(c) * self.aspect / self.pitch_px
            cover = np.maximum(cover, self._lines(along, across, extents, self.tick_rows))
        if self.base_line:
            cover = np.maximum(cover, slab_area(along - self.tick_rows[0][0], 0.05, *extents[::-1]))
        return np.clip(cover, 0, 1)

    def luminance(self):
        """The picture in linear light, (H, W), as a camera and a file would have left it."""
        rng = np.random.default_rng(self.seed)
        cover = self.coverage()
        h, w = self.shape
        base = 0.12 if self.bright_on_dark else 0.75
        light = base + (self.contrast if self.bright_on_dark else -self.contrast) * cover
        light = cv2.GaussianBlur(light, (0, 0), self.blur_px) if self.blur_px else light
        y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
        light = (
            light * (1 - self.vignette * (x**2 + y**2) / 2) * (1 + self.gradient * (0.6 * x - 0.4 * y) / 2)
        )
        light = light + self.noise * np.sqrt(np.maximum(light, 0.02)) * rng.standard_normal(light.shape)
        return through_file(light, self.jpeg_quality, self.text, self.cross_hair)


def through_file(light, jpeg_quality=92, text=(), cross_hair=False):
    """Encode to 8 bit with the sRGB curve, burn in what microscope programs burn in, and decode again."""
    light = np.clip(light, 0, 1)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    code = np.rint(255 * code).astype(np.uint8)
    h, w = code.shape
    for k, words in enumerate(text):
        where = (int(0.05 * w), int(h * (0.2 + 0.6 * k / max(1, len(text) - 1))))
        cv2.putText(code, words, where, cv2.FONT_HERSHEY_SIMPLEX, h / 500, 30, max(1, h // 300), cv2.LINE_AA)
    if cross_hair:
        code[h // 2] = 20
        code[:, w // 2] = 20
    if jpeg_quality is not None:
        ok, data = cv2.imencode(".jpg", code, [cv2.IMWRITE_JPEG_QUALITY, jpeg_quality])
        assert ok
        code = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    code = code / 255.0
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
