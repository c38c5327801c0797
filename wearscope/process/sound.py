"""How loud a bit cuts: the A-weighted level of a recording, and how much of it comes at each tooth.

A dull edge often cuts louder, and a bit whose flutes do not cut alike shows it at the frequency at which they pass.
Neither is wear in microns: level depends on machine, room and place of the microphone, so it is compared only with
that of the same bit when new, taken the same way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite, log10, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammainccinv, gammaincinv

from wearscope.metrology.findings import DETECTION
from wearscope.process.recording import SHORTEST_S, Array, Recording, RecordingRefused
from wearscope.process.scatter import few_factor
from wearscope.quantities.reasons import Reason, reason

FULL_RATE_HZ = 40_000
"""A lower rate lacks part of what is heard, up to 20 kHz (IEC 61672-1, from memory)."""

BLOCK_S = 1.0
"""Length of a block, so that tones a few hertz apart are told apart."""

HARMONICS = 4
"""Multiples of the tooth-passing frequency that are looked for; chosen, no source."""

SLIP = 0.05
"""Share by which a spindle may run off its set speed; common practice, no source (slip of asynchronous motors)."""

SLIP_FROM_FIRST = 0.01
"""Share by which a higher tone may lie off where the first one found puts it; chosen, no source."""

LEAST_WIDTH_HZ = 3.0
"""Half width of the narrowest tone: the main lobe of a Hann window over a block of 1 s is 2 Hz to either side."""

WANDER = 0.005
"""Share by which a tone wanders during a recording, as the load changes; common practice, no source."""

U_CODEC_DB = 0.3
"""Standard uncertainty of a level by what a codec leaves out, most of it above 16 kHz; from encodings of noise."""

SILENCE_DB = 20.0
"""A second that is so much quieter than the loud ones is silence, not cutting; chosen, no source."""

_FEWEST_BINS = 11  # of a window in which a tone is looked for in each second; chosen, no source
_PLAIN = (
    50.0  # power of a tone's peak over what lies around it, from which a second shows it; chosen, no source
)

MISTAKEN = 1e-4
"""How often noise may be taken for a tone; chosen, no source."""

U_TAKE_DB = 1.0
"""Standard deviation from one recording of a cut to the next, before there are any; common practice, no source."""

U_CALIBRATION_DB = 0.5
"""Standard uncertainty of the level that a recording is calibrated by; common practice, no source."""


@dataclass(frozen=True)
class ToothTone:
    """The tone at the tooth-passing frequency or at a multiple of it.

    Attributes
    ----------
    harmonic : int
        1 for the tooth-passing frequency itself.
    expected_hz : float
        From spindle speed and flutes.
    found_hz : float or None
        Where the tone is; None if none stands out.
    level_db : float or None
        Its A-weighted level, on the scale of the whole level.
    u_db : float or None
        Standard uncertainty of `level_db`: its changes during the recording, and all that the level of one recording
        has.
    """

    harmonic: int
    expected_hz: float
    found_hz: float | None
    level_db: float | None
    u_db: float | None


@dataclass(frozen=True)
class SoundLevel:
    """A-weighted equivalent level of one cut.

    Attributes
    ----------
    level_db : float
        In dB(A) re 20 µPa if `calibrated`, else relative to a sine at full scale.
    u_db : float
        Standard uncertainty.
    calibrated : bool
    n_takes : int
        Number of recordings.
    repeatability_db : float or None
        Standard deviation from recording to recording; None for one.
    tones : tuple of ToothTone
        Of the first recording; empty if spindle speed and flutes were not given.
    remarks : tuple of Reason
        What limits the number.
    """

    level_db: float
    u_db: float
    calibrated: bool
    n_takes: int
    repeatability_db: float | None
    tones: tuple[ToothTone, ...]
    remarks: tuple[Reason, ...]


@dataclass(frozen=True)
class LevelChange:
    """How much louder than when new.

    Attributes
    ----------
    change_db, u_db : float
        Now less new, and its standard uncertainty.
    limit_db : float
        Smallest change that can be told from none.
    """

    change_db: float
    u_db: float
    limit_db: float

    @property
    def seen(self) -> bool:
        """Whether the change is larger than what repeated readings differ by."""
        return abs(self.change_db) > self.limit_db


# --- Level arithmetic


def a_weighting_db(frequency_hz: ArrayLike) -> Array:
    """A-weighting at frequencies above 0, in dB.

    The analytic form of IEC 61672-1:2013, annex E, with its pole frequencies (from memory); it agrees with the
    standard's table 3 within the table's rounding.

    Parameters
    ----------
    frequency_hz : array_like
        Any shape.

    Returns
    -------
    ndarray
        Of that shape.

    Examples
    --------
    >>> a_weighting_db([100.0, 1000.0]).round(1)
    array([-19.1,   0. ])
    """
    f2 = np.asarray(frequency_hz, dtype=float) ** 2
    with np.errstate(divide="ignore"):
        gain = (
            12194.217**2
            * f2**2
            / ((f2 + 20.598997**2) * np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2)) * (f2 + 12194.217**2))
        )
        return np.asarray(20 * np.log10(gain) + 1.9997, dtype=float)


def mean_level_db(levels_db: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Level of the mean power of levels, in dB; with durations as weights, their equivalent level.

    Parameters
    ----------
    levels_db : array_like, shape (N,)
    weights : array_like, shape (N,), optional

    Returns
    -------
    float
    """
    power = 10 ** (np.asarray(levels_db, dtype=float) / 10)
    share = np.ones_like(power) if weights is None else np.asarray(weights, dtype=float)
    return float(10 * np.log10(np.average(power, weights=share)))


def level_change(now_db: float, u_now_db: float, new_db: float, u_new_db: float) -> LevelChange:
    """Change against the new state; both uncertainties must hold how well a reading repeats.

    Parameters
    ----------
    now_db, u_now_db : float
    new_db, u_new_db : float

    Returns
    -------
    LevelChange

    Examples
    --------
    2 dB more, of readings that repeat to 0.7 dB, is not seen; 4 dB more is:

    >>> [change.seen for change in (level_change(72.0, 0.7, 70.0, 0.7), level_change(74.0, 0.7, 70.0, 0.7))]
    [False, True]
    """
    u_db = hypot(u_now_db, u_new_db)
    return LevelChange(now_db - new_db, u_db, DETECTION * u_db)


# --- Levels of recordings


def level_of_recordings(
    takes: Sequence[Recording],
    *,
    calibration: Recording | None = None,
    calibration_db: float | None = None,
    u_calibration_db: float = U_CALIBRATION_DB,
    u_take_db: float = U_TAKE_DB,
    tooth_hz: float | None = None,
) -> SoundLevel:
    """A-weighted equivalent level of one or more recordings of the same cut.

    Parameters
    ----------
    takes : sequence of Recording
        Microphone, gain and place the same for all.
    calibration : Recording, optional
        Recording of a sound whose A-weighted level is known, with the same microphone and gain.
    calibration_db : float, optional
        That level, in dB(A).
    u_calibration_db : float
        Its standard uncertainty, in dB.
    u_take_db : float
        Standard deviation from one recording of a cut to the next, in dB, as known beforehand. It counts as much as
        one degree of freedom of the scatter of the takes themselves: two takes that agree by chance prove little.
    tooth_hz : float, optional
        Expected tooth-passing frequency, in Hz.

    Returns
    -------
    SoundLevel

    Raises
    ------
    RecordingRefused
        A recording is given twice, or silent.
    ValueError
        A calibration lacks its recording or its level.
    """
    if (calibration is None) != (calibration_db is None):
        raise ValueError("a calibration needs its recording and its level")
    if len({take.sha256 or id(take) for take in takes}) < len(takes):
        raise RecordingRefused("the same recording is given twice", "give each recording of the cut once")
    first = takes[0]
    shift_db, u_shift_db, remarks = 0.0, 0.0, []
    if calibration is not None and calibration_db is not None:
        known = _blocks(calibration)
        shift_db = calibration_db - known.level_db
        u_shift_db = hypot(u_calibration_db, known.u_db)
    else:
        remarks.append(reason("relative-level"))
    if first.rate_hz < FULL_RATE_HZ:
        remarks.append(reason("band-limited", up_to_hz=first.rate_hz / 2))
    u_codec_db = 0.0
    if codecs := {take.codec for take in takes if take.codec}:
        u_codec_db = U_CODEC_DB
        remarks.append(reason("compressed", codec=", ".join(sorted(codecs))))
    blocks = [_blocks(take) for take in takes]
    for take, block in zip(takes, blocks, strict=True):
        if block.left_out:
            remarks.append(reason("silence-left-out", file=take.path.name, share=block.left_out))
        if tooth_hz and (drift := _drift(block, tooth_hz)):
            remarks.append(reason("speed-drift", file=take.path.name, share=drift))
    levels = np.array([block.level_db for block in blocks])
    n = len(takes)
    repeatability_db = float(np.std(levels, ddof=1)) if n > 1 else None
    pooled_db = sqrt((u_take_db**2 + (n - 1) * (repeatability_db or 0.0) ** 2) / n)
    few = few_factor(n) if n > 1 else 1.0
    u_db = hypot(few * pooled_db / sqrt(n), blocks[0].u_db / sqrt(n))
    u_db = hypot(u_db, u_codec_db)
    # a tone of one take repeats no better than the level of one
    u_tone_db = hypot(few * pooled_db, u_shift_db)
    return SoundLevel(
        mean_level_db(levels) + shift_db,
        hypot(u_db, u_shift_db),
        calibration is not None,
        len(takes),
        repeatability_db,
        tuple(_tones(blocks[0], shift_db, u_tone_db, tooth_hz)) if tooth_hz else (),
        tuple(remarks),
    )


@dataclass(frozen=True, eq=False)
class _Blocks:
    """A-weighted power spectra of a recording's seconds, shape (seconds, frequencies), re a sine at full scale."""

    frequency_hz: Array
    power: Array
    left_out: float = 0.0  # share of the blocks, as silent

    @property
    def level_db(self) -> float:
        return 10 * log10(float(self.power.sum(axis=1).mean()))

    @property
    def u_db(self) -> float:
        return _u_of_mean_db(self.power.sum(axis=1))


def _u_of_mean_db(power: Array) -> float:
    """Standard uncertainty of the level of the mean of half-overlapping blocks, in dB."""
    n_free = max(len(power) / 2, 2)
    return float(10 / np.log(10) * np.std(power, ddof=1) / power.mean() / sqrt(n_free))


def _blocks(recording: Recording) -> _Blocks:
    """Weight in the frequency domain, where the analytic curve holds up to half the sampling rate.

    (A recursive filter by the bilinear transform is 6 dB low at 16 kHz and 48 000 samples per second.)
    """
    from scipy import signal  # here, for it takes 0.3 s and commands about photos need none

    n = round(BLOCK_S * recording.rate_hz)
    spectra = []
    for start in range(0, len(recording.samples) - n + 1, n // 2):
        frequency_hz, power = signal.periodogram(
            recording.samples[start : start + n],
            recording.rate_hz,
            window="hann",
            detrend="constant",
            scaling="density",
            axis=0,
        )
        spectra.append(power.mean(axis=1) * frequency_hz[1])
    # twice the mean square, so that a sine at full scale is 0 dB
    power = 2 * np.array(spectra)[:, 1:] * 10 ** (a_weighting_db(frequency_hz[1:]) / 10)
    if not power.any():
        raise RecordingRefused(f"{recording.path} is silent", "check the microphone and record again")
    sounding = _sounding(power.sum(axis=1))
    heard_s = (np.count_nonzero(sounding) + 1) * BLOCK_S / 2
    if not sounding.all() and heard_s < SHORTEST_S:
        raise RecordingRefused(
            f"{recording.path} holds sound for {heard_s:.1f} s only, and silence else",
            f"record at least {SHORTEST_S:g} s of steady cutting",
        )
    return _Blocks(frequency_hz[1:], power[sounding], float(1 - sounding.mean()))


def _sounding(power: Array) -> NDArray[np.bool_]:
    """Blocks in which the cut is heard: not silent, and none beside a silent one, half of which they share."""
    silent = power < 10 ** (-SILENCE_DB / 10) * np.quantile(power, 0.9)
    beside = silent.copy()
    beside[1:] |= silent[:-1]
    beside[:-1] |= silent[1:]
    return ~beside


def _drift(blocks: _Blocks, tooth_hz: float) -> float:
    """Share by which the tooth-passing tone moves from first third to last; 0 if it stays, or is not heard."""
    f, third = blocks.frequency_hz, len(blocks.power) // 3
    for harmonic in range(1, HARMONICS + 1):
        near = harmonic * tooth_hz
        inside = np.abs(f - near) <= SLIP * near
        if np.count_nonzero(inside) < _FEWEST_BINS or not third:
            continue
        power = blocks.power[:, inside]
        plain = power.max(axis=1) > _PLAIN * np.median(power, axis=1)
        at_hz = f[inside][power.argmax(axis=1)]
        first, last = (at_hz[part][plain[part]] for part in (slice(third), slice(-third, None)))
        if min(len(first), len(last)) * 2 <= third:
            continue
        moved = float(np.median(last) - np.median(first))
        return moved / near if abs(moved) > max(2 * WANDER * near, LEAST_WIDTH_HZ) else 0.0
    return 0.0


def _tones(blocks: _Blocks, shift_db: float, u_shift_db: float, tooth_hz: float) -> list[ToothTone]:
    """Tones at the multiples of the tooth-passing frequency; the first that is found says where the others are."""
    tones = []
    ratio, slack = 1.0, SLIP
    for harmonic in range(1, HARMONICS + 1):
        expected = harmonic * tooth_hz
        tone = _tone(blocks, harmonic, expected, expected * ratio, slack)
        if tone.found_hz is not None and tone.level_db is not None and tone.u_db is not None:
            if slack == SLIP:
                ratio, slack = tone.found_hz / expected, SLIP_FROM_FIRST
            level_db, u_db = tone.level_db + shift_db, hypot(tone.u_db, u_shift_db)
            tone = ToothTone(harmonic, expected, tone.found_hz, level_db, u_db)
        tones.append(tone)
    return tones


def _tone(blocks: _Blocks, harmonic: int, expected_hz: float, near_hz: float, slack: float) -> ToothTone:
    none = ToothTone(harmonic, expected_hz, None, None, None)
    f, mean = blocks.frequency_hz, blocks.power.mean(axis=0)
    reach = max(slack * near_hz, LEAST_WIDTH_HZ)
    half = max(LEAST_WIDTH_HZ, WANDER * near_hz)
    inside = np.abs(f - near_hz) <= reach
    around = np.abs(f - near_hz) <= 2 * reach + 20 * half
    if near_hz + 2 * reach > f[-1] or not inside.any():
        return none
    peak = int(np.flatnonzero(inside)[np.argmax(mean[inside])])
    floor = float(np.median(mean[around]))
    # the mean of K blocks of noise is gamma-distributed
    n_free = max(len(blocks.power) / 2, 1)
    n_looked = np.count_nonzero(inside)
    reached = gammainccinv(n_free, float(MISTAKEN / n_looked)) / gammaincinv(n_free, 0.5)
    if mean[peak] <= floor * reached:
        return none
    line = np.abs(f - f[peak]) <= half
    power = (blocks.power[:, line] - floor).sum(axis=1)
    if power.mean() <= 0:
        return none
    weight = np.clip(mean[line] - floor, 0, None)
    u_db = _u_of_mean_db(power)
    if not isfinite(u_db):
        return none
    return ToothTone(
        harmonic, expected_hz, float(np.average(f[line], weights=weight)), 10 * log10(power.mean()), u_db
    )
