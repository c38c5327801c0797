"""From linear light to a stored picture: lens, noise, and a cheap camera's own processing."""

from __future__ import annotations

import cv2
import numpy as np
from fields import Picture, Rng, between, blurred, chance, grain, grid, spread
from numpy.typing import NDArray


def photograph(rng: Rng, light: Picture) -> NDArray[np.uint8]:
    """Return the picture as a camera would store it, 8 bits, red green blue."""
    out = exposed(rng, blurred(light, between(rng, 0.0, 1.0) if chance(rng, 0.8) else between(rng, 1, 3)))
    if chance(rng, 0.35):
        out = fringed(rng, out)
    out = noisy(rng, out)
    out = toned(rng, out)
    if chance(rng, 0.25):
        grey = out @ np.array([0.3, 0.59, 0.11], np.float32)
        out = np.repeat(grey[..., None], 3, axis=2)
    if chance(rng, 0.25):
        out = denoised(rng, out)
    if chance(rng, 0.45):
        sigma = between(rng, 0.6, 2.5)
        out = out + np.float32(spread(rng, 0.2, 2.5)) * (out - blurred(out, sigma))
    if chance(rng, 0.25):
        out = interpolated(rng, out)
    codes = np.clip(out * 255 + 0.5, 0, 255).astype(np.uint8)
    if chance(rng, 0.6):
        packed = cv2.imencode(".jpg", codes, (cv2.IMWRITE_JPEG_QUALITY, int(between(rng, 40, 96))))[1]
        codes = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)
    return codes


def exposed(rng: Rng, light: Picture) -> Picture:
    """Bring the bright parts near white, sometimes far below or above it, in a lamp's colour."""
    bright = float(np.percentile(light[::4, ::4], 97)) + 1e-3
    gain = spread(rng, 0.15, 1.6) / bright if chance(rng, 0.85) else spread(rng, 0.3, 3)
    lamp = np.exp(rng.normal(0, 0.08, 3)).astype(np.float32)
    return np.clip(light * (np.float32(gain) * lamp) + np.float32(spread(rng, 0.0005, 0.03)), 0, 1)


def fringed(rng: Rng, out: Picture) -> Picture:
    """Red and blue a little larger, smaller or shifted."""
    h, w = out.shape[:2]
    for channel in (0, 2):
        zoom = 1 + rng.normal(0, 0.003)
        move = np.array(
            [
                [zoom, 0, rng.normal(0, 0.5) + (1 - zoom) * w / 2],
                [0, zoom, rng.normal(0, 0.5) + (1 - zoom) * h / 2],
            ]
        )
        out[..., channel] = cv2.warpAffine(
            np.ascontiguousarray(out[..., channel]), move, (w, h), borderMode=cv2.BORDER_REPLICATE
        )
    return out


def noisy(rng: Rng, out: Picture) -> Picture:
    """Photon and read noise."""
    read, shot = spread(rng, 0.0005, 0.015), spread(rng, 0.0005, 0.03)
    deviation = np.sqrt(np.float32(read**2) + np.float32(shot**2) * out)
    return out + deviation * grain(rng, out.shape[0], 3)


def toned(rng: Rng, out: Picture) -> Picture:
    """Code by a power near sRGB's, then an S-curve and a change of saturation."""
    codes = np.linspace(0, 1, 4096, dtype=np.float32)
    curve = np.power(codes, np.float32(1 / between(rng, 1.5, 2.6)))
    if chance(rng, 0.4):
        curve = curve + np.float32(between(rng, -0.5, 1.0)) * (curve * curve * (3 - 2 * curve) - curve)
    out = np.take(curve, (np.clip(out, 0, 1) * np.float32(4095)).astype(np.int32))
    if chance(rng, 0.3):
        grey = out.mean(axis=2, keepdims=True)
        out = grey + np.float32(between(rng, 0.2, 1.8)) * (out - grey)
    return out


def denoised(rng: Rng, out: Picture) -> Picture:
    """Smooth away the grain as cameras do, edges kept."""
    kind = rng.integers(3)
    if kind == 0:
        return np.asarray(cv2.bilateralFilter(out, 5, between(rng, 0.03, 0.15), 2.0), np.float32)
    if kind == 1:
        return np.asarray(cv2.medianBlur(np.clip(out, 0, 1).astype(np.float32), 3), np.float32)
    smooth = blurred(out, between(rng, 0.8, 2))
    keep = np.clip(np.abs(out - smooth).max(axis=2, keepdims=True) / between(rng, 0.03, 0.12), 0, 1)
    return smooth + keep * (out - smooth)


def interpolated(rng: Rng, out: Picture) -> Picture:
    """Blow up a smaller picture."""
    h, w = out.shape[:2]
    share = between(rng, 0.45, 0.9)
    small = cv2.resize(out, (int(w * share), int(h * share)), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC), np.float32)


def stained(rng: Rng, light: Picture) -> Picture:
    """Glare, dust and fibres over the scene."""
    side = light.shape[0]
    if chance(rng, 0.2):
        x, y = grid(side)
        cx, cy = rng.uniform(0, side, 2).astype(np.float32)
        a, b = (spread(rng, 8, 90) for _ in range(2))
        spot = np.exp(-(((x - cx) / np.float32(a)) ** 2) - ((y - cy) / np.float32(b)) ** 2)
        light = light + (np.float32(spread(rng, 0.05, 2)) * spot)[..., None]
    if chance(rng, 0.4):
        canvas = np.zeros((side, side), np.uint8)
        for _ in range(rng.integers(1, 25)):
            x0, y0 = (int(v) for v in rng.uniform(0, side, 2))
            if chance(rng, 0.8):
                cv2.circle(canvas, (x0, y0), int(spread(rng, 1, 4)), 255, -1, cv2.LINE_AA)
            else:
                points = np.cumsum(rng.normal(0, 8, (6, 2)), axis=0) + np.array([x0, y0])
                cv2.polylines(canvas, [points.astype(np.int32)], False, 255, 1, cv2.LINE_AA)
        over = np.float32(spread(rng, 0.01, 1)) * np.exp(rng.normal(0, 0.2, 3)).astype(np.float32)
        mask = blurred(canvas.astype(np.float32) / np.float32(255), between(rng, 0, 1.5))[..., None]
        light = light + (over - light) * mask
    return light


def written_on(rng: Rng, codes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Burn text, a scale bar or a frame into the stored picture."""
    side = codes.shape[0]
    out = np.ascontiguousarray(codes)
    tint = tuple(int(v) for v in ((255, 255, 255), (0, 0, 0), (255, 40, 20), (250, 240, 30))[rng.integers(4)])
    text = "".join(rng.choice(list("0123456789 .xumXZABTF-:/"), rng.integers(3, 18)))
    x0, y0 = (
        int(between(rng, 0, 0.7) * side),
        int(rng.choice([between(rng, 0.04, 0.12), between(rng, 0.9, 0.98)]) * side),
    )
    cv2.putText(out, text, (x0, y0), int(rng.integers(0, 4)), between(rng, 0.3, 0.9), tint, 1, cv2.LINE_AA)
    if chance(rng, 0.6):
        length = int(between(rng, 0.1, 0.4) * side)
        x1 = int(between(rng, 0.02, 0.6) * side)
        y1 = int(between(rng, 0.85, 0.97) * side)
        cv2.line(out, (x1, y1), (x1 + length, y1), tint, int(rng.integers(1, 4)))
        for x2 in (x1, x1 + length):
            cv2.line(out, (x2, y1 - 4), (x2, y1 + 4), tint, 1)
    return out
