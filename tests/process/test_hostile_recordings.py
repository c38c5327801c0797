"""Recordings that promise more than they hold, or lack what they need."""

from __future__ import annotations

import re
import struct

import numpy as np
import pytest

from wearscope.process import recording
from wearscope.process.recording import RecordingRefused, read_recording

FORM = struct.pack("<HHIIHH", 1, 1, 16_000, 32_000, 2, 16)
NOISE = np.random.default_rng(1).normal(0, 2000, 96_000).astype("<i2").tobytes()


def chunk(name, data, size=None):
    return name + struct.pack("<I", len(data) if size is None else size) + data


def wav(*chunks):
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def refusal(tmp_path, content):
    path = tmp_path / "cut.wav"
    path.write_bytes(content)
    with pytest.raises(RecordingRefused) as refused:
        read_recording(path)
    return str(refused.value)


def test_the_plain_one_is_read(tmp_path):
    path = tmp_path / "cut.wav"
    path.write_bytes(wav(chunk(b"LIST", b"abc\0"), chunk(b"fmt ", FORM), chunk(b"data", NOISE)))
    assert read_recording(path).duration_s == 6.0


@pytest.mark.parametrize(
    "chunks",
    [
        [],
        [chunk(b"data", NOISE)],
        [chunk(b"fmt ", FORM)],
        [chunk(b"fmt ", FORM), chunk(b"dbta", NOISE)],
        [chunk(b"fmt ", FORM[:2] + b"\xff\xff" + FORM[4:]), chunk(b"data", NOISE)],
        [chunk(b"fmt ", FORM[:14] + b"\0\0"), chunk(b"data", NOISE)],
        [chunk(b"fmt ", FORM[:12] + b"\0\0" + FORM[14:]), chunk(b"data", NOISE)],
        [chunk(b"LIST", b"abcd", 2**32 - 1), chunk(b"fmt ", FORM), chunk(b"data", NOISE)],
        [chunk(b"LIST", b"abc"), chunk(b"fmt ", FORM), chunk(b"data", NOISE)],
        [*[chunk(b"LIST", b"")] * 2000, chunk(b"fmt ", FORM), chunk(b"data", NOISE)],
    ],
)
def test_chunks_that_are_missing_or_damaged(tmp_path, chunks):
    said = refusal(tmp_path, wav(*chunks))
    assert "no WAV file that can be read whole" in said
    assert "save the recording as WAV" in said
    assert not re.search("variable|unpack|buffer|index|NoneType", said), "it speaks of the file"


def test_two_hours_are_refused_by_what_the_file_says(tmp_path, monkeypatch):
    def never(*arguments):
        raise AssertionError("it was decoded")

    monkeypatch.setattr(recording.wavfile, "read", never)
    content = wav(chunk(b"fmt ", FORM), chunk(b"data", NOISE, 2 * 3600 * 32_000))
    assert "lasts 120 minutes; cut it to the cutting, at most 10 minutes" in refusal(tmp_path, content)


def test_a_file_too_large_is_not_read(tmp_path, monkeypatch):
    monkeypatch.setattr(recording, "RECORDING_BYTES", len(NOISE))
    content = wav(chunk(b"fmt ", FORM), chunk(b"data", NOISE))
    assert "cut it to the cutting" in refusal(tmp_path, content)


@pytest.mark.parametrize(
    "text", ["#EXTM3U\n#EXT-X-TARGETDURATION:9\nfile:///etc/hostname\n", "ffconcat version 1.0\n"]
)
def test_a_list_of_other_files_is_no_recording(tmp_path, text):
    pytest.importorskip("av")
    assert "its first bytes are those of no recording" in refusal(tmp_path, text.encode())


def test_a_long_compressed_recording_is_not_decoded_to_its_end(tmp_path):
    av = pytest.importorskip("av")
    from wearscope.process.encoded import decoded

    path = tmp_path / "cut.flac"
    with av.open(str(path), "w", format="flac") as container:
        stream = container.add_stream("flac", rate=16_000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.frombuffer(NOISE, "<i2")[None], "s16", "mono")
        frame.rate = 16_000
        for packet in (*stream.encode(frame), *stream.encode(None)):
            container.mux(packet)
    rate_hz, samples, _ = decoded(path.read_bytes(), 2.0)
    assert rate_hz == 16_000
    assert 2 * 16_000 < len(samples) < 3 * 16_000
    assert len(decoded(path.read_bytes(), 600.0)[1]) == 96_000


def test_a_compressed_recording_a_little_too_long_is_not_said_to_be_as_long_as_it_may(tmp_path, monkeypatch):
    monkeypatch.setattr(recording, "LONGEST_S", 5.9)
    monkeypatch.setattr(recording, "_stated_s", lambda _: 0.0)
    assert " lasts more than 0 minutes;" in refusal(
        tmp_path, wav(chunk(b"fmt ", FORM), chunk(b"data", NOISE))
    )
