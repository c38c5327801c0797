"""The coating's colour, and what an edge that has lost none of it shows by depth."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import Strip, dark_unseen, median_of_seen
from wearscope.metrology.robust import scatter

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BAND_UM = 100.0  # design: the band along the edge that counts
# face beyond the band: carries the coating's colour and the light's unevenness; chosen
DEEP_UM = (150.0, 400.0)
OWN_COLOUR_UM = (
    25.0  # below the silhouette, from where on an unused edge shows its own colour; chosen, no source
)
FAR_OFF = 5.0  # standard deviations from which a pixel of the coating is none: dirt, glare; chosen, no source
SEPARATION = 4.0  # substrate colour must stand out from the coating's by so many standard deviations; chosen
DARKEST = np.float32(2e-3)  # light below which a colour says nothing: chosen, no source
LEAST_SPREAD = 1e-4  # of log ratios, so that pixels all alike have a scatter
LEAST_COLUMNS, LEAST_PIXELS = 20, 100  # that make a colour; chosen, no source
# Log ratios of bare carbide against what is white, between (0.04, -0.05) and (0.18, -0.07): tungsten's from handbook
# reflectances and from optical constants (CRC Handbook of Chemistry and Physics; E. D. Palik, "Handbook of optical
# constants of solids", 1985; both from memory); the carbide is as grey
CARBIDE = np.array([0.11, -0.06])
LIKE_CARBIDE = (
    0.14  # a coating whose colour is so near to it cannot be told from it; chosen: as wide as that range
)
WHITE = (0.3, 0.97)  # light of a card that is neither in shadow nor burnt out; chosen, no source
BEHIND_UM = (
    40.0  # outside the silhouette, from where on there is nothing but what lies behind; chosen, no source
)


@dataclass(frozen=True)
class CoatingColour:
    """The coating's colour.

    Attributes
    ----------
    mean : ndarray, shape (2,)
        Log ratios red/green and blue/green.
    inverse_covariance : ndarray, shape (2, 2)
    """

    mean: Array
    inverse_covariance: Array


@dataclass(frozen=True)
class UsualColour:
    """How an edge that has lost no coating looks, by depth below the silhouette.

    Bleed from the background, burnt-out light and compression colour every edge at the same depth, so what an
    unused edge shows of it is no sign of substrate on a used one.

    Attributes
    ----------
    step_um : float
        From one sample of depth to the next.
    departure : ndarray, shape (K, 2)
        Median departure from the coating's colour at each sample of depth over the band.
    far : ndarray, shape (K,)
        Share of pixels farther than `SEPARATION` from the coating's colour all the same.
    """

    step_um: float
    departure: Array
    far: Array

    def at(self, step_um: float) -> UsualColour:
        """The same at other samples of depth: those of a photo at another scale.

        Parameters
        ----------
        step_um : float

        Returns
        -------
        UsualColour
        """
        own_um = np.arange(len(self.far)) * self.step_um
        depth_um = np.arange(round(BAND_UM / step_um)) * step_um
        red, blue, far = (np.interp(depth_um, own_um, each) for each in (*self.departure.T, self.far))
        return UsualColour(step_um, np.column_stack([red, blue]), far)


def colour_ratios(strip: Strip, blur_px: float = 1.0) -> NDArray[np.float32]:
    """Log ratios red/green and blue/green of a strip, slightly smoothed, shape (D, S, 2).

    Parameters
    ----------
    strip : Strip
    blur_px : float
        Sigma of the smoothing, in samples.

    Returns
    -------
    ndarray of float32, shape (D, S, 2)
    """
    red, green, blue = (
        np.log(np.maximum(cv2.GaussianBlur(one, (0, 0), blur_px), DARKEST))
        for one in cv2.split(dark_unseen(strip.light))
    )
    ratios = np.asarray(cv2.merge([red - green, blue - green]), np.float32)
    ratios[np.isnan(strip.light[..., 0])] = np.nan
    return ratios


def even_out(strip: Strip, ratios: NDArray[np.float32], coated: Mask | None = None) -> NDArray[np.float32]:
    """Take the slow drift of colour along the edge out, as the face beyond the band shows it.

    Parameters
    ----------
    strip : Strip
    ratios : ndarray, shape (D, S, 2)
    coated : ndarray of bool, shape (S,), optional
        Columns known to be coated. On the others the coating may be gone as deep as the face is seen: where its
        colour steps there by more than it scatters, the step is bare substrate and stays in.

    Returns
    -------
    ndarray of float32, shape (D, S, 2)

    Notes
    -----
    The drift is a parabola, for a lamp's or a lens's tint is symmetric about a middle; a straight line leaves
    its curvature in and shows substrate at the ends of the frame.
    """
    deep = (strip.d_um > DEEP_UM[0]) & (strip.d_um < DEEP_UM[1])
    if deep.sum() < 4:
        return ratios
    # a parabola needs no more than every third column
    column = np.full(ratios.shape[1:], np.nan)
    column[::3] = _nanmedian_rows(ratios[deep, ::3])
    usable = np.isfinite(column[:, 0])
    if usable.sum() < LEAST_COLUMNS:
        return ratios
    x = (strip.s_um - strip.s_um.mean()) / max(float(np.ptp(strip.s_um)), 1.0)
    terms = np.vander(x, 3)
    drift = terms @ np.linalg.lstsq(terms[usable], column[usable], rcond=None)[0]
    if coated is not None and min((usable & coated).sum(), (usable & ~coated).sum()) >= LEAST_COLUMNS:
        stepped = np.column_stack([terms, ~coated])
        fit = np.linalg.lstsq(stepped[usable], column[usable], rcond=None)[0]
        pixels = ratios[deep][:, usable & coated] - column[usable & coated]
        of_pixels = scatter(pixels, axis=(0, 1), about=0.0) + LEAST_SPREAD
        if np.hypot(*(fit[3] / of_pixels)) > SEPARATION:
            drift = terms @ fit[:3]
    middle = np.median(drift, axis=0)
    return ratios - np.asarray(drift - middle, np.float32)


def deep_colour(ratios: NDArray[np.float32], strip: Strip) -> Array | None:
    """Median log ratios of the face beyond the band, shape (2,), or None where it is not seen.

    Parameters
    ----------
    ratios : ndarray, shape (D, S, 2)
        From `colour_ratios`, evened out.
    strip : Strip

    Returns
    -------
    ndarray, shape (2,), or None
    """
    # every third column tells the colour of all
    deep = ratios[(strip.d_um > DEEP_UM[0]) & (strip.d_um < DEEP_UM[1]), ::3].reshape(-1, 2)
    deep = deep[np.isfinite(deep).all(axis=1)]
    return np.asarray(np.median(deep, axis=0), float) if len(deep) > LEAST_PIXELS else None


def _nanmedian_rows(values: NDArray[np.float32]) -> Array:
    """Median down each column; NaN where the face is only seen in part."""
    whole = np.isfinite(values[..., 0]).all(axis=0)
    out = np.full(values.shape[1:], np.nan)
    out[whole] = np.median(values[:, whole], axis=0)
    return out


def learn_coating(strip: Strip, ratios: NDArray[np.float32], columns: Mask) -> CoatingColour | None:
    """The coating's colour from columns that have not cut: their band, a little inside the edge.

    Falls back on the face beyond the band of all columns when there are none; None when that is not seen either.

    Parameters
    ----------
    strip : Strip
    ratios : ndarray, shape (D, S, 2)
        From `colour_ratios`, evened out.
    columns : ndarray of bool, shape (S,)

    Returns
    -------
    CoatingColour or None
    """
    band = (strip.d_um > OWN_COLOUR_UM) & (strip.d_um < BAND_UM)
    deep = (strip.d_um > DEEP_UM[0]) & (strip.d_um < DEEP_UM[1])
    sample = ratios[band][:, columns] if columns.sum() >= LEAST_COLUMNS else ratios[deep]
    flat = sample.reshape(-1, 2)
    flat = flat[np.isfinite(flat).all(axis=1)]
    if len(flat) < LEAST_PIXELS:
        return None
    mean = np.median(flat, axis=0)
    spread = np.asarray(flat - mean, np.float64)
    limit = FAR_OFF * scatter(spread, axis=0, about=0.0) + LEAST_SPREAD
    kept = spread[(np.abs(spread) < limit).all(axis=1)]
    inverse = np.asarray(np.linalg.inv(np.cov(kept.T) + 1e-6 * np.eye(2)), np.float64)
    return CoatingColour(np.asarray(mean, float), inverse)


def usual_colour(
    strip: Strip, ratios: NDArray[np.float32], coating: CoatingColour, silhouette_um: Array, columns: Mask
) -> UsualColour:
    """How an edge that has lost no coating looks, by depth below the silhouette.

    Parameters
    ----------
    strip : Strip
    ratios : ndarray, shape (D, S, 2)
        From `colour_ratios`, evened out.
    coating : CoatingColour
    silhouette_um : ndarray, shape (S,)
    columns : ndarray of bool, shape (S,)

    Returns
    -------
    UsualColour
    """
    departure = by_depth(strip, ratios, silhouette_um, columns) - coating.mean
    mean = np.nan_to_num(median_of_seen(departure)) if departure.size else np.zeros((len(departure), 2))
    return UsualColour(step_um_of(strip), mean, far_share(departure - mean[:, None], coating))


def step_um_of(strip: Strip) -> float:
    """Distance from one row of a strip to the next.

    Parameters
    ----------
    strip : Strip

    Returns
    -------
    float
    """
    return float(strip.d_um[1] - strip.d_um[0])


def by_depth(strip: Strip, values: NDArray[np.float32], silhouette_um: Array, columns: Mask) -> Array:
    """Values by depth below the silhouette of some columns, shape (K, columns, 2).

    Parameters
    ----------
    strip : Strip
    values : ndarray, shape (D, S, 2)
    silhouette_um : ndarray, shape (S,)
    columns : ndarray of bool, shape (S,)

    Returns
    -------
    ndarray, shape (K, columns, 2)
    """
    return np.asarray(values[band_rows(strip, silhouette_um, columns)], np.float64)


def band_rows(strip: Strip, silhouette_um: Array, columns: Mask) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the band below the silhouette of some columns, broadcast to (K, columns).

    Parameters
    ----------
    strip : Strip
    silhouette_um : ndarray, shape (S,)
    columns : ndarray of bool, shape (S,)

    Returns
    -------
    rows : ndarray of int, shape (K, columns)
    columns : ndarray of int, shape (1, columns)
    """
    at = np.flatnonzero(columns & np.isfinite(silhouette_um))
    step_um = step_um_of(strip)
    depths = np.arange(round(BAND_UM / step_um))
    rows = np.round((silhouette_um[at] - strip.d_um[0]) / step_um).astype(int)[None, :] + depths[:, None]
    return np.clip(rows, 0, len(strip.d_um) - 1), at[None, :]


def far_share(departure: Array, coating: CoatingColour) -> Array:
    """Share of pixels farther than `SEPARATION` from the coating's colour at each depth, shape (K,).

    Parameters
    ----------
    departure : ndarray, shape (K, columns, 2)
    coating : CoatingColour

    Returns
    -------
    ndarray, shape (K,)
    """
    seen = np.isfinite(departure).all(axis=2)
    far = seen & (distance_from(np.nan_to_num(departure), coating) > SEPARATION)
    return np.asarray(far.sum(axis=1) / np.maximum(seen.sum(axis=1), 1))


def distance_from(departure: Array, coating: CoatingColour) -> Array:
    """Standard deviations of the coating's colour by which colours depart from it (Mahalanobis), shape (...).

    Parameters
    ----------
    departure : ndarray, shape (..., 2)
    coating : CoatingColour

    Returns
    -------
    ndarray, shape (...)
    """
    (xx, xy), (_, yy) = coating.inverse_covariance
    x, y = departure[..., 0], departure[..., 1]
    return np.asarray(np.sqrt(xx * x**2 + 2.0 * xy * x * y + yy * y**2))


def is_grey(strip: Strip, coating: CoatingColour, silhouette_um: Array) -> bool:
    """Whether a coating has the colour of bare carbide, against the card behind it where there is a white one.

    Without one, white is what the camera takes for white.

    Parameters
    ----------
    strip : Strip
    coating : CoatingColour
    silhouette_um : ndarray, shape (S,)

    Returns
    -------
    bool
    """
    return float(np.hypot(*(coating.mean - _white(strip, silhouette_um) - CARBIDE))) < LIKE_CARBIDE


def carbide_stands_out(strip: Strip, coating: CoatingColour, silhouette_um: Array) -> float:
    """By how many standard deviations of the coating's colour a pixel of bare carbide differs from it.

    Parameters
    ----------
    strip : Strip
    coating : CoatingColour
    silhouette_um : ndarray, shape (S,)

    Returns
    -------
    float
    """
    away = _white(strip, silhouette_um) + CARBIDE - coating.mean
    return float(np.sqrt(away @ coating.inverse_covariance @ away))


def _white(strip: Strip, silhouette_um: Array) -> Array:
    """Log ratios red/green and blue/green of a white card behind an edge; the camera's white where there is none."""
    # every third column tells what lies behind
    behind = strip.light[strip.d_um < float(np.nanmin(silhouette_um)) - BEHIND_UM, ::3].reshape(-1, 3)
    white = behind[((behind > WHITE[0]) & (behind < WHITE[1])).all(axis=1)]
    of_white = np.zeros(2)
    if len(white) > 0.5 * len(behind) > 50:
        logs = np.log(np.median(white, axis=0))
        of_white = np.asarray(logs[[0, 2]] - logs[1], float)
    return of_white
