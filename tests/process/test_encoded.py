"""Recordings as phones save them, encoded here by an independent encoder, against the same sound as WAV."""

from __future__ import annotations

import sys
from fractions import Fraction

import numpy as np
import pytest
from scipy.io import wavfile
from seldom import seldom

from wearscope.process.recording import RecordingRefused, read_recording
from wearscope.process.sound import U_CODEC_DB, level_of_recordings

av = pytest.importorskip("av", reason="the extra recordings is not installed")

RATE = 48_000
T = np.arange(8 * RATE) / RATE


def cutting(seconds=8):
    """Noise and a tone at 600 Hz, of about -17 dB."""
    noise = np.random.default_rng(3).normal(scale=0.05, size=seconds * RATE)
    return noise + 0.2 * np.sin(2 * np.pi * 600 * np.arange(len(noise)) / RATE)


def wav(path, samples):
    wavfile.write(path, RATE, np.round(samples * 32767).astype(np.int16))
    return read_recording(path)


def encode(path, samples, codec, kind):
    with av.open(str(path), "w", format=kind) as container:
        stream = container.add_stream(codec, rate=RATE, layout="mono")
        if codec not in ("flac", "pcm_s16le"):
            stream.bit_rate = 128_000
        frame = av.AudioFrame.from_ndarray(
            np.round(samples * 32767).astype(np.int16)[None, :], format="s16", layout="mono"
        )
        frame.sample_rate, frame.pts, frame.time_base = RATE, 0, Fraction(1, RATE)
        resampler = av.AudioResampler(
            format=stream.codec_context.format, layout="mono", rate=RATE, frame_size=stream.frame_size or 4096
        )
        for piece in [*resampler.resample(frame), *resampler.resample(None)]:
            container.mux(stream.encode(piece))
        container.mux(stream.encode(None))
    return path


KINDS = [
    ("cut.m4a", "aac", "ipod"),
    ("cut.aac", "aac", "adts"),
    ("cut.mp3", "libmp3lame", "mp3"),
    ("cut.opus", "libopus", "ogg"),
    ("cut.flac", "flac", "flac"),
]


@pytest.mark.parametrize(
    ("name", "codec", "kind"), [case if case[0] == "cut.m4a" else seldom(*case) for case in KINDS]
)
def test_level_and_tone_are_those_of_the_wav(tmp_path, name, codec, kind):
    samples = cutting()
    plain = level_of_recordings([wav(tmp_path / "cut.wav", samples)], tooth_hz=600)
    take = read_recording(encode(tmp_path / name, samples, codec, kind))
    found = level_of_recordings([take], tooth_hz=600)
    assert take.duration_s == pytest.approx(8, abs=0.1)
    assert found.level_db == pytest.approx(plain.level_db, abs=0.01 if codec == "flac" else 1.96 * U_CODEC_DB)
    assert (found.u_db > plain.u_db + 0.01) == (codec != "flac")
    assert found.tones[0].found_hz == pytest.approx(600, abs=0.5)
    assert ("compressed" in {remark.code for remark in found.remarks}) == (codec != "flac")


@pytest.mark.parametrize(("name", "codec", "kind"), KINDS[:1])
def test_clipping_is_seen_through_the_encoder(tmp_path, name, codec, kind):
    loud = np.clip(8 * cutting(), -1, 1)
    with pytest.raises(RecordingRefused, match="clipped"):
        read_recording(encode(tmp_path / name, loud, codec, kind))


def test_without_the_library_the_cure_is_said(tmp_path, monkeypatch):
    path = encode(tmp_path / "cut.mp3", cutting(), "libmp3lame", "mp3")
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(RecordingRefused, match=r'pip install "wearscope\[recordings\]", or save .* as WAV'):
        read_recording(path)


@pytest.mark.parametrize("content", [b"", b"no sound at all", b"ID3" + bytes(300), bytes(5000)])
def test_what_is_no_recording(tmp_path, content):
    path = tmp_path / "cut.m4a"
    path.write_bytes(content)
    with pytest.raises(RecordingRefused, match=r"is no WAV file and no other recording .*; save"):
        read_recording(path)


# --- Silence, and a spindle that slows down


def test_silence_is_left_out_and_said(tmp_path):
    sound = cutting(10)
    whole = level_of_recordings([wav(tmp_path / "whole.wav", sound)])
    quiet = np.random.default_rng(5).normal(scale=1e-4, size=10 * RATE)
    half = level_of_recordings([wav(tmp_path / "half.wav", np.concatenate([sound, quiet]))])
    assert half.level_db == pytest.approx(whole.level_db, abs=0.1), "and not 3 dB lower"
    (said,) = [remark for remark in half.remarks if remark.code == "silence-left-out"]
    assert dict(said.values)["share"] == pytest.approx(0.5, abs=0.06)
    assert "silence-left-out" not in {remark.code for remark in whole.remarks}


def test_too_little_sound_between_silence_is_refused(tmp_path):
    take = wav(tmp_path / "short.wav", np.concatenate([cutting(3), np.zeros(6 * RATE)]))
    with pytest.raises(RecordingRefused, match=r"holds sound for .* s only"):
        level_of_recordings([take])


@pytest.mark.parametrize("share", [-0.03, 0.0, 0.03])
def test_a_drifting_spindle_is_said(tmp_path, share):
    hz = 600 * (1 + share * (T / T[-1] - 0.5))
    samples = 0.3 * np.sin(2 * np.pi * np.cumsum(hz) / RATE)
    samples += np.random.default_rng(1).normal(scale=0.01, size=len(T))
    found = level_of_recordings([wav(tmp_path / "drift.wav", samples)], tooth_hz=600)
    drifts = [dict(remark.values)["share"] for remark in found.remarks if remark.code == "speed-drift"]
    # from the middle of the first third to the middle of the last: two thirds of the whole
    assert drifts == ([pytest.approx(share * 2 / 3, abs=0.004)] if share else [])
