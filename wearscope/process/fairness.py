"""Whether the bits of a trial worked under the same conditions, told before anyone compares them.

Bits are compared fairly when they cut the same program at the same feed, speed and depth in the same material and
were looked at after the same numbers of parts. Everything else that differs, such as the chip load of bits with
other numbers of flutes, is part of what is compared; it is said as well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from math import isclose
from pathlib import Path

from wearscope.process import cutting
from wearscope.process.part_program import PartProgram, ProgramRefused, read_program
from wearscope.trial.model import Bit, Trial

SAME = 1e-3
"""Numbers that agree within this share are the same setting; common practice, no source."""

LENGTHS_AGREE = 0.02
"""Stated and programmed cutting length agree within this share; common practice, no source."""


@dataclass(frozen=True)
class BitConditions:
    """Under what conditions one bit worked, and what follows from them.

    Attributes
    ----------
    bit : str
    flutes : int
    diameter_mm : float
    workpiece : str
    depth_of_cut_mm, feed_mm_per_min, spindle_rpm : float
        As set: the bit's own, else the trial's.
    max_rpm : float or None
        Its maker's maximum speed.
    program : str
        The part program as written in the trial file; empty if none is named.
    program_sha256 : str
        Of the program's file; empty if none is named.
    program_refusal : str
        Why its length could not be told; empty if it could or there is none.
    program_remarks : tuple of str
    checkpoints : tuple of int
        Numbers of parts after which it was photographed, 0 (new) included.
    chip_load_mm, feed_per_revolution_mm : float
    surface_speed_m_per_min, tooth_passing_hz : float
    cut_length_m_per_part : float or None
        From the program if it can be read, else as stated in the trial file.
    cut_length_source : {"program", "stated", ""}
    upright_m_per_part : float or None
        What of it goes straight down or up; None without a program.
    cut_minutes_per_part : float or None
        Time at feed rate: from the program's own feeds, else the length over the feed set. The machine's speeding
        up and slowing down is not in it, so that the true time is longer.
    program_feed_mm_per_min : float or None
        Feed of the greatest part of the program's cutting length.
    program_rpms : tuple of float
        Spindle speeds that the program asks for.
    """

    bit: str
    flutes: int
    diameter_mm: float
    workpiece: str
    depth_of_cut_mm: float
    feed_mm_per_min: float
    spindle_rpm: float
    max_rpm: float | None
    program: str
    program_sha256: str
    program_refusal: str
    program_remarks: tuple[str, ...]
    checkpoints: tuple[int, ...]
    chip_load_mm: float
    feed_per_revolution_mm: float
    surface_speed_m_per_min: float
    tooth_passing_hz: float
    cut_length_m_per_part: float | None
    cut_length_source: str
    upright_m_per_part: float | None
    cut_minutes_per_part: float | None
    program_feed_mm_per_min: float | None
    program_rpms: tuple[float, ...]

    @property
    def cut_length_m_per_flute(self) -> float | None:
        """Cutting length of a part shared out among the flutes, in m."""
        return None if self.cut_length_m_per_part is None else self.cut_length_m_per_part / self.flutes

    @property
    def cut_minutes_per_flute(self) -> float | None:
        """Cutting time of a part shared out among the flutes, in minutes."""
        return None if self.cut_minutes_per_part is None else self.cut_minutes_per_part / self.flutes

    @property
    def cuts_per_flute(self) -> float | None:
        """How often each flute enters the cut for one part: revolutions while cutting."""
        minutes = self.cut_minutes_per_part
        return None if minutes is None else minutes * self.spindle_rpm


@dataclass(frozen=True)
class Difference:
    """One thing in which bits differ.

    Attributes
    ----------
    what : str
    values : tuple of (str, str)
        Bit and its value in words.
    """

    what: str
    values: tuple[tuple[str, str], ...]

    def __str__(self) -> str:
        """Say it in one line, with the bits of one value together."""
        bits: dict[str, list[str]] = {}
        for bit, value in self.values:
            bits.setdefault(value, []).append(bit)
        return f"{self.what}: " + "; ".join(f"{', '.join(named)} {value}" for value, named in bits.items())


@dataclass(frozen=True)
class FairTrial:
    """What must be known before the bits of a trial are compared.

    Attributes
    ----------
    bits : tuple of BitConditions
        In the order of the trial.
    unfair : tuple of Difference
        What differs and must not for a fair comparison.
    differs : tuple of Difference
        What else differs and goes into the comparison.
    dangers : tuple of str
        What may hurt someone, one line each.
    doubts : tuple of str
        Where trial file and program contradict each other, or something could not be told, one line each.
    """

    bits: tuple[BitConditions, ...]
    unfair: tuple[Difference, ...]
    differs: tuple[Difference, ...]
    dangers: tuple[str, ...]
    doubts: tuple[str, ...]

    @property
    def fair(self) -> bool:
        """Whether nothing differs that must not."""
        return not self.unfair

    def bit(self, name: str) -> BitConditions:
        """Conditions of the bit of that name; KeyError if there is none."""
        return {bit.bit: bit for bit in self.bits}[name]


def fair_trial(trial: Trial) -> FairTrial:
    """Compare the conditions of the bits of a trial; the part programs are read, no photo is.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    FairTrial
    """
    paths = {path for path in (trial.program_path, *(bit.program_path for bit in trial.bits)) if path}
    programs = {path: _program(path) for path in sorted(paths)}
    bits = tuple(_conditions(trial, bit, programs) for bit in trial.bits)
    return FairTrial(
        bits,
        tuple(_differences(bits, _MUST_AGREE)),
        tuple(_differences(bits, _MAY_DIFFER)),
        tuple(line for bit in bits for line in _dangers(bit)),
        tuple(dict.fromkeys(line for bit in bits for line in _doubts(trial, bit))),
    )


_Read = tuple[PartProgram | None, str]
"""A part program, or why it could not be read."""


def _conditions(trial: Trial, bit: Bit, programs: Mapping[Path, _Read]) -> BitConditions:
    feed = trial.feed_of(bit)
    rpm = trial.rpm_of(bit)
    path = bit.program_path or trial.program_path
    program, refusal = programs[path] if path else (None, "")
    length = trial.cut_length_m_per_part
    minutes = None if length is None else 1000 * length / feed
    if program:
        length, minutes = program.cut_length_mm / 1000, program.cut_minutes
        if minutes is None:
            minutes = program.cut_length_mm / feed
    return BitConditions(
        bit=bit.name,
        flutes=bit.flutes,
        diameter_mm=bit.diameter_mm,
        workpiece=trial.workpiece_of(bit),
        depth_of_cut_mm=trial.depth_of(bit),
        feed_mm_per_min=feed,
        spindle_rpm=rpm,
        max_rpm=bit.max_rpm,
        program=bit.program or trial.program or "",
        program_sha256=_sha256(path),
        program_refusal=refusal,
        program_remarks=program.remarks if program else (),
        checkpoints=tuple(sorted({photo.parts for photo in trial.photos if photo.bit == bit.name})),
        chip_load_mm=cutting.chip_load_mm(feed, rpm, bit.flutes),
        feed_per_revolution_mm=cutting.feed_per_revolution_mm(feed, rpm),
        surface_speed_m_per_min=cutting.surface_speed_m_per_min(bit.diameter_mm, rpm),
        tooth_passing_hz=cutting.tooth_passing_hz(rpm, bit.flutes),
        cut_length_m_per_part=length,
        cut_length_source="program" if program else "stated" if length is not None else "",
        upright_m_per_part=program.upright_mm / 1000 if program else None,
        cut_minutes_per_part=minutes,
        program_feed_mm_per_min=program.main_feed_mm_per_min if program else None,
        program_rpms=program.spindle_rpms if program else (),
    )


def _program(path: Path) -> _Read:
    try:
        return read_program(path), ""
    except ProgramRefused as refusal:
        return None, str(refusal)


def _sha256(path: Path | None) -> str:
    try:
        return sha256(path.read_bytes()).hexdigest() if path else ""
    except OSError:  # said by the program's refusal
        return ""


# --- What differs

_Told = tuple[str, Callable[[BitConditions], object], Callable[[BitConditions], str]]


def _program_words(bit: BitConditions) -> str:
    if not bit.program:
        return "none named"
    return f"{bit.program} ({bit.program_sha256[:8] or 'not read'})"


def _checkpoint_words(bit: BitConditions) -> str:
    return ", ".join(map(_parts_words, bit.checkpoints)) or "none"


def _parts_words(parts: int) -> str:
    return f"{parts}" if parts else "new"


_MUST_AGREE: tuple[_Told, ...] = (
    ("program", lambda bit: bit.program_sha256 or bit.program, _program_words),
    ("feed", lambda bit: bit.feed_mm_per_min, lambda bit: f"{bit.feed_mm_per_min:g} mm/min"),
    ("spindle speed", lambda bit: bit.spindle_rpm, lambda bit: f"{bit.spindle_rpm:g} rpm"),
    ("depth of cut", lambda bit: bit.depth_of_cut_mm, lambda bit: f"{bit.depth_of_cut_mm:g} mm"),
    ("material", lambda bit: " ".join(bit.workpiece.casefold().split()), lambda bit: f'"{bit.workpiece}"'),
    ("checkpoints", lambda bit: bit.checkpoints, _checkpoint_words),
)
_MAY_DIFFER: tuple[_Told, ...] = (
    ("flutes", lambda bit: bit.flutes, lambda bit: str(bit.flutes)),
    ("diameter", lambda bit: bit.diameter_mm, lambda bit: f"{bit.diameter_mm:g} mm"),
    ("chip load", lambda bit: bit.chip_load_mm, lambda bit: f"{bit.chip_load_mm:.3g} mm"),
    (
        "surface speed",
        lambda bit: bit.surface_speed_m_per_min,
        lambda bit: f"{bit.surface_speed_m_per_min:.0f} m/min",
    ),
    (
        "cutting length per flute and part",
        lambda bit: bit.cut_length_m_per_flute,
        lambda bit: (
            "unknown" if bit.cut_length_m_per_flute is None else f"{bit.cut_length_m_per_flute:.3g} m"
        ),
    ),
    (
        "cutting time per flute and part",
        lambda bit: bit.cut_minutes_per_flute,
        lambda bit: (
            "unknown" if bit.cut_minutes_per_flute is None else f"{60 * bit.cut_minutes_per_flute:.3g} s"
        ),
    ),
)


def _differences(bits: tuple[BitConditions, ...], told: Iterable[_Told]) -> Iterable[Difference]:
    for what, value, words in told:
        if any(not _same(value(bits[0]), value(bit)) for bit in bits[1:]):
            yield Difference(what, tuple((bit.bit, words(bit)) for bit in bits))


def _same(one: object, other: object) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return isclose(one, other, rel_tol=SAME)
    return one == other


# --- What may hurt, and what contradicts


def _dangers(bit: BitConditions) -> Iterable[str]:
    fastest = max(bit.spindle_rpm, *bit.program_rpms) if bit.program_rpms else bit.spindle_rpm
    if bit.max_rpm is not None and fastest > bit.max_rpm:
        yield (
            f"DANGER: {bit.bit} runs at {fastest:g} rpm, above its maker's maximum of {bit.max_rpm:g} rpm: it can "
            "burst; do not run it, and lower spindle_rpm and the program's S"
        )


def _doubts(trial: Trial, bit: BitConditions) -> Iterable[str]:
    for flute in range(1, bit.flutes + 1):
        seen = {photo.parts for photo in trial.photos if (photo.bit, photo.flute) == (bit.bit, flute)}
        if missing := [_parts_words(parts) for parts in bit.checkpoints if parts not in seen]:
            yield f"flute {flute} of {bit.bit} has no photo at {', '.join(missing)}; take it while you can"
    if not bit.program:
        yield "no program is named for every bit, so that all cut the same is taken on trust; name it by program"
    if bit.program_refusal:
        yield f"{bit.program_refusal} (the cutting length is not taken from this program)"
    yield from (f"{bit.program}, {remark}" for remark in bit.program_remarks)
    wrong_rpms = [rpm for rpm in bit.program_rpms if not _same(rpm, float(bit.spindle_rpm))]
    if wrong_rpms:
        asked = " and ".join(f"S{rpm:g}" for rpm in wrong_rpms)
        yield f"{bit.program} asks for {asked}, but {bit.bit} is set to {bit.spindle_rpm:g} rpm; mend spindle_rpm"
    feed = bit.program_feed_mm_per_min
    if feed is not None and not _same(feed, float(bit.feed_mm_per_min)):
        yield (
            f"{bit.program} cuts mostly at {feed:g} mm/min, but {bit.bit} is set to {bit.feed_mm_per_min:g}; mend "
            "feed_mm_per_min"
        )
    if bit.cut_length_source != "program" or bit.cut_length_m_per_part is None:
        return
    if feed is None:
        yield f"{bit.program} gives no feed for its cuts; the cutting time is that at {bit.feed_mm_per_min:g} mm/min"
    stated = trial.cut_length_m_per_part
    if stated is not None and not isclose(stated, bit.cut_length_m_per_part, rel_tol=LENGTHS_AGREE):
        yield (
            f"{bit.program} cuts {bit.cut_length_m_per_part:.3g} m per part, but cut_length_m_per_part is "
            f"{stated:g}; the program's counts"
        )
    minutes, whole = bit.cut_minutes_per_part, trial.minutes_per_part
    if minutes is not None and whole is not None and minutes > whole:
        yield (
            f"{bit.program} needs {minutes:.3g} minutes at its feeds alone, more than minutes_per_part = {whole:g}; "
            "mend minutes_per_part"
        )
