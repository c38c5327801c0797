"""Strips of a relief face drawn from its geometry: the area each sample sees, blurred, with noise."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from wearscope.light.strip import UNUSED, USED, Strip
from wearscope.wear.zones import GUARD_UM

STEP_UM = 4.0
FINE = 4  # samples across per sample of the strip
S_UM = np.arange(-2000.0, 2000.0, STEP_UM)
D_UM = np.arange(-160.0, 540.0, STEP_UM)
FACE = np.array([0.4, 0.38, 0.36])


def marks(seed: int, strength: float = 0.06) -> np.ndarray:
    """Grinding marks that run across the edge, shape (S,), as a factor of the light."""
    noise = gaussian_filter1d(np.random.default_rng(seed).standard_normal(len(S_UM)), 2.0)
    return 1.0 + strength * noise / noise.std()


def face(
    silhouette_um,
    *,
    bands=(),
    background=(0.02, 0.02, 0.02),
    lamp_um=None,
    texture=None,
    blur_um=4.5,
    noise=0.01,
    seed=0,
) -> Strip:
    """Draw a strip.

    `bands`: (end_um, light, keeps_marks), from the outside in: what shows from the silhouette to `end_um`.
    `lamp_um`: depth below the silhouette of the lamps' image, where the edge has one.
    """
    fine = (np.arange(len(D_UM) * FINE) + 0.5) / FINE * STEP_UM + D_UM[0] - STEP_UM / 2
    silhouette_um = np.broadcast_to(silhouette_um, S_UM.shape)
    texture = np.ones(len(S_UM)) if texture is None else texture
    light = FACE * np.broadcast_to(texture[None, :, None], (len(fine), len(S_UM), 3))
    for end_um, colour, keeps in reversed(bands):
        inside = fine[:, None] < np.broadcast_to(end_um, S_UM.shape)[None, :]
        shown = np.asarray(colour) * (texture[None, :, None] if keeps else 1.0)
        light = np.where(inside[..., None], shown, light)
    if lamp_um is not None:
        line = np.exp(
            -(((fine[:, None] - silhouette_um - np.broadcast_to(lamp_um, S_UM.shape)) / 4.0) ** 2) / 2
        )
        light = light + 0.5 * (line * (np.broadcast_to(lamp_um, S_UM.shape) > 0))[..., None]
    light = np.where((fine[:, None] < silhouette_um)[..., None], np.asarray(background), light)
    light = gaussian_filter(light, (blur_um / STEP_UM * FINE, blur_um / STEP_UM, 0), mode="nearest")
    light = light.reshape(len(D_UM), FINE, len(S_UM), 3).mean(axis=1)
    light = light + np.random.default_rng([seed, 1]).normal(0, noise, light.shape)
    return Strip(np.clip(light, 0, 1).astype(np.float32), S_UM, D_UM, STEP_UM)


def labels_with_transition() -> np.ndarray:
    """Used at s < 0, unused at s > 0, the guard and the ends left out."""
    labels = np.zeros(len(S_UM), np.int8)
    inside = np.abs(S_UM) < 1900.0
    labels[inside & (S_UM < -GUARD_UM)] = USED
    labels[inside & (S_UM > GUARD_UM)] = UNUSED
    return labels
