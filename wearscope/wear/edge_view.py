"""Everything measured on the strip of a face view: zones in, findings out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from wearscope.light.edge_light import ProfileFit
from wearscope.light.strip import UNUSED, USED, Strip
from wearscope.light.zone_light import (
    LEAST_COLUMNS,
    Lighting,
    MeanProfile,
    fit_unused,
    fit_used,
    mean_profile,
    over_windows,
    with_unresolved,
)
from wearscope.metrology.findings import DETECTION, Finding, found, refused
from wearscope.metrology.uncertainty import Budget, Input, Measurement, apart, linear, propagate
from wearscope.quantities.quantity import Zone
from wearscope.wear.chips import CHIP_ROWS, ZoneChips, find_chips, is_bright_behind, outline, sides
from wearscope.wear.coating import (
    CoatingMap,
    colour_ratios,
    deep_colour,
    even_out,
    is_grey,
    learn_coating,
    map_substrate,
    usual_colour,
    zone_coating,
)
from wearscope.wear.datum import Datum, Zones
from wearscope.wear.wear_land import LAND_ROWS, Scene, WearLand, find_land, no_land

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

WINDOW_UM = 300.0  # along the edge: before an uneven background, what one profile is averaged over
FOLLOW_UM = 90.0  # wandering of the wear is followed over this length
SHARP_ENOUGH = 0.88  # of the steepness of the zone's sharpest part
ROUNDING_ROWS: tuple[tuple[str, Zone], ...] = (
    ("edge_recession", "difference"),
    ("edge_radius", "used"),
    ("edge_radius", "unused"),
    ("edge_radius", "difference"),
)
LEAST_DEPARTURE_UM = 3.0  # of the trace; less gives no proportion
# u of the recession factor over it: above, first order fails against Monte Carlo (tests/wear)
UNSURE_FACTOR = 0.4
CONTRADICTION = 2.5  # standard uncertainties by which recession and radius may differ
FLAT_DOUBT = (
    "there is, or may be, a worn flat beside the rounding: the edge has no one radius; see the wear land"
)
UNLIKE_ARC = (
    "silhouette and lamp image do not belong to one circular edge seen squarely: rounded unevenly, dirty, or tilted; "
    "clean it, check wedge_angle_deg and view_tilt_deg, or look at it in profile"
)
OUTSIDE_UM = 70.0  # that smoothing may reach into from the edge
UNEVEN_UM = 8.0  # root mean square of the edge line where it ought to be all of one kind
WORST_MISFIT = 0.03  # of the light's range; a profile fitted worse than this is not the model's


@dataclass(frozen=True)
class Edge:
    """What is known of a bit's edge before the photo: from the trial file, or broad assumptions.

    Attributes
    ----------
    radius_um : (float, float)
        Edge radius when new and its standard uncertainty.
    radius_stated : bool
    factor : Budget or None
        Recession per radius. None at a wedge angle of 90° and more, or where the view is tilted too far.
    why_no_factor : str
    tilt : Budget
        View tilt, radians (`wedge.view_tilt`).
    coated : bool
    doubt : str
        Why recession and radius are doubtful whatever the photo shows; "" when they are not.
    """

    radius_um: tuple[float, float]
    radius_stated: bool
    factor: Budget | None
    why_no_factor: str
    tilt: Budget
    coated: bool
    doubt: str


@dataclass(frozen=True)
class Fits:
    """The fitted profiles of a photo's zones."""

    unused: ProfileFit | None
    used: ProfileFit | None


@dataclass(frozen=True, eq=False)
class ZoneProfiles:
    """What is known of a photo's zones before the profile of the used one is fitted.

    Attributes
    ----------
    unused : ProfileFit or None
        Of this photo, else of the new-state photo.
    windows : tuple of (float, MeanProfile)
        The used edge, each length of it with the mean depth of its trace; empty where too little of it is seen.
        Before an even background all of it is one, before an uneven one, which is not the same all along, several.
    fitted_um, zone_um : float
        Mean depth of the trace in the columns of all windows, and in the whole zone.
    line : Input or None
        How far the new-state line drawn on to the used zone may be off; None without an unused zone.
    lighting : Lighting
    coated : bool
        Whether the bit has a coating to lose.
    """

    unused: ProfileFit | None
    windows: tuple[tuple[float, MeanProfile], ...]
    fitted_um: float
    zone_um: float
    line: Input | None
    lighting: Lighting
    coated: bool

    def fits(self, factor: Budget | None) -> Fits:
        """Both profiles, with silhouette and radius of the used one tied by `factor`, unless that is None."""
        unused, used = self.unused, None
        if unused is not None and self.windows:
            fits = [
                fit_used(profile, trace_um, unused, self.lighting, factor, self.line, coated=self.coated)
                for trace_um, profile in self.windows
            ]
            used = over_windows(fits, [profile.columns for _, profile in self.windows])
            if self.line is not None:
                used = _for_whole_zone(used, unused, self.fitted_um, self.zone_um)
            used = with_unresolved(used, self.lighting, "used")
        if unused is not None:
            unused = with_unresolved(unused, self.lighting, "unused")
        return Fits(unused, used)


def zone_profiles(
    strip: Strip,
    labels: NDArray[np.int8],
    datum: Datum,
    sharpness: Array,
    edge: Edge,
    lighting: Lighting,
    new: ProfileFit | None,
) -> ZoneProfiles:
    """Fit the profile model to the unused zone, and average the used one.

    Parameters
    ----------
    strip : Strip
        Cut along the new-state line.
    labels : ndarray of int8, shape (S,)
    datum : Datum
    sharpness : ndarray, shape (S,)
        Steepness of the edge; where it falls off, the edge is out of focus.
    edge : Edge
    lighting : Lighting
    new : ProfileFit or None
        Of the new-state photo: stands in where this photo shows no unused zone.
    """
    departure_um = datum.departure_um
    follow = followed(departure_um, labels, float(strip.s_um[1] - strip.s_um[0]))
    unused = new
    columns = sharpest((labels == UNUSED) & np.isfinite(departure_um), sharpness)
    if columns.sum() >= LEAST_COLUMNS:
        profile = mean_profile(strip, columns, np.zeros(len(columns)))
        unused = fit_unused(profile, lighting, edge.radius_um, strip.um_per_px)
    zone = (labels == USED) & np.isfinite(follow)
    columns = sharpest(zone, sharpness)
    if unused is None or columns.sum() < LEAST_COLUMNS:
        return ZoneProfiles(unused, (), np.nan, np.nan, None, lighting, edge.coated)
    fitted_um = float(follow[columns].mean())

    def mean_of(columns: NDArray[np.bool_]) -> tuple[float, MeanProfile]:
        mean_um = float(follow[columns].mean())
        return mean_um, mean_profile(strip, columns, np.where(np.isfinite(follow), follow - mean_um, 0.0))

    line = datum.line_error(columns) if (labels == UNUSED).any() else None
    lengths = [columns]
    if lighting.background == "mixed" and line is not None:
        lengths = _in_windows(columns, float(strip.s_um[1] - strip.s_um[0]))
    windows = tuple(mean_of(each) for each in lengths)
    zone_um = float(follow[zone].mean())
    return ZoneProfiles(unused, windows, fitted_um, zone_um, line, lighting, edge.coated)


def _in_windows(columns: NDArray[np.bool_], step_um: float) -> list[NDArray[np.bool_]]:
    """Some columns in lengths of about `WINDOW_UM`, each long enough to average over."""
    at = np.flatnonzero(columns)
    count = min(max(1, round(len(at) * step_um / WINDOW_UM)), len(at) // LEAST_COLUMNS)
    every = np.arange(len(columns))
    return [np.isin(every, part) for part in np.array_split(at, max(1, count))]


def _for_whole_zone(used: ProfileFit, unused: ProfileFit, fitted_um: float, zone_um: float) -> ProfileFit:
    """The fit of a zone's sharp columns carried over to all of it, by the depth of the trace.

    Trace, silhouette and radius move in proportion (see `recession_along`).
    """
    if fitted_um <= LEAST_DEPARTURE_UM:
        return used
    share = zone_um / fitted_um
    silhouette_um = unused.silhouette_um + (used.silhouette_um - unused.silhouette_um) * share
    radius_um = unused.radius_um + (used.radius_um - unused.radius_um) * share
    return replace(
        used,
        silhouette=replace(used.silhouette, value=silhouette_um),
        radius=replace(used.radius, value=radius_um),
        bright_line_um=unused.silhouette_um + (used.bright_line_um - unused.silhouette_um) * share,
    )


def sharpest(columns: Mask, sharpness: Array) -> Mask:
    """The columns of a zone where the edge is in focus: a blurred end would blur the whole mean profile."""
    at = np.flatnonzero(columns)
    if len(at) < LEAST_COLUMNS:
        return columns
    smooth = np.full(len(columns), np.nan)
    smooth[at] = uniform_filter1d(sharpness[at], min(61, len(at)), mode="nearest")
    good = columns & (smooth >= SHARP_ENOUGH * np.nanquantile(smooth, 0.85))
    return good if good.sum() >= max(LEAST_COLUMNS, len(at) // 4) else columns


def followed(departure_um: Array, labels: NDArray[np.int8], step_um: float) -> Array:
    """The departure smoothed along each zone, NaN outside the zones."""
    out = np.full(len(departure_um), np.nan)
    for zone in (UNUSED, USED):
        at = np.flatnonzero((labels == zone) & np.isfinite(departure_um))
        if len(at) == 0:
            continue
        filled = np.interp(np.arange(at[0], at[-1] + 1), at, departure_um[at])
        width = max(3, round(FOLLOW_UM / step_um) | 1)
        smooth = uniform_filter1d(filled, width, mode="nearest")
        out[at] = smooth[at - at[0]]
    return out


def recession_along(departure_um: Array, labels: NDArray[np.int8], fits: Fits) -> Array:
    """Recession at each place along the edge, from the departure of the trace.

    The trace and the silhouette both move in proportion to the radius, so the departure times one factor is
    the recession; the factor is that of the zone means.
    """
    if fits.used is None or fits.unused is None:
        return departure_um.copy()
    used = labels == USED
    moved = float(np.nanmean(departure_um[used])) if np.isfinite(departure_um[used]).any() else 0.0
    recession = fits.used.silhouette_um - fits.unused.silhouette_um
    factor = recession / moved if moved > LEAST_DEPARTURE_UM else 1.0
    return departure_um * float(np.clip(factor, 0.2, 1.5))


def silhouette_along(zones: Zones, departure_um: Array, fits: Fits) -> tuple[Array, Array]:
    """Silhouette (from the new-state line) and recession at each place along the edge."""
    recession = recession_along(departure_um, zones.labels, fits)
    if zones.transition is None and fits.used is not None:
        return departure_um + fits.used.silhouette_um, recession
    if fits.unused is None:
        return departure_um.copy(), recession
    return fits.unused.silhouette_um + recession, recession


def beyond_rounding(fits: Fits, factor: Budget, u_datum_um: float) -> tuple[float, float]:
    """How much further the edge has moved back than its rounding explains, and the standard uncertainty.

    Parameters
    ----------
    fits : Fits
        Both zones, the used one fitted without the tie between silhouette and radius.
    factor : Budget
        Recession per radius.
    u_datum_um : float
    """
    assert fits.used is not None
    assert fits.unused is not None
    used, unused = fits.used, fits.unused
    grown = used.radius_um - unused.radius_um
    beyond = used.silhouette_um - unused.silhouette_um - factor.value * grown
    u_used = used.u_silhouette_um, factor.value * used.u_radius_um
    variance = u_used[0] ** 2 + u_used[1] ** 2 - 2.0 * used.correlation * u_used[0] * u_used[1]
    variance += unused.u_silhouette_um**2 + (factor.value * unused.u_radius_um) ** 2
    return float(beyond), float(np.sqrt(variance + u_datum_um**2 + (grown * factor.u) ** 2))


def find_face_land(
    strip: Strip,
    new: Strip | None,
    silhouette_um: Array,
    zones: Zones,
    u_datum_um: Array,
    fits: Fits,
    edge: Edge,
    bare: NDArray[np.bool_] | None,
    u_scale: float,
    tilt: float,
) -> WearLand:
    """Look for a wear land on the relief face; see `land.Scene` for what is asked for."""
    used, unused = fits.used, fits.unused
    if used is None or unused is None:
        why = "no zone long enough to average over"
        return no_land("not looked for", why, len(zones.labels))
    original, u_original = unused.silhouette_um, unused.u_silhouette_um
    if zones.transition is None:
        # the new-state line is not in the photo; only the rounding says how far the edge has moved
        grown, factor = used.radius_um - unused.radius_um, edge.factor.value if edge.factor else 1.0
        original = used.silhouette_um - grown * factor
        u_original = float(
            np.hypot(used.u_silhouette_um, factor * np.hypot(used.u_radius_um, unused.u_radius_um))
        )
    # what lies well outside the edge has no say
    first_um = float(np.nanmin(silhouette_um)) - OUTSIDE_UM
    inside = strip.between(first_um, np.inf)
    land = find_land(
        Scene(
            strip=inside,
            silhouette_um=silhouette_um,
            labels=zones.labels,
            radius_um=used.radius_um,
            blur_um=used.blur_um,
            original_um=original,
            u_original_um=u_original,
            u_datum_um=u_datum_um,
            u_scale=u_scale,
            tilt=tilt,
            u_tilt=edge.tilt.u,
            transition_um=zones.transition.at_um if zones.transition else None,
            used_side=zones.transition.used_side if zones.transition else 1,
            coated=edge.coated,
            bare=None if bare is None else bare[len(bare) - len(inside.d_um) :],
            new=None if new is None else new.between(first_um, np.inf),
        )
    )
    if zones.transition is None and land.verdict == "seen":
        why = "the original edge line is not in the photo; show the unused edge beside the used one"
        return replace(land, verdict="unsure", why=why)
    return land


def find_face_chips(
    strip: Strip,
    trace_um: Array,
    silhouette_um: Array,
    zones: Zones,
    fits: Fits,
    coated: bool,
    u_scale: float,
    *,
    whole: int = USED,
) -> list[tuple[Zone, ZoneChips | None]]:
    """Look for chips in each zone; all of the edge is `whole` without a transition."""
    radius = fits.used.radius_um if fits.used is not None else fits.unused.radius_um if fits.unused else 0.0
    transition = zones.transition
    line = outline(strip, silhouette_um, radius)
    melts = coated and is_bright_behind(strip, silhouette_um)
    parts = sides(
        strip.s_um,
        silhouette_um,
        transition.at_um if transition else None,
        transition.used_side if transition else 1,
        whole,
    )
    out: list[tuple[Zone, ZoneChips | None]] = []
    for label, columns in parts.items():
        fit = fits.used if label == USED else fits.unused
        seen = None
        if fit is not None:
            known = zones.labels == label
            fitted = (fit.u_silhouette_um, fit.blur_um, u_scale, melts)
            seen = find_chips(strip, line, trace_um, silhouette_um, columns, known, *fitted)
        out.append(("used" if label == USED else "unused", seen))
    return out


def refused_face(edge: Edge, why: str, method: str, *, relief: bool) -> list[Finding]:
    """The rows of a photo that cannot be compared with anything."""
    rows = [refused(quantity, zone, "um", why, method) for quantity, zone in ROUNDING_ROWS]
    rows += [refused(quantity, "used", unit, why, method) for quantity, unit in CHIP_ROWS]
    if relief:
        rows += [refused(quantity, "used", "um", why, method) for quantity in LAND_ROWS]
    if edge.coated:
        rows += [
            refused("coating_loss", "used", "1", why, method),
            refused("coating_setback", "used", "um", why, method),
        ]
    return rows


def sharpness_finding(fit: ProfileFit, u_scale: float, note: str, method: str) -> Finding:
    """Blur of the edge as the Gaussian sigma, fitted along with the profile."""
    fitted = Input("blur in the profile", fit.blur_um, 0.15 * fit.blur_um)
    blur = propagate(Measurement(np.multiply, (fitted, scale_error(u_scale))))
    return found("sharpness", "whole", "um", blur.value, blur, method, note=note)


def scale_error(u_scale: float) -> Input:
    """The photo's scale over the true one."""
    return Input("scale", 1.0, u_scale)


@dataclass(frozen=True)
class Wear:
    """How recession and radius follow from what was fitted, each in µm.

    Attributes
    ----------
    recession, radius, grown : Measurement
        Edge recession, radius of the used edge, and by how much it has grown.
    """

    recession: Measurement
    radius: Measurement
    grown: Measurement


def wear_of(
    used: ProfileFit, unused: ProfileFit, edge: Edge, line: Input | None, factor: Budget, u_scale: float
) -> Wear:
    """Describe the measurement of recession and radius, for `propagate` and `monte_carlo` alike.

    Parameters
    ----------
    used, unused : ProfileFit
    edge : Edge
    line : Input or None
        How far the new-state line may be off; None where no unused zone is seen: recession then follows from the
        radius by the wedge.
    factor : Budget
        Recession per radius.
    u_scale : float
        Relative standard uncertainty of the scale.
    """
    scale = scale_error(u_scale)
    grown_um = used.radius_um - unused.radius_um
    # The model misses the two edges each in its own way, which no input holds. Letting what the fits share cancel
    # makes u of the recession up to 29 % smaller, and errors on photographs of known wear do not bear that out.
    (s_used, r_used), (s_unused, r_unused) = (
        (apart(fit.silhouette, f"fit of the {zone} edge"), apart(fit.radius, f"fit of the {zone} edge"))
        for fit, zone in ((used, "used"), (unused, "unused"))
    )

    def grown(used_um: Array, unused_um: Array, scale: Array) -> Array:
        return (used_um - unused_um) * scale

    def seen(used_um: Array, unused_um: Array, line_um: Array, turned: Array, scale: Array) -> Array:
        # a camera turned by τ sees the silhouette of the larger arc farther out, by τ for each micron it has grown
        return (used_um - unused_um - line_um + grown_um * turned) * scale

    def by_wedge(used_um: Array, unused_um: Array, factor: Array, scale: Array) -> Array:
        return (used_um - unused_um) * factor * scale

    recession = Measurement(by_wedge, (r_used, r_unused, factor, scale))
    if line is not None:
        recession = Measurement(seen, (s_used, s_unused, line, replace(edge.tilt, value=0.0), scale))
    return Wear(
        recession=recession,
        radius=Measurement(np.multiply, (used.radius, scale)),
        grown=Measurement(grown, (r_used, r_unused, scale)),
    )


def rounding_findings(
    fits: Fits,
    labels: NDArray[np.int8],
    datum: Datum,
    edge: Edge,
    u_scale: float,
    method: str,
    *,
    worn_flat: bool = False,
) -> list[Finding]:
    """Recession and radius rows of a photo with a used zone.

    Parameters
    ----------
    u_scale : float
        Relative standard uncertainty of the scale.
    worn_flat : bool
        Whether there is, or may be, a wear land, so that the edge is not a rounded wedge.
    """
    factor = edge.factor
    if factor is None:
        return [refused(quantity, zone, "um", edge.why_no_factor, method) for quantity, zone in ROUNDING_ROWS]
    if fits.used is None or fits.unused is None:
        why = (
            "no zone long enough to average over; show more of the edge, beside the transition, sharp and lit"
        )
        return [refused(quantity, zone, "um", why, method) for quantity, zone in ROUNDING_ROWS]
    used, unused = fits.used, fits.unused
    line = datum.line_error(labels == USED) if (labels == UNUSED).any() else None
    wear = wear_of(used, unused, edge, line, factor, u_scale)
    recession, radius, grown = (propagate(each) for each in (wear.recession, wear.radius, wear.grown))
    u_line = line.u if line is not None else 0.0
    limit_recession = DETECTION * float(
        np.sqrt(unused.u_silhouette_um**2 + used.u_silhouette_um**2 + u_line**2)
    )
    limit_radius = DETECTION * float(np.hypot(unused.u_radius_um, used.u_radius_um))
    limit_grown = min(limit_radius, limit_recession / max(factor.value, 0.1))
    moved = recession.value > limit_recession or grown.value > limit_grown
    doubt = edge.doubt
    if max(used.misfit, unused.misfit) > WORST_MISFIT:
        doubt = (
            doubt
            or "the light across the edge is not that of a clean rounded edge; clean off resin, or re-shoot"
        )
    if moved and not used.lamp_seen:
        doubt = doubt or (
            "the edge has moved but mirrors no lamp, as a rounded edge does: it is broken off, or the light is too "
            "diffuse; look at it in profile, or take it again under the lamp ring alone"
        )
    if worn_flat:
        doubt = doubt or FLAT_DOUBT
    if factor.u > UNSURE_FACTOR * factor.value:
        doubt = doubt or (
            "so near a wedge angle of 90° the rounding hardly shows as recession; photograph the edge in profile"
        )
    expected = grown.value * factor.value
    u_apart = float(np.sqrt(recession.u**2 + (factor.value * grown.u) ** 2 + (grown.value * factor.u) ** 2))
    if line is not None and abs(recession.value - expected) > CONTRADICTION * u_apart:
        doubt = doubt or (
            f"recession and radius contradict each other (this radius recedes by {expected:.0f} um); check "
            "wedge_angle_deg, clean the edge, or the edge is not rounded evenly"
        )
    if used.strained:
        doubt = doubt or UNLIKE_ARC
    if line is None:
        doubt = doubt or of_two_kinds(datum)
    worn = found("edge_radius", "used", "um", radius.value, radius, method, doubt=doubt)
    if grown.value <= limit_grown:
        note = "; ".join(
            filter(None, [f"grown by no more than the detection limit {limit_grown:.3g} um", worn.note])
        )
        worn = replace(worn, status="doubtful" if doubt else "below_detection", note=note)
    return [
        found(
            "edge_recession",
            "difference",
            "um",
            recession.value,
            recession,
            method,
            doubt=doubt,
            limit=limit_recession,
        ),
        worn,
        unused_radius_finding(unused, edge, u_scale, method),
        found("edge_radius", "difference", "um", grown.value, grown, method, doubt=doubt, limit=limit_grown),
    ]


def unused_radius_finding(unused: ProfileFit, edge: Edge, u_scale: float, method: str) -> Finding:
    """The edge radius of the unused edge: mostly what was known of it, sharpened by the photo where it can."""
    if edge.factor is None:
        return refused("edge_radius", "unused", "um", edge.why_no_factor, method)
    note = (
        ""
        if edge.radius_stated
        else "from a broad assumption for ground or coated carbide; state r_unused_um if known"
    )
    radius = propagate(Measurement(np.multiply, (unused.radius, scale_error(u_scale))))
    return found("edge_radius", "unused", "um", radius.value, radius, method, doubt=edge.doubt, note=note)


def read_coating(
    strip: Strip,
    new: Strip | None,
    silhouette_um: Array,
    labels: NDArray[np.int8],
    fits: Fits,
    grey: bool,
) -> CoatingMap | None:
    """Map bare substrate on a strip, or None where the coating's colour cannot be learnt.

    Parameters
    ----------
    strip : Strip
        Cut along the new-state line.
    new : Strip or None
        The new-state photo's, to learn from where this photo shows no unused edge.
    silhouette_um : ndarray, shape (S,)
    labels : ndarray of int8, shape (S,)
    fits : Fits
    grey : bool
        Whether the photo is without colour.
    """
    if grey or fits.unused is None:
        return None
    # what lies outside the edge has no say
    whole, strip = strip, strip.between(float(np.nanmin(silhouette_um)) - OUTSIDE_UM, np.inf)
    ratios = even_out(strip, colour_ratios(strip), labels == UNUSED)
    unworn = _Unworn(strip, ratios, silhouette_um, labels == UNUSED)
    if new is not None and not (labels == UNUSED).any():
        unworn = _new_as_now(new.between(-OUTSIDE_UM, np.inf), strip, ratios, fits.unused.silhouette_um)
    colour = learn_coating(unworn.strip, unworn.ratios, unworn.columns)
    if colour is None:
        return None
    blur_um = fits.unused.blur_um
    # the dim strip outside the lamp's image shows the background, not its own colour
    readable = silhouette_um + 2.0 * blur_um
    if fits.used is not None:
        line_um = fits.used.bright_line_um
        if not np.isfinite(line_um):
            line_um = fits.used.silhouette_um + 0.6 * fits.used.radius_um
        inside_um = max(line_um - fits.used.silhouette_um - fits.used.blur_um, 2.0 * blur_um)
        readable = np.where(labels == UNUSED, readable, silhouette_um + inside_um)
    looked_for = labels == (USED if (labels == USED).any() else UNUSED)
    usual = usual_colour(unworn.strip, unworn.ratios, colour, unworn.silhouette_um, unworn.columns)
    found = map_substrate(strip, ratios, colour, silhouette_um, readable, looked_for, usual, blur_um)
    outside = len(whole.d_um) - len(strip.d_um)
    return replace(
        found,
        substrate=np.pad(found.substrate, ((outside, 0), (0, 0))),
        grey=is_grey(whole, colour, silhouette_um),
    )


@dataclass(frozen=True, eq=False)
class _Unworn:
    """Where an edge that has lost nothing is to be seen: a strip, its colours, and which columns of it."""

    strip: Strip
    ratios: NDArray[np.float32]
    silhouette_um: Array
    columns: Mask


def _new_as_now(new: Strip, now: Strip, ratios: NDArray[np.float32], silhouette_um: float) -> _Unworn:
    """The new-state photo's edge in the colours of this photo.

    It was taken at another time: its colours are moved by what the two faces differ deep inside.
    """
    of_new = even_out(new, colour_ratios(new))
    ours, theirs = deep_colour(ratios, now), deep_colour(of_new, new)
    if ours is not None and theirs is not None:
        of_new = of_new + np.asarray(ours - theirs, np.float32)
    columns = len(new.s_um)
    return _Unworn(new, of_new, np.full(columns, silhouette_um), np.ones(columns, bool))


def of_two_kinds(datum: Datum) -> str:
    """Why an edge without a transition may be used here and unused there; "" when its line is even."""
    if not datum.residual_um > UNEVEN_UM:
        return ""
    return (
        f"no transition is seen, yet the edge line wanders by {datum.residual_um:.0f} um; set the transition by "
        "hand, or clean the edge and look for a break"
    )


def coating_findings(
    strip: Strip,
    seen: CoatingMap | None,
    silhouette_um: Array,
    labels: NDArray[np.int8],
    fits: Fits,
    zones: Sequence[Zone],
    method: str,
    mixed: str = "",
) -> list[Finding]:
    """Coating loss and setback of each zone, and the difference of the losses where there are two zones.

    `mixed` says why the zone may be two, and makes its rows doubtful.
    """
    out: list[Finding] = []
    losses: dict[Zone, Budget] = {}
    doubts: list[str] = []
    for zone in zones:
        fit, label = (fits.used, USED) if zone == "used" else (fits.unused, UNUSED)
        mean = None
        if seen is not None and fit is not None:
            mean = zone_coating(strip, seen, silhouette_um, fit.u_silhouette_um, labels == label)
        if mean is None or (seen is not None and seen.grey and not seen.found):
            why = (
                "the coating is as grey as bare carbide, so its colour does not tell where it is gone; judge the "
                "edge by recession and radius"
                if mean is not None
                else "the coating's colour cannot be read here; light the face evenly and save the photo in colour"
            )
            out += [
                refused("coating_loss", zone, "1", why, method),
                refused("coating_setback", zone, "um", why, method),
            ]
            continue
        note = f"colour not readable in {mean.unreadable:.0%} of the band" if mean.unreadable > 0.005 else ""
        doubt = mixed or (
            "more than half of the band cannot be read; re-shoot with less glare"
            if mean.unreadable > 0.5
            else ""
        )
        if seen is not None and (seen.faint or seen.grey) and zone == "used":
            doubt = doubt or (
                "the coating's colour hardly differs from the substrate's, so uneven light may pass for loss or hide "
                "it; judge the coating by eye"
            )
        losses[zone] = mean.loss_budget
        doubts.append(doubt)
        limit = DETECTION * float(np.hypot(0.004, 0.5 * mean.u_loss))
        out.append(
            found(
                "coating_loss",
                zone,
                "1",
                mean.loss,
                mean.loss_budget,
                method,
                doubt=doubt,
                note=note,
                limit=limit,
            )
        )
        out.append(
            found(
                "coating_setback",
                zone,
                "um",
                mean.setback_um,
                mean.setback_budget,
                method,
                doubt=doubt,
                note=note,
                limit=DETECTION * mean.u_setback_um if mean.loss <= limit else None,
            )
        )
    if "used" in losses and "unused" in losses:
        used, unused = apart(losses["used"], "used"), apart(losses["unused"], "unused")
        lost = linear(used.value - unused.value, [(1.0, used), (-1.0, unused)])
        limit = DETECTION * float(np.hypot(0.004, 0.5 * lost.u))
        doubt = next(filter(None, doubts), "")
        out.append(
            found("coating_loss", "difference", "1", lost.value, lost, method, doubt=doubt, limit=limit)
        )
    elif "used" in zones and "unused" in zones:
        out.append(refused("coating_loss", "difference", "1", "needs both zones; see their rows", method))
    return out
