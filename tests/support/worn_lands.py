"""Drawn flanks with a worn land: a flat with streaks along the edge, before a face with specks.

What the reading goes by was chosen with seeds 0 to 11 in view: widths, light, streaks, grain, glare and tapering are drawn at random over wide
ranges. The flat ends where contact ended, at s = 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from measured import measured
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from wearscope.light.strip import UNUSED, USED, Strip
from wearscope.wear.measured import MeasuredStrip
from wearscope.wear.zones import GUARD_UM

STEP_UM = 2.0
S_UM = np.arange(-2000.0, 1000.0, STEP_UM)
D_UM = np.arange(-160.0, 400.0, STEP_UM)


@dataclass(frozen=True)
class WornLand:
    """A drawn flank and the width of its land, averaged where it counts; 0 where there is none."""

    seen: MeasuredStrip
    width_um: float


def _smooth(rng: np.random.Generator, length_um: float) -> np.ndarray:
    line = gaussian_filter1d(rng.standard_normal(len(S_UM)), length_um / STEP_UM, mode="reflect")
    return line / line.std()


def worn_land(
    seed: int, *, worn: bool = True, streaks: int | None = None, specks: bool | None = None
) -> WornLand:
    """Draw a flank.

    Parameters
    ----------
    seed : int
    worn : bool
        Whether it has a land at all.
    streaks : int, optional
        Bright lines along the flat; 0 to 3 at random when not given.
    specks : bool, optional
        Whether the face has specks, or grinding marks across; at random when not given.

    Returns
    -------
    WornLand
    """
    rng = np.random.default_rng([seed, 7])
    used = S_UM < 0.0
    mean_um = float(np.exp(rng.uniform(np.log(30.0), np.log(130.0))))
    taper = np.interp(S_UM, [-2000.0, -1200.0, 0.0], [rng.uniform(0.3, 1.0), 1.0, 1.0])
    width = mean_um * taper * (1.0 + 0.08 * _smooth(rng, 120.0)) + 2.0 * _smooth(rng, 12.0)
    width = np.where(used & worn, np.maximum(width, 6.0), 0.0)
    edge = 4.0 * _smooth(rng, 300.0)
    deep = D_UM[:, None] - edge[None, :]
    # the face: light that changes along the edge, with a patch of glare, and its texture
    level = 0.12 * np.exp(0.5 * _smooth(rng, 400.0))
    glare = 1.0 + rng.uniform(0.0, 2.0) * np.exp(
        -(((S_UM - rng.uniform(-1500, 500)) / 200.0) ** 2)[None, :]
        - ((deep - rng.uniform(40.0, 250.0)) / 90.0) ** 2
    )
    speckled = bool(rng.random() < 0.6) if specks is None else specks
    noise = rng.standard_normal(deep.shape)
    grain = gaussian_filter(noise, (2.0, 2.0)) if speckled else gaussian_filter(noise, (40.0, 2.0))
    face = level[None, :] * glare * np.exp(rng.uniform(0.2, 0.5) * grain / grain.std())
    # the flat: even, lighter or darker, with streaks along it and at times a fine rim where it ends
    flat = level[None, :] * rng.choice([0.3, 0.5, 1.8, 3.0]) * (1.0 + 0.05 * noise)
    for _ in range(int(rng.integers(0, 4)) if streaks is None else streaks):
        at = rng.uniform(0.1, 0.85) * width + 1.5 * _smooth(rng, 60.0)
        where = 1.0 / (1.0 + np.exp(-(rng.uniform(-1.0, 1.5) + _smooth(rng, 250.0)) * 4.0))
        line = np.exp(-0.5 * ((deep - at[None, :]) / rng.uniform(2.0, 6.0)) ** 2)
        flat = flat + rng.uniform(0.1, 0.6) * line * where[None, :]
    if rng.random() < 0.5:
        flat = flat + rng.uniform(0.05, 0.2) * np.exp(-0.5 * ((deep - width[None, :] + 2.0) / 2.0) ** 2)
    light = np.where(deep < width[None, :], flat, face)
    light = light + rng.uniform(0.1, 0.4) * np.exp(-0.5 * ((deep - 3.0) / 3.0) ** 2)  # the rounded edge
    behind = 0.03 * (1.0 + 0.5 * np.sin(D_UM / 60.0))[:, None]
    light = gaussian_filter(np.where(deep < 0.0, behind, light), rng.uniform(0.8, 1.6))
    light = np.clip(light + rng.normal(0.0, 0.004, light.shape), 0.0, 1.0)
    strip = Strip(np.repeat(light[..., None], 3, axis=2).astype(np.float32), S_UM, D_UM, STEP_UM)
    labels = np.zeros(len(S_UM), np.int8)
    labels[(S_UM < -GUARD_UM) & (S_UM[0] + 75.0 < S_UM)] = USED
    labels[(S_UM > GUARD_UM) & (S_UM[-1] - 75.0 > S_UM)] = UNUSED
    seen = measured(strip, labels, edge + rng.normal(0.0, 1.0, len(S_UM)))
    seen = replace(seen, zones=replace(seen.zones, place=seen.zones.transition))
    return WornLand(seen, float(width[labels == USED].mean()))
