"""What a person notes at a checkpoint beside the photos of the flutes, made into notes for the wear log."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from difflib import get_close_matches
from os.path import normpath
from pathlib import Path

from wearscope.errors import WearscopeError
from wearscope.log.notes import GRADES, Note, NoteKind
from wearscope.metrology.findings import COVERAGE_95
from wearscope.report.words import parts_text, rounded
from wearscope.trial.model import Bit, Trial
from wearscope.version import __version__

DBA, DB_RELATIVE = "dB(A)", "dB re full scale"

U_TYPED_DB = 1.0
"""Standard uncertainty of a level read off a meter, unless stated (class 2); common practice, no source."""

U_SCALE = 0.01
"""Relative standard uncertainty of a scale given without one; common practice, no source."""

CAUTION = (
    "Where you can hear a router you need ear and eye protection, and extraction or a mask against dust. "
    "Put the microphone on a stand, stand clear, and keep to the rules of your shop and country."
)


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
    def off_checkpoint(self) -> str:
        """Remark that no photo of this bit was taken after so many parts; empty if one was."""
        taken = sorted({photo.parts for photo in self.trial.photos if photo.bit == self.bit.name})
        if self.parts in taken:
            return ""
        return f"{self.parts} parts is no checkpoint of {self.bit.name} ({', '.join(map(str, taken))})"

    def _note(
        self,
        kind: NoteKind,
        quantity: str = "",
        value: float | None = None,
        unit: str = "",
        u: float | None = None,
        text: str = "",
        path: Path | None = None,
        sha256: str = "",
    ) -> Note:
        file = ""
        if path is not None:
            whole = Path(normpath(Path.cwd() / path))
            inside = whole.is_relative_to(self.trial.folder)
            file = str(whole.relative_to(self.trial.folder) if inside else whole)
        return Note(
            self.trial.name,
            self.bit.name,
            self.flute,
            self.parts,
            kind,
            quantity,
            value,
            unit,
            u,
            text,
            file,
            sha256,
            self.by,
            __version__,
            self.at,
        )


def occasion(trial: Trial, bit: str, parts: int, flute: int, by: str) -> Occasion:
    """Occasion of now; NoteError if the trial has no such bit or flute."""
    names = [known.name for known in trial.bits]
    if bit not in names:
        near = get_close_matches(bit, names, 1)
        raise NoteError(
            f'there is no bit "{bit}" in {trial.path.name}',
            f"did you mean {near[0]}?" if near else f"its bits are {', '.join(names)}",
        )
    known = trial.bit(bit)
    if not 0 <= flute <= known.flutes:
        raise NoteError(f"{bit} has no flute {flute}", f"give 1 to {known.flutes}, or none for the whole bit")
    if not by.strip():
        raise NoteError("nobody is named as who notes it", "give --by NAME")
    return Occasion(trial, known, flute, parts, by.strip(), datetime.now(UTC).isoformat(timespec="seconds"))


def typed_level(at: Occasion, level_dba: float, u_db: float) -> list[Note]:
    """A-weighted level as read off a meter, in dB(A)."""
    return [at._note("sound", "sound_level", level_dba, DBA, u_db, "read off a meter")]


def recorded_level(
    at: Occasion,
    takes: Sequence[Path],
    *,
    calibration: Path | None = None,
    calibration_dba: float | None = None,
    u_db: float | None = None,
) -> list[Note]:
    """Level of recordings of one cut, and of the tones at the tooth-passing frequency and its multiples.

    Raises
    ------
    RecordingRefused
        A recording cannot give a level.
    """
    from wearscope.process import sound
    from wearscope.process.cutting import tooth_passing_hz

    recordings = [sound.read_recording(path) for path in takes]
    level = sound.level_of_recordings(
        recordings,
        calibration=sound.read_recording(calibration) if calibration else None,
        calibration_db=calibration_dba,
        u_take_db=sound.U_TAKE_DB if u_db is None else u_db,
        tooth_hz=tooth_passing_hz(at.trial.rpm_of(at.bit), at.bit.flutes),
    )
    unit = DBA if level.calibrated else DB_RELATIVE
    first = recordings[0]
    names = ", ".join(path.name for path in takes)
    said = [
        f"{level.n_takes} recordings ({names})"
        if level.n_takes > 1
        else f"{first.duration_s:.0f} s recorded",
        *level.notes,
    ]
    if calibration is not None:
        said.append(f"calibrated by {calibration.name}, {calibration_dba:g} dB(A)")
    if level.repeatability_db is not None:
        said.insert(1, f"{level.repeatability_db:.1f} dB from one to the next")
    elif u_db is None:
        said.append(f"how well it repeats is taken as {sound.U_TAKE_DB:g} dB")
    text = "; ".join(said)
    notes = [
        at._note("sound", "sound_level", level.level_db, unit, level.u_db, text, first.path, first.sha256)
    ]
    for tone in level.tones:
        quantity = f"tooth_passing_level_{tone.harmonic}"
        if tone.level_db is None or tone.u_db is None or tone.found_hz is None:
            text = f"no tone stands out near {tone.expected_hz:.0f} Hz"
            notes.append(at._note("sound", quantity, None, unit, None, text, first.path, first.sha256))
        else:
            text = f"at {tone.found_hz:.1f} Hz, expected {tone.expected_hz:.0f} Hz"
            notes.append(
                at._note("sound", quantity, tone.level_db, unit, tone.u_db, text, first.path, first.sha256)
            )
    return notes


def cut_grade(at: Occasion, grade: int) -> list[Note]:
    """Grade of cut quality, 5 (clean) to 1 (scrap)."""
    return [at._note("grade", "cut_grade", float(grade), "grade", None, GRADES[grade])]


def part_photo(
    at: Occasion,
    path: Path,
    *,
    um_per_px: float | None = None,
    u_um_per_px: float | None = None,
    along_feed: tuple[tuple[float, float], tuple[float, float]] | None = None,
) -> list[Note]:
    """Photo of a part, and the pitch of the marks on it where scale and direction of feed are given.

    Raises
    ------
    PhotoRefused
        The photo cannot be read.
    MarksRefused
        No pitch of marks can be told.
    """
    from wearscope.imaging.photo import read_photo
    from wearscope.process.chatter import MarksRefused, mark_cause, mark_pitch

    photo = read_photo(path)
    notes = [at._note("part_photo", text="photo of a part", path=path, sha256=photo.sha256)]
    if um_per_px is None or along_feed is None:
        return notes
    u_scale = U_SCALE * um_per_px if u_um_per_px is None else u_um_per_px
    try:
        found = mark_pitch(photo.linear(), um_per_px, u_scale, along_feed)
    except MarksRefused as refusal:
        raise MarksRefused(f"{path}: {refusal.what}", refusal.cure) from refusal
    feed = at.trial.feed_of(at.bit)
    cause = mark_cause(found, feed, at.trial.rpm_of(at.bit), at.bit.flutes)
    per_second = feed / 60.0 / (found.pitch_um / 1000.0)
    said = [
        str(cause),
        f"{found.n_marks:.0f} marks along the line",
        f"{per_second:.0f} a second at {feed:g} mm/min",
    ]
    if u_um_per_px is None:
        said.append(f"scale taken as good to {U_SCALE:.0%}")
    note = at._note(
        "marks", "mark_pitch", found.pitch_um, "um", found.u_um, "; ".join(said), path, photo.sha256
    )
    return [*notes, note]


def remark(at: Occasion, text: str) -> list[Note]:
    """A free remark."""
    if not text.strip():
        raise NoteError("the remark is empty", "give it in quotes")
    return [at._note("remark", text=text.strip())]


# --- What notes say


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

    def __str__(self) -> str:
        """Say it in a few words."""
        change, interval = rounded(self.change_db, COVERAGE_95 * self.u_db)
        sign = "+" if self.change_db > 0 else ""
        if abs(self.change_db) <= self.limit_db:
            return f"no change against new that can be told ({sign}{change} ± {interval} dB)"
        return f"{sign}{change} ± {interval} dB against new"


def sound_changes(notes: Iterable[Note]) -> list[SoundChange]:
    """Compare each level of sound with that of the same bit when new; levels of another unit are left alone."""
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


def note_line(note: Note) -> str:
    """Say a note in one line, without its place."""
    names = {"sound_level": "sound level", "mark_pitch": "pitch of marks", "cut_grade": "cut quality"}
    name = names.get(note.quantity, note.quantity.replace("_", " "))
    if note.quantity.startswith("tooth_passing_level_"):
        times = note.quantity.rpartition("_")[2]
        name = f"tone at {f'{times} times ' if times != '1' else ''}the tooth-passing frequency"
    unit = note.unit.replace("um", "µm")
    if note.value is None:
        name = "" if note.kind == "remark" else name
        said = f"{name}: {note.text}" if name else note.text
    elif note.kind == "grade":
        said = f"{name}: {note.value:.0f} of {max(GRADES)}, {note.text}"
    else:
        value, interval = rounded(note.value, COVERAGE_95 * (note.std_uncertainty or 0.0))
        said = f"{name}: {value} ± {interval} {unit}; {note.text}"
    file = f" ({note.file})" if note.file and note.kind in ("part_photo", "marks") else ""
    return f"{said}{file}"


def place_line(note: Note) -> str:
    """Say where a note stands, such as "Wren, flute 1, after 150 parts"."""
    flute = f", flute {note.flute}" if note.flute else ""
    return f"{note.bit}{flute}, {parts_text(note.parts)}"
