"""A recording of a cut read from its file, if it can give a level."""

from __future__ import annotations

import struct
import warnings
from dataclasses import dataclass
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.io import wavfile

from wearscope.errors import WearscopeError
from wearscope.files import RECORDING_BYTES, TooLargeError, read_file
from wearscope.process.encoded import NoDecoderError, NoSoundError, decoded

Array = NDArray[np.float64]

SHORTEST_S, LONGEST_S = 5.0, 600.0
"""Shorter cuts hold too few blocks to tell how a level scatters, longer ones are no single cut; chosen, no source."""

_TOP = 4e-5  # below full scale: the largest value of 16 bits is 3e-5 below it
_PEAK_BAND = 1e-3  # share of the peak in which a wave that is cut off holds nearly all its highest samples
_FEWEST_FLAT = 10  # samples at a peak that are no chance

_MOST_CHANNELS = 8  # of recorders for a whole room; chosen, no source
_MOST_CHUNKS = 1000  # before the samples; chosen, no source

LEAST_RATE_HZ = 16_000
"""A rate that holds less than the 8 kHz up to which routers are loud cannot give their level."""


class RecordingRefused(WearscopeError):  # noqa: N818 - a refusal is a result to act on
    """A recording that cannot give a level."""


@dataclass(frozen=True, eq=False)
class Recording:
    """A recording as it stands in its file.

    Attributes
    ----------
    path : Path
    sha256 : str
        Of the file's bytes, in hexadecimal.
    rate_hz : int
        Samples per second.
    samples : ndarray, shape (N, C)
        The channels that hold sound, full scale being 1.
    codec : str
        What compressed it with a loss; empty if nothing did.
    """

    path: Path
    sha256: str
    rate_hz: int
    samples: Array
    codec: str = ""

    @property
    def duration_s(self) -> float:
        """Length, in seconds."""
        return len(self.samples) / self.rate_hz


def read_recording(path: Path) -> Recording:
    """Read a recording: a WAV file of any kind, and what else the extra `recordings` decodes, such as M4A or MP3.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Recording

    Raises
    ------
    RecordingRefused
        It is no recording that can be read, damaged, clipped, silent, too short or too long, or sampled too slowly.
    """
    try:
        content = read_file(path, RECORDING_BYTES)
    except TooLargeError as error:
        raise RecordingRefused(f"{path}: {error.strerror}", _SHORTER) from error
    except OSError as error:
        raise RecordingRefused(
            f"{path} cannot be read ({error.strerror})", "check the path and its permissions"
        ) from error
    if content[:4] not in _WAV:
        return _of_samples(path, content, *_decoded(path, content))
    try:
        if (seconds := _stated_s(content)) > LONGEST_S:
            raise _too_long(path, seconds)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)  # chunks of other programs
            warnings.filterwarnings("error", "Reached EOF")
            rate_hz, stored = wavfile.read(BytesIO(content))
    except (
        struct.error,
        ValueError,
        OSError,
        IndexError,
        KeyError,
        TypeError,
        ZeroDivisionError,
        UnboundLocalError,  # the reader's own, where a chunk that it needs is missing
        MemoryError,  # of a size that nothing can hold
        OverflowError,
        wavfile.WavFileWarning,
    ) as error:
        # what else is raised speaks of the reader's own doings
        told = str(error).strip() if isinstance(error, (ValueError, OSError, Warning)) else ""
        why = told or "a part of it is missing, or not as long as it says"
        raise RecordingRefused(f"{path} is no WAV file that can be read whole ({why})", _CURE) from error
    samples, step = _full_scale_one(np.atleast_2d(stored.T).T)
    return _of_samples(path, content, int(rate_hz), samples, "", step)


_WAV = (b"RIFF", b"RIFX", b"RF64")
_CURE = "save the recording as WAV, 16 or 24 bits PCM"
_SHORTER = f"cut it to the cutting, at most {LONGEST_S / 60:g} minutes, in mono or stereo"


def _stated_s(content: bytes) -> float:
    """Length that a WAV file states, in seconds, before any of it is decoded.

    Raises
    ------
    ValueError, struct.error
        It lacks a chunk, or its form is none that holds a level.
    """
    order = ">" if content[:4] == b"RIFX" else "<"
    at, bytes_per_s = 12, 0
    for _ in range(_MOST_CHUNKS):
        name, size = struct.unpack_from(f"{order}4sI", content, at)
        if name == b"fmt ":
            _, channels, rate_hz, _, block, bits = struct.unpack_from(f"{order}HHIIHH", content, at + 8)
            if not 1 <= channels <= _MOST_CHANNELS or not 1 <= bits <= 64 or block < channels:
                raise ValueError("its form of samples is none that is known")
            bytes_per_s = rate_hz * block
        elif name == b"data":
            if not bytes_per_s:
                raise ValueError("no fmt chunk before data")
            return (len(content) - at - 8 if content[:4] == b"RF64" else size) / bytes_per_s
        at += 8 + size + size % 2
    raise ValueError("it holds too many chunks")


def _decoded(path: Path, content: bytes) -> tuple[int, Array, str]:
    try:
        return decoded(content, LONGEST_S)
    except NoDecoderError as error:
        raise RecordingRefused(
            f"{path} is no WAV file, and what reads others is not installed",
            f'run pip install "wearscope[recordings]", or {_CURE}',
        ) from error
    except NoSoundError as error:
        raise RecordingRefused(
            f"{path} is no WAV file and no other recording that can be read ({error})", _CURE
        ) from error


def _of_samples(
    path: Path, content: bytes, rate_hz: int, samples: Array, codec: str, step: float = 0.0
) -> Recording:
    """Recording of samples that can give a level."""
    _require_usable(path, rate_hz, samples)
    sounding = samples[:, np.ptp(samples, axis=0) > 0]
    if not sounding.shape[1]:
        raise RecordingRefused(f"{path} is silent", "check the microphone and record again")
    if any(is_clipped(channel, step) for channel in sounding.T):
        raise RecordingRefused(
            f"{path} is clipped: its peaks are cut off", "lower the recording level and record again"
        )
    return Recording(path, sha256(content).hexdigest(), int(rate_hz), sounding, codec)


def _full_scale_one(stored: NDArray[Any]) -> tuple[Array, float]:
    """Samples with full scale 1, and the smallest step between two values."""
    if stored.dtype.kind == "f":
        return np.asarray(stored, dtype=float), 0.0
    if stored.dtype == np.uint8:
        return (np.asarray(stored, dtype=float) - 128) / 128, 1 / 128
    full = float(-int(np.iinfo(stored.dtype).min))
    values = np.asarray(stored, dtype=float) / full
    return values, 1 / full


def _require_usable(path: Path, rate_hz: int, samples: Array) -> None:
    if not np.isfinite(samples).all():
        raise RecordingRefused(
            f"{path} holds samples that are no numbers", "save it again as 16 or 24 bits PCM"
        )
    if rate_hz < LEAST_RATE_HZ:
        raise RecordingRefused(
            f"{path} has {rate_hz} samples per second",
            f"record with 44100, and no fewer than {LEAST_RATE_HZ}",
        )
    duration_s = len(samples) / rate_hz
    if duration_s < SHORTEST_S:
        raise RecordingRefused(
            f"{path} lasts {duration_s:.2g} s", f"record at least {SHORTEST_S:g} s of steady cutting"
        )
    if duration_s > LONGEST_S:
        raise _too_long(path, duration_s)


def _too_long(path: Path, duration_s: float) -> RecordingRefused:
    minutes, most = round(duration_s / 60), round(LONGEST_S / 60)
    # a compressed one was decoded no further than it takes to see that it is too long
    lasts = f"{minutes} minutes" if minutes > most else f"more than {most} minutes"
    return RecordingRefused(f"{path} lasts {lasts}", _SHORTER)


def is_clipped(samples: Array, step: float = 0.0) -> bool:
    """Whether peaks are cut off: at full scale, or flat below it.

    A wave dwells near its peak no more than just below: of a sine, the topmost thousandth holds as many samples
    as the next three. Where peaks are cut off, the topmost holds nearly all.

    Parameters
    ----------
    samples : ndarray, shape (N,)
        Full scale is 1.
    step : float
        Smallest step between two values, 0 for floating point.

    Returns
    -------
    bool
    """
    for side in (samples, -samples):
        peak = float(side.max())
        if np.count_nonzero(side >= 1 - max(1.5 * step, _TOP)) > 2:
            return True
        band = max(_PEAK_BAND * peak, step)
        top = np.count_nonzero(side > peak - 0.5 * band)
        next_below = np.count_nonzero(side > peak - 3.5 * band) - top
        if top >= _FEWEST_FLAT and top > 5 * next_below:
            return True
    return False
