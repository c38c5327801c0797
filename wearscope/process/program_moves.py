"""From the words of a part program to moves: what a control would do, strictly or not at all.

The words are those of RS274/NGC version 3 (Kramer, Proctor, Messina: The NIST RS274NGC Interpreter, NISTIR
6556, 2000; from memory), a superset of ISO 6983-1 as routers use it. Whatever could move the tool in a way
that is not followed here is refused by line and word: a length that leaves out a subprogram is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import atan2, hypot, pi, sqrt
from pathlib import Path

from wearscope.process.program_codes import (
    DRILLING,
    GROUP_OF,
    NOT_FOLLOWED,
    OFFSETS_OF_G10,
    PECKING,
    PLANES,
    QUIET_M,
)
from wearscope.process.program_paths import Move, arc_length
from wearscope.process.program_words import ProgramRefused, Words, refused
from wearscope.quantities.reasons import Reason, Value, reason

MM_PER_INCH = 25.4

_AXES = "XYZ"
_CENTRES = "IJK"

# Rounding to the last written digit moves the ends of an arc by a few microns, by 13 where an inch is written with
# three decimals. From memory: RS274/NGC allows 0.002 mm; controls in use allow more, as posted programs need it. What
# is more than `_SAID_SLACK_MM` is said.
_CENTRE_SLACK_MM, _CENTRE_SLACK_INCH, _CENTRE_SLACK = 0.03, 0.002, 1e-3
_SAID_SLACK_MM = 0.02
_SAME_MM = 1e-6
_FARTHEST_MM = 1e5  # no router is as long; a length without its decimal point may be


@dataclass
class Control:
    """A control that follows a program line by line, without a machine.

    Attributes
    ----------
    path : Path
        Of the program, for messages.
    at : list of float or None  # F0 on a rapid move
        X, Y and Z in mm; None where the program has not said yet.
    motion : float or None
        G code of the motion in force: 0, 1, 2, 3 or one of `DRILLING`.
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
    offset : (float, float) or None
        G code of the work offset, and its P.
    unit_mm : float or None
        Millimetres per unit of length as said beside the program; None if nothing is.
    hole : dict of str to float
        R and Z of the drilling cycle in force, in mm.
    before, above : float or None
        Motion in force before that, and Z from which its holes began, in mm.
    back_to : float or None
        98 or 99: where a drilling cycle ends, there or at R.
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
    offset: tuple[float, float] | None = None
    unit_mm: float | None = None
    cut_with: float | None = None
    hole: dict[str, float] = field(default_factory=dict)
    before: float | None = None
    above: float | None = None
    back_to: float | None = None
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
        self._set_aside(codes, values)
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
            elif letter in "ABC" and value == 0:
                self._once("axis-at-zero", axis=letter)
            elif letter in "ABCUVW":
                raise self._refuse(
                    f"the word {letter} (a rotary or second axis)", "only moves along X, Y and Z are followed"
                )
            elif letter in "XYZIJKRFSTHPNLQE":
                values[letter] = value
            else:
                raise self._refuse(f"the word {letter}{value:g}, which is not followed", "take it out")
        values.pop("N", None)
        return codes, m_codes, values

    def _once(self, code: str, **values: Value) -> None:
        """Remark on something where it first stands."""
        if code not in {remark.code for remark in self.remarks}:
            self._remark(code, **values)

    def _set_aside(self, codes: dict[str, float], values: dict[str, float]) -> None:
        """Take out the words that belong to a code which moves nothing, and refuse those that belong to none."""
        if "path" in codes:  # how far corners may be rounded
            for letter in "PQE":
                values.pop(letter, None)
        if codes.get("motion", self.motion) in DRILLING and "cycle" not in codes and "once" not in codes:
            for letter in "PQ":  # time at the bottom, depth of a peck
                values.pop(letter, None)
            if values.get("L") == 1:
                values.pop("L")
        if codes.get("once") == 10:
            self._set_table(values)
        for letter in "LQE":
            if letter in values:
                raise self._refuse(
                    f"the word {letter}{values[letter]:g}, which is not followed", "take it out"
                )

    def _set_table(self, values: dict[str, float]) -> None:
        """Follow G10: it writes into a table, which moves the origin only if what it writes is in force."""
        level, which = values.get("L"), values.get("P", 0.0)
        if level not in (2, 20) or which not in OFFSETS_OF_G10:
            raise self._refuse(
                "G10 that sets no work offset", "take the line out, and set the table on the machine"
            )
        of = OFFSETS_OF_G10[int(which)]
        in_force = self.offset is None or of in (None, self.offset[0])
        if in_force and self.moves:
            raise self._refuse("G10 for the work offset in force, after a cut", "give the program without it")
        if in_force:
            self.at = [None, None, None]
        values.clear()

    def _group(self, code: float) -> str:
        if code in GROUP_OF:
            return GROUP_OF[code]
        for codes, what, cure in NOT_FOLLOWED:
            if code in codes:
                raise self._refuse(f"G{code:g} ({what})", cure)
        raise self._refuse(f"G{code:g}, which is not followed", "give the program with plain moves")

    def _check_m(self, code: float) -> None:
        if code in (96, 97, 98, 99) or code >= 100:
            raise self._refuse(
                f"M{code:g} (a subprogram or a macro)", "give the program with its moves written out"
            )
        if code not in QUIET_M:
            self._remark("m-word-moves-nothing", m=code)

    def _set_modes(self, codes: dict[str, float], values: dict[str, float]) -> None:
        self.plane = int(codes.get("plane", self.plane))
        if "unit" in codes:
            mm = self._unit(codes["unit"], values)
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
            self._set_motion(codes.get("motion"))
        self.back_to = codes.get("return", self.back_to)

    def _set_motion(self, code: float | None) -> None:
        if self.motion not in DRILLING:
            self.before, self.hole, self.above = self.motion, {}, self.at[2]
        elif (
            code is None and self.before == 0
        ):  # after G80: no control goes on at feed rate that was not before
            self._once("rapid-after-cycle")
            code = 0.0
        self.motion = code

    def _unit(self, code: float, values: dict[str, float]) -> float:
        """Millimetres per unit of length that a code says."""
        mm = MM_PER_INCH if code in (20, 70) else 1.0
        if code in (
            70,
            71,
        ):  # inch and mm of ISO 6983-1; cycles of turning, or holes on a circle, with such words
            if values.keys() & set("PQRIJKL"):
                raise self._refuse(f"G{code:g} with other words (a cycle)", "give its moves written out")
            if self.mm not in (None, mm):
                raise self._refuse(
                    f"G{code:g} after another unit", "say the unit once, by G20 (inch) or G21 (mm)"
                )
            self._once("unit-by-iso", g=code)
        if self.unit_mm not in (None, mm):
            self._once("unit-against-trial", g=code)
        return mm

    def _set_feed_and_speed(self, codes: dict[str, float], values: dict[str, float]) -> None:
        if "S" in values:
            self.spindle_rpm = values["S"] or None
        if "T" in values:
            self.tool = values["T"]
        if self.feed_mode == 93:
            self.feed = None  # inverse time holds for its own line
        if "F" in values:
            if values["F"] < 0 or (values["F"] == 0 and self.motion != 0):
                raise self._refuse(f"the feed F{values['F']:g}", "give a feed above 0")
            self.feed = values["F"] * (1.0 if self.feed_mode == 93 else self._mm_per_unit()) or None

    def _shift(self, codes: dict[str, float], values: dict[str, float]) -> None:
        """Follow what moves the origin: the tool stays where it is, its coordinates become others."""
        if "offset" in codes:
            which = values.pop("P", None) if codes["offset"] == 54.1 else 0.0
            if which is None:
                raise self._refuse("G54.1 without P", "say which work offset")
            if (codes["offset"], which) != self.offset:
                self.offset = codes["offset"], which
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
        if self.mm is None and self.unit_mm is not None:
            self.mm = self.unit_mm
            self._remark("unit-by-trial", unit="mm" if self.mm == 1 else "inch")
        if self.mm is None:
            raise self._refuse(
                "a length before the unit is said",
                'put G21 (mm) or G20 (inch) at the top, or give program_unit = "mm" or "inch" in the trial file',
            )
        return self.mm

    def _move(self, codes: dict[str, float], values: dict[str, float]) -> None:
        once = codes.get("once")
        targets = {axis: values[letter] for axis, letter in enumerate(_AXES) if letter in values}
        arc_words = [letter for letter in (*_CENTRES, "R") if letter in values]
        if once == 4:
            if targets.keys() - {0} or {"S", "F"} & values.keys() or (0 in targets and "P" in values):
                # a control may take S and F for its time
                raise self._refuse("G4 with Y, Z, S or F, or with both X and P", "give the dwell as P")
            if targets:
                self._once("dwell-by-x")
            return
        if once in (10, 28.1, 30.1):
            return
        if once in (28, 28.2, 30):
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
        if self.motion in DRILLING:
            self._drill(targets, values)
            return
        if self.motion is None:
            raise self._refuse("a coordinate without G0, G1, G2 or G3 in force", "say which move it is")
        if arc_words and self.motion not in (2, 3):
            raise self._refuse(f"{arc_words[0]} without an arc", "take it out, or give G2 or G3")
        if values.get("P", 1.0) != 1.0 or ("P" in values and not arc_words):
            raise self._refuse("P on the line of a move", "write out the turns of the arc")
        self._absolute_unless_said()
        self._go(targets, values)

    def _drill(self, targets: dict[int, float], values: dict[str, float]) -> None:
        """Follow a drilling cycle: over to the place, down to R, into the hole at feed rate, and out again."""
        cycle = f"G{self.motion:g}"
        if self.plane != 17 or self.incremental or any(letter in values for letter in _CENTRES):
            raise self._refuse(
                f"{cycle} (a drilling cycle) with G18, G19, G91, I, J or K", "write its moves out"
            )
        mm = self._mm_per_unit()
        self._absolute_unless_said()
        self.hole |= {letter: values[letter] * mm for letter in "RZ" if letter in values}
        if not self.hole.keys() >= {"R", "Z"} or self.hole["Z"] >= self.hole["R"]:
            raise self._refuse(f"{cycle} (a drilling cycle) without Z below R", "give both, R above the hole")
        for axis in targets.keys() - {2}:
            self.at[axis] = targets[axis] * mm
        top, bottom = self.hole["R"], self.hole["Z"]
        x, y, _ = self.at
        self.at[2] = bottom
        self._cut([x, y, top], top - bottom, upright=True)
        if DRILLING[self.motion or 0.0]:
            self.at[2] = top
            self._cut([x, y, bottom], top - bottom, upright=True)
        if self.motion in PECKING:
            self._once("pecked-once", g=self.motion)
        above = None if self.above is None else max(self.above, top)
        self.at[2] = top if self.back_to == 99 or above == top else above if self.back_to == 98 else None

    def _absolute_unless_said(self) -> None:
        if self.incremental is None:
            self.incremental = False
            self._remark("taken-as-absolute")

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
        first, second, third = PLANES[self.plane]
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
        if before < _SAME_MM or not self._borne(abs(after - before), before):
            raise self._refuse(
                f"an arc whose ends lie {before:.3f} and {after:.3f} mm from its centre",
                "say how the centre is meant: G91.1 (from the start) or G90.1 (absolute)",
            )
        return arc_length(before, after, self._turn(du, dv, cu, cv), rise)

    def _borne(self, off_mm: float, radius_mm: float) -> bool:
        """Whether the end of an arc may lie so far off its circle; said if it is more than rounding does."""
        slack_mm = _CENTRE_SLACK_INCH * MM_PER_INCH if self.mm == MM_PER_INCH else _CENTRE_SLACK_MM
        if off_mm > max(slack_mm, _CENTRE_SLACK * radius_mm):
            return False
        if off_mm > _SAID_SLACK_MM:
            self._once("arc-ends-off", off_mm=off_mm)
        return True

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
        if not self._borne(half - abs(radius), abs(radius)):
            raise self._refuse(
                f"an arc of radius {abs(radius):g} mm between points {chord:.3f} mm apart", "mend the radius"
            )
        depth = sqrt(max(radius * radius - half * half, 0.0))
        short = 2 * atan2(half, depth)
        return short if radius > 0 else 2 * pi - short
