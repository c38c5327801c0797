"""Sound, marks, grades and remarks in plain words."""

from __future__ import annotations

from collections.abc import Iterable

from wearscope.log.notes import GRADES, Note
from wearscope.metrology.findings import COVERAGE_95
from wearscope.process.other_signs import TOOTH_LEVEL, Occasion, Sign, SoundChange, note_of
from wearscope.quantities.reasons import Reason
from wearscope.report.words import parts_text, rounded, said

CAUTION = (
    "Where you can hear a router you need ear and eye protection, and extraction or a mask against dust. "
    "Put the microphone on a stand, stand clear, and keep to the rules of your shop and country."
)

_PITCHES = "(feed per tooth {per_tooth_um:.0f} µm, per revolution {per_revolution_um:.0f} µm)"
_SAID = {
    "read-off-a-meter": "read off a meter",
    "recordings": "{n} recordings ({names})",
    "recorded": "{duration_s:.0f} s recorded",
    "repeats-within": "{repeatability_db:.1f} dB from one to the next",
    "relative-level": "relative only: compare it with recordings of the same microphone, gain and place",
    "band-limited": "holds sound up to {up_to_khz} kHz only",
    "compressed": "compressed with a loss ({codec}), which may move the level by a few tenths of a dB",
    "silence-left-out": "{share:.0%} of {file} is silence, left out",
    "speed-drift": "the spindle speed drifts by {share:+.1%} during {file}; record steady cutting",
    "calibrated": "calibrated by {file}, {level_dba:g} dB(A)",
    "repeatability-assumed": "how well it repeats is taken as {u_db:g} dB",
    "no-tone": "no tone stands out near {expected_hz:.0f} Hz",
    "tone": "at {found_hz:.1f} Hz, expected {expected_hz:.0f} Hz",
    "part-photo": "photo of a part",
    "marks-of-something-else": f"matches neither {_PITCHES}: something else shakes, such as chatter",
    "marks-of-a-single-flute": f"matches the feed per revolution of a single flute {_PITCHES}",
    "marks-per-revolution": (
        f"matches the feed per revolution {_PITCHES}: one flute cuts deeper than the others"
    ),
    "marks-per-tooth": f"matches the feed per tooth {_PITCHES}",
    "marks-per-tooth-and-revolution": (
        f"matches the feed per tooth {_PITCHES}, and repeats every revolution: the flutes do not cut alike"
    ),
    "marks-along-the-line": "{n:.0f} marks along the line",
    "marks-a-second": "{per_second:.0f} a second at {feed_mm_per_min:g} mm/min",
    "scale-assumed": "scale taken as good to {relative_u:.0%}",
    "remark": "{text}",
}
_NAMES = {"sound_level": "sound level", "mark_pitch": "pitch of marks", "cut_grade": "cut quality"}


def sign_text(reasons: Iterable[Reason]) -> str:
    """How a sign was found.

    Parameters
    ----------
    reasons : iterable of Reason
        `Sign.said`.

    Returns
    -------
    str
    """
    return "; ".join(map(_phrase, reasons))


def _phrase(reason: Reason) -> str:
    values = dict(reason.values)
    if reason.code == "grade":
        return GRADES[int(values["grade"])]
    return said(_SAID, reason, up_to_khz=f"{float(values.get('up_to_hz', 0.0)) / 1000:g}")


def notes_of(at: Occasion, signs: Iterable[Sign]) -> list[Note]:
    """Signs as they stand in the wear log.

    Parameters
    ----------
    at : Occasion
    signs : iterable of Sign

    Returns
    -------
    list of Note
    """
    return [note_of(at, sign, sign_text(sign.said)) for sign in signs]


def off_checkpoint(at: Occasion) -> str:
    """Remark that no photo of a bit was taken after so many parts.

    Parameters
    ----------
    at : Occasion

    Returns
    -------
    str
    """
    return f"{at.parts} parts is no checkpoint of {at.bit.name} ({', '.join(map(str, at.checkpoints))})"


def change_text(change: SoundChange) -> str:
    """How much louder than when new, in a few words.

    Parameters
    ----------
    change : SoundChange

    Returns
    -------
    str
    """
    shown, interval = rounded(change.change_db, COVERAGE_95 * change.u_db)
    sign = "+" if change.change_db > 0 else ""
    if not change.seen:
        return f"no change against new that can be told ({sign}{shown} ± {interval} dB)"
    return f"{sign}{shown} ± {interval} dB against new"


def note_line(note: Note) -> str:
    """Say a note in one line, without its place.

    Parameters
    ----------
    note : Note

    Returns
    -------
    str
    """
    name = _NAMES.get(note.quantity, note.quantity.replace("_", " "))
    if note.quantity.startswith(TOOTH_LEVEL):
        times = note.quantity.removeprefix(TOOTH_LEVEL)
        name = f"tone at {f'{times} times ' if times != '1' else ''}the tooth-passing frequency"
    if note.value is None:
        line = note.text if note.kind == "remark" or not name else f"{name}: {note.text}"
    elif note.kind == "grade":
        line = f"{name}: {note.value:.0f} of {max(GRADES)}, {note.text}"
    else:
        value, interval = rounded(note.value, COVERAGE_95 * (note.std_uncertainty or 0.0))
        line = f"{name}: {value} ± {interval} {note.unit.replace('um', 'µm')}; {note.text}"
    file = f" ({note.file})" if note.file and note.kind in ("part_photo", "marks") else ""
    return f"{line}{file}"


def place_line(note: Note) -> str:
    """Where a note stands, such as "Wren, flute 1, after 150 parts".

    Parameters
    ----------
    note : Note

    Returns
    -------
    str
    """
    flute = f", flute {note.flute}" if note.flute else ""
    return f"{note.bit}{flute}, {parts_text(note.parts)}"
