"""The codes of a part program: which exclude each other, which are not followed, which move nothing.

They are those of RS274/NGC version 3 (Kramer, Proctor, Messina: The NIST RS274NGC Interpreter, NISTIR 6556, 2000;
from memory), G70 and G71 as in ISO 6983-1, and some that controls of routers and mills add and that move nothing.
"""

from __future__ import annotations

GROUPS: dict[str, frozenset[float]] = {
    "motion": frozenset({0, 1, 2, 3, 73, 81, 82, 83, 85, 89}),
    "cycle": frozenset({80}),
    "plane": frozenset({17, 18, 19}),
    "unit": frozenset({20, 21, 70, 71}),
    "distance": frozenset({90, 91}),
    "centre": frozenset({90.1, 91.1}),
    "feed": frozenset({93, 94, 95}),
    "offset": frozenset({54, 54.1, 55, 56, 57, 58, 59, 59.1, 59.2, 59.3}),
    "length": frozenset({43, 43.1, 44, 49}),
    "once": frozenset({4, 10, 28, 28.1, 28.2, 30, 30.1, 52, 53, 92, 92.1, 92.2, 92.3}),
    # no effect on the path: no compensation, no scaling, no rotation, no polar words, path control, return level
    "compensation": frozenset({40}),
    "scaling": frozenset({50}),
    "rotation": frozenset({69}),
    "polar": frozenset({15}),
    "path": frozenset({61, 61.1, 64, 187}),
    "radius": frozenset({8}),
    "return": frozenset({98, 99}),
    "spindle": frozenset({97}),
}
GROUP_OF = {code: group for group, codes in GROUPS.items() for code in codes}
NOT_FOLLOWED = (  # codes, what they are, cure
    ({41, 41.1, 42, 42.1}, "cutter compensation", "give the program with the path of the tool's centre"),
    ({74, 76, 84, 86, 87, 88}, "a canned cycle", "give the program with its moves written out"),
    ({5, 5.1, 5.2, 5.3, 6, 6.2}, "a spline", "give the program with lines and arcs"),
    ({16, 51, 68}, "polar words, scaling or rotation", "give the program with its final coordinates"),
    ({65, 66, 67}, "a macro call", "give the program with its moves written out"),
    ({96}, "constant surface speed", "give the spindle speed in revolutions per minute"),
)
DRILLING = {73.0: False, 81.0: False, 82.0: False, 83.0: False, 85.0: True, 89.0: True}
"""Drilling cycles that are followed, and whether they leave the hole at feed rate too (RS274/NGC; from memory)."""
PECKING = frozenset({73.0, 83.0})
PLANES = {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}
"""First and second axis, seen so that the first turns into the second anticlockwise, and the third."""

QUIET_M = frozenset({0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 30, 48, 49})
OFFSETS_OF_G10 = {0: None, 1: 54, 2: 55, 3: 56, 4: 57, 5: 58, 6: 59, 7: 59.1, 8: 59.2, 9: 59.3}
"""Work offset that P names on a line with G10 L2 or L20; 0 is the one in force (RS274/NGC; from memory)."""
