"""Which line is the cutting edge and where the tool lies, from what is said of it: by people, by rules, by the net.

What a person has marked decides. Without marks the rules of `edge_selection` and the trained net of `edge_map` must
agree, or the edge is doubtful: the rules look closely at the two sides of a line, the net at the whole picture. The
net only proposes: the line that is measured is always one traced in the photo.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.edge_line import Array, EdgeLine, offset_from
from wearscope.imaging.edge_lines import line_through
from wearscope.imaging.edge_map import SIDES_PX, TOOL_EDGE_SEEN, ProposedLine
from wearscope.imaging.edge_selection import (
    ALIKE,
    DECISIVE,
    DEGREE,
    NEAR_PX,
    Candidate,
    along_polyline,
    choose,
    face_grain,
    judge,
    refine_line,
    settled_line,
    steepest_beside,
)
from wearscope.imaging.impostors import is_impostor
from wearscope.quantities.reasons import Reason, reason

Propose = Callable[[], Sequence[ProposedLine]]

# How steep what is marked must be against a line beside it; and how closely that line's own steepness is read
LEAST_OF_RIVAL, BESIDE_PX = 0.6, 6.0
ON_LINE = 41  # points that say where a line runs; chosen
SAME_PX = 12.0  # between two lines, within which they are one
MARKED_PX = 25.0  # of the photo's own, within which points that a person marked lie on the edge
# Of the net's own pixels, and of the photo's at least: how far its lines may lie beside the edge; chosen, no source
NET_PX, LEAST_REACH_PX = 6.0, 8.0
SIDE_TOLD = 0.4  # of the evidence for a side of the tool; on the same photos 0.59 and more
CLEARLY = 1.5  # times the evidence of the net's next line, from which its first one may stand alone
# `tool_edge_seen` of the plainest line, below which the picture shows no tool edge: at most 0.19 on nine of ten
# of 1251 pictures of other things, at least 0.30 on 88 of 89 of real and rendered tools (sample_images/scenes)
NO_TOOL_EDGE = 0.2
SAME_REACHES = 1.5  # of the net's lines, within which one lies on a line that was traced
# And within which both mean one line: at most 0.27 where a careful eye sees it too, on 57 real and 33 rendered ones,
# 0.33 on a rendered one of 620 x 340 pixels; 0.38 and more on four where the trace has gone over to a line beside it
ONE_LINE_REACHES = 0.35
SIDE_SURE = 4.0  # log odds of the rules, from which the net does not dispute the side of a line
# `face_grain` below which a face is as plain as a print or a drawing: at least 0.0047 on 97 real and rendered tools,
# 0.0000 on 18 drawn prints
LEAST_GRAIN = 0.002
ALONG_NET = 0.9  # cosine between lines that run alike


def marked_edge(
    light: NDArray[np.float32],
    near_px: Array,
    found: Sequence[Candidate],
    propose: Propose,
    tool_at_px: Array | None,
    reduction: int = 1,
) -> EdgeLine | None:
    """The edge that a person's polyline marks.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    near_px : ndarray, shape (N, 2)
        Column and row: on the edge within `MARKED_PX`, or else within `NEAR_PX` of it, both of the photo's own.
    found : sequence of Candidate
    propose : callable
        Gives the lines that the net proposes; asked only where they are needed.
    tool_at_px : ndarray, shape (2,), or None
        A place on the tool.
    reduction : int
        The photo's own pixels to one of the light, along each side.

    Returns
    -------
    EdgeLine or None
        Tool inward; None where neither the person nor the photo says on which side the tool lies.
    """
    marked_px, far_px = MARKED_PX / reduction, NEAR_PX / reduction
    line = _marked_line(light, along_polyline(near_px), found, marked_px, far_px)
    drawn_on = _drawn_on(light, line, found, propose(), marked_px)
    return tool_inward(light, drawn_on, propose, tool_at_px)


def _drawn_on(
    light: NDArray[np.float32],
    line: EdgeLine,
    found: Sequence[Candidate],
    proposals: Sequence[ProposedLine],
    marked_px: float,
) -> EdgeLine:
    """A marked line drawn on as far as rules or net see it go on: two points on an edge need not be its ends."""
    own = np.column_stack(line.points_px(_along(line)))
    longest_px, whole = line.end_px - line.start_px, own
    for other in (*(each.line for each in found), *(line_through(each.course_px) for each in proposals)):
        beside_px = float(np.median(offset_from(own, other)))
        course = np.column_stack(other.points_px(_along(other)))
        t_px = (course - line.origin_px) @ line.direction
        beyond = (t_px < line.start_px) | (t_px > line.end_px)
        if abs(beside_px) < marked_px and not beyond.all() and np.ptp(t_px) > longest_px:
            # what runs beside the edge is moved on to it
            longest_px = float(np.ptp(t_px))
            whole = np.vstack([own, course[beyond] + beside_px * other.inward])
    if whole is own:
        return line
    order = np.argsort((whole - line.origin_px) @ line.direction)
    return line_through(whole[order], degree=DEGREE, coverage=line.coverage)


def _along(line: EdgeLine) -> Array:
    return np.linspace(line.start_px, line.end_px, ON_LINE)


def _marked_line(
    light: NDArray[np.float32], points: Array, found: Sequence[Candidate], marked_px: float, far_px: float
) -> EdgeLine:
    marked = line_through(points)
    own = steepest_beside(light, marked, marked_px)
    off_px = [float(np.median(np.abs(offset_from(points, each.line)))) for each in found]
    nearest = int(np.argmin(off_px)) if off_px else -1
    if own is not None and (nearest < 0 or off_px[nearest] > far_px) and own.stands_out:
        return own.line
    if nearest < 0 or off_px[nearest] > far_px:
        return refine_line(light, marked, far_px)
    if own is None:
        return found[nearest].line
    t_px = np.linspace(own.line.start_px, own.line.end_px, 41)
    apart_px = np.abs(offset_from(np.column_stack(own.line.points_px(t_px)), found[nearest].line))
    if float(np.quantile(apart_px, 0.9)) < SAME_PX:
        return found[nearest].line  # the same edge, traced over all of the photo
    # points on an edge mean that edge, and not a line beside it; points on plain ground mean the line beside it
    beside = steepest_beside(light, found[nearest].line, BESIDE_PX)
    if (
        off_px[nearest] > marked_px
        and beside is not None
        and own.steepness < LEAST_OF_RIVAL * beside.steepness
    ):
        return found[nearest].line
    return own.line


def tool_inward(
    light: NDArray[np.float32],
    line: EdgeLine,
    propose: Propose,
    tool_at_px: Array | None,
) -> EdgeLine | None:
    """A line turned so that the tool lies inward.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    line : EdgeLine
    propose : callable
        Gives the lines that the net proposes; asked only where they are needed.
    tool_at_px : ndarray, shape (2,), or None
        A place on the tool, which a person has marked.

    Returns
    -------
    EdgeLine or None
        None where nothing tells the side.
    """
    if tool_at_px is not None:
        return line if float(offset_from(tool_at_px[None], line)[0]) > 0.0 else line.turned()
    for each in propose():
        if each.side_evidence > SIDE_TOLD and beside_px(line, each) < net_reach_px(light):
            return line if float(line.inward @ each.inward) > 0.0 else line.turned()
    odds, _ = judge(light, line)
    if abs(odds) < DECISIVE:
        return None
    return line if odds > 0 else line.turned()


@dataclass(frozen=True, eq=False)
class FoundEdge:
    """The cutting edge of a photo, and why it may not be that.

    Attributes
    ----------
    line : EdgeLine
        Tool inward.
    doubts : tuple of Reason
    """

    line: EdgeLine
    doubts: tuple[Reason, ...] = ()


def unmarked_edge(
    light: NDArray[np.float32],
    found: Sequence[Candidate],
    proposals: Sequence[ProposedLine],
    like: EdgeLine | None,
    reach_px: float,
) -> FoundEdge | None:
    """The edge that rules and net take for it; where they contradict each other it is doubtful.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    found : sequence of Candidate
    proposals : sequence of ProposedLine
        What the net proposes, most of it first.
    like : EdgeLine or None
        The edge in another photo of the same flute.
    reach_px : float
        How far beside a rough line the edge is sought.

    Returns
    -------
    FoundEdge or None
        None where the evidence does not decide.
    """
    agreed = _agreed(light, found, proposals, like, reach_px)
    if agreed is None:
        return None
    if is_impostor(light, agreed.line):
        return replace(agreed, doubts=(*agreed.doubts, reason("no-tool-edge")))
    if face_grain(light, agreed.line) >= LEAST_GRAIN:
        return agreed
    return replace(agreed, doubts=(*agreed.doubts, reason("no-grain")))


def _agreed(
    light: NDArray[np.float32],
    found: Sequence[Candidate],
    proposals: Sequence[ProposedLine],
    like: EdgeLine | None,
    reach_px: float,
) -> FoundEdge | None:
    """What rules and net agree upon, or one of the two with the doubt that it is not that."""
    chosen = choose(found, like=like)
    leading = _leading(proposals, like)
    if chosen is None:
        return None if leading is None else _by_net_alone(light, leading, found, reach_px)
    by_rules = FoundEdge(refine_line(light, chosen.line, reach_px))
    plain = [each for each in proposals if each.tool_edge_seen >= NO_TOOL_EDGE]
    if not plain:
        return replace(by_rules, doubts=(reason("no-tool-edge"),))
    rivals = [each for each in plain if each.tool_edge_seen >= plain[0].tool_edge_seen / CLEARLY]
    same = [each for each in rivals if beside_px(by_rules.line, each) < SAME_REACHES * net_reach_px(light)]
    if any(float(by_rules.line.inward @ each.inward) > 0.0 for each in same):
        one = _on_one_line(by_rules.line, plain[0], light) and len(same) == len(rivals)
        return by_rules if one else replace(by_rules, doubts=(reason("edge-disputed"),))
    if same:
        # the rules look at grain and colour in full detail, the net at a small picture
        sure = chosen.evidence >= SIDE_SURE
        return by_rules if sure else replace(by_rules, doubts=(reason("tool-side-disputed"),))
    by_net = None if leading is None else _where_net_sees(light, leading, found, reach_px)
    return replace(by_net or by_rules, doubts=(reason("edge-disputed"),))


def _by_net_alone(
    light: NDArray[np.float32], leading: ProposedLine, found: Sequence[Candidate], reach_px: float
) -> FoundEdge | None:
    """The edge where the rules do not decide: doubtful unless one of their candidates lies there, too."""
    edge = _where_net_sees(light, leading, found, reach_px)
    if edge is None or any(_on_one_line(each.line, leading, light) for each in found):
        return edge
    return replace(edge, doubts=(*edge.doubts, reason("edge-by-look")))


def _on_one_line(line: EdgeLine, proposal: ProposedLine, light: NDArray[np.float32]) -> bool:
    """Whether a line and a proposed one, with the tool on the same side, are one."""
    same_side = float(line.inward @ proposal.inward) > 0.0
    return same_side and beside_px(line, proposal) < ONE_LINE_REACHES * net_reach_px(light)


def _leading(proposals: Sequence[ProposedLine], like: EdgeLine | None) -> ProposedLine | None:
    """The line that the net alone would take; None where it does not tell."""
    seen = [each for each in proposals if each.tool_edge_seen >= TOOL_EDGE_SEEN]
    if like is not None:
        seen = [each for each in seen if float(like.inward @ each.inward) > ALIKE] or seen
    if not seen or seen[0].side_evidence < SIDE_TOLD:
        return None
    if len(seen) > 1 and seen[0].tool_edge_seen < CLEARLY * seen[1].tool_edge_seen:
        return None
    return seen[0]


def _where_net_sees(
    light: NDArray[np.float32], proposal: ProposedLine, found: Sequence[Candidate], reach_px: float
) -> FoundEdge | None:
    """The edge traced in the photo where the net sees it; doubtful where it hardly stands out there."""
    line = traced_proposal(light, proposal)
    if line is not None:
        return FoundEdge(settled_line(light, line, reach_px))
    beside = [each.line for each in found if abs(float(each.line.inward @ proposal.inward)) > ALONG_NET]
    nearest = min(beside, key=lambda each: beside_px(each, proposal), default=None)
    if nearest is None or beside_px(nearest, proposal) > SAME_REACHES * net_reach_px(light):
        return None
    nearest = nearest if float(nearest.inward @ proposal.inward) > 0.0 else nearest.turned()
    return FoundEdge(settled_line(light, nearest, reach_px), (reason("edge-faint"),))


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
    found = steepest_beside(light, rough, net_reach_px(light))
    return found.line if found is not None and found.stands_out else None


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


def net_reach_px(light: NDArray[np.float32]) -> float:
    """How far beside the edge the net's lines may lie.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)

    Returns
    -------
    float
        Pixels of the light.
    """
    return float(max(LEAST_REACH_PX, NET_PX * max(light.shape[:2]) / min(SIDES_PX)))
