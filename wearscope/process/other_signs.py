"""What a person notes at a checkpoint beside the photos of the flutes, as signs for the wear log."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from difflib import get_close_matches
from os.path import normpath
from pathlib import Path
from typing import TYPE_CHECKING

from wearscope.errors import WearscopeError
from wearscope.log.notes import Note, NoteKind
from wearscope.quantities.reasons import Reason, reason
from wearscope.trial.asking import MARK_KEYS, TOOTH_KEYS, require, stated
from wearscope.trial.entries import Bit
from wearscope.trial.model import Trial
from wearscope.version import __version__

if TYPE_CHECKING:  # imported where they are called: they take long
    from wearscope.process.recording import Recording
    from wearscope.process.sound import ToothTone

DBA, DB_RELATIVE = "dB(A)", "dB re full scale"
TOOTH_LEVEL = "tooth_passing_level_"
"""Quantity of a tone's level, before the multiple of the tooth-passing frequency."""

U_TYPED_DB = 1.0
"""Standard uncertainty of a level read off a meter, unless stated (class 2); common practice, no source."""

U_SCALE = 0.01
"""Relative standard uncertainty of a scale given without one; common practice, no source."""


class NoteError(WearscopeError):
    """A note of something that is not in the trial, or that cannot be."""

    exit_code = 2


@dataclass(frozen=True)
class Occasion:
    """What was looked at or listened to, when, and by whom.

    Attributes
    ----------
    trial : Trial
    bit : Bit
    flute : int
        0 for the bit as a whole.
    parts : int
    by : str
    at : str
        UTC, ISO 8601.
    """

    trial: Trial
    bit: Bit
    flute: int
    parts: int
    by: str
    at: str

    @property
    def checkpoints(self) -> tuple[int, ...]:
        """Numbers of parts after which this bit was photographed."""
        return tuple(sorted({photo.parts for photo in self.trial.photos_of(self.bit.name)}))


@dataclass(frozen=True)
class Sign:
    """One thing that was found at an occasion.

    Attributes
    ----------
    kind : str
        As in `Note`.
    quantity : str
        What the number is; empty where there is none.
    value : float or None
    unit : str
    u : float or None
        Standard uncertainty, in `unit`.
    said : tuple of Reason
        How it was found.
    path : Path or None
        File that it comes from.
    sha256 : str
        Of that file.
    """

    kind: NoteKind
    quantity: str = ""
    value: float | None = None
    unit: str = ""
    u: float | None = None
    said: tuple[Reason, ...] = ()
    path: Path | None = None
    sha256: str = ""


def note_of(at: Occasion, sign: Sign, text: str) -> Note:
    """A sign as it stands in the wear log.

    Parameters
    ----------
    at : Occasion
    sign : Sign
    text : str
        How it was found, in words.

    Returns
    -------
    Note
        Its file is named from the trial's folder if it lies in there.
    """
    file = ""
    if sign.path is not None:
        whole = Path(normpath(Path.cwd() / sign.path))
        inside = whole.is_relative_to(at.trial.folder)
        file = str(whole.relative_to(at.trial.folder) if inside else whole)
    return Note(
        trial=at.trial.name,
        bit=at.bit.name,
        flute=at.flute,
        parts=at.parts,
        kind=sign.kind,
        quantity=sign.quantity,
        value=sign.value,
        unit=sign.unit,
        std_uncertainty=sign.u,
        text=text,
        file=file,
        file_sha256=sign.sha256,
        noted_by=at.by,
        wearscope_version=__version__,
        noted_at=at.at,
    )


def occasion(trial: Trial, bit: str, parts: int, flute: int, by: str) -> Occasion:
    """An occasion of now.

    Parameters
    ----------
    trial : Trial
    bit : str
    parts : int
    flute : int
        0 for the bit as a whole.
    by : str

    Returns
    -------
    Occasion

    Raises
    ------
    NoteError
        The trial has no such bit or flute, or nobody is named.
    """
    names = [known.name for known in trial.bits]
    if bit not in names:
        near = get_close_matches(bit, names, 1)
        raise NoteError(
            f'there is no bit "{bit}" in {trial.path.name}',
            f"did you mean {near[0]}?" if near else f"its bits are {', '.join(names)}",
        )
    known = trial.bit(bit)
    if known.flutes is not None and not 0 <= flute <= known.flutes:
        raise NoteError(f"{bit} has no flute {flute}", f"give 1 to {known.flutes}, or none for the whole bit")
    if not by.strip():
        raise NoteError("nobody is named as who notes it", "give --by NAME")
    return Occasion(trial, known, flute, parts, by.strip(), datetime.now(UTC).isoformat(timespec="seconds"))


def typed_level(level_dba: float, u_db: float) -> list[Sign]:
    """A-weighted level as read off a meter.

    Parameters
    ----------
    level_dba, u_db : float
        In dB(A), and its standard uncertainty.

    Returns
    -------
    list of Sign
    """
    return [Sign("sound", "sound_level", level_dba, DBA, u_db, (reason("read-off-a-meter"),))]


def recorded_level(
    at: Occasion,
    takes: Sequence[Path],
    *,
    calibration: Path | None = None,
    calibration_dba: float | None = None,
    u_db: float | None = None,
) -> list[Sign]:
    """Level of recordings of one cut, and of the tones at the tooth-passing frequency and its multiples.

    Parameters
    ----------
    at : Occasion
    takes : sequence of Path
        The recordings.
    calibration : Path, optional
        Recording of a known level.
    calibration_dba : float, optional
        That level, in dB(A).
    u_db : float, optional
        How well a level repeats, standard uncertainty in dB.

    Returns
    -------
    list of Sign
        The level first.

    Raises
    ------
    RecordingRefused
        A recording cannot give a level.
    TrialError
        The trial file does not say how fast the flutes pass.
    """
    require(at.trial, TOOTH_KEYS, "the tone of a recording", [at.bit])
    from wearscope.process import sound
    from wearscope.process.cutting import tooth_passing_hz
    from wearscope.process.recording import read_recording

    recordings = [read_recording(path) for path in takes]
    level = sound.level_of_recordings(
        recordings,
        calibration=read_recording(calibration) if calibration else None,
        calibration_db=calibration_dba,
        u_take_db=sound.U_TAKE_DB if u_db is None else u_db,
        tooth_hz=tooth_passing_hz(stated(at.trial.rpm_of(at.bit)), stated(at.bit.flutes)),
    )
    first = recordings[0]
    if len(takes) > 1:
        names = ", ".join(path.name for path in takes)
        said = [reason("recordings", n=len(takes), names=names)]
    else:
        said = [reason("recorded", duration_s=first.duration_s)]
    if level.repeatability_db is not None:
        said.append(reason("repeats-within", repeatability_db=level.repeatability_db))
    said += level.remarks
    if calibration is not None and calibration_dba is not None:
        said.append(reason("calibrated", file=calibration.name, level_dba=calibration_dba))
    if level.repeatability_db is None and u_db is None:
        said.append(reason("repeatability-assumed", u_db=sound.U_TAKE_DB))
    unit = DBA if level.calibrated else DB_RELATIVE
    return [
        Sign("sound", "sound_level", level.level_db, unit, level.u_db, tuple(said), first.path, first.sha256),
        *(_tone(tone, unit, first) for tone in level.tones),
    ]


def _tone(tone: ToothTone, unit: str, take: Recording) -> Sign:
    quantity = f"{TOOTH_LEVEL}{tone.harmonic}"
    if tone.level_db is None or tone.u_db is None or tone.found_hz is None:
        said = reason("no-tone", expected_hz=tone.expected_hz)
        return Sign("sound", quantity, None, unit, None, (said,), take.path, take.sha256)
    said = reason("tone", found_hz=tone.found_hz, expected_hz=tone.expected_hz)
    return Sign("sound", quantity, tone.level_db, unit, tone.u_db, (said,), take.path, take.sha256)


def cut_grade(grade: int) -> list[Sign]:
    """Grade of cut quality.

    Parameters
    ----------
    grade : int
        5 (clean) to 1 (scrap).

    Returns
    -------
    list of Sign
    """
    return [Sign("grade", "cut_grade", float(grade), "grade", said=(reason("grade", grade=grade),))]


def part_photo(
    at: Occasion,
    path: Path,
    *,
    um_per_px: float | None = None,
    u_um_per_px: float | None = None,
    along_feed: tuple[tuple[float, float], tuple[float, float]] | None = None,
) -> list[Sign]:
    """Photo of a part, and the pitch of the marks on it where scale and direction of feed are given.

    Parameters
    ----------
    at : Occasion
    path : Path
    um_per_px, u_um_per_px : float, optional
        Scale of the photo and its standard uncertainty.
    along_feed : pair of (column, row), optional
        Both ends, in pixels, of a line along the feed.

    Returns
    -------
    list of Sign

    Raises
    ------
    PhotoRefused
        The photo cannot be read.
    MarksRefused
        No pitch of marks can be told.
    TrialError
        The trial file does not say how fast the work passed.
    """
    from wearscope.imaging.photo import read_photo
    from wearscope.process.chatter import MarksRefused, mark_cause, mark_pitch

    photo = read_photo(path)
    signs = [Sign("part_photo", said=(reason("part-photo"),), path=path, sha256=photo.sha256)]
    if um_per_px is None or along_feed is None:
        return signs
    require(at.trial, MARK_KEYS, "the cause of marks", [at.bit])
    u_scale = U_SCALE * um_per_px if u_um_per_px is None else u_um_per_px
    try:
        found = mark_pitch(photo.linear(), um_per_px, u_scale, along_feed)
    except MarksRefused as refusal:
        raise MarksRefused(f"{path}: {refusal.what}", refusal.cure) from refusal
    feed = stated(at.trial.feed_of(at.bit))
    said = [
        mark_cause(found, feed, stated(at.trial.rpm_of(at.bit)), stated(at.bit.flutes)).reason,
        reason("marks-along-the-line", n=found.n_marks),
        reason(
            "marks-a-second",
            per_second=feed / 60.0 / (found.pitch_um / 1000.0),
            feed_mm_per_min=feed,
        ),
    ]
    if u_um_per_px is None:
        said.append(reason("scale-assumed", relative_u=U_SCALE))
    marks = Sign("marks", "mark_pitch", found.pitch_um, "um", found.u_um, tuple(said), path, photo.sha256)
    return [*signs, marks]


def remark(text: str) -> list[Sign]:
    """A free remark.

    Parameters
    ----------
    text : str
        What the person says.

    Returns
    -------
    list of Sign

    Raises
    ------
    NoteError
        It is empty.
    """
    if not text.strip():
        raise NoteError("the remark is empty", "give it in quotes")
    return [Sign("remark", said=(reason("remark", text=text.strip()),))]


# --- Sound against that of the new bit


@dataclass(frozen=True)
class SoundChange:
    """A level of sound and how it differs from that of the new bit.

    Attributes
    ----------
    note, new : Note
        Of the same bit, flute, quantity and unit; `new` at 0 parts.
    change_db, u_db, limit_db : float
        Now less new, its standard uncertainty, and the smallest change that can be told from none.
    """

    note: Note
    new: Note
    change_db: float
    u_db: float
    limit_db: float

    @property
    def seen(self) -> bool:
        """Whether the change can be told from none."""
        return abs(self.change_db) > self.limit_db


def sound_changes(notes: Iterable[Note]) -> list[SoundChange]:
    """Compare each level of sound with that of the same bit when new; levels of another unit are left alone.

    Parameters
    ----------
    notes : iterable of Note

    Returns
    -------
    list of SoundChange
    """
    from wearscope.process.sound import level_change

    sound = [note for note in notes if note.kind == "sound" and note.value is not None]
    when_new = {_series(note): note for note in sound if note.parts == 0}
    changes = []
    for note in sound:
        new = when_new.get(_series(note))
        if note.parts == 0 or new is None or note.value is None or new.value is None:
            continue
        change = level_change(note.value, note.std_uncertainty or 0.0, new.value, new.std_uncertainty or 0.0)
        changes.append(SoundChange(note, new, change.change_db, change.u_db, change.limit_db))
    return changes


def _series(note: Note) -> tuple[str, str, int, str, str]:
    return note.trial, note.bit, note.flute, note.quantity, note.unit
