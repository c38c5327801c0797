"""Coating loss and setback: how much of the band along the edge shows bare substrate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import Strip
from wearscope.metrology.findings import Finding, detection_limit, found, refused
from wearscope.metrology.uncertainty import Budget, Estimate, Input, apart, linear
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.coating_colour import BAND_UM, step_um_of
from wearscope.wear.coating_map import CoatingMap
from wearscope.wear.measured import LABEL_OF, MeasuredStrip, scale_error
from wearscope.wear.recession import of_two_kinds
from wearscope.wear.wedge import square_depth

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

COATING_ROWS = ("coating_loss", "coating_setback")
STRAY_MATTERS = 0.5  # standard uncertainty of the loss per share of stray colours; chosen, no source
U_GREY = 1.0 / np.sqrt(12.0)  # of a loss that may be anything from none to all
U_FAINT = 0.15  # standard uncertainty of the loss where the two colours hardly differ; chosen, no source
U_NOISE = 0.003  # of the loss, from the noise of the colours; chosen, no source
WORN_LOSS = (
    0.02  # below it an error of the edge, or of the border, counts in part: there is little border; chosen
)
UNWORN_SHARE, UNWORN_CROSSED = 0.1, 0.5  # and in which part; chosen, no source
MOST_COVERED = (
    0.05  # of a zone, from which the soft border of what covers it colours the rest; chosen, no source
)
HALF_BAND = 0.5  # of it that must be read for its loss not to be doubtful
# times the blur that reaches in beyond the rounding: the colours of the arc are mixed into the face as far
ROUNDING_BLURS = 2.0
NAMED_SHARE = 0.005  # of the band that cannot be read, from which it is named


@dataclass(frozen=True)
class ZoneCoating:
    """Means of a zone.

    Attributes
    ----------
    loss_budget, setback_budget : Budget
        Loss as a share of the band, and setback in µm.
    u_unworn_loss, u_unworn_setback_um : float
        Standard uncertainties that they would have if nothing were lost.
    unreadable : float
        Share of the band that cannot be read.
    """

    loss_budget: Budget
    setback_budget: Budget
    u_unworn_loss: float
    u_unworn_setback_um: float
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


def coating_findings(measured: MeasuredStrip, seen: CoatingMap | None, method: str) -> list[Finding]:
    """Coating loss and setback of each zone, and the difference of the losses where there are two zones.

    Parameters
    ----------
    measured : MeasuredStrip
    seen : CoatingMap or None
        From `read_coating`.
    method : str

    Returns
    -------
    list of Finding
    """
    out: list[Finding] = []
    means: dict[Zone, ZoneCoating] = {}
    doubts: list[tuple[Reason, ...]] = []
    mixed = of_two_kinds(measured) if measured.zones.transition is None else ()
    for zone in measured.kept:
        fit, mean = measured.fits.of(zone), None
        if seen is not None and fit is not None:
            columns = measured.labels_in_sight == LABEL_OF[zone]
            view = fit.radius_um, measured.edge.tilt.value
            mean = zone_coating(
                measured.strip,
                seen,
                measured.silhouette_um,
                fit.u_silhouette_um,
                columns,
                view,
                measured.u_scale,
            )
        if mean is None or seen is None or (not seen.found and (seen.grey or seen.noisy)):
            why = _unread(mean, seen)
            out += [refused(quantity, zone, why, method) for quantity in COATING_ROWS]
            continue
        means[zone] = mean
        assert fit is not None
        unsure = _doubts(mean, seen, zone, fit.radius_um + ROUNDING_BLURS * fit.blur_um)
        doubts.append(mixed or _covered(measured, zone) or unsure)
        out += _zone_findings(zone, mean, doubts[-1], method)
    if len(means) == 2:
        used, unused = (apart(means[zone].loss_budget, zone) for zone in ("used", "unused"))
        lost = linear(used.value - unused.value, [(1.0, used), (-1.0, unused)])
        limit = detection_limit(float(np.hypot(means["used"].u_unworn_loss, means["unused"].u_unworn_loss)))
        doubt = next(filter(None, doubts), ())
        out.append(found("coating_loss", "difference", lost.value, lost, method, doubts=doubt, limit=limit))
    elif len(measured.kept) == 2:
        out.append(refused("coating_loss", "difference", reason("other-zone-missing"), method))
    return out


def _covered(measured: MeasuredStrip, zone: Zone) -> tuple[Reason, ...]:
    """Whether something lies over so much of a zone that its colour tells in what is left of it."""
    hidden = float((measured.labels_in_sight[measured.columns(zone)] != LABEL_OF[zone]).mean())
    return (reason("edge-covered", share=hidden),) if hidden > MOST_COVERED else ()


def _unread(mean: ZoneCoating | None, seen: CoatingMap | None) -> Reason:
    """Why a coating cannot be told from what is under it."""
    if mean is None or seen is None:
        return reason("coating-colour-unread")
    return reason("coating-like-carbide") if seen.grey else reason("coating-colour-noisy")


def _doubts(mean: ZoneCoating, seen: CoatingMap, zone: Zone, rounded_um: float) -> tuple[Reason, ...]:
    """Why the means of a zone are doubtful, the outermost `rounded_um` of which mirror the lamps or are blurred."""
    if mean.unreadable > HALF_BAND:
        return (reason("band-unread"),)
    lost = mean.loss > detection_limit(mean.u_unworn_loss)
    if lost and max(mean.loss * BAND_UM, mean.setback_um) < rounded_um:
        return (reason("coating-ends-in-rounding"),)
    return (reason("coating-faint"),) if (seen.faint or seen.grey) and zone == "used" else ()


def _zone_findings(zone: Zone, mean: ZoneCoating, doubts: tuple[Reason, ...], method: str) -> list[Finding]:
    remarks = (reason("colour-unread", share=mean.unreadable),) if mean.unreadable > NAMED_SHARE else ()
    limit, limit_um = detection_limit(mean.u_unworn_loss), detection_limit(mean.u_unworn_setback_um)
    # what is lost within the coating, and not at its border, is lost all the same
    setback_um = mean.setback_um if mean.loss <= limit else np.inf
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
            change=setback_um,
        ),
    ]


def zone_coating(
    strip: Strip,
    found: CoatingMap,
    silhouette_um: Array,
    u_silhouette_um: float,
    columns: Mask,
    view: tuple[float, float] = (0.0, 0.0),
    u_scale: float = 0.0,
) -> ZoneCoating | None:
    """Mean loss and setback over the columns of a zone.

    The standard uncertainty of the loss holds the edge location (an error of 1 µm moves the band by 1 %), the
    border between the colours (half a pixel along the whole edge), what may hide where nothing could be read, and
    colours that stray without loss.

    Where the outermost place that can be read is coated, the coating may begin there or anywhere outside it. It is
    taken to begin outside, anywhere alike, with the probability that a column of this zone is bare at its edge.

    Parameters
    ----------
    strip : Strip
    found : CoatingMap
    silhouette_um : ndarray, shape (S,)
    u_silhouette_um : float
    columns : ndarray of bool, shape (S,)
    view : (float, float)
        Edge radius and view tilt, radians: the band, and depths, are those that a camera square to the face sees.
    u_scale : float
        Relative standard uncertainty of the scale across the edge. A coating that ends within the band is lost over a
        share of it that is in proportion to the scale.

    Returns
    -------
    ZoneCoating or None
        None where the edge is not seen.
    """
    at = np.flatnonzero(columns & np.isfinite(silhouette_um))
    if len(at) == 0:
        return None
    step_um = step_um_of(strip)
    seen_um = strip.d_um[:, None] - silhouette_um[at][None, :]
    depth, outer, inner = (square_depth(seen_um + by, *view) for by in (0.0, -0.5 * step_um, 0.5 * step_um))
    # each sample stands for one step of depth; the samples at both ends of the band count in part
    share = np.clip(np.minimum(inner, BAND_UM) - np.maximum(outer, 0.0), 0.0, inner - outer)
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
    noise = Input("noise of the colours", 0.0, U_NOISE)
    always: list[tuple[float, Estimate]] = [(1.0, noise), (1.0, hidden), (1.0, stray), (1.0, faint)]
    unworn = [(UNWORN_SHARE / BAND_UM, edge), (UNWORN_CROSSED / BAND_UM, border), *always]
    moved = 1.0 if mean_loss > WORN_LOSS else UNWORN_SHARE
    crossed = 1.0 if found.found else UNWORN_CROSSED
    scale = scale_error(u_scale)
    loss_parts = [(moved / BAND_UM, edge), (crossed / BAND_UM, border), (1.0 / BAND_UM, outside), *always]
    setback_parts = [(1.0, edge), (1.0, border), (BAND_UM, hidden), (BAND_UM, stray)]
    mean_um = float(setback_um.mean()) + likely_um
    return ZoneCoating(
        linear(mean_loss, [*loss_parts, (min(mean_loss, mean_um / BAND_UM), scale)]),
        linear(mean_um, [*setback_parts, (1.0, outside), (mean_um, scale)]),
        linear(0.0, unworn).u,
        linear(0.0, setback_parts).u,
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
