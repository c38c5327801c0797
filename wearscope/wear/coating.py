"""Coating loss and setback: where along the edge the substrate's colour shows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.clipping import CLIPPED
from wearscope.light.strip import Strip, grey, median_of_seen
from wearscope.metrology.robust import scatter
from wearscope.metrology.uncertainty import Budget, Input, linear

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BAND_UM = 100.0
DEEP_UM = (150.0, 400.0)  # face beyond the band: carries the coating's colour and the light's unevenness
READABLE = 0.35  # of the face's light; darker places show the background rather than their own colour
FAR_OFF = 5.0  # standard deviations from which a pixel of the coating is none: dirt, glare; chosen, no source
SEPARATION = 4.0  # substrate colour must stand out from the coating's by so many standard deviations
BLEED = 2.5  # times the blur: nearer to the silhouette the background's colour bleeds in
STRAY_MATTERS = 0.5  # standard uncertainty of the loss per share of stray colours
# In log ratio: what uneven light and JPEG give, and what is safely more
LEAST_DEPARTURE, FAINT_DEPARTURE = 0.04, 0.1
U_GREY = 1.0 / np.sqrt(12.0)  # of a loss that may be anything from none to all
U_FAINT = 0.15  # standard uncertainty of the loss where the two colours are as near as that
# Log ratios of bare carbide against what is white, between (0.04, -0.05) and (0.18, -0.07): tungsten's from handbook
# reflectances and from optical constants (CRC Handbook of Chemistry and Physics; E. D. Palik, "Handbook of optical
# constants of solids", 1985; both from memory); the carbide is as grey
CARBIDE = np.array([0.11, -0.06])
LIKE_CARBIDE = 0.14  # a coating whose colour is so near to it cannot be told from it
# Where the pixels of the bare strip show so many times less of the substrate's colour than the purest depth does, the
# strip is hardly wider than the blur, and half of that is as well as the border is known
MIXED, UNRESOLVED = 1.5, 0.5
MOSTLY = 0.5  # of the columns that must be readable at a depth that speaks for all
WHITE = (0.3, 0.97)  # light of a card that is neither in shadow nor burnt out
LEAST_SHARE = 0.01  # of the band; fewer substrate pixels do not make a colour of their own


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
        """The same at other samples of depth: those of a photo at another scale."""
        own_um = np.arange(len(self.far)) * self.step_um
        depth_um = np.arange(round(BAND_UM / step_um)) * step_um
        red, blue, far = (np.interp(depth_um, own_um, each) for each in (*self.departure.T, self.far))
        return UsualColour(step_um, np.column_stack([red, blue]), far)


@dataclass(frozen=True)
class CoatingMap:
    """Where the coating is gone.

    Attributes
    ----------
    substrate : ndarray of bool, shape (D, S)
    unreadable_share : ndarray, shape (S,)
        Share of the band whose own colour could not be read and was taken from further in.
    readable_from_um : ndarray, shape (S,)
        Depth below the silhouette of the outermost place whose own colour could be read, the band's at most.
    found : bool
        Whether a substrate colour was found at all.
    stray_share : float
        Of the band, the share whose colour strays from the coating's although nothing is lost.
    faint : bool
        Whether the substrate's colour hardly differs from the coating's.
    u_border_um : float
        Standard uncertainty of where the two colours meet.
    grey : bool
        Whether the coating's colour is that of bare carbide, so that no loss need show.
    """

    substrate: Mask
    unreadable_share: Array
    readable_from_um: Array
    found: bool
    stray_share: float
    faint: bool
    u_border_um: float
    grey: bool = False


@dataclass(frozen=True)
class ZoneCoating:
    """Zone means: loss as a share of the band, setback in µm, and the share of the band that cannot be read."""

    loss_budget: Budget
    setback_budget: Budget
    unreadable: float

    @property
    def loss(self) -> float:
        """Mean loss."""
        return self.loss_budget.value

    @property
    def u_loss(self) -> float:
        """Standard uncertainty of the loss."""
        return self.loss_budget.u

    @property
    def setback_um(self) -> float:
        """Mean setback."""
        return self.setback_budget.value

    @property
    def u_setback_um(self) -> float:
        """Standard uncertainty of the setback."""
        return self.setback_budget.u


def colour_ratios(strip: Strip, blur_px: float = 1.0) -> NDArray[np.float32]:
    """Log ratios red/green and blue/green of a strip, slightly smoothed, shape (D, S, 2)."""
    unseen = np.isnan(strip.light[..., 0])
    light = strip.light.copy()
    light[unseen] = 0.0
    red, green, blue = (
        np.log(np.maximum(cv2.GaussianBlur(one, (0, 0), blur_px), np.float32(2e-3)))
        for one in cv2.split(light)
    )
    ratios = np.asarray(cv2.merge([red - green, blue - green]), np.float32)
    ratios[unseen] = np.nan
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
    if usable.sum() < 20:
        return ratios
    x = (strip.s_um - strip.s_um.mean()) / max(float(np.ptp(strip.s_um)), 1.0)
    terms = np.vander(x, 3)
    drift = terms @ np.linalg.lstsq(terms[usable], column[usable], rcond=None)[0]
    if coated is not None and min((usable & coated).sum(), (usable & ~coated).sum()) >= 20:
        stepped = np.column_stack([terms, ~coated])
        fit = np.linalg.lstsq(stepped[usable], column[usable], rcond=None)[0]
        pixels = ratios[deep][:, usable & coated] - column[usable & coated]
        of_pixels = scatter(pixels, axis=(0, 1), about=0.0) + 1e-4
        if np.hypot(*(fit[3] / of_pixels)) > SEPARATION:
            drift = terms @ fit[:3]
    middle = np.median(drift, axis=0)
    return ratios - np.asarray(drift - middle, np.float32)


def deep_colour(ratios: NDArray[np.float32], strip: Strip) -> Array | None:
    """Median log ratios of the face beyond the band, shape (2,), or None where it is not seen."""
    # every third column tells the colour of all
    deep = ratios[(strip.d_um > DEEP_UM[0]) & (strip.d_um < DEEP_UM[1]), ::3].reshape(-1, 2)
    deep = deep[np.isfinite(deep).all(axis=1)]
    return np.asarray(np.median(deep, axis=0), float) if len(deep) > 100 else None


def _nanmedian_rows(values: NDArray[np.float32]) -> Array:
    """Median down each column; NaN where the face is only seen in part."""
    whole = np.isfinite(values[..., 0]).all(axis=0)
    out = np.full(values.shape[1:], np.nan)
    out[whole] = np.median(values[:, whole], axis=0)
    return out


def learn_coating(strip: Strip, ratios: NDArray[np.float32], columns: Mask) -> CoatingColour | None:
    """The coating's colour from columns that have not cut: their band, a little inside the edge.

    Falls back on the face beyond the band of all columns when there are none; None when that is not seen either.
    """
    band = (strip.d_um > 25.0) & (strip.d_um < BAND_UM)
    deep = (strip.d_um > DEEP_UM[0]) & (strip.d_um < DEEP_UM[1])
    sample = ratios[band][:, columns] if columns.sum() >= 20 else ratios[deep]
    flat = sample.reshape(-1, 2)
    flat = flat[np.isfinite(flat).all(axis=1)]
    if len(flat) < 100:
        return None
    mean = np.median(flat, axis=0)
    spread = np.asarray(flat - mean, np.float64)
    limit = FAR_OFF * scatter(spread, axis=0, about=0.0) + 1e-4
    kept = spread[(np.abs(spread) < limit).all(axis=1)]
    inverse = np.asarray(np.linalg.inv(np.cov(kept.T) + 1e-6 * np.eye(2)), np.float64)
    return CoatingColour(np.asarray(mean, float), inverse)


def usual_colour(
    strip: Strip, ratios: NDArray[np.float32], coating: CoatingColour, silhouette_um: Array, columns: Mask
) -> UsualColour:
    """How an edge that has lost no coating looks, by depth below the silhouette."""
    departure = _by_depth(strip, ratios, silhouette_um, columns) - coating.mean
    mean = np.nan_to_num(median_of_seen(departure)) if departure.size else np.zeros((len(departure), 2))
    return UsualColour(_step_um(strip), mean, _far_share(departure - mean[:, None], coating))


def _step_um(strip: Strip) -> float:
    return float(strip.d_um[1] - strip.d_um[0])


def _by_depth(strip: Strip, values: NDArray[np.float32], silhouette_um: Array, columns: Mask) -> Array:
    """Values by depth below the silhouette of some columns, shape (K, columns, 2)."""
    return np.asarray(values[_band_rows(strip, silhouette_um, columns)], np.float64)


def _band_rows(
    strip: Strip, silhouette_um: Array, columns: Mask
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the band below the silhouette of some columns, broadcast to (K, columns)."""
    at = np.flatnonzero(columns & np.isfinite(silhouette_um))
    step_um = _step_um(strip)
    depths = np.arange(round(BAND_UM / step_um))
    rows = np.round((silhouette_um[at] - strip.d_um[0]) / step_um).astype(int)[None, :] + depths[:, None]
    return np.clip(rows, 0, len(strip.d_um) - 1), at[None, :]


def _far_share(departure: Array, coating: CoatingColour) -> Array:
    """Share of pixels farther than `SEPARATION` from the coating's colour at each depth, shape (K,)."""
    seen = np.isfinite(departure).all(axis=2)
    far = seen & (_distance(np.nan_to_num(departure), coating) > SEPARATION)
    return np.asarray(far.sum(axis=1) / np.maximum(seen.sum(axis=1), 1))


def _distance(departure: Array, coating: CoatingColour) -> Array:
    (xx, xy), (_, yy) = coating.inverse_covariance
    x, y = departure[..., 0], departure[..., 1]
    return np.asarray(np.sqrt(xx * x**2 + 2.0 * xy * x * y + yy * y**2))


def map_substrate(
    strip: Strip,
    ratios: NDArray[np.float32],
    coating: CoatingColour,
    silhouette_um: Array,
    readable_from_um: Array,
    used: Mask,
    usual: UsualColour,
    blur_um: float,
) -> CoatingMap:
    """Decide for every pixel whether it shows coating or substrate.

    Parameters
    ----------
    strip : Strip
    ratios : ndarray, shape (D, S, 2)
        From `colour_ratios`, evened out.
    coating : CoatingColour
    silhouette_um : ndarray, shape (S,)
    readable_from_um : ndarray, shape (S,)
        Depth from which on the face's own colour can be read (inside the dim strip).
    used : ndarray of bool, shape (S,)
        Columns in which substrate may be looked for.
    usual : UsualColour
        Of the unused edge.
    blur_um : float
        Of the edge: so near to it the background's colour bleeds in, which must not be taken for substrate.

    Notes
    -----
    The substrate's colour is not known beforehand: it is the colour that the band of the used zone holds
    besides the coating's. Where the bare strip is hardly wider than the blur most pixels of it are mixed; the depth
    that shows most of it is the purest. A pixel is substrate when it lies nearer to that colour than to the
    coating's, by the coating's own scatter. Pixels that cannot be read take the class of the nearest readable one
    further in.
    """
    d = strip.d_um[:, None]
    light = grey(strip.light)
    in_band = (d >= silhouette_um[None, :]) & (d <= silhouette_um[None, :] + BAND_UM)
    deep = (strip.d_um > DEEP_UM[0]) & (strip.d_um < DEEP_UM[1])
    # every third column tells the light of all
    deep_light = light[deep, ::3]
    face = float(np.nanmedian(deep_light if np.isfinite(deep_light).any() else light))
    # a burnt-out pixel colours its neighbours through the smoothing
    burnt = grey(np.asarray(strip.light >= CLIPPED, np.float32)) > 0
    clipped = cv2.dilate(np.asarray(burnt, np.uint8), np.ones((3, 3), np.uint8)) > 0
    readable = (d >= readable_from_um[None, :]) & (light > READABLE * face) & ~clipped
    step_um = _step_um(strip)
    usual = usual.at(step_um)
    # numpy is slow to subtract over so short an axis
    less_mean = np.column_stack([np.eye(2), -coating.mean]).astype(np.float32)
    departure = np.asarray(cv2.transform(ratios, less_mean), np.float32)
    rows, at = _band_rows(strip, silhouette_um, np.ones(len(silhouette_um), bool))
    departure[rows, at] -= usual.departure[:, None].astype(np.float32)
    departure[np.isnan(departure[..., 0])] = 0.0
    band = _by_depth(strip, departure, silhouette_um, used)
    band[~readable[_band_rows(strip, silhouette_um, used)]] = np.nan
    far = _far_share(band, coating)
    excess = np.maximum(far - 1.5 * usual.far, 0.0)
    excess[: int(np.ceil(BLEED * blur_um / step_um))] = 0.0
    shown = np.flatnonzero(excess > 0.5 * far)
    found, substrate_departure = False, np.zeros(2)
    if float(excess.mean()) > LEAST_SHARE and len(shown):
        deepest = (shown[-1] + 1) * step_um
        first = shown[0] * step_um
        own = readable & in_band & used[None, :] & (d >= silhouette_um[None, :] + first)
        own &= d <= silhouette_um[None, :] + deepest
        found, substrate_departure = _substrate_colour(departure, coating, own)
    mixed = False
    if found:
        substrate_departure, mixed = _purest(substrate_departure, band, coating)
    substrate = np.zeros(light.shape, bool)
    if found:
        weights = coating.inverse_covariance @ substrate_departure
        share = cv2.transform(departure, weights[None] / float(substrate_departure @ weights))
        substrate = cv2.medianBlur((share > 0.5).astype(np.uint8), 3) > 0
    inside = d >= silhouette_um[None, :]
    substrate = _carried_outward(substrate & readable, readable) & inside
    band_pixels = np.maximum(in_band.sum(axis=0), 1)
    bleed = int(np.ceil(BLEED * blur_um / step_um))
    stray = float(usual.far[bleed:].sum() / max(len(usual.far), 1))
    if not found:
        stray += float(excess.mean())
    faint = found and float(np.hypot(*substrate_departure)) < FAINT_DEPARTURE
    outermost = readable & inside
    first_um = np.where(
        outermost.any(axis=0), strip.d_um[np.argmax(outermost, axis=0)] - silhouette_um, BAND_UM
    )
    return CoatingMap(
        substrate,
        (in_band & ~readable).sum(axis=0) / band_pixels,
        np.clip(np.nan_to_num(first_um), 0.0, BAND_UM),
        found,
        stray,
        faint,
        u_border_um=UNRESOLVED * blur_um if mixed else 0.5 * step_um,
    )


def _purest(departure: Array, band: Array, coating: CoatingColour) -> tuple[Array, bool]:
    """The substrate's departure at the depth that shows most of it, and whether the others show far less.

    Parameters
    ----------
    departure : ndarray, shape (2,)
        From pixels of all depths.
    band : ndarray, shape (K, columns, 2)
        By depth below the silhouette, NaN where it cannot be read.
    """
    seen = np.isfinite(band[..., 0]).mean(axis=1) > MOSTLY
    if not seen.any():
        return departure, False
    by_depth = median_of_seen(band[seen])
    weights = coating.inverse_covariance @ departure
    share = by_depth @ weights / float(departure @ weights)
    best = by_depth[int(np.argmax(share))]
    return (best, True) if share.max() > MIXED else (departure, False)


def is_grey(strip: Strip, coating: CoatingColour, silhouette_um: Array) -> bool:
    """Whether a coating has the colour of bare carbide, against the card behind it where there is a white one.

    Without one, white is what the camera takes for white.
    """
    # every third column tells what lies behind
    behind = strip.light[strip.d_um < float(np.nanmin(silhouette_um)) - 40.0, ::3].reshape(-1, 3)
    white = behind[((behind > WHITE[0]) & (behind < WHITE[1])).all(axis=1)]
    of_white = np.zeros(2)
    if len(white) > 0.5 * len(behind) > 50:
        logs = np.log(np.median(white, axis=0))
        of_white = np.asarray(logs[[0, 2]] - logs[1], float)
    return float(np.hypot(*(coating.mean - of_white - CARBIDE))) < LIKE_CARBIDE


def _substrate_colour(
    departure: NDArray[np.float32], coating: CoatingColour, where: Mask
) -> tuple[bool, Array]:
    sample = departure[where].astype(float)
    nothing = np.zeros(2)
    if len(sample) < 200:
        return False, nothing
    if len(sample) > 20000:
        sample = sample[:: len(sample) // 20000 + 1]
    far = _distance(sample, coating) > SEPARATION
    centre = np.median(sample[far], axis=0)
    members = far
    for _ in range(8):
        weights = coating.inverse_covariance @ centre
        before, members = members, sample @ weights / float(centre @ weights) > 0.6
        if members.sum() < 20:
            return False, nothing
        if (members == before).all():
            break
        centre = np.median(sample[members], axis=0)
    separation = float(np.sqrt(centre @ coating.inverse_covariance @ centre))
    return separation > SEPARATION and float(np.hypot(*centre)) > LEAST_DEPARTURE, centre


def _carried_outward(value: Mask, readable: Mask) -> Mask:
    """Give unreadable pixels the value of the nearest readable one further in, in the same column."""
    carried = value & readable
    for row in range(len(value) - 2, -1, -1):
        carried[row] |= carried[row + 1] & ~readable[row]
    return carried


def zone_coating(
    strip: Strip, found: CoatingMap, silhouette_um: Array, u_silhouette_um: float, columns: Mask
) -> ZoneCoating | None:
    """Mean loss and setback over the columns of a zone.

    The standard uncertainty of the loss holds the edge location (an error of 1 µm moves the band by 1 %), the
    border between the colours (half a pixel along the whole edge), what may hide where nothing could be read, and
    colours that stray without loss.

    Where the outermost place that can be read is coated, the coating may begin there or anywhere outside it. It is
    taken to begin outside, anywhere alike, with the probability that a column of this zone is bare at its edge.
    """
    at = np.flatnonzero(columns & np.isfinite(silhouette_um))
    if len(at) == 0:
        return None
    step_um = _step_um(strip)
    depth = strip.d_um[:, None] - silhouette_um[at][None, :]
    # each sample stands for one step of depth; the samples at both ends of the band count in part
    share = np.clip(
        np.minimum(depth + 0.5 * step_um, BAND_UM) - np.maximum(depth - 0.5 * step_um, 0.0), 0.0, step_um
    )
    bare = found.substrate[:, at]
    loss = (share * bare).sum(axis=0) / np.maximum(share.sum(axis=0), 1e-9)
    setback_um = _first_coating_um(bare, depth, step_um)
    unreadable = float(found.unreadable_share[at].mean())
    # rectangular from none to all of it, with probability p, else none: the mean and the standard deviation
    intact = setback_um <= 0.0
    p = float(1.0 - intact.mean()) if found.found else 0.0
    outside_um = float(np.mean(intact * found.readable_from_um[at]))
    likely_um, u_likely_um = 0.5 * p * outside_um, float(np.sqrt(p / 3.0 - p**2 / 4.0)) * outside_um
    mean_loss = float(loss.mean()) + likely_um / BAND_UM
    edge = Input("silhouette", 0.0, u_silhouette_um)
    border = Input("border between the colours", 0.0, found.u_border_um)
    # where no substrate shows further in, it may still hide in what could not be read (rectangular, 0 to all)
    hidden = Input("what cannot be read", 0.0, 0.0 if found.found else unreadable / np.sqrt(3.0))
    # colours that stray without loss can pass for substrate, and substrate can hide among them
    stray = Input("colours that stray", 0.0, STRAY_MATTERS * found.stray_share)
    faint = Input("faint colours", 0.0, U_GREY if found.grey else U_FAINT if found.faint else 0.0)
    outside = Input("coating that begins where nothing can be read", 0.0, u_likely_um)
    noise = Input("noise of the colours", 0.0, 0.003)
    moved = 1.0 if mean_loss > 0.02 else 0.1
    crossed = 1.0 if found.found else 0.5
    loss_parts = [
        (moved / BAND_UM, edge),
        (crossed / BAND_UM, border),
        (1.0, noise),
        (1.0 / BAND_UM, outside),
        (1.0, hidden),
        (1.0, stray),
        (1.0, faint),
    ]
    setback_parts = [(1.0, edge), (1.0, border), (1.0, outside), (BAND_UM, hidden), (BAND_UM, stray)]
    return ZoneCoating(
        linear(mean_loss, loss_parts),
        linear(float(setback_um.mean()) + likely_um, setback_parts),
        unreadable,
    )


def _first_coating_um(bare: Mask, depth: Array, step_um: float) -> Array:
    """Depth, from the silhouette, at which coating begins in each column; 0 where it begins at the edge."""
    coated = ~bare & (depth >= 0.5 * step_um)
    # a single coated pixel within bare ground is noise, not the border
    steady = coated & np.vstack([coated[1:], coated[-1:]])
    first = np.argmax(steady, axis=0)
    none = ~steady.any(axis=0)
    begins = depth[first, np.arange(depth.shape[1])] - 0.5 * step_um
    begins = np.where(none, depth[-1], begins)
    top = np.argmax(depth >= 0, axis=0) + np.arange(2)[:, None]
    bare_at_top = bare[np.minimum(top, len(depth) - 1), np.arange(depth.shape[1])].any(axis=0)
    starts_coated = ~(bare_at_top & (depth[-1] >= 0))
    return np.where(starts_coated, 0.0, np.maximum(begins, 0.0))
