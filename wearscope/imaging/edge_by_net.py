"""The edge where rules and the trained net do not agree, and the net sees one line clearly: that line, doubtful.

The rules go by level, colour and grain on the two sides of a line. A dark tool before a ground as dark, or before one
half dark and half white, leaves them little; the net sees the whole picture. Of a corner's edges it is the plainer.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.edge_line import EdgeLine, offset_from
from wearscope.imaging.edge_lines import line_through
from wearscope.imaging.edge_map import TOOL_EDGE_SEEN, ProposedLine
from wearscope.imaging.edge_selection import ALIKE, settled_line, steepest_beside
from wearscope.imaging.edge_verdict import (
    CLEARLY,
    ONE_LINE_REACHES,
    SIDE_TOLD,
    FoundEdge,
    beside_px,
    net_reach_px,
)
from wearscope.quantities.reasons import reason

# Where only the side is disputed, the rules keep it: on a rendered edge the net was wrong with 0.79 for a side
DISPUTED = "edge-disputed"
# Cosine between the normals of a corner's two edges, either way: from 30° to 150° between them. Chosen: two sides of
# a land, or of a tool, run within a few degrees of each other
CORNER = float(np.cos(np.radians(30.0)))


def where_net_is_clear(
    light: NDArray[np.float32],
    found: FoundEdge | None,
    proposals: Sequence[ProposedLine],
    like: EdgeLine | None,
    reach_px: float,
) -> FoundEdge | None:
    """The line of the net in place of a line that is disputed, or of none.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    found : FoundEdge or None
        What rules and net agree upon, from `unmarked_edge`.
    proposals : sequence of ProposedLine
        What the net proposes, most of it first.
    like : EdgeLine or None
        The edge in another photo of the same flute.
    reach_px : float
        How far beside a rough line the edge is sought.

    Returns
    -------
    FoundEdge or None
        Another one than `found` is always doubtful; `found` where its line is not disputed or lies on the net's, and
        where the net does not tell.
    """
    if found is not None and not any(doubt.code == DISPUTED for doubt in found.doubts):
        return found
    clear = _clear(proposals, like)
    if clear is None or (found is not None and _lies_on(found.line, clear, light)):
        return found
    rough = _rough(clear)
    seen = steepest_beside(light, rough, net_reach_px(light))
    if seen is None:
        return found
    line = settled_line(light, seen.line, reach_px)
    if found is not None and _one_line(line, found.line, net_reach_px(light)):
        return found  # of which the net sees a part
    disputed = reason("edge-by-look") if found is None else reason("edge-disputed")
    faint = () if seen.stands_out else (reason("edge-faint"),)
    return FoundEdge(line, (disputed, *faint))


def _clear(proposals: Sequence[ProposedLine], like: EdgeLine | None) -> ProposedLine | None:
    """The plainest line, unless one as plain runs along it: of a corner's two edges either will do."""
    plain = [each for each in proposals if each.tool_edge_seen >= TOOL_EDGE_SEEN]
    if like is not None:
        plain = [each for each in plain if float(like.inward @ each.inward) > ALIKE] or plain
    if not plain or plain[0].side_evidence < SIDE_TOLD:
        return None
    first, *others = plain
    rivals = [each for each in others if first.tool_edge_seen < CLEARLY * each.tool_edge_seen]
    return first if all(_one_corner(first, each) for each in rivals) else None


def _one_corner(one: ProposedLine, other: ProposedLine) -> bool:
    """Whether two lines are the edges of a corner of one tool: each lies where the other has the tool."""
    turned = abs(float(np.dot(one.inward, other.inward)))
    return turned < CORNER and all(
        float(np.median(offset_from(a.course_px, _rough(b)))) > 0.0 for a, b in ((one, other), (other, one))
    )


def _lies_on(line: EdgeLine, proposal: ProposedLine, light: NDArray[np.float32]) -> bool:
    """Whether a line and a proposed one, with the tool on the same side, are one."""
    same_side = float(line.inward @ proposal.inward) > 0.0
    return same_side and beside_px(line, proposal) < ONE_LINE_REACHES * net_reach_px(light)


def _one_line(line: EdgeLine, other: EdgeLine, reach_px: float) -> bool:
    """Whether a line lies along another one, with the tool on the same side."""
    points_px = np.stack(line.points_px(np.linspace(line.start_px, line.end_px, 33)), axis=-1)
    beside = float(np.median(np.abs(offset_from(points_px, other))))
    return float(line.inward @ other.inward) > 0.0 and beside < reach_px


def _rough(proposal: ProposedLine) -> EdgeLine:
    """A proposed line, tool inward."""
    line = line_through(np.asarray(proposal.course_px))
    return line if float(line.inward @ proposal.inward) > 0.0 else line.turned()
