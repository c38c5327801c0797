"""From the words of a part program to moves: what a control would do, strictly or not at all.

The words are those of RS274/NGC version 3 (Kramer, Proctor, Messina: The NIST RS274NGC Interpreter, NISTIR
6556, 2000; from memory), a superset of ISO 6983-1 as routers use it. Whatever could move the tool in a way
that is not followed here is refused by line and word: a length that leaves out a subprogram is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import atan2, hypot, pi, sqrt
from pathlib import Path

from wearscope.process.program_words import ProgramRefused, Words, refused
from wearscope.quantities.reasons import Reason, Value, reason

MM_PER_INCH = 25.4

Position = tuple[float | None, float | None, float | None]
"""X, Y and Z in mm; None where the program has not said yet."""

_GROUPS: dict[str, frozenset[float]] = {
    "motion": frozenset({0, 1, 2, 3}),
    "cycle": frozenset({80}),
    "plane": frozenset({17, 18, 19}),
    "unit": frozenset({20, 21}),
    "distance": frozenset({90, 91}),
    "centre": frozenset({90.1, 91.1}),
    "feed": frozenset({93, 94, 95}),
    "offset": frozenset({54, 55, 56, 57, 58, 59, 59.1, 59.2, 59.3}),
    "length": frozenset({43, 43.1, 44, 49}),
    "once": frozenset({4, 28, 30, 52, 53, 92, 92.1, 92.2, 92.3}),
    # no effect on the path: no compensation, no scaling, no rotation, no polar words, path control, return level
    "compensation": frozenset({40}),
    "scaling": frozenset({50}),
    "rotation": frozenset({69}),
    "polar": frozenset({15}),
    "path": frozenset({61, 61.1, 64}),
    "return": frozenset({98, 99}),
    "spindle": frozenset({97}),
}
_GROUP_OF = {code: group for group, codes in _GROUPS.items() for code in codes}
_NOT_FOLLOWED = (  # codes, what they are, cure
    ({41, 41.1, 42, 42.1}, "cutter compensation", "give the program with the path of the tool's centre"),
    ({73, 74, 76, *range(81, 90)}, "a canned cycle", "give the program with its moves written out"),
    ({5, 5.1, 5.2, 5.3, 6, 6.2}, "a spline", "give the program with lines and arcs"),
    ({16, 51, 68}, "polar words, scaling or rotation", "give the program with its final coordinates"),
    ({65, 66, 67}, "a macro call", "give the program with its moves written out"),
    ({96}, "constant surface speed", "give the spindle speed in revolutions per minute"),
)
_PLANES = {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}
"""First and second axis, seen so that the first turns into the second anticlockwise, and the third."""

_AXES = "XYZ"
_CENTRES = "IJK"
_QUIET_M = frozenset({0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 30, 48, 49})

# Rounding to the last written digit moves the ends of an arc by a few microns. From memory: RS274/NGC allows
# 0.002 mm; controls in use allow more, as posted programs need it.
_CENTRE_SLACK_MM, _CENTRE_SLACK = 0.02, 1e-3
_SAME_MM = 1e-6
_FARTHEST_MM = 1e5  # no router is as long; a length without its decimal point may be


@dataclass(frozen=True)
class Move:
    """One move at feed rate.

    Attributes
    ----------
    line : int
        Line of the file, counted from 1.
    start_mm, end_mm : tuple of float or None
        X, Y and Z, in mm; None for an axis whose place is not known.
    length_mm : float
        Length of its path, in mm.
    upright : bool
        It goes along Z alone.
    feed_mm_per_min : float or None
        None if the program gives no feed.
    spindle_rpm : float or None
        Spindle speed last asked for; None if the program asks for none.
    """

    line: int
    start_mm: Position
    end_mm: Position
    length_mm: float
    upright: bool
    feed_mm_per_min: float | None
    spindle_rpm: float | None


@dataclass
class Control:
    """A control that follows a program line by line, without a machine.

    Attributes
    ----------
    path : Path
        Of the program, for messages.
    at : list of float or None
        X, Y and Z in mm; None where the program has not said yet.
    motion : float or None
        G code of the motion in force: 0, 1, 2 or 3.
    plane : int
        17, 18 or 19.
    mm : float or None
        Millimetres per unit of length.
    incremental, centre_incremental : bool or None
        Whether coordinates, and centres of arcs, count from where the tool is.
    feed_mode : float
        93 (inverse time), 94 (per minute) or 95 (per revolution).
    feed : float or None
        As `feed_mode` means it, lengths in mm.
    spindle_rpm : float or None
    tool, loaded, cut_with : float or None
        Tool asked for, in the spindle, and the one that has cut.
    offset : float or None
        G code of the work offset.
    moves : list of Move
        Moves at feed rate so far.
    rapid_mm : float
        Length of the rapid moves whose start is known.
    remarks : list of Reason
        What was assumed or left out.
    number : int
        Of the line.
    """

    path: Path
    at: list[float | None] = field(default_factory=lambda: [None, None, None])
    motion: float | None = None
    plane: int = 17
    mm: float | None = None
    incremental: bool | None = None
    centre_incremental: bool = True
    feed_mode: float = 94
    feed: float | None = None
    spindle_rpm: float | None = None
    tool: float | None = None
    loaded: float | None = None
    offset: float | None = None
    cut_with: float | None = None
    moves: list[Move] = field(default_factory=list)
    rapid_mm: float = 0.0
    remarks: list[Reason] = field(default_factory=list)
    number: int = 0

    def follow(self, number: int, words: Words) -> bool:
        """Do what a line says, in the order in which a control does it.

        Parameters
        ----------
        number : int
            Of the line, from 1.
        words : list of (str, float)

        Returns
        -------
        bool
            False after the end of the program.

        Raises
        ------
        ProgramRefused
            A word could move the tool in a way that is not followed.
        """
        self.number = number
        codes, m_codes, values = self._sorted(words)
        self._set_modes(codes, values)
        self._set_feed_and_speed(codes, values)
        if 6 in m_codes:
            self.loaded = self.tool
            self.at = [None, None, None]
        self._shift(codes, values)
        self._move(codes, values)
        return not m_codes & {2, 30}

    def _refuse(self, what: str, cure: str) -> ProgramRefused:
        return refused(self.path, self.number, what, cure)

    def _remark(self, code: str, **values: Value) -> None:
        self.remarks.append(reason(code, line=self.number, **values))

    def _sorted(self, words: Words) -> tuple[dict[str, float], set[float], dict[str, float]]:
        """G codes by group, M codes, and the other words."""
        codes: dict[str, float] = {}
        m_codes: set[float] = set()
        values: dict[str, float] = {}
        for letter, value in words:
            if letter == "G":
                group = self._group(value)
                if group in codes:
                    raise self._refuse(f"G{codes[group]:g} and G{value:g} together", "keep one")
                codes[group] = value
            elif letter == "M":
                self._check_m(value)
                m_codes.add(value)
            elif letter == "O":
                if len(words) > 1 or self.moves:
                    raise self._refuse(
                        f"O{value:g} (a subprogram)", "give the program with its moves written out"
                    )
            elif letter in values:
                raise self._refuse(f"the word {letter} twice", "keep one")
            elif letter in "ABCUVW":
                raise self._refuse(
                    f"the word {letter} (a rotary or second axis)", "only moves along X, Y and Z are followed"
                )
            elif letter in "XYZIJKRFSTHPN":
                values[letter] = value
            else:
                raise self._refuse(f"the word {letter}{value:g}, which is not followed", "take it out")
        values.pop("N", None)
        return codes, m_codes, values

    def _group(self, code: float) -> str:
        if code in _GROUP_OF:
            return _GROUP_OF[code]
        for codes, what, cure in _NOT_FOLLOWED:
            if code in codes:
                raise self._refuse(f"G{code:g} ({what})", cure)
        raise self._refuse(f"G{code:g}, which is not followed", "give the program with plain moves")

    def _check_m(self, code: float) -> None:
        if code in (96, 97, 98, 99) or code >= 100:
            raise self._refuse(
                f"M{code:g} (a subprogram or a macro)", "give the program with its moves written out"
            )
        if code not in _QUIET_M:
            self._remark("m-word-moves-nothing", m=code)

    def _set_modes(self, codes: dict[str, float], values: dict[str, float]) -> None:
        self.plane = int(codes.get("plane", self.plane))
        if "unit" in codes:
            mm = MM_PER_INCH if codes["unit"] == 20 else 1.0
            if self.mm not in (None, mm):
                self.feed = None  # whether a control converts the feed in force differs from make to make
            self.mm = mm
        if "distance" in codes:
            self.incremental = codes["distance"] == 91
        if "centre" in codes:
            self.centre_incremental = codes["centre"] == 91.1
        if "feed" in codes and codes["feed"] != self.feed_mode:
            self.feed_mode, self.feed = codes["feed"], None
        if "motion" in codes or "cycle" in codes:  # controls differ in what is in force after G80 alone
            self.motion = codes.get("motion")

    def _set_feed_and_speed(self, codes: dict[str, float], values: dict[str, float]) -> None:
        if "S" in values:
            self.spindle_rpm = values["S"] or None
        if "T" in values:
            self.tool = values["T"]
        if self.feed_mode == 93:
            self.feed = None  # inverse time holds for its own line
        if "F" in values:
            if values["F"] <= 0:
                raise self._refuse(f"the feed F{values['F']:g}", "give a feed above 0")
            self.feed = values["F"] * (1.0 if self.feed_mode == 93 else self._mm_per_unit())

    def _shift(self, codes: dict[str, float], values: dict[str, float]) -> None:
        """Follow what moves the origin: the tool stays where it is, its coordinates become others."""
        if "offset" in codes and codes["offset"] != self.offset:
            self.offset = codes["offset"]
            self.at = [None, None, None]
        if "length" in codes:
            self.at[2] = None
        once = codes.get("once")
        if once == 92:
            for axis, letter in enumerate(_AXES):
                if letter in values:
                    self.at[axis] = values.pop(letter) * self._mm_per_unit()
        elif once in (52, 92.1, 92.2, 92.3):
            self.at = [None, None, None]
            for letter in _AXES:
                values.pop(letter, None)

    def _mm_per_unit(self) -> float:
        if self.mm is None:
            raise self._refuse("a length before the unit is said", "put G21 (mm) or G20 (inch) at the top")
        return self.mm

    def _move(self, codes: dict[str, float], values: dict[str, float]) -> None:
        once = codes.get("once")
        targets = {axis: values[letter] for axis, letter in enumerate(_AXES) if letter in values}
        arc_words = [letter for letter in (*_CENTRES, "R") if letter in values]
        if once == 4:
            if targets or "S" in values or "F" in values:  # a control may take any of these for its time
                raise self._refuse("G4 with X, Y, Z, S or F", "give the dwell as P")
            return
        if once in (28, 30):
            self.at = [None, None, None]
            return
        if not targets and not arc_words:
            return
        if once == 53:
            if self.motion != 0:
                raise self._refuse(
                    "G53 with a move at feed rate", "give it in the coordinates of the workpiece"
                )
            for axis in targets:
                self.at[axis] = None
            return
        if self.motion is None:
            raise self._refuse("a coordinate without G0, G1, G2 or G3 in force", "say which move it is")
        if arc_words and self.motion not in (2, 3):
            raise self._refuse(f"{arc_words[0]} without an arc", "take it out, or give G2 or G3")
        if "P" in values:
            raise self._refuse("P on the line of a move", "write out the turns of the arc")
        if self.incremental is None:
            self.incremental = False
            self._remark("taken-as-absolute")
        self._go(targets, values)

    def _go(self, targets: dict[int, float], values: dict[str, float]) -> None:
        mm = self._mm_per_unit()
        start = list(self.at)
        delta: list[float | None] = [0.0, 0.0, 0.0]
        for axis, value in targets.items():
            here = start[axis]
            if abs(value * mm) > _FARTHEST_MM:
                raise self._refuse(
                    f"{_AXES[axis]}{value:g}, more than 100 m",
                    "write lengths with a decimal point, in the unit said",
                )
            if self.incremental:
                delta[axis] = value * mm
                self.at[axis] = None if here is None else here + value * mm
            else:
                delta[axis] = None if here is None else value * mm - here
                self.at[axis] = value * mm
        if self.motion in (2, 3):
            length: float | None = self._arc(start, delta, values)
        else:
            known = [step for step in delta if step is not None]
            length = hypot(*known) if len(known) == 3 else None
        if self.motion == 0:
            self.rapid_mm += length or 0.0
            return
        if length is None:
            self._remark("move-left-out")
            return
        if length > 0:
            self._cut(start, length, upright=delta[0] == delta[1] == 0 and self.motion == 1)

    def _cut(self, start: list[float | None], length: float, *, upright: bool) -> None:
        if self.moves and self.loaded != self.cut_with:
            raise self._refuse("a cut with a second tool", "give the part of the program that this bit cuts")
        self.cut_with = self.loaded
        feed = self.feed
        if feed is not None and self.feed_mode == 93:
            feed = feed * length
        if feed is not None and self.feed_mode == 95:
            feed = feed * self.spindle_rpm if self.spindle_rpm else None
        x, y, z = start
        end_x, end_y, end_z = self.at
        self.moves.append(
            Move(self.number, (x, y, z), (end_x, end_y, end_z), length, upright, feed, self.spindle_rpm)
        )

    def _arc(self, start: list[float | None], delta: list[float | None], values: dict[str, float]) -> float:
        first, second, third = _PLANES[self.plane]
        du, dv, rise = delta[first], delta[second], delta[third]
        if du is None or dv is None or rise is None:
            raise self._refuse(
                "an arc from a place that the program does not say", "begin with a rapid move there"
            )
        if "R" in values:
            if any(letter in values for letter in _CENTRES):
                raise self._refuse("an arc with both a centre and R", "keep one")
            radius = values["R"] * self._mm_per_unit()
            return arc_length(abs(radius), abs(radius), self._turn_of_radius(hypot(du, dv), radius), rise)
        if values.get(_CENTRES[third], 0.0) and self.centre_incremental:
            raise self._refuse(
                f"{_CENTRES[third]} outside the plane of the arc", "say the plane: G17, G18 or G19"
            )
        if not any(_CENTRES[axis] in values for axis in (first, second)):
            raise self._refuse("an arc without a centre or a radius", "give I, J, K or R")
        cu, cv = (self._centre(axis, start[axis], values) for axis in (first, second))
        before, after = hypot(cu, cv), hypot(du - cu, dv - cv)
        if before < _SAME_MM or abs(after - before) > max(_CENTRE_SLACK_MM, _CENTRE_SLACK * before):
            raise self._refuse(
                f"an arc whose ends lie {before:.3f} and {after:.3f} mm from its centre",
                "say how the centre is meant: G91.1 (from the start) or G90.1 (absolute)",
            )
        return arc_length(before, after, self._turn(du, dv, cu, cv), rise)

    def _centre(self, axis: int, start: float | None, values: dict[str, float]) -> float:
        """Centre from the start of the arc along an axis, in mm."""
        letter = _CENTRES[axis]
        if self.centre_incremental:
            return values.get(letter, 0.0) * self._mm_per_unit()
        if letter not in values or start is None:
            raise self._refuse(f"an arc whose absolute centre lacks {letter} or its start", "give both")
        return values[letter] * self._mm_per_unit() - start

    def _turn(self, du: float, dv: float, cu: float, cv: float) -> float:
        if hypot(du, dv) < _SAME_MM:
            return 2 * pi
        turned = atan2(dv - cv, du - cu) - atan2(-cv, -cu)
        return (turned if self.motion == 3 else -turned) % (2 * pi)

    def _turn_of_radius(self, chord: float, radius: float) -> float:
        if chord < _SAME_MM:
            raise self._refuse("a full circle by R", "give its centre by I, J, K")
        half = 0.5 * chord
        if half > abs(radius) + max(_CENTRE_SLACK_MM, _CENTRE_SLACK * abs(radius)):
            raise self._refuse(
                f"an arc of radius {abs(radius):g} mm between points {chord:.3f} mm apart", "mend the radius"
            )
        depth = sqrt(max(radius * radius - half * half, 0.0))
        short = 2 * atan2(half, depth)
        return short if radius > 0 else 2 * pi - short


def arc_length(radius_start: float, radius_end: float, turned: float, rise: float) -> float:
    """Length of a helical arc.

    Parameters
    ----------
    radius_start, radius_end : float
        Distance from the centre at both ends; what rounding makes them differ is spread over the arc.
    turned : float
        Angle swept, in radians.
    rise : float
        Travel along the axis, in the unit of the radii.

    Returns
    -------
    float
        In the unit of the radii.
    """
    return sqrt(
        (0.5 * (radius_start + radius_end) * turned) ** 2 + (radius_end - radius_start) ** 2 + rise**2
    )
