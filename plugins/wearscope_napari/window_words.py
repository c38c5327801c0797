"""Cures in the words of the window: what the trial file could say, a button here says sooner."""

from __future__ import annotations

import re

DRAW, SIDE, SET, SWAP = "Draw anew", "Other side", "Set", "Swap used and unused"
"""Buttons; `hand_panel` makes them by these names."""

_POINTS = r"(?: = \[\[column, row\], \[column, row\]\])?(?: in the trial file)?"
_BUTTONS: tuple[tuple[str, str], ...] = (
    (rf"mark (the edge|it|the cutting edge's) with edge_near{_POINTS}", rf"draw \1 by hand ({DRAW})"),
    (
        r"beside the points of edge_near; look where it was taken, and put the points on the edge",
        f"beside the points marked; look where it was taken, and draw it by hand ({DRAW})",
    ),
    (r"set edge_near to points within \d+ px of the tip", f"draw the edge by the tip ({DRAW})"),
    (r"give a place on the tool, tool_at = .*, in the trial file, or set it in the viewer", f"press {SIDE}"),
    (
        r"give a place on (the tool|it) with tool_at",
        rf"draw its edge by hand ({DRAW}); if need be press {SIDE}",
    ),
    (
        r"(?:say so with used_side in the trial file|set used_side)",
        f"set the transition ({SET}), then {SWAP} if need be",
    ),
    (r"set the transition by hand", f"set the transition ({SET})"),
    (
        r"choose another(?: folder)? with --out",
        "copy the trial's folder to where you may write, and open that",
    ),
)


def in_window(text: str) -> str:
    """A reason or a refusal with its cure as the window offers it."""
    for said, button in _BUTTONS:
        text = re.sub(said, button, text)
    return text
