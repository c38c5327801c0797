"""What a cheap camera does to a picture before it writes it: each step alone, and chains of them.

    python camera_chain.py PHOTO OUT.png --chain typical --seed 7

Light goes in as linear RGB from 0 to 1; code values of 8 bits come out. All steps are common practice in small
cameras; how strong they are is drawn from a seed. Nothing here is ever needed to measure.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

Light = NDArray[np.float32]


@dataclass(frozen=True)
class Chain:
    """The steps of one camera, in the order in which the fields stand; what is 0 or 1 is left out.

    Attributes
    ----------
    red_shift_px, blue_shift_px : (float, float)
        Column and row by which the lens shifts red and blue against green.
    gains : (float, float)
        White balance: red and blue against green.
    exposure : float
        Factor on all light.
    mosaic : bool
        Whether each pixel sees one colour only (squares of red, green, green, blue) and the others are made up.
    noise, shot : float
        Standard deviation of the sensor's noise at no light, and of that which grows with the root of the light.
    denoise : float
        Strength of a non-local-means filter on the codes (0 none, 3 mild, 8 strong).
    curve : float
        Steepness of an S-shaped tone curve beside that of sRGB; 0 none, 1 strong.
    sharpen, halo_px : float
        Amount and radius of unsharp masking.
    enlarge : float
        Interpolation to a larger picture.
    jpeg : int
        Quality; 0 writes no JPEG.
    halved_colour : bool
        Whether JPEG keeps colour at half the resolution (4:2:0).
    """

    red_shift_px: tuple[float, float] = (0.0, 0.0)
    blue_shift_px: tuple[float, float] = (0.0, 0.0)
    gains: tuple[float, float] = (1.0, 1.0)
    exposure: float = 1.0
    mosaic: bool = False
    noise: float = 0.0
    shot: float = 0.0
    denoise: float = 0.0
    curve: float = 0.0
    sharpen: float = 0.0
    halo_px: float = 1.2
    enlarge: float = 1.0
    jpeg: int = 0
    halved_colour: bool = True


def fringes(shift_px: float, rng: np.random.Generator) -> Chain:
    """Red and blue shifted against each other by `shift_px` each, in a direction that is drawn."""
    angle = rng.uniform(0.0, 2.0 * np.pi)
    red = (float(shift_px * np.cos(angle)), float(shift_px * np.sin(angle)))
    return Chain(red_shift_px=red, blue_shift_px=(-red[0], -red[1]))


def typical(rng: np.random.Generator) -> Chain:
    """A whole chain as in a cheap microscope: every step, none of them extreme."""
    return replace(
        fringes(float(rng.uniform(0.3, 1.0)), rng),
        gains=(float(rng.uniform(0.85, 1.2)), float(rng.uniform(0.85, 1.2))),
        exposure=float(rng.uniform(0.8, 1.1)),
        mosaic=True,
        noise=0.004,
        shot=0.012,
        denoise=3.0,
        curve=0.4,
        sharpen=0.5,
        halo_px=float(rng.uniform(1.0, 1.6)),
        enlarge=1.5,
        jpeg=82,
    )


CHAINS: dict[str, Callable[[np.random.Generator], Chain]] = {
    "mosaic": lambda rng: Chain(mosaic=True, noise=0.004, shot=0.01),
    "fringes 1 px": lambda rng: fringes(1.0, rng),
    "fringes 2 px": lambda rng: fringes(2.0, rng),
    "white balance": lambda rng: Chain(
        gains=(float(rng.uniform(0.7, 1.4)), float(rng.uniform(0.7, 1.4))),
        exposure=float(rng.uniform(0.7, 1.1)),
    ),
    "denoise": lambda rng: Chain(noise=0.008, shot=0.015, denoise=6.0),
    "tone curve": lambda rng: Chain(curve=0.6),
    "sharpening": lambda rng: Chain(sharpen=1.2, halo_px=1.5),
    "interpolation": lambda rng: Chain(noise=0.004, shot=0.01, enlarge=1.5),
    "JPEG 80": lambda rng: Chain(jpeg=80),
    "typical": typical,
}
"""Cameras by name; the generator draws what differs from one to the next."""


def photographed(light: Light, chain: Chain, rng: np.random.Generator) -> NDArray[np.uint8]:
    """What the camera makes of the light.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
        Linear RGB, 0 to 1.
    chain : Chain
    rng : numpy.random.Generator
        Draws the noise.

    Returns
    -------
    ndarray of uint8, shape (H', W', 3)
        RGB codes, as a viewer of the file would show them.
    """
    light = np.stack(
        [
            _shifted(light[..., 0], chain.red_shift_px),
            light[..., 1],
            _shifted(light[..., 2], chain.blue_shift_px),
        ],
        axis=2,
    )
    light = light * np.float32(chain.exposure) * np.array([chain.gains[0], 1.0, chain.gains[1]], np.float32)
    if chain.noise or chain.shot:
        sigma = np.sqrt(chain.noise**2 + chain.shot**2 * np.maximum(light, 0.0))
        light = light + rng.normal(0.0, 1.0, light.shape).astype(np.float32) * sigma
    light = np.clip(light, 0.0, 1.0).astype(np.float32)
    if chain.mosaic:
        light = _demosaiced(light)
    codes = np.round(255.0 * _curved(_encoded(light), chain.curve)).astype(np.uint8)
    if chain.denoise:
        codes = cv2.fastNlMeansDenoisingColored(codes, None, chain.denoise, chain.denoise, 5, 15)
    if chain.sharpen:
        soft = cv2.GaussianBlur(codes, (0, 0), chain.halo_px)
        codes = cv2.addWeighted(codes, 1.0 + chain.sharpen, soft, -chain.sharpen, 0.0)
    if chain.enlarge != 1.0:
        codes = cv2.resize(codes, None, fx=chain.enlarge, fy=chain.enlarge, interpolation=cv2.INTER_CUBIC)
    if chain.jpeg:
        codes = _through_jpeg(codes, chain.jpeg, halved=chain.halved_colour)
    return np.asarray(codes, np.uint8)


def _shifted(channel: Light, by_px: tuple[float, float]) -> Light:
    move = np.array([[1.0, 0.0, by_px[0]], [0.0, 1.0, by_px[1]]])
    size = channel.shape[::-1]
    moved = cv2.warpAffine(channel, move, size, flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, np.float32)


def _demosaiced(light: Light) -> Light:
    """One colour a pixel, in squares of red, green, green, blue; the others made up by OpenCV's edge-aware rule."""
    codes = np.round(light * 65535.0).astype(np.uint16)
    raw = codes[..., 1].copy()
    raw[0::2, 0::2] = codes[0::2, 0::2, 0]
    raw[1::2, 1::2] = codes[1::2, 1::2, 2]
    # OpenCV names the square by its second row and column: BayerBG is red first
    return np.asarray(cv2.cvtColor(raw, cv2.COLOR_BayerBG2RGB_EA), np.float32) / np.float32(65535.0)


def _encoded(light: Light) -> Light:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055).astype(
        np.float32
    )


def _curved(codes: Light, strength: float) -> Light:
    """Mixed with the cubic that is steepest in the middle, 3 v² - 2 v³."""
    return (1.0 - strength) * codes + strength * codes * codes * (3.0 - 2.0 * codes)


def _through_jpeg(codes: NDArray[np.uint8], quality: int, *, halved: bool) -> NDArray[np.uint8]:
    sampling = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420 if halved else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
    options = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    _, written = cv2.imencode(".jpg", cv2.cvtColor(codes, cv2.COLOR_RGB2BGR), options)
    return np.asarray(cv2.cvtColor(cv2.imdecode(written, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB), np.uint8)


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Put a photo through a cheap camera's own processing.")
    parser.add_argument("photo", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--chain", choices=list(CHAINS), default="typical")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    codes = cv2.cvtColor(cv2.imread(str(given.photo)), cv2.COLOR_BGR2RGB).astype(np.float32) / 255.0
    light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4).astype(np.float32)
    chain = CHAINS[given.chain](rng)
    written = photographed(light, chain, rng)
    cv2.imwrite(str(given.out), cv2.cvtColor(written, cv2.COLOR_RGB2BGR))


if __name__ == "__main__":
    main()
