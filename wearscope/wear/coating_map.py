"""Which pixels of the band along an edge show bare substrate."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.clipping import CLIPPED
from wearscope.light.strip import UNUSED, USED, Strip, grey, median_of_seen
from wearscope.wear.coating_colour import (
    BAND_UM,
    DEEP_UM,
    SEPARATION,
    CoatingColour,
    UsualColour,
    band_rows,
    by_depth,
    carbide_stands_out,
    colour_ratios,
    deep_colour,
    distance_from,
    even_out,
    far_share,
    is_grey,
    learn_coating,
    step_um_of,
    usual_colour,
)
from wearscope.wear.measured import OUTSIDE_UM, MeasuredStrip

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Of the smoothing of colours, in samples: more only where a cheap camera's colours scatter too much
BLURS_PX = (1.0, 2.0, 4.0)
READABLE = 0.35  # of the face's light; darker places show the background rather than their own colour; chosen
BLEED = 2.5  # times the blur: nearer to the silhouette the background's colour bleeds in; chosen: 99 % of a Gaussian
# In log ratio: what uneven light and JPEG give, and what is safely more; chosen, no source
LEAST_DEPARTURE, FAINT_DEPARTURE = 0.04, 0.1
# Where the pixels of the bare strip show so many times less of the substrate's colour than the purest depth does, the
# strip is hardly wider than the blur, and half of that is as well as the border is known; chosen, no source
MIXED, UNRESOLVED = 1.5, 0.5
MOSTLY = 0.5  # of the columns that must be readable at a depth that speaks for all
LEAST_SHARE = 0.01  # of the band; fewer substrate pixels do not make a colour of their own; chosen, no source
BEYOND_USUAL = (
    1.5  # times as many strays as an unused edge shows, before a used one's count; chosen, no source
)
IN_ARC = 0.6  # of the radius, where the lamps' image lies where no line is seen; about 1 - sin(θ/2) at 42°
LEAST_PIXELS, MOST_PIXELS = 200, 20000  # that make a colour, and that suffice for one; chosen, no source
LEAST_MEMBERS = 20  # pixels that make a cluster; chosen, no source
MEMBER = 0.6  # of the way to the substrate's colour, from where on a pixel belongs to it; chosen, no source


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
    noisy : bool
        Whether colours scatter so much from pixel to pixel that bare carbide need not stand out.
    """

    substrate: Mask
    unreadable_share: Array
    readable_from_um: Array
    found: bool
    stray_share: float
    faint: bool
    u_border_um: float
    grey: bool = False
    noisy: bool = False


def read_coating(measured: MeasuredStrip) -> CoatingMap | None:
    """Map bare substrate on a strip.

    Parameters
    ----------
    measured : MeasuredStrip

    Returns
    -------
    CoatingMap or None
        None where the coating's colour cannot be learnt.
    """
    if measured.grey or measured.fits.unused is None:
        return None
    found = None
    for blur_px in BLURS_PX:
        found = _read(measured, blur_px)
        if found is None or found.grey or not found.noisy:
            break
    return found


def _read(measured: MeasuredStrip, blur_px: float) -> CoatingMap | None:
    """Map bare substrate by colours smoothed by so many samples."""
    fits, labels, silhouette_um = measured.fits, measured.labels_in_sight, measured.silhouette_um
    assert fits.unused is not None
    # what lies outside the edge has no say
    whole = measured.strip
    strip = whole.between(float(np.nanmin(silhouette_um)) - OUTSIDE_UM, np.inf)
    ratios = even_out(strip, colour_ratios(strip, blur_px), labels == UNUSED)
    unworn = _Unworn(strip, ratios, silhouette_um, labels == UNUSED)
    if measured.new is not None and not (labels == UNUSED).any():
        new = measured.new.between(-OUTSIDE_UM, np.inf)
        unworn = _new_as_now(new, strip, ratios, fits.unused.silhouette_um, blur_px)
    colour = learn_coating(unworn.strip, unworn.ratios, unworn.columns)
    if colour is None:
        return None
    usual = usual_colour(unworn.strip, unworn.ratios, colour, unworn.silhouette_um, unworn.columns)
    looked_for = labels == (USED if (labels == USED).any() else UNUSED)
    found = map_substrate(
        strip,
        ratios,
        colour,
        silhouette_um,
        _readable_from_um(measured, fits.unused.blur_um),
        looked_for,
        usual,
        fits.unused.blur_um,
    )
    outside = len(whole.d_um) - len(strip.d_um)
    return replace(
        found,
        substrate=np.pad(found.substrate, ((outside, 0), (0, 0))),
        grey=is_grey(whole, colour, silhouette_um),
        noisy=carbide_stands_out(whole, colour, silhouette_um) < SEPARATION,
        # what is smoothed more shows a border less sharply
        u_border_um=float(np.hypot(found.u_border_um, (blur_px - BLURS_PX[0]) * step_um_of(strip))),
    )


def _readable_from_um(measured: MeasuredStrip, blur_um: float) -> Array:
    """Depth from which an edge shows its own colour: the dim strip outside the lamp's image shows the background."""
    used = measured.fits.used
    readable = measured.silhouette_um + 2.0 * blur_um
    if used is None:
        return readable
    line_um = used.bright_line_um
    if not np.isfinite(line_um):
        line_um = used.silhouette_um + IN_ARC * used.radius_um
    inside_um = max(line_um - used.silhouette_um - used.blur_um, 2.0 * blur_um)
    return np.where(measured.labels == UNUSED, readable, measured.silhouette_um + inside_um)


@dataclass(frozen=True, eq=False)
class _Unworn:
    """Where an edge that has lost nothing is to be seen: a strip, its colours, and which columns of it."""

    strip: Strip
    ratios: NDArray[np.float32]
    silhouette_um: Array
    columns: Mask


def _new_as_now(
    new: Strip, now: Strip, ratios: NDArray[np.float32], silhouette_um: float, blur_px: float
) -> _Unworn:
    """The new-state photo's edge in the colours of this photo.

    It was taken at another time: its colours are moved by what the two faces differ deep inside.
    """
    of_new = even_out(new, colour_ratios(new, blur_px))
    ours, theirs = deep_colour(ratios, now), deep_colour(of_new, new)
    if ours is not None and theirs is not None:
        of_new = of_new + np.asarray(ours - theirs, np.float32)
    columns = len(new.s_um)
    return _Unworn(new, of_new, np.full(columns, silhouette_um), np.ones(columns, bool))


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
        Of the edge: near to it the background's colour bleeds in.

    Returns
    -------
    CoatingMap

    Notes
    -----
    The substrate's colour is not known beforehand: it is the colour that the band of the used zone holds
    besides the coating's. Where the bare strip is hardly wider than the blur most pixels of it are mixed; the depth
    that shows most of it is the purest. A pixel is substrate when it lies nearer to that colour than to the
    coating's, by the coating's own scatter. Pixels that cannot be read take the class of the nearest readable one
    further in.
    """
    step_um = step_um_of(strip)
    readable = _readable(strip, readable_from_um)
    usual = usual.at(step_um)
    departure = _departure(strip, ratios, coating, silhouette_um, usual)
    band = by_depth(strip, departure, silhouette_um, used)
    band[~readable[band_rows(strip, silhouette_um, used)]] = np.nan
    bleed = int(np.ceil(BLEED * blur_um / step_um))
    far = far_share(band, coating)
    excess = np.maximum(far - BEYOND_USUAL * usual.far, 0.0)
    excess[:bleed] = 0.0
    own = _substrate(strip, departure, coating, silhouette_um, readable & used[None, :], far, excess)
    own, mixed = (None, False) if own is None else _purest(own, band, coating, bleed)
    stray = float(usual.far[bleed:].sum() / max(len(usual.far), 1))
    inside = strip.d_um[:, None] >= silhouette_um[None, :]
    return CoatingMap(
        _carried_outward(_nearer_to(own, departure, coating) & readable, readable) & inside,
        *_unread(strip, silhouette_um, readable, inside),
        own is not None,
        stray if own is not None else stray + float(excess.mean()),
        own is not None and float(np.hypot(*own)) < FAINT_DEPARTURE,
        u_border_um=UNRESOLVED * blur_um if mixed else 0.5 * step_um,
    )


def _readable(strip: Strip, readable_from_um: Array) -> Mask:
    """Pixels that show their own colour: inside the dim strip, light enough, and not burnt out, shape (D, S)."""
    light = grey(strip.light)
    deep = (strip.d_um > DEEP_UM[0]) & (strip.d_um < DEEP_UM[1])
    # every third column tells the light of all
    deep_light = light[deep, ::3]
    face = float(np.nanmedian(deep_light if np.isfinite(deep_light).any() else light))
    # a burnt-out pixel colours its neighbours through the smoothing
    burnt = grey(np.asarray(strip.light >= CLIPPED, np.float32)) > 0
    clipped = cv2.dilate(np.asarray(burnt, np.uint8), np.ones((3, 3), np.uint8)) > 0
    return (strip.d_um[:, None] >= readable_from_um[None, :]) & (light > READABLE * face) & ~clipped


def _nearer_to(own: Array | None, departure: NDArray[np.float32], coating: CoatingColour) -> Mask:
    """Pixels nearer to the substrate's colour than to the coating's, single ones left out, shape (D, S)."""
    if own is None:
        return np.zeros(departure.shape[:2], bool)
    weights = coating.inverse_covariance @ own
    share = cv2.transform(departure, weights[None] / float(own @ weights))
    return np.asarray(cv2.medianBlur((share > 0.5).astype(np.uint8), 3) > 0)


def _unread(strip: Strip, silhouette_um: Array, readable: Mask, inside: Mask) -> tuple[Array, Array]:
    """Share of the band that cannot be read, and depth from which on it can, shape (S,) each."""
    in_band = inside & (strip.d_um[:, None] <= silhouette_um[None, :] + BAND_UM)
    outermost = readable & inside
    first_um = np.where(
        outermost.any(axis=0), strip.d_um[np.argmax(outermost, axis=0)] - silhouette_um, BAND_UM
    )
    share = (in_band & ~readable).sum(axis=0) / np.maximum(in_band.sum(axis=0), 1)
    return share, np.clip(np.nan_to_num(first_um), 0.0, BAND_UM)


def _departure(
    strip: Strip,
    ratios: NDArray[np.float32],
    coating: CoatingColour,
    silhouette_um: Array,
    usual: UsualColour,
) -> NDArray[np.float32]:
    """Departure from the coating's colour, in the band less what an unused edge departs by, shape (D, S, 2)."""
    # numpy is slow to subtract over so short an axis
    less_mean = np.column_stack([np.eye(2), -coating.mean]).astype(np.float32)
    departure = np.asarray(cv2.transform(ratios, less_mean), np.float32)
    rows, at = band_rows(strip, silhouette_um, np.ones(len(silhouette_um), bool))
    departure[rows, at] -= usual.departure[:, None].astype(np.float32)
    departure[np.isnan(departure[..., 0])] = 0.0
    return departure


def _substrate(
    strip: Strip,
    departure: NDArray[np.float32],
    coating: CoatingColour,
    silhouette_um: Array,
    readable: Mask,
    far: Array,
    excess: Array,
) -> Array | None:
    """The substrate's departure from the coating's colour, if there is one.

    It is looked for at the depths where pixels stray in excess of what they do on an unused edge.
    """
    shown = np.flatnonzero(excess > 0.5 * far)
    if float(excess.mean()) <= LEAST_SHARE or not len(shown):
        return None
    step_um = step_um_of(strip)
    depth_um = strip.d_um[:, None] - silhouette_um[None, :]
    last_um = min((shown[-1] + 1) * step_um, BAND_UM)
    where = readable & (depth_um >= shown[0] * step_um) & (depth_um <= last_um)
    return _substrate_colour(departure, coating, where)


def _purest(departure: Array, band: Array, coating: CoatingColour, bleed: int) -> tuple[Array, bool]:
    """The substrate's departure at the depth that shows most of it, and whether the others show far less.

    Parameters
    ----------
    departure : ndarray, shape (2,)
        From pixels of all depths.
    band : ndarray, shape (K, columns, 2)
        By depth below the silhouette, NaN where it cannot be read.
    coating : CoatingColour
    bleed : int
        Depths into which what lies beside bleeds.
    """
    seen = np.isfinite(band[..., 0]).mean(axis=1) > MOSTLY
    if not seen.any():
        return departure, False
    by_depth = median_of_seen(band[seen])
    weights = coating.inverse_covariance @ departure
    share = by_depth @ weights / float(departure @ weights)
    if (share > MEMBER).sum() > bleed:
        # so wide a strip is not all mixed: what departs by more is no purer, but of another colour
        return departure, False
    best = by_depth[int(np.argmax(share))]
    return (best, True) if share.max() > MIXED else (departure, False)


def _substrate_colour(departure: NDArray[np.float32], coating: CoatingColour, where: Mask) -> Array | None:
    """Departure of a colour of their own that some pixels have besides the coating's; None where they have none."""
    sample = departure[where].astype(float)
    if len(sample) < LEAST_PIXELS:
        return None
    if len(sample) > MOST_PIXELS:
        sample = sample[:: len(sample) // MOST_PIXELS + 1]
    far = distance_from(sample, coating) > SEPARATION
    centre = np.median(sample[far], axis=0)
    members = far
    for _ in range(8):
        weights = coating.inverse_covariance @ centre
        before, members = members, sample @ weights / float(centre @ weights) > MEMBER
        if members.sum() < LEAST_MEMBERS:
            return None
        if (members == before).all():
            break
        centre = np.median(sample[members], axis=0)
    separation = float(np.sqrt(centre @ coating.inverse_covariance @ centre))
    stands_out = separation > SEPARATION and float(np.hypot(*centre)) > LEAST_DEPARTURE
    return np.asarray(centre) if stands_out else None


def _carried_outward(value: Mask, readable: Mask) -> Mask:
    """Give unreadable pixels the value of the nearest readable one further in, in the same column."""
    carried = value & readable
    for row in range(len(value) - 2, -1, -1):
        carried[row] |= carried[row + 1] & ~readable[row]
    return carried
