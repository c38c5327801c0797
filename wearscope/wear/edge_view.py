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
from wearscope.metrology.findings import Finding, detection_limit, found, refused
from wearscope.metrology.uncertainty import Budget, Input, Measurement, apart, linear, propagate
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.chips import CHIP_ROWS, ZoneChips, find_chips, is_bright_behind, outline, sides
from wearscope.wear.coating import (
    CoatingMap,
    ZoneCoating,
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
COATING_ROWS = ("coating_loss", "coating_setback")
LEAST_DEPARTURE_UM = 3.0  # of the trace; less gives no proportion
# u of the recession factor over it: above, first order fails against Monte Carlo (tests/wear)
UNSURE_FACTOR = 0.4
CONTRADICTION = 2.5  # standard uncertainties by which recession and radius may differ
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
    why_no_factor : Reason or None
    tilt : Budget
        View tilt, radians (`wedge.view_tilt`).
    coated : bool
    doubts : tuple of Reason
        Why recession and radius are doubtful whatever the photo shows.
    """

    radius_um: tuple[float, float]
    radius_stated: bool
    factor: Budget | None
    why_no_factor: Reason | None
    tilt: Budget
    coated: bool
    doubts: tuple[Reason, ...] = ()


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
        return no_land("not looked for", reason("zone-too-short"), len(zones.labels))
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
        return replace(land, verdict="unsure", why=reason("original-edge-unseen"))
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


def refused_face(edge: Edge, why: Reason, method: str, *, relief: bool) -> list[Finding]:
    """The rows of a photo that cannot be compared with anything."""
    rows = [
        *ROUNDING_ROWS,
        *((quantity, "used") for quantity in CHIP_ROWS),
        *((quantity, "used") for quantity in LAND_ROWS if relief),
        *((quantity, "used") for quantity in COATING_ROWS if edge.coated),
    ]
    return [refused(quantity, zone, why, method) for quantity, zone in rows]


def sharpness_finding(fit: ProfileFit, u_scale: float, remark: Reason, method: str) -> Finding:
    """Blur of the edge as the Gaussian sigma, fitted along with the profile."""
    fitted = Input("blur in the profile", fit.blur_um, 0.15 * fit.blur_um)
    blur = propagate(Measurement(np.multiply, (fitted, scale_error(u_scale))))
    return found("sharpness", "whole", blur.value, blur, method, remarks=[remark])


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
    factor, used, unused = edge.factor, fits.used, fits.unused
    if factor is None or used is None or unused is None:
        why = edge.why_no_factor or reason("zone-too-short")
        return [refused(quantity, zone, why, method) for quantity, zone in ROUNDING_ROWS]
    line = datum.line_error(labels == USED) if (labels == UNUSED).any() else None
    wear = wear_of(used, unused, edge, line, factor, u_scale)
    recession, radius, grown = (propagate(each) for each in (wear.recession, wear.radius, wear.grown))
    u_line = line.u if line is not None else 0.0
    limit_recession = detection_limit(
        float(np.sqrt(unused.u_silhouette_um**2 + used.u_silhouette_um**2 + u_line**2))
    )
    limit_radius = detection_limit(float(np.hypot(unused.u_radius_um, used.u_radius_um)))
    limit_grown = min(limit_radius, limit_recession / max(factor.value, 0.1))
    moved = recession.value > limit_recession or grown.value > limit_grown
    doubts = edge.doubts or _rounding_doubts(
        fits,
        factor,
        recession,
        grown,
        moved=moved,
        worn_flat=worn_flat,
        datum=datum,
        line_seen=line is not None,
    )
    not_grown = (reason("not-grown"),) if grown.value <= limit_grown else ()
    return [
        found(
            "edge_recession",
            "difference",
            recession.value,
            recession,
            method,
            doubts=doubts,
            limit=limit_recession,
        ),
        found(
            "edge_radius",
            "used",
            radius.value,
            radius,
            method,
            doubts=doubts,
            remarks=not_grown,
            limit=limit_grown,
            change=grown.value,
        ),
        unused_radius_finding(unused, edge, u_scale, method),
        found("edge_radius", "difference", grown.value, grown, method, doubts=doubts, limit=limit_grown),
    ]


def _rounding_doubts(
    fits: Fits,
    factor: Budget,
    recession: Budget,
    grown: Budget,
    *,
    moved: bool,
    worn_flat: bool,
    datum: Datum,
    line_seen: bool,
) -> tuple[Reason, ...]:
    """The first reason to doubt that recession and radius are those of a clean rounded edge, if there is one."""
    used, unused = fits.used, fits.unused
    assert used is not None
    assert unused is not None
    if max(used.misfit, unused.misfit) > WORST_MISFIT:
        return (reason("light-of-no-edge"),)
    if moved and not used.lamp_seen:
        return (reason("no-lamp-mirrored"),)
    if worn_flat:
        return (reason("flat-beside-rounding"),)
    if factor.u > UNSURE_FACTOR * factor.value:
        return (reason("nearly-too-blunt"),)
    expected = grown.value * factor.value
    u_apart = float(np.sqrt(recession.u**2 + (factor.value * grown.u) ** 2 + (grown.value * factor.u) ** 2))
    if line_seen and abs(recession.value - expected) > CONTRADICTION * u_apart:
        return (reason("recession-against-radius", expected_um=expected),)
    if used.strained:
        return (reason("no-circular-edge"),)
    return () if line_seen else of_two_kinds(datum)


def unused_radius_finding(unused: ProfileFit, edge: Edge, u_scale: float, method: str) -> Finding:
    """The edge radius of the unused edge: mostly what was known of it, sharpened by the photo where it can."""
    if edge.why_no_factor is not None:
        return refused("edge_radius", "unused", edge.why_no_factor, method)
    remarks = () if edge.radius_stated else (reason("radius-assumed"),)
    radius = propagate(Measurement(np.multiply, (unused.radius, scale_error(u_scale))))
    return found("edge_radius", "unused", radius.value, radius, method, doubts=edge.doubts, remarks=remarks)


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


def of_two_kinds(datum: Datum) -> tuple[Reason, ...]:
    """Why an edge without a transition may be used here and unused there; nothing when its line is even."""
    return (reason("edge-line-wanders", rms_um=datum.residual_um),) if datum.residual_um > UNEVEN_UM else ()


def coating_findings(
    strip: Strip,
    seen: CoatingMap | None,
    silhouette_um: Array,
    labels: NDArray[np.int8],
    fits: Fits,
    zones: Sequence[Zone],
    method: str,
    mixed: tuple[Reason, ...] = (),
) -> list[Finding]:
    """Coating loss and setback of each zone, and the difference of the losses where there are two zones.

    `mixed` says why the zone may be two, and makes its rows doubtful.
    """
    out: list[Finding] = []
    losses: dict[Zone, Budget] = {}
    doubts: list[tuple[Reason, ...]] = []
    for zone in zones:
        fit, label = (fits.used, USED) if zone == "used" else (fits.unused, UNUSED)
        mean = None
        if seen is not None and fit is not None:
            mean = zone_coating(strip, seen, silhouette_um, fit.u_silhouette_um, labels == label)
        if mean is None or seen is None or (seen.grey and not seen.found):
            why = reason("coating-like-carbide") if mean is not None else reason("coating-colour-unread")
            out += [refused(quantity, zone, why, method) for quantity in COATING_ROWS]
            continue
        losses[zone] = mean.loss_budget
        doubts.append(mixed or _coating_doubts(mean, seen, zone))
        out += _zone_coating_findings(zone, mean, doubts[-1], method)
    if "used" in losses and "unused" in losses:
        used, unused = apart(losses["used"], "used"), apart(losses["unused"], "unused")
        lost = linear(used.value - unused.value, [(1.0, used), (-1.0, unused)])
        limit = detection_limit(float(np.hypot(0.004, 0.5 * lost.u)))
        doubt = next(filter(None, doubts), ())
        out.append(found("coating_loss", "difference", lost.value, lost, method, doubts=doubt, limit=limit))
    elif "used" in zones and "unused" in zones:
        out.append(refused("coating_loss", "difference", reason("other-zone-missing"), method))
    return out


def _coating_doubts(mean: ZoneCoating, seen: CoatingMap, zone: Zone) -> tuple[Reason, ...]:
    if mean.unreadable > 0.5:
        return (reason("band-unread"),)
    return (reason("coating-faint"),) if (seen.faint or seen.grey) and zone == "used" else ()


def _zone_coating_findings(
    zone: Zone, mean: ZoneCoating, doubts: tuple[Reason, ...], method: str
) -> list[Finding]:
    remarks = (reason("colour-unread", share=mean.unreadable),) if mean.unreadable > 0.005 else ()
    limit = detection_limit(float(np.hypot(0.004, 0.5 * mean.u_loss)))
    limit_um = detection_limit(mean.u_setback_um) if mean.loss <= limit else None
    loss, setback = mean.loss_budget, mean.setback_budget
    return [
        found("coating_loss", zone, mean.loss, loss, method, doubts=doubts, remarks=remarks, limit=limit),
        found(
            "coating_setback",
            zone,
            mean.setback_um,
            setback,
            method,
            doubts=doubts,
            remarks=remarks,
            limit=limit_um,
        ),
    ]
