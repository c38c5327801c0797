"""Files that the cases of `fuzz` are made of, the words of their formats, and what reads them."""

from __future__ import annotations

import io
import tempfile
import wave
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import tifffile

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_images"


@dataclass(frozen=True)
class Kind:
    """A kind of file.

    Attributes
    ----------
    files : callable
        Whole files.
    words : sequence of bytes
        What stands in such files and means something.
    read : callable
        Read a file's content, with a folder to write it to; what it raises is judged.
    """

    files: Callable[[], Sequence[bytes]]
    words: Sequence[bytes]
    read: Callable[[bytes, Path], None]


# --- Photos


@cache
def _photos() -> list[bytes]:
    """A piece of a sample photo in every format, depth and layout that is read."""
    photo = cv2.imread(str(SAMPLE / "photos" / "wren-150-1.jpg"))[600:680, 700:796]
    assert photo.shape == (80, 96, 3)
    deep = photo.astype(np.uint16) * 257
    exif = SAMPLE.joinpath("photos", "wren-150-1.jpg").read_bytes()[:600]
    files = [
        cv2.imencode(ending, picture, options)[1].tobytes()
        for ending, picture, options in (
            (".jpg", photo, []),
            (".jpg", photo, [cv2.IMWRITE_JPEG_PROGRESSIVE, 1]),
            (".png", photo, []),
            (".png", deep, []),
            (".png", cv2.cvtColor(photo, cv2.COLOR_BGR2BGRA), []),
            (".bmp", photo, []),
            (".webp", photo, []),
            (".webp", photo, [cv2.IMWRITE_WEBP_QUALITY, 101]),
        )
    ]
    for options in (
        {}, {"compression": "zlib"}, {"compression": "zlib", "predictor": True}, {"compression": "lzw"},
        {"compression": "jpeg"}, {"tile": (32, 32)}, {"rowsperstrip": 7}, {"bigtiff": True}, {"byteorder": ">"},
        {"ome": True}, {"imagej": True}, {"planarconfig": "separate"}, {"metadata": None},
    ):  # fmt: skip
        content = io.BytesIO()
        stored = np.moveaxis(photo, 2, 0) if "planarconfig" in options else photo
        tifffile.imwrite(content, stored, photometric="rgb", **options)
        files.append(content.getvalue())
    several = io.BytesIO()
    with tifffile.TiffWriter(several) as writer:
        for _ in range(3):
            writer.write(deep, photometric="rgb")
    return [*files, several.getvalue(), exif]


def _read_photo(content: bytes, _folder: Path) -> None:
    from wearscope.imaging.photo import content_of, photo_of

    path = _folder / "photo"
    path.write_bytes(content)
    photo_of(path, content_of(path)).linear()


# --- Trial and study files


_STUDY = """
[study]
trial = "trial.toml"
tolerance_um = 10

[photos]
pattern = "study/{bit}/{flute}-{parts}-{taken_by}-{repeat}.jpg"
view = "relief"
"""


def _text_files(content: bytes, folder: Path, name: str) -> Path:
    photos = folder / "photos"
    if not photos.is_dir():
        photos.mkdir()
        for photo in (SAMPLE / "photos").iterdir():
            (photos / photo.name).touch()
        (folder / "drawer-front.nc").touch()
        (folder / "study" / "Wren").mkdir(parents=True)
        (folder / "study" / "Wren" / "1-0-Ada-1.jpg").touch()
        (folder / "trial.toml").write_bytes((SAMPLE / "trial.toml").read_bytes())
    path = folder / name
    path.write_bytes(content)
    return path


def _read_trial(content: bytes, folder: Path) -> None:
    from wearscope.trial import load_trial

    load_trial(_text_files(content, folder, "case.toml"))


def _read_study(content: bytes, folder: Path) -> None:
    from wearscope.trial import load_study

    load_study(_text_files(content, folder, "study.toml"))


@cache
def _trials() -> list[bytes]:
    text = (SAMPLE / "trial.toml").read_bytes()
    pattern = text[: text.index(b"[[photo]]")] + b'[photos]\npattern = "photos/{bit}-{parts}-{flute}.jpg"\n'
    return [text, pattern]


_TOML_WORDS = (
    b"[", b"]", b"[[", b"]]", b"{", b"}", b'"""', b"'''", b"\\u0000", b"\\", b"\n[[photo]]\n", b"\n[life]\n",
    b" = nan", b" = -inf", b" = 1e999", b" = 99999999999999999999", b" = []", b" = [[1, 2], [3, 4]]", b" = true",
    b" = 2026-02-30", b" = 07:32:00", b"edge_near", b"{bit}", b"{parts}", b"../" * 9, b"/dev/zero", b"a.b.c = 1\n",
    b"\x1b]52;c;AAAA\x07", b"\xff", b"\xed\xa0\x80", b"\xe2\x80\xae", b"\r", b"\t", b"\0",
)  # fmt: skip

# --- Part programs


def _read_program(content: bytes, folder: Path) -> None:
    from wearscope.process.part_program import read_program

    path = folder / "part.nc"
    path.write_bytes(content)
    program = read_program(path, "mm")
    assert program.cut_length_mm >= 0
    assert program.cut_minutes is None or program.cut_minutes >= 0
    assert program.main_feed_mm_per_min is None or program.main_feed_mm_per_min > 0


_GCODE_WORDS = (
    b"G0", b"G1", b"G2", b"G3", b"G17", b"G18", b"G19", b"G20", b"G21", b"G53", b"G90", b"G91", b"G91.1", b"G93",
    b"G94", b"G95", b"M30", b"T2M6", b"X1e9", b"X-.", b"X" + b"9" * 400, b"I0J0", b"R-1", b"R0", b"F0", b"S0", b"F-5",
    b"(", b")", b";", b"%", b"/", b"#1=2", b"N", b"\n", b"P3", b"K1", b"Z", b"\0", b"\xff", b"\xc2\xb2",
    b"\xd9\xa3",
)  # fmt: skip

# --- Recordings


@cache
def _recordings() -> list[bytes]:
    """Noise of 5.5 s in WAV files of several forms; drawn, not recorded."""
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 2000, 88_000).astype("<i2")
    files = []
    for channels, width in ((1, 2), (2, 2), (1, 3), (1, 1), (1, 4)):
        content = io.BytesIO()
        with wave.open(content, "wb") as file:
            file.setnchannels(channels)
            file.setsampwidth(width)
            file.setframerate(16_000)
            wide = (noise.astype(np.int64) << (8 * width - 16 if width > 2 else 0)) >> (
                8 if width == 1 else 0
            )
            wide = np.repeat(wide + (128 if width == 1 else 0), channels)
            file.writeframes(wide.astype("<i8").view(np.uint8).reshape(-1, 8)[:, :width].tobytes())
        files.append(content.getvalue())
    return files


@cache
def _encoded() -> list[bytes]:
    """The same noise as other recorders save it; none where the library for that is not installed."""
    try:
        import av
    except ImportError:
        return _recordings()
    noise = np.random.default_rng(1).normal(0, 0.06, (1, 96_000)).astype(np.float32)
    files = []
    for kind, codec in (
        ("flac", "flac"),
        ("ogg", "libopus"),
        ("mp4", "aac"),
        ("mp3", "libmp3lame"),
        ("adts", "aac"),
    ):
        content = io.BytesIO()
        with av.open(content, "w", format=kind) as container:
            stream = container.add_stream(codec, rate=16_000 if codec != "libopus" else 48_000, layout="mono")
            samples = (noise * 32768).astype(np.int16) if codec == "flac" else noise
            frame = av.AudioFrame.from_ndarray(samples, "s16" if codec == "flac" else "fltp", "mono")
            frame.rate = stream.rate
            for packet in (*stream.encode(frame), *stream.encode(None)):
                container.mux(packet)
        files.append(content.getvalue())
    return files


def _read_recording(content: bytes, folder: Path) -> None:
    from wearscope.process.recording import read_recording
    from wearscope.process.sound import level_of_recordings

    path = folder / "cut.wav"
    path.write_bytes(content)
    found = read_recording(path)
    if len(content) % 8 == 0:  # one in some: its seconds take longer than its reading
        level_of_recordings([found], tooth_hz=600.0)


# --- Wear logs


def _ask_all(path: Path) -> tuple[object, ...]:
    from wearscope.log.corrections import CorrectionLog
    from wearscope.log.identity import IdentityLog
    from wearscope.log.wear_log import WearLog

    with WearLog(path) as log, CorrectionLog(path) as by_hand, IdentityLog(path) as identity:
        return (
            log.current(), log.history(), log.inspections(), log.notes(), log.note_history(),
            by_hand.current("Birch drawer fronts"), identity.moves(),
            log.current(trial="Birch drawer fronts", bit="A", parts=3),
        )  # fmt: skip


@cache
def _logs() -> list[bytes]:
    from log_rows import RADIUS, REMARK, a_note, inspection, record

    from wearscope.log.corrections import CorrectionLog, changes, logged
    from wearscope.log.inputs import Inputs, PhotoInputs, ToolInputs
    from wearscope.log.wear_log import WearLog
    from wearscope.trial.correction import Correction

    inputs = Inputs(PhotoInputs("ab" * 32, "bench 60x"), ToolInputs(wedge_angle_deg=60.0), "1").named()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "wear-log.sqlite"
        with WearLog(path) as log:
            for parts in range(6):
                for value in (18.6, 19.6):
                    rows = [record(parts=parts, value=value), record(**vars(RADIUS) | {"parts": parts})]
                    log.append(inspection(parts=parts, inputs=inputs), rows)
            log.add_note([a_note(), REMARK])
        place = {"trial": "Birch drawer fronts", "bit": "A", "flute": 1, "parts": 3, "view": "relief"}
        with CorrectionLog(path) as log:
            log.append(
                logged(place, "ab" * 32, changes(Correction(), Correction(transition_px=(12.2, 3.0))), "Ada")
            )
        return [path.read_bytes()]


@cache
def _true_rows() -> tuple[object, ...]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "wear-log.sqlite"
        path.write_bytes(_logs()[0])
        return _ask_all(path)


def _read_log(content: bytes, folder: Path) -> None:
    path = folder / "wear-log.sqlite"
    for leftover in ("-journal", "-wal", "-shm"):
        path.with_name(path.name + leftover).unlink(missing_ok=True)
    path.write_bytes(content)
    found = _ask_all(path)
    assert found == _true_rows() or not any(found), "other rows in silence"


_BINARY_WORDS = (b"\0" * 8, b"\xff" * 8, b"\0\1", b"\1\0", b"\xff\xd9", b"IDAT", b"II*\0", b"RIFF")

KINDS = {
    "photo": Kind(_photos, _BINARY_WORDS, _read_photo),
    "trial": Kind(_trials, _TOML_WORDS, _read_trial),
    "study": Kind(lambda: [_STUDY.encode()], _TOML_WORDS, _read_study),
    "program": Kind(lambda: [(SAMPLE / "drawer-front.nc").read_bytes()], _GCODE_WORDS, _read_program),
    "recording": Kind(
        _recordings, (*_BINARY_WORDS, b"fmt ", b"data", b"LIST", b"RIFX", b"RF64"), _read_recording
    ),
    "encoded": Kind(_encoded, (*_BINARY_WORDS, b"moov", b"mdat", b"stco", b"OggS", b"fLaC"), _read_recording),
    "log": Kind(_logs, (*_BINARY_WORDS, b"SQLite format 3\0", b"measurement", b"CREATE TABLE"), _read_log),
}
