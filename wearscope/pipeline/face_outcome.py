"""What came of a face view: the words of its method, what is drawn, and its rows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.located_edge import LocatedEdge
from wearscope.imaging.registration import MarkMatch
from wearscope.light.strip import NEITHER, UNUSED, EdgeView, Strip
from wearscope.light.zone_light import Lighting
from wearscope.metrology.findings import Finding, in_doubt
from wearscope.pipeline.inspection import EdgeDrawing, Inspection, Placing, budgets_of, records_of
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import Reason, reason
from wearscope.trial.entries import PhotoEntry
from wearscope.wear.chips import CHIP_ROWS, ZoneChips, chip_findings
from wearscope.wear.coating import COATING_ROWS, coating_findings
from wearscope.wear.coating_map import CoatingMap
from wearscope.wear.measured import Edge, MeasuredStrip
from wearscope.wear.roughness import ROUGHNESS_ROW, find_roughness, roughness_findings


def method_words(
    datum: str, edge: Edge, lighting: Lighting, match: MarkMatch | None = None, *, wedge_known: bool
) -> tuple[str, ...]:
    """What the numbers of a photo rest on, in lower-case words.

    Parameters
    ----------
    datum : str
        What the worn edge is held against.
    edge : Edge
    lighting : Lighting
    match : MarkMatch, optional
        With the new-state photo.
    wedge_known : bool
        Whether the trial file says the wedge angle.

    Returns
    -------
    tuple of str
    """
    words = ["light-fit", datum]
    if match is not None:
        words.append("marks" if match.verdict == "same" else "edge-only")
    words.append("stated-radius" if edge.radius_stated else "assumed-radius")
    words.append("stated-ring" if lighting.stated else "assumed-ring")
    if not wedge_known:
        words.append("broad-wedge")
    return tuple(words)


def method_of(words: Iterable[str], *, by_hand: bool) -> str:
    """The words of a method as they stand in a row.

    Parameters
    ----------
    words : iterable of str
        What the number rests on.
    by_hand : bool
        Whether a person has marked anything.

    Returns
    -------
    str
        Joined by ``+``, ``hand`` last.

    Examples
    --------
    >>> method_of(("light-fit", "new-state", "marks"), by_hand=True)
    'light-fit+new-state+marks+hand'
    """
    return "+".join([*words, *(["hand"] if by_hand else [])])


def light_seen(located: LocatedEdge) -> Reason:
    """What a photo is like, in figures.

    Parameters
    ----------
    located : LocatedEdge

    Returns
    -------
    Reason
    """
    quality = located.quality
    return reason(
        "light-seen",
        background=quality.background,
        contrast=quality.contrast,
        burnt_out=quality.clipped_share,
    )


def rows_along(edge: Edge) -> tuple[str, ...]:
    """Quantities of `findings_along`.

    Parameters
    ----------
    edge : Edge

    Returns
    -------
    tuple of str
    """
    return (*CHIP_ROWS, ROUGHNESS_ROW, *(COATING_ROWS if edge.coated else ()))


def findings_along(
    measured: MeasuredStrip,
    coating: CoatingMap | None,
    chips: Sequence[tuple[Zone, ZoneChips | None]],
    departure_um: NDArray[np.float64],
    method: str,
) -> list[Finding]:
    """What is measured along any edge, new or used, zone by zone.

    Parameters
    ----------
    measured : MeasuredStrip
    coating : CoatingMap or None
        None for a bit without one.
    chips : sequence of (str, ZoneChips or None)
        By zone.
    departure_um : ndarray, shape (S,)
        The trace as it was found column by column, from the line that the strip follows.
    method : str

    Returns
    -------
    list of Finding
    """
    findings = coating_findings(measured, coating, method) if measured.edge.coated else []
    findings += chip_findings(chips, method)
    rough = find_roughness(measured, departure_um)
    return findings + roughness_findings(rough, measured.u_scale, method)


def bare_of(coating: CoatingMap | None) -> NDArray[np.bool_] | None:
    """Where bare substrate shows.

    Parameters
    ----------
    coating : CoatingMap or None

    Returns
    -------
    ndarray of bool, shape (D, S), or None
        None where that is not known.
    """
    return None if coating is None else coating.substrate


def chip_spans_um(chips: Sequence[tuple[Zone, ZoneChips | None]]) -> tuple[tuple[float, float], ...]:
    """Start and end along the edge of each chip, µm.

    Parameters
    ----------
    chips : sequence of (str, ZoneChips or None)
        By zone.

    Returns
    -------
    tuple of (float, float)
    """
    return tuple((chip.start_um, chip.end_um) for _, zone in chips if zone for chip in zone.chips)


def new_as_drawn(strip: Strip | None) -> EdgeView | None:
    """The new-state strip as something to draw: its edge lies at d = 0.

    Parameters
    ----------
    strip : Strip or None

    Returns
    -------
    EdgeView or None
    """
    if strip is None:
        return None
    inside = np.isfinite(strip.light[int(np.argmin(np.abs(strip.d_um))), :, 0])
    flat_um = np.where(inside, 0.0, np.nan)
    zone = np.where(inside, UNUSED, NEITHER).astype(np.int8)
    return EdgeView(strip, flat_um, zone, flat_um, None, (), None, None)


def inspection_of(
    entry: PhotoEntry,
    findings: Sequence[Finding],
    located: LocatedEdge,
    drawing: EdgeDrawing | None,
    placing: Placing,
    warnings: Sequence[str] = (),
    doubts: Sequence[Reason] = (),
    scale_doubts: Sequence[Reason] = (),
) -> Inspection:
    """Stamp the findings with where they come from, doubtful where the scale is.

    Parameters
    ----------
    entry : PhotoEntry
    findings : sequence of Finding
    located : LocatedEdge
        At the scale that was used.
    drawing : EdgeDrawing or None
    placing : Placing
    warnings : sequence of str
    doubts : sequence of Reason
        Of the edge itself, and so of all that is found on it.
    scale_doubts : sequence of Reason
        About the scale, besides those of the photo.

    Returns
    -------
    Inspection
    """
    findings = in_doubt(findings, (*located.scale_doubts, *scale_doubts))
    findings = [finding.doubted(doubts) for finding in findings]
    return Inspection(
        entry,
        records_of(entry, findings, located.scale_remarks, located.photo, located.photo_um_per_px),
        warnings=tuple(f"{located.name}: {warning}" for warning in warnings),
        drawing=drawing,
        photo_sha256=located.photo.sha256,
        budgets=budgets_of(findings),
        on_photo=placing,
    )
