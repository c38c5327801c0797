"""What to do before a picture is taken, in few words; the one place where they stand."""

from __future__ import annotations

from wearscope.live.guide import Look, Pose
from wearscope.live.source import FrameSource

# From here on it is said. Chosen, no source: as near as a hand can do without looking twice, and well within what the
# laying over of photos bears.
SHIFT_MM, TURN_DEG, ZOOM = 0.25, 1.5, 0.02
BLUR_SHARE = 0.7  # of what is refused: some room for the judging of the still picture
CLIPPED = 0.1
DIM = 0.06  # of full light
LEAST_CONTRAST = 0.12


def advice(look: Look) -> tuple[str, ...]:
    """What to do, the most needed first; empty if nothing is seen to be wrong.

    Parameters
    ----------
    look : Look

    Returns
    -------
    tuple of str
    """
    if look.refused:
        burnt = look.clipped_share > CLIPPED
        return (
            look.refused,
            *([f"less light: {look.clipped_share:.0%} of the picture is burnt out"] * burnt),
        )
    if not look.followed:
        return ("looking for the cutting edge: lay it across the picture, and focus on it",)
    lines = [*_light(look)]
    if not look.blur_um <= BLUR_SHARE * look.most_blur_um:
        lines.append(
            f"focus on the edge (blur {look.blur_um:.0f} um, at most {BLUR_SHARE * look.most_blur_um:.0f})"
        )
    if look.pose is not None:
        lines += _way(look.pose)
    return tuple(lines)


def _light(look: Look) -> list[str]:
    lines = []
    if look.clipped_share > CLIPPED:
        lines.append(f"less light: {look.clipped_share:.0%} of the edge is burnt out")
    elif look.brightness < DIM:
        lines.append("more light on the tool")
    if look.contrast < LEAST_CONTRAST:
        lines.append("put a plain card behind the edge: the tool hardly stands out from it")
    elif not look.even:
        lines.append("what lies behind the edge is uneven: put a plain card there")
    return lines


def _way(pose: Pose) -> list[str]:
    if pose.marks == "other":
        return ["these are not the grinding marks of the new-state photo: is it the right flute?"]
    lines = []
    if abs(pose.turn_deg) > TURN_DEG:
        lines.append(
            f"turn it {abs(pose.turn_deg):.0f}° {'more' if pose.turn_deg > 0 else 'back'} (clockwise is more)"
        )
    way = [
        f"{abs(mm):.1f} mm {(words[0] if mm > 0 else words[1])}"
        for mm, words in ((pose.right_mm, ("right", "left")), (pose.down_mm, ("down", "up")))
        if abs(mm) > SHIFT_MM
    ]
    if way:
        lines.append(f"move it {' and '.join(way)}")
    if abs(pose.zoom - 1.0) > ZOOM:
        share = f"{abs(pose.zoom - 1.0):.0%}"
        lines.append(
            f"closer: it must be {share} larger" if pose.zoom > 1 else f"farther: it must be {share} smaller"
        )
    return lines


def meters(look: Look) -> str:
    """Focus and light on the edge, in one line.

    Parameters
    ----------
    look : Look

    Returns
    -------
    str
        "" without an edge.
    """
    if not look.followed:
        return ""
    sharp = 1.0 - look.blur_um / look.most_blur_um
    ground = "even" if look.even else "uneven"
    return (
        f"focus {_bar(sharp)} blur {look.blur_um:.1f} um   light {_bar(look.brightness)} "
        f"{look.clipped_share:.0%} burnt out   ground {ground}"
    )


def _bar(share: float, length: int = 10) -> str:
    full = round(length * min(max(share, 0.0), 1.0)) if share == share else 0
    return "█" * full + "░" * (length - full)


def camera_words(source: FrameSource) -> str:
    """How a camera that sends nothing stands, and what can be done about it.

    Parameters
    ----------
    source : FrameSource

    Returns
    -------
    str
        "" if it was closed.
    """
    if source.state == "closed":
        return ""
    if source.state == "ended":
        return "the video is over"
    ever = source.newest() is not None
    if source.state == "lost":
        if ever:
            return "the camera is gone: check it and its cable or network, then start again"
        if isinstance(source.address, int):
            return (
                f"no camera answers by the number {source.address}: plug it in, close other programs that use it, or "
                "give another number (they count from 0), then start again"
            )
        return (
            f"no picture came from {source.address}: check the address and that the camera is on and in the same "
            "network, or the name of the video, then start again"
        )
    if ever:
        return "the camera has stopped sending; trying again …"
    return "opening the camera …"
