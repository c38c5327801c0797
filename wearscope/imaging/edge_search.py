"""The line along the cutting edge of a photo: as it shows, or as a person has marked it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.edge_by_net import where_net_is_clear
from wearscope.imaging.edge_line import Array, EdgeLine, offset_from
from wearscope.imaging.edge_lines import line_through
from wearscope.imaging.edge_selection import along_polyline, refine_line, settled_line
from wearscope.imaging.edge_verdict import MARKED_PX, FoundEdge, marked_edge, tool_inward, unmarked_edge
from wearscope.imaging.prepared_photo import PhotoScale, PreparedPhoto
from wearscope.light.clipping import CLIPPED
from wearscope.quantities.reasons import Reason, reason

SEARCH_BESIDE_UM, SEARCH_BESIDE_PX = 60.0, 10  # about a rough line, at least so many pixels
MOST_BURNT = 0.35  # of the picture; chosen, no source

Polyline = tuple[tuple[float, float], ...]
"""Columns and rows in the photo's own pixels."""


@dataclass(frozen=True)
class Marks:
    """What a person has marked in a photo, in its own pixels.

    Attributes
    ----------
    near : polyline or None
        Within 100 px of the edge.
    drawn : polyline or None
        The edge itself.
    tool : {"left", "right"} or None
        Side of `drawn` on which the tool lies, for someone who goes along it.
    tool_at : (column, row) or None
        A place on the tool.
    """

    near: Polyline | None = None
    drawn: Polyline | None = None
    tool: Literal["left", "right"] | None = None
    tool_at: tuple[float, float] | None = None


NO_MARKS = Marks()


def search_px(prepared: PreparedPhoto, scale: PhotoScale) -> int:
    """How far beside a rough line the edge is sought.

    Parameters
    ----------
    prepared : PreparedPhoto
    scale : PhotoScale

    Returns
    -------
    int
        Pixels of `prepared`.
    """
    # whole pixels: a scale put right by a little leaves the line where it is
    return max(SEARCH_BESIDE_PX, int(np.ceil(SEARCH_BESIDE_UM / (scale.um_per_px * prepared.reduction))))


def edge_line(
    prepared: PreparedPhoto, reach_px: int, marks: Marks = NO_MARKS, like: EdgeLine | None = None
) -> FoundEdge:
    """Find the line along the cutting edge of a photo.

    Parameters
    ----------
    prepared : PreparedPhoto
    reach_px : int
        As from `search_px`.
    marks : Marks
        What a person has marked in it.
    like : EdgeLine, optional
        The edge of the new-state photo of the same flute.

    Returns
    -------
    FoundEdge
        In pixels of `prepared`; where a person has marked it, doubtful only if it lies away from the marks.

    Raises
    ------
    PhotoRefused
        When no line in it is clearly the cutting edge.
    """
    light = prepared.light
    if marks.drawn is None and marks.near is None:
        agreed = unmarked_edge(light, prepared.candidates, prepared.proposals, like, reach_px)
        found = where_net_is_clear(light, agreed, prepared.proposals, like, reach_px)
        if found is None:
            raise _no_edge(prepared.photo.path, light, bool(prepared.candidates))
        return found
    line = _marked(prepared, reach_px, marks)
    if line is None:
        raise PhotoRefused(
            f"{prepared.photo.path.name}: it does not tell on which side of the marked edge the tool lies",
            "give a place on the tool, tool_at = [column, row], in the trial file, or set it in the viewer",
            "tool-side-unclear",
        )
    settled = settled_line(light, line, reach_px)
    return FoundEdge(settled, _beside_marks(prepared, settled, marks))


def _beside_marks(prepared: PreparedPhoto, line: EdgeLine, marks: Marks) -> tuple[Reason, ...]:
    """Why a line far from what was marked may be another: the points may be rough, or lie on a fainter edge."""
    if marks.drawn is not None or marks.near is None:
        return ()
    points = along_polyline(reduced_px(marks.near, prepared.reduction))
    off_px = float(np.median(np.abs(offset_from(points, line)))) * prepared.reduction
    return (reason("edge-beside-marks", off_px=off_px),) if off_px > MARKED_PX else ()


def _marked(prepared: PreparedPhoto, reach_px: int, marks: Marks) -> EdgeLine | None:
    """The edge that a person has marked, tool inward; None where nothing says where the tool lies."""
    light, reduction = prepared.light, prepared.reduction
    tool_at = None if marks.tool_at is None else reduced_px((marks.tool_at,), reduction)[0]
    if marks.drawn is not None:
        line = line_through(along_polyline(reduced_px(marks.drawn, reduction)))
        if marks.tool is not None:
            line = line if marks.tool == "right" else line.turned()
        else:
            side = tool_inward(light, line, lambda: prepared.proposals, tool_at)
            if side is None:
                return None
            line = side
        return refine_line(light, line, reach_px)
    assert marks.near is not None
    near_px = reduced_px(marks.near, reduction)
    return marked_edge(light, near_px, prepared.candidates, lambda: prepared.proposals, tool_at, reduction)


def reduced_px(points_px: Polyline, reduction: int) -> Array:
    """Points in a photo whose pixels are blocks.

    Parameters
    ----------
    points_px : polyline
        In the photo's own pixels.
    reduction : int
        Side of the blocks.

    Returns
    -------
    ndarray, shape (N, 2)
    """
    return np.asarray((np.array(points_px, float) + 0.5) / reduction - 0.5)


def _no_edge(path: Path, light: NDArray[np.float32], some_lines: bool) -> PhotoRefused:
    burnt = float((light.max(axis=2) >= CLIPPED).mean())
    if burnt > MOST_BURNT:
        return PhotoRefused(
            f"{path.name}: {burnt:.0%} of the picture is burnt out by glare, the cutting edge is lost in it",
            "dim the lamp or shorten the exposure, put a diffuser over the lamp, and take it again",
            "burnt-out",
        )
    if some_lines:
        return PhotoRefused(
            f"{path.name}: no line in it is clearly the cutting edge",
            "mark the edge with edge_near = [[column, row], [column, row]] in the trial file",
            "edge-unclear",
        )
    return PhotoRefused(
        f"{path.name}: no cutting edge is to be seen in it",
        "put a white card behind the flute and focus on the edge, or mark the edge with edge_near",
        "no-edge-seen",
    )
