"""Which line is the cutting edge and where the tool lies, from what is said of it: by people, by rules, by the net.

What a person has marked decides. Without marks the rules of `edge_selection` and the trained net of `edge_map` are
asked, which know nothing of each other: where they agree, the line is the edge; where they do not, all that is measured
along it is doubtful, or the photo is refused. The net only proposes: the line that is measured is always the one traced
in the photo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.edge_lines import Array, EdgeLine, line_through, offset_from
from wearscope.imaging.edge_map import SIDES_PX, TOOL_EDGE_SEEN, ProposedLine
from wearscope.imaging.edge_selection import (
    ALIKE,
    DECISIVE,
    NEAR_PX,
    Candidate,
    along_polyline,
    choose,
    judge,
    refine_line,
    traced_beside,
)
from wearscope.quantities.reasons import Reason, reason

MARKED_PX = 25.0  # within which points that a person marked lie on the edge
MARKED_TRACED = 0.5  # of the way along them, on which an edge must be seen there
# Of the net's own pixels: how far its lines may lie beside the edge; on 77 real and path-traced photos at most 5
NET_PX = 6.0
SIDE_TOLD = 0.4  # of the evidence for a side of the tool; on the same photos 0.59 and more
CLEARLY = 1.5  # times the evidence of the net's next line, from which its first one may stand alone


@dataclass(frozen=True, eq=False)
class FoundEdge:
    """A line taken for the cutting edge.

    Attributes
    ----------
    line : EdgeLine
        Tool inward.
    doubts : tuple of Reason
        Why it may be another line, or no edge of a tool.
    """

    line: EdgeLine
    doubts: tuple[Reason, ...] = ()


def marked_edge(
    light: NDArray[np.float32],
    near_px: Array,
    found: Sequence[Candidate],
    proposals: Sequence[ProposedLine],
    tool_at_px: Array | None,
) -> EdgeLine | None:
    """The edge that a person's polyline marks.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    near_px : ndarray, shape (N, 2)
        Column and row: on the edge within `MARKED_PX`, or else within `NEAR_PX` of it.
    found : sequence of Candidate
    proposals : sequence of ProposedLine
    tool_at_px : ndarray, shape (2,), or None
        A place on the tool.

    Returns
    -------
    EdgeLine or None
        Tool inward; None where neither the person nor the photo says on which side the tool lies.
    """
    points = along_polyline(near_px)
    within = sorted(
        (float(np.median(np.abs(offset_from(points, each.line)))), rank) for rank, each in enumerate(found)
    )
    line: EdgeLine | None = None
    if not within or within[0][0] > MARKED_PX:
        line = _on_the_marks(light, points)
    if line is None and within and within[0][0] < NEAR_PX:
        line = found[within[0][1]].line
    if line is None:
        line = refine_line(light, line_through(points), NEAR_PX)
    return tool_inward(light, line, proposals, tool_at_px)


def _on_the_marks(light: NDArray[np.float32], points: Array) -> EdgeLine | None:
    """The edge traced within `MARKED_PX` of the marks, where one is seen along most of them."""
    marked = line_through(points)
    if traced_beside(light, marked, MARKED_PX) < MARKED_TRACED:
        return None
    return refine_line(light, marked, MARKED_PX)


def tool_inward(
    light: NDArray[np.float32],
    line: EdgeLine,
    proposals: Sequence[ProposedLine],
    tool_at_px: Array | None,
) -> EdgeLine | None:
    """A line turned so that the tool lies inward.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    line : EdgeLine
    proposals : sequence of ProposedLine
    tool_at_px : ndarray, shape (2,), or None
        A place on the tool, which a person has marked.

    Returns
    -------
    EdgeLine or None
        None where nothing tells the side.
    """
    if tool_at_px is not None:
        return line if float(offset_from(tool_at_px[None], line)[0]) > 0.0 else line.turned()
    for each in proposals:
        if each.side_evidence > SIDE_TOLD and beside_px(line, each) < reach_px(light):
            return line if float(line.inward @ each.inward) > 0.0 else line.turned()
    odds, _ = judge(light, line)
    if abs(odds) < DECISIVE:
        return None
    return line if odds > 0 else line.turned()


def unmarked_edge(
    light: NDArray[np.float32],
    found: Sequence[Candidate],
    proposals: Sequence[ProposedLine],
    like: EdgeLine | None,
) -> FoundEdge | None:
    """The edge that rules and net take for it.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    found : sequence of Candidate
    proposals : sequence of ProposedLine
    like : EdgeLine or None
        The edge in another photo of the same flute.

    Returns
    -------
    FoundEdge or None
        None where the evidence does not decide.
    """
    chosen = choose(found, like=like)
    seen = [each for each in proposals if each.tool_edge_seen >= TOOL_EDGE_SEEN]
    if like is not None:
        seen = [each for each in seen if float(like.inward @ each.inward) > ALIKE] or seen
    if not seen:
        return None if chosen is None else FoundEdge(chosen.line, (reason("no-tool-edge"),))
    if chosen is not None and agree(chosen.line, seen[0], light):
        return FoundEdge(chosen.line)
    if chosen is not None and any(agree(chosen.line, each, light) for each in seen[1:]):
        # both sides of the tool are in the frame: its land tells the rules which one cuts
        return FoundEdge(chosen.line, (reason("edge-disputed"),))
    if seen[0].side_evidence < SIDE_TOLD:
        return None
    line = traced_proposal(light, seen[0])
    if line is None or (len(seen) > 1 and seen[0].tool_edge_seen < CLEARLY * seen[1].tool_edge_seen):
        return None
    return FoundEdge(line, () if chosen is None else (reason("edge-disputed"),))


def traced_proposal(light: NDArray[np.float32], proposal: ProposedLine) -> EdgeLine | None:
    """The edge traced in the photo where the net has seen it.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    proposal : ProposedLine

    Returns
    -------
    EdgeLine or None
        Tool inward; None where no edge is seen there.
    """
    rough = line_through(proposal.course_px)
    rough = rough if float(rough.inward @ proposal.inward) > 0.0 else rough.turned()
    if traced_beside(light, rough, reach_px(light)) < MARKED_TRACED:
        return None
    line = refine_line(light, rough, reach_px(light))
    return line if float(line.inward @ proposal.inward) > 0.0 else line.turned()


def agree(line: EdgeLine, proposal: ProposedLine, light: NDArray[np.float32]) -> bool:
    """Whether a line is the one that the net proposes, the tool on the same side.

    Parameters
    ----------
    line : EdgeLine
        Tool inward.
    proposal : ProposedLine
    light : ndarray, shape (H, W, 3)
        In whose pixels both are.

    Returns
    -------
    bool
    """
    same_side = float(line.inward @ proposal.inward) > ALIKE
    return same_side and beside_px(line, proposal) < reach_px(light)


def beside_px(line: EdgeLine, proposal: ProposedLine) -> float:
    """How far a proposed line lies beside a line, the median along it.

    Parameters
    ----------
    line : EdgeLine
    proposal : ProposedLine

    Returns
    -------
    float
        Pixels.
    """
    return float(np.median(np.abs(offset_from(proposal.course_px, line))))


def reach_px(light: NDArray[np.float32]) -> float:
    """How far beside the edge the net's lines may lie.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)

    Returns
    -------
    float
        Pixels of the light.
    """
    return max(8.0, NET_PX * max(light.shape[:2]) / min(SIDES_PX))
