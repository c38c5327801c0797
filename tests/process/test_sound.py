from __future__ import annotations

import struct
import wave

import numpy as np
import pytest
from seldom import seldom

from wearscope.process.recording import RecordingRefused, is_clipped, read_recording
from wearscope.process.sound import level_change, level_of_recordings
from wearscope.quantities.reasons import reason

RATE = 44100
T = np.arange(6 * RATE) / RATE


@pytest.fixture
def write(tmp_path):
    """Write samples by the standard library's own module, or for floats by hand, never by the reader's library."""

    def write(samples, bits=16, rate=RATE, name="cut.wav", kind="int"):
        path = tmp_path / name
        columns = np.atleast_2d(np.asarray(samples, dtype=float).T).T
        if kind == "float":
            data = columns.astype("<f4" if bits == 32 else "<f8").tobytes()
            block = columns.shape[1] * bits // 8
            head = struct.pack("<HHIIHH", 3, columns.shape[1], rate, rate * block, block, bits)
            riff = (
                b"WAVE"
                + b"fmt "
                + struct.pack("<I", 16)
                + head
                + b"data"
                + struct.pack("<I", len(data))
                + data
            )
            path.write_bytes(b"RIFF" + struct.pack("<I", len(riff)) + riff)
            return path
        full = 2 ** (bits - 1)
        codes = np.clip(np.round(columns * full), -full, full - 1).astype(np.int64)
        if bits == 8:
            codes = codes + 128
        raw = codes.astype("<i8").view(np.uint8).reshape(*codes.shape, 8)[..., : bits // 8].tobytes()
        with wave.open(str(path), "wb") as file:
            file.setnchannels(columns.shape[1])
            file.setsampwidth(bits // 8)
            file.setframerate(rate)
            file.writeframes(raw)
        return path

    return write


def tone(hz, amplitude, t=T):
    return amplitude * np.sin(2 * np.pi * hz * t)


@pytest.mark.parametrize(
    ("bits", "kind"), [(8, "int"), (16, "int"), (24, "int"), (32, "int"), (32, "float"), (64, "float")]
)
@pytest.mark.parametrize("channels", [2, seldom(1)])
def test_every_kind_of_file_gives_the_same_level(write, bits, kind, channels):
    """A sine of 1 kHz at half of full scale lies 6.02 dB below one at full scale, whatever the file's form."""
    recording = read_recording(write(np.repeat(tone(1000, 0.5)[:, None], channels, 1), bits, kind=kind))
    assert recording.samples.shape == (len(T), channels)
    level = level_of_recordings([recording])
    assert level.level_db == pytest.approx(-6.0206, abs=0.02 if bits == 8 else 0.001)
    assert not level.calibrated
    assert level.remarks[0] == reason("relative-level")


def test_a_channel_without_sound_does_not_halve_the_level(write):
    both = np.column_stack([tone(1000, 0.5), np.zeros_like(T)])
    assert level_of_recordings([read_recording(write(both))]).level_db == pytest.approx(-6.0206, abs=0.001)


def test_a_constant_offset_is_no_sound(write):
    level = level_of_recordings([read_recording(write(tone(1000, 0.25) + 0.4))])
    assert level.level_db == pytest.approx(-12.0412, abs=0.001)


def test_chunks_of_other_programs_do_no_harm(write):
    path = write(tone(1000, 0.5))
    content = path.read_bytes()
    path.write_bytes(content[:12] + b"JUNK" + struct.pack("<I", 4) + b"abcd" + content[12:])
    assert level_of_recordings([read_recording(path)]).level_db == pytest.approx(-6.0206, abs=0.001)


# --- Refused


def test_too_short_too_long_too_slow(write):
    with pytest.raises(RecordingRefused, match=r"lasts 4\.5 s; record at least 5 s"):
        read_recording(write(tone(500, 0.5)[: int(4.5 * RATE)]))
    with pytest.raises(RecordingRefused, match="8000 samples per second; record with 44100"):
        read_recording(write(tone(500, 0.5), rate=8000))
    with pytest.raises(RecordingRefused, match="lasts 11 minutes; cut it"):
        read_recording(write(np.tile(tone(500, 0.5)[:16000], 660), bits=8, rate=16000))


def test_silence(write):
    with pytest.raises(RecordingRefused, match="is silent"):
        read_recording(write(np.zeros_like(T)))
    with pytest.raises(RecordingRefused, match="is silent"):
        read_recording(write(np.full_like(T, 0.25)))


@pytest.mark.parametrize("ceiling", [1.0, 0.7])
@pytest.mark.parametrize("bits", [8, 16, 24])
def test_clipped_at_full_scale_or_below(write, ceiling, bits):
    noise = np.random.default_rng(3).normal(size=len(T)) * 0.5
    path = write(np.clip(noise, -ceiling, ceiling), bits)
    with pytest.raises(RecordingRefused, match=r"is clipped: .*lower the recording level"):
        read_recording(path)


@pytest.mark.parametrize("bits", [8, 16, 24])
@pytest.mark.parametrize("amplitude", [0.9, 0.05])
def test_whole_waves_are_not_clipped(write, bits, amplitude):
    rng = np.random.default_rng(5)
    noise = rng.normal(size=len(T))
    read_recording(write(tone(440, amplitude), bits))
    read_recording(write(amplitude * noise / np.abs(noise).max(), bits))
    impulses = tone(600, 1.0) * np.exp(-((T * 10) % 1) * 8)
    read_recording(write(amplitude * impulses, bits))


@pytest.mark.parametrize("bits", [16, 24])
def test_a_few_samples_at_full_scale_are_clipped(write, bits):
    samples = 0.2 * np.random.default_rng(3).normal(size=len(T))
    samples[[1000, 5000, 9000]] = 1.5
    with pytest.raises(RecordingRefused, match="is clipped"):
        read_recording(write(np.clip(samples, -1, 1), bits))


def test_one_side_clipped_is_clipped():
    assert is_clipped(np.maximum(tone(300, 0.5), -0.3))
    assert not is_clipped(tone(300, 0.5))


@pytest.mark.parametrize(
    "content", [b"", b"RIFF", b"not a wave file at all", b"\xff\xd8\xff\xe0" + bytes(500)]
)
def test_no_wave_file(tmp_path, content):
    path = tmp_path / "cut.wav"
    path.write_bytes(content)
    with pytest.raises(RecordingRefused, match=r"cut\.wav is no WAV file.*save the recording as WAV"):
        read_recording(path)


def test_a_truncated_or_compressed_file(write):
    path = write(tone(1000, 0.5))
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with pytest.raises(RecordingRefused, match="no WAV file that can be read whole"):
        read_recording(path)
    path.write_bytes(content[:20] + struct.pack("<H", 2) + content[22:])  # ADPCM
    with pytest.raises(RecordingRefused, match="no WAV file"):
        read_recording(path)


def test_numbers_that_are_none(write):
    samples = tone(1000, 0.5)
    samples[777] = np.nan
    with pytest.raises(RecordingRefused, match="no numbers"):
        read_recording(write(samples, 32, kind="float"))


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(RecordingRefused, match="cannot be read"):
        read_recording(tmp_path / "gone.wav")


# --- Levels and how sure they are


def noise(seed, level=0.1, seconds=10, rate=16000):
    return level * np.random.default_rng(seed).normal(size=seconds * rate)


def test_calibration_sets_the_level_and_its_uncertainty(write):
    known = read_recording(write(tone(1000, 0.1), name="known.wav"))
    cut = read_recording(write(tone(1000, 0.4)))
    level = level_of_recordings(
        [cut], calibration=known, calibration_db=94.0, u_calibration_db=0.3, u_take_db=0.4
    )
    assert level.calibrated
    assert level.level_db == pytest.approx(94 + 20 * np.log10(4), abs=0.001)
    assert level.u_db == pytest.approx(0.5, abs=0.001)
    with pytest.raises(ValueError, match="calibration"):
        level_of_recordings([cut], calibration=known)


@pytest.mark.statistics
def test_the_uncertainty_of_several_takes_holds_their_mean(write):
    """Takes whose true levels scatter by 1 dB: the stated interval of one standard uncertainty holds the mean."""
    rng = np.random.default_rng(11)
    base = read_recording(write(noise(1, 0.05, 5), rate=16000))
    held = 0
    for _ in range(20):
        gains = 10 ** (rng.normal(size=3) / 20)
        takes = [type(base)(base.path, "", base.rate_hz, base.samples * gain) for gain in gains]
        level = level_of_recordings(takes)
        expected = level_of_recordings([base]).level_db
        held += abs(level.level_db - expected) <= level.u_db
        assert level.n_takes == 3
        assert level.repeatability_db == pytest.approx(np.std(20 * np.log10(gains), ddof=1))
    assert 0.4 < held / 20 < 0.95


def test_two_takes_that_agree_by_chance_prove_little(write):
    base = read_recording(write(noise(1, 0.05, 5), rate=16000))
    takes = [type(base)(base.path, "", base.rate_hz, base.samples * gain) for gain in (1.0, 1.0001)]
    assert 0.5 < level_of_recordings(takes).u_db < 1.0
    with pytest.raises(RecordingRefused, match="given twice"):
        level_of_recordings([base, base])


def test_steadiness_enters_the_uncertainty(write):
    steady = read_recording(write(noise(2), rate=16000))
    t = np.arange(160000) / 16000
    wavering = read_recording(write(noise(2) * (0.3 + 0.7 * (t % 4 > 2)), rate=16000))
    assert level_of_recordings([steady], u_take_db=0).u_db < 0.1
    assert level_of_recordings([wavering], u_take_db=0).u_db > 0.5
    assert reason("band-limited", up_to_hz=8000.0) in level_of_recordings([steady]).remarks


def test_a_change_is_seen_when_it_is_larger_than_what_repeats():
    change = level_change(84.0, 0.6, 80.0, 0.8)
    assert (change.change_db, change.u_db) == (pytest.approx(4.0), pytest.approx(1.0))
    assert change.limit_db == pytest.approx(3.29)
    assert change.seen
    assert not level_change(83.0, 0.6, 80.0, 0.8).seen
    assert level_change(76.0, 0.6, 80.0, 0.8).seen, "quieter is a change, too"


# --- Tooth passing


def cutting_sound(tones, seed=4, seconds=10):
    t = np.arange(seconds * RATE) / RATE
    rng = np.random.default_rng(seed)
    return 0.02 * rng.normal(size=t.size) + sum(tone(hz, amplitude, t) for hz, amplitude in tones)


def test_tones_are_found_where_the_spindle_slips(write):
    """18 000 rpm and two flutes make 600 Hz; the spindle slips by 2 %. Levels are those of sines, A-weighted."""
    sines = [(588.0, 0.1), (1176.0, 0.03), (2352.0, 0.05)]
    level = level_of_recordings([read_recording(write(cutting_sound(sines)))], tooth_hz=600.0)
    first, second, third, fourth = level.tones
    assert first.found_hz == pytest.approx(588, abs=0.2)
    assert first.expected_hz == 600
    assert first.level_db == pytest.approx(
        -20 - 2.25, abs=0.3
    )  # A-weighting at 588 Hz, between 500 and 630 Hz
    assert second.found_hz == pytest.approx(1176, abs=0.3)
    assert second.level_db == pytest.approx(-30.46 + 0.5, abs=0.3)
    assert (third.found_hz, third.level_db, third.u_db) == (None, None, None)
    assert fourth.found_hz == pytest.approx(2352, abs=0.3)
    assert first.u_db == pytest.approx(
        1.0, abs=0.05
    )  # one recording repeats within 1 dB, however steady it is


def test_a_tone_repeats_no_better_than_the_recording(write):
    takes = [
        read_recording(write(gain * cutting_sound([(600.0, 0.1)], seed), name=f"{seed}.wav"))
        for seed, gain in enumerate((1.0, 1.5, 0.7))
    ]
    level = level_of_recordings(takes, tooth_hz=600.0)
    assert level.repeatability_db > 3
    assert level.tones[0].u_db > 0.95 * level.repeatability_db > level.u_db
    known = read_recording(write(tone(1000, 0.1), name="known.wav"))
    options = {"calibration": known, "calibration_db": 94.0, "u_calibration_db": 3.0, "tooth_hz": 600.0}
    (first, *_) = level_of_recordings(takes[:1], **options).tones
    assert first.u_db == pytest.approx(np.hypot(3.0, 1.0), abs=0.05)


def test_noise_alone_has_no_tones(write):
    for seed in range(8):
        level = level_of_recordings([read_recording(write(cutting_sound([], seed, 6)))], tooth_hz=600.0)
        assert [tone.found_hz for tone in level.tones] == [None] * 4, seed


def test_a_tone_elsewhere_is_not_the_teeth(write):
    level = level_of_recordings([read_recording(write(cutting_sound([(700.0, 0.2)])))], tooth_hz=600.0)
    assert level.tones[0].found_hz is None


def test_tones_above_what_the_recording_holds_are_not_found(write):
    level = level_of_recordings(
        [read_recording(write(cutting_sound([])[::2], rate=RATE // 2))], tooth_hz=4000.0
    )
    assert [tone.found_hz for tone in level.tones] == [None] * 4
