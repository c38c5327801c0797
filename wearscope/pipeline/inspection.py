"""What came of one photo, and its rows stamped with where they come from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.located_edge import LocatedEdge
from wearscope.imaging.photo import Photo
from wearscope.light.strip import EdgeView
from wearscope.log.records import Record
from wearscope.metrology.findings import Finding
from wearscope.metrology.uncertainty import Budget
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import Reason, codes_text
from wearscope.report.reason_words import note_of
from wearscope.trial.entries import PhotoEntry
from wearscope.version import __version__
from wearscope.wear.section import SectionView

Array = NDArray[np.float64]


class Drawing:
    """What there is to draw of a photo: its view's sheet and the viewer know their own kind of it."""


@dataclass(frozen=True, eq=False)
class EdgeDrawing(Drawing):
    """The edge lengthwise.

    Attributes
    ----------
    now : EdgeView
        This photo.
    new : EdgeView or None
        The new-state photo of the same flute on the same axis along the edge.
    """

    now: EdgeView
    new: EdgeView | None


@dataclass(frozen=True, eq=False)
class SectionDrawing(Drawing):
    """The edge in section.

    Attributes
    ----------
    now : SectionView
        This photo.
    new : SectionView or None
        The new-state photo of the same flute.
    """

    now: SectionView
    new: SectionView | None


@dataclass(frozen=True)
class Inspection:
    """What one photo gave.

    Attributes
    ----------
    entry : PhotoEntry
    records : tuple of Record
        Refused rows included; empty when the photo was refused as a whole.
    refusal : str
        "" when measured, else one line that names the file and the cure.
    warnings : tuple of str
    drawing : Drawing or None
        None where there is nothing to compare.
    photo_sha256 : str
        "" when the file could not be read.
    budgets : mapping
        What the uncertainty of each row is made of, by quantity and zone.
    on_photo : Placing or None
        Where the places of an edge lie on the photo.
    refusal_code : str
        Kind of the refusal; "" when measured.
    """

    entry: PhotoEntry
    records: tuple[Record, ...]
    refusal: str = ""
    warnings: tuple[str, ...] = ()
    drawing: Drawing | None = None
    photo_sha256: str = ""
    budgets: Mapping[tuple[str, Zone], Budget] = field(default_factory=dict)
    on_photo: Placing | None = None
    refusal_code: str = ""

    @property
    def now(self) -> EdgeView | None:
        """Edge of this photo, where it shows one lengthwise."""
        return self.drawing.now if isinstance(self.drawing, EdgeDrawing) else None

    @property
    def new(self) -> EdgeView | None:
        """The new-state photo's edge on the same axis."""
        return self.drawing.new if isinstance(self.drawing, EdgeDrawing) else None

    @property
    def section(self) -> SectionView | None:
        """Tip of this photo, where it shows one."""
        return self.drawing.now if isinstance(self.drawing, SectionDrawing) else None

    @property
    def new_section(self) -> SectionView | None:
        """The new-state photo's tip."""
        return self.drawing.new if isinstance(self.drawing, SectionDrawing) else None


@dataclass(frozen=True, eq=False)
class Placing:
    """Where the places of a measured strip lie on its photo, and the new-state photo under it.

    Attributes
    ----------
    located : LocatedEdge
        The edge in this photo.
    follow_um : ndarray, shape (S,)
        Distance into the tool of the strip's d = 0 from the line of `located`.
    new : LocatedEdge or None
        The new-state photo of the same flute.
    new_onto_now_px : ndarray, shape (2, 3), or None
        Affine map from column and row of the new-state photo to those of this one.
    bright_line_um : float
        How deep inside the silhouette of the used edge its bright line lies; NaN where there is none.
    """

    located: LocatedEdge
    follow_um: Array
    new: LocatedEdge | None
    new_onto_now_px: Array | None
    bright_line_um: float

    def places_px(self, s_um: Array, d_um: Array) -> Array:
        """Columns and rows of places on the measured strip.

        Parameters
        ----------
        s_um, d_um : ndarray, shape (N,)
            Along the edge, and into the tool.

        Returns
        -------
        ndarray, shape (N, 2)
        """
        return self.located.places_px(s_um, d_um + np.interp(s_um, self.located.strip.s_um, self.follow_um))

    def on_strip(self, place_px: tuple[float, float]) -> tuple[float, float]:
        """Where on the measured strip a place of the photo lies.

        Parameters
        ----------
        place_px : (float, float)
            Column and row.

        Returns
        -------
        s_um : float
            Along the edge.
        d_um : float
            Into the tool.
        """
        s_um, d_um = self.located.on_strip(place_px)
        return s_um, d_um - float(np.interp(s_um, self.located.strip.s_um, self.follow_um))


def records_of(
    entry: PhotoEntry,
    findings: Sequence[Finding],
    of_scale: tuple[Reason, ...],
    photo: Photo,
    um_per_px: float,
) -> tuple[Record, ...]:
    """The findings of a photo as rows of the wear log.

    Parameters
    ----------
    entry : PhotoEntry
    findings : sequence of Finding
    of_scale : tuple of Reason
        What is to be said of the scale.
    photo : Photo
    um_per_px : float
        Scale that was used.

    Returns
    -------
    tuple of Record
    """
    measured_at = datetime.now(UTC).isoformat(timespec="seconds")
    records = []
    for finding in findings:
        low, high = finding.interval95
        reasons = (*finding.reasons, *of_scale)
        records.append(
            Record(
                entry.bit,
                entry.flute,
                entry.parts,
                entry.view,
                finding.quantity,
                finding.zone,
                finding.value,
                finding.unit,
                finding.u,
                low,
                high,
                finding.status,
                note_of(reasons),
                finding.method,
                entry.file,
                photo.sha256,
                entry.scale,
                um_per_px,
                __version__,
                measured_at,
                finding.detection_limit,
                finding.dof if np.isfinite(finding.dof) and finding.value is not None else None,
                codes_text(reasons),
            )
        )
    return tuple(records)


def budgets_of(findings: Sequence[Finding]) -> dict[tuple[str, Zone], Budget]:
    """Budgets by quantity and zone, of the findings that have one.

    Parameters
    ----------
    findings : sequence of Finding

    Returns
    -------
    dict
    """
    return {(each.quantity, each.zone): each.budget for each in findings if each.budget is not None}
