"""Whether the bits of a trial worked under the same conditions, told before anyone compares them.

Bits are compared fairly when they cut the same program at the same feed, speed and depth in the same material and
were looked at after the same numbers of parts. Everything else that differs, such as the chip load of bits with
other numbers of flutes, is part of what is compared; it is said as well.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isclose
from operator import mul, truediv
from pathlib import Path

from wearscope.files import PROGRAM_BYTES, checksum_of
from wearscope.process import cutting
from wearscope.process.part_program import PartProgram, read_program
from wearscope.process.photo_headers import cameras_of, date_doubts
from wearscope.process.program_words import ProgramRefused
from wearscope.quantities.quantity import LIMITS
from wearscope.quantities.reasons import Reason, reason
from wearscope.trial.asking import CUT_KEYS, Unstated, unstated
from wearscope.trial.entries import Bit, PhotoEntry
from wearscope.trial.model import Trial

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
    flutes : int or None
    diameter_mm : float or None
    workpiece : str or None
        None is what the trial file does not say.
    depth_of_cut_mm, feed_mm_per_min, spindle_rpm : float or None
        As set: the bit's own, else the trial's.
    max_rpm : float or None
        Its maker's maximum speed.
    program : str
        The part program as written in the trial file; empty if none is named.
    program_sha256 : str
        Of the program's file; empty if none is named.
    program_refusal : str
        Why its length could not be told; empty if it could or there is none.
    program_remarks : tuple of Reason
        What was assumed when it was read.
    checkpoints : tuple of int
        Numbers of parts after which it was photographed, 0 (new) included.
    views : tuple of str
        What the camera looked at, of all its photos.
    settings : tuple of tuple
        Each microscope setting of its photos: name of the scale, its µm per pixel and its ring angle in degrees, if
        stated.
    cameras : tuple of str
        Camera and picture size of its photos, as their files say.
    view_tilts_deg : tuple of float
        Tilts of the view, of all its photos.
    regrind : int
        How often it had been reground before it was tried.
    faces : tuple of str
        Quantities that can end its life.
    chip_load_mm, feed_per_revolution_mm : float or None
    surface_speed_m_per_min, tooth_passing_hz : float or None
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
    flutes: int | None
    diameter_mm: float | None
    workpiece: str | None
    depth_of_cut_mm: float | None
    feed_mm_per_min: float | None
    spindle_rpm: float | None
    max_rpm: float | None
    program: str
    program_sha256: str
    program_refusal: str
    program_remarks: tuple[Reason, ...]
    checkpoints: tuple[int, ...]
    views: tuple[str, ...]
    settings: tuple[tuple[str, float | None, float | None], ...]
    cameras: tuple[str, ...]
    view_tilts_deg: tuple[float, ...]
    regrind: int
    faces: tuple[str, ...]
    chip_load_mm: float | None
    feed_per_revolution_mm: float | None
    surface_speed_m_per_min: float | None
    tooth_passing_hz: float | None
    cut_length_m_per_part: float | None
    cut_length_source: str
    upright_m_per_part: float | None
    cut_minutes_per_part: float | None
    program_feed_mm_per_min: float | None
    program_rpms: tuple[float, ...]

    @property
    def cut_length_m_per_flute(self) -> float | None:
        """Cutting length of a part shared out among the flutes, in m."""
        return _if_said(truediv, self.cut_length_m_per_part, self.flutes)

    @property
    def cut_minutes_per_flute(self) -> float | None:
        """Cutting time of a part shared out among the flutes, in minutes."""
        return _if_said(truediv, self.cut_minutes_per_part, self.flutes)

    @property
    def cut_seconds_per_flute(self) -> float | None:
        """The same in seconds."""
        return _if_said(mul, self.cut_minutes_per_flute, 60.0)

    @property
    def cuts_per_flute(self) -> float | None:
        """How often each flute enters the cut for one part: revolutions while cutting."""
        return _if_said(mul, self.cut_minutes_per_part, self.spindle_rpm)


@dataclass(frozen=True)
class FairTrial:
    """What must be known before the bits of a trial are compared.

    Attributes
    ----------
    bits : tuple of BitConditions
        In the order of the trial.
    unfair : tuple of str
        In which conditions (`MUST_AGREE`) they differ and must not for a fair comparison.
    differs : tuple of str
        In which others (`MAY_DIFFER`) they differ, which goes into the comparison.
    dangers : tuple of Reason
        What may hurt someone.
    doubts : tuple of Reason
        Where trial file and program contradict each other, or something could not be told.
    unsaid : tuple of Unstated
        What the trial file does not give, so that it could not be compared.
    """

    bits: tuple[BitConditions, ...]
    unfair: tuple[str, ...]
    differs: tuple[str, ...]
    dangers: tuple[Reason, ...]
    doubts: tuple[Reason, ...]
    unsaid: tuple[Unstated, ...] = ()

    @property
    def fair(self) -> bool:
        """Whether nothing differs that must not, as far as the trial file says."""
        return not self.unfair

    def bit(self, name: str) -> BitConditions:
        """Conditions of one bit.

        Parameters
        ----------
        name : str

        Returns
        -------
        BitConditions

        Raises
        ------
        KeyError
            There is no such bit.
        """
        return {bit.bit: bit for bit in self.bits}[name]


def fair_trial(trial: Trial) -> FairTrial:
    """Compare the conditions of the bits of a trial; the part programs are read, and the headers of the photos.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    FairTrial
    """
    named = {_named_program(trial, bit) for bit in trial.bits}
    programs = {program: _program(*program) for program in named if program}
    bits = tuple(_conditions(trial, bit, programs) for bit in trial.bits)
    unsaid = tuple(unstated(trial, CUT_KEYS))
    return FairTrial(
        bits,
        _differing(bits, MUST_AGREE),
        _differing(bits, MAY_DIFFER),
        tuple(danger for bit in bits for danger in _dangers(bit)),
        (
            *(reason("not-stated", key=each.named, line=each.line) for each in unsaid),
            *_doubts_of_all(bits),
            *date_doubts(trial),
            *dict.fromkeys(doubt for bit in bits for doubt in _doubts(trial, bit)),
        ),
        unsaid,
    )


def _if_said(of: Callable[..., float], *values: float | None) -> float | None:
    """What follows from values, None if one of them is not said."""
    return None if None in values else of(*values)


_Read = tuple[PartProgram | None, str]
"""A part program, or why it could not be read."""


def _conditions(trial: Trial, bit: Bit, programs: Mapping[_Named, _Read]) -> BitConditions:
    feed = trial.feed_of(bit)
    rpm = trial.rpm_of(bit)
    named = _named_program(trial, bit)
    path = named[0] if named else None
    program, refusal = programs[named] if named else (None, "")
    length = trial.cut_length_m_per_part
    photos = trial.photos_of(bit.name)
    minutes = program.cut_minutes if program else None
    if program:
        length = program.cut_length_mm / 1000
    if minutes is None:
        minutes = _if_said(lambda metres, speed: 1000 * metres / speed, length, feed)
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
        checkpoints=tuple(sorted({photo.parts for photo in photos})),
        views=tuple(sorted({photo.view for photo in photos})),
        settings=tuple(sorted({_setting(trial, photo) for photo in photos}, key=str)),
        cameras=cameras_of(trial, bit.name),
        view_tilts_deg=tuple(sorted({photo.view_tilt_deg for photo in photos})),
        regrind=bit.regrind,
        faces=tuple(one for one in trial.life.limited if bit.coated or not LIMITS[one].of_coating),
        chip_load_mm=_if_said(cutting.chip_load_mm, feed, rpm, bit.flutes),
        feed_per_revolution_mm=_if_said(cutting.feed_per_revolution_mm, feed, rpm),
        surface_speed_m_per_min=_if_said(cutting.surface_speed_m_per_min, bit.diameter_mm, rpm),
        tooth_passing_hz=_if_said(cutting.tooth_passing_hz, rpm, bit.flutes),
        cut_length_m_per_part=length,
        cut_length_source="program" if program else "stated" if length is not None else "",
        upright_m_per_part=program.upright_mm / 1000 if program else None,
        cut_minutes_per_part=minutes,
        program_feed_mm_per_min=program.main_feed_mm_per_min if program else None,
        program_rpms=program.spindle_rpms if program else (),
    )


def _setting(trial: Trial, photo: PhotoEntry) -> tuple[str, float | None, float | None]:
    """Microscope setting of a photo: name, µm per pixel, ring angle."""
    scale = trial.scale(photo.scale)
    own = photo.um_per_px is not None
    return scale.name, photo.um_per_px if own else scale.um_per_px, scale.ring_angle_deg


_Named = tuple[Path, str | None]
"""A part program, and its unit of length where it says none."""


def _named_program(trial: Trial, bit: Bit) -> _Named | None:
    path = bit.program_path or trial.program_path
    return (path, bit.program_unit or trial.program_unit) if path else None


def _program(path: Path, unit: str | None) -> _Read:
    try:
        return read_program(path, unit), ""
    except ProgramRefused as refusal:
        return None, str(refusal)


def _sha256(path: Path | None) -> str:
    return checksum_of(path, PROGRAM_BYTES) if path else ""  # why it cannot be read, its refusal says


# --- What differs

Conditions = Mapping[str, Callable[[BitConditions], object]]

MUST_AGREE: Conditions = {
    "program": lambda bit: bit.program_sha256 or bit.program,
    "feed": lambda bit: bit.feed_mm_per_min,
    "spindle-speed": lambda bit: bit.spindle_rpm,
    "depth-of-cut": lambda bit: bit.depth_of_cut_mm,
    "material": lambda bit: None if bit.workpiece is None else material_key(bit.workpiece),
    "checkpoints": lambda bit: bit.checkpoints,
}
"""Conditions that must agree, and what is compared of them."""

MAY_DIFFER: Conditions = {
    "flutes": lambda bit: bit.flutes,
    "diameter": lambda bit: bit.diameter_mm,
    "chip-load": lambda bit: bit.chip_load_mm,
    "surface-speed": lambda bit: bit.surface_speed_m_per_min,
    "cutting-length-per-flute": lambda bit: bit.cut_length_m_per_flute,
    "cutting-time-per-flute": lambda bit: bit.cut_minutes_per_flute,
    "view": lambda bit: bit.views,
    "scale": lambda bit: _scales(bit),
    "camera": lambda bit: bit.cameras or None,
    "light": lambda bit: tuple(sorted({str(ring) for _, _, ring in bit.settings})),
    "view-tilt": lambda bit: bit.view_tilts_deg,
    "regrind": lambda bit: bit.regrind,
    "limits": lambda bit: tuple(sorted(bit.faces)),
}
"""Conditions that are part of what is compared, or of how it was looked at."""


def material_key(said: str) -> str:
    """What a person means by the name of a material: without case, blanks and the signs between words.

    The thickness comes first, if it is the only number.

    Parameters
    ----------
    said : str

    Returns
    -------
    str

    Examples
    --------
    >>> material_key("15mm Birch-plywood") == material_key("birch plywood, 15 mm")
    True
    >>> material_key("1.5 mm birch") == material_key("15 mm birch")
    False
    """
    text = re.sub(r"(?<=\d),(?=\d)", ".", unicodedata.normalize("NFKC", said).casefold())
    text = re.sub(r"(?<=\d)\.0+(?!\d)", "", text)
    if len(re.findall(r"\d[\d.]*", text)) == 1:
        text = re.sub(r"^(.*?)(\d[\d.]*\s*(?:(?:mm|cm|in|inch)\b)?)", r"\2 \1 ", text)
    return re.sub(r"(?<!\d)\.|\.(?!\d)|[^\w.%]|_", "", text)


def _scales(bit: BitConditions) -> tuple[str, ...]:
    """Scales of a bit's photos: by their number where it is stated, to three digits, else by name."""
    return tuple(sorted({name if um is None else f"{um:.3g} um per px" for name, um, _ in bit.settings}))


def unequal_limits(bits: Sequence[BitConditions]) -> tuple[str, ...]:
    """Quantities that can end the life of some bits of a trial and not of others, such as coating loss.

    Parameters
    ----------
    bits : sequence of BitConditions

    Returns
    -------
    tuple of str
        A ranking without them treats all bits alike.
    """
    faced = dict.fromkeys(quantity for bit in bits for quantity in bit.faces)
    return tuple(quantity for quantity in faced if not all(quantity in bit.faces for bit in bits))


def _differing(bits: tuple[BitConditions, ...], conditions: Conditions) -> tuple[str, ...]:
    return tuple(
        name
        for name, value in conditions.items()
        if not _all_same([said for bit in bits if (said := value(bit)) is not None])
    )


def _all_same(values: Sequence[object]) -> bool:
    return all(_same(values[0], value) for value in values[1:])


def _same(one: object, other: object) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return isclose(one, other, rel_tol=SAME)
    return one == other


def _doubts_of_all(bits: tuple[BitConditions, ...]) -> Iterable[Reason]:
    for quantity in unequal_limits(bits):
        faced = [bit.bit for bit in bits if quantity in bit.faces]
        spared = [bit.bit for bit in bits if quantity not in bit.faces]
        yield reason("limit-not-faced", quantity=quantity, faced=", ".join(faced), spared=", ".join(spared))
    diameters = {bit.diameter_mm for bit in bits} - {None}
    if len(diameters) > 1 and bits[0].program and _all_same([MUST_AGREE["program"](bit) for bit in bits]):
        told = "; ".join(f"{bit.bit} {bit.diameter_mm:g} mm" for bit in bits if bit.diameter_mm is not None)
        yield reason("program-for-one-diameter", program=bits[0].program, diameters=told)


# --- What may hurt, and what contradicts


def _dangers(bit: BitConditions) -> Iterable[Reason]:
    fastest = max((bit.spindle_rpm or 0.0, *bit.program_rpms))
    if bit.max_rpm is not None and fastest > bit.max_rpm:
        yield reason("above-maximum-speed", bit=bit.bit, rpm=fastest, max_rpm=bit.max_rpm)


def _doubts(trial: Trial, bit: BitConditions) -> Iterable[Reason]:
    photos = trial.photos_of(bit.bit)
    photographed = {photo.flute for photo in photos}
    for code, values in _looked_at(bit):
        yield reason(code, bit=bit.bit, values=values)
    for flute in sorted(photographed | set(range(1, (bit.flutes or 0) + 1))):
        seen = {photo.parts for photo in photos if photo.flute == flute}
        for parts in bit.checkpoints:
            if parts not in seen:
                yield reason("no-photo", bit=bit.bit, flute=flute, parts=parts)
    if not bit.program:
        yield reason("no-program")
    if bit.program_refusal:
        yield reason("program-refused", refusal=bit.program_refusal)
    for remark in bit.program_remarks:
        yield Reason(remark.code, (("program", bit.program), *remark.values))
    for rpm in bit.program_rpms:
        if bit.spindle_rpm is not None and not _same(rpm, float(bit.spindle_rpm)):
            yield reason("program-speed", program=bit.program, asked=rpm, bit=bit.bit, rpm=bit.spindle_rpm)
    feed = bit.program_feed_mm_per_min
    if feed is not None and bit.feed_mm_per_min is not None and not _same(feed, float(bit.feed_mm_per_min)):
        yield reason(
            "program-feed",
            program=bit.program,
            asked_mm_per_min=feed,
            bit=bit.bit,
            feed_mm_per_min=bit.feed_mm_per_min,
        )
    if bit.cut_length_source == "program":
        yield from _doubts_of_length(trial, bit)


def _looked_at(bit: BitConditions) -> Iterable[tuple[str, str]]:
    """What was not the same from photo to photo of one bit."""
    scales = _scales(bit)
    if len(scales) > 1:
        yield "several-scales", ", ".join(scales)
    if len(bit.cameras) > 1:
        yield "several-cameras", "; ".join(bit.cameras)
    rings = sorted({ring for _, _, ring in bit.settings if ring is not None})
    if len(rings) > 1:
        yield "several-lights", ", ".join(f"{ring:g}" for ring in rings)


def _doubts_of_length(trial: Trial, bit: BitConditions) -> Iterable[Reason]:
    if bit.program_feed_mm_per_min is None and bit.feed_mm_per_min is not None:
        yield reason("program-without-feed", program=bit.program, feed_mm_per_min=bit.feed_mm_per_min)
    length, stated = bit.cut_length_m_per_part, trial.cut_length_m_per_part
    if length is not None and stated is not None and not isclose(stated, length, rel_tol=LENGTHS_AGREE):
        yield reason("program-length", program=bit.program, length_m=length, stated_m=stated)
    minutes, whole = bit.cut_minutes_per_part, trial.minutes_per_part
    if minutes is not None and whole is not None and minutes > whole:
        yield reason("program-time", program=bit.program, minutes=minutes, stated_minutes=whole)
