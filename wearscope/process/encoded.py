"""Recordings as phones and recorders save them: everything but WAV, through a library that is an extra of its own."""

from __future__ import annotations

import re
from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray

_MOST_CHANNELS = 8

LOSSLESS = frozenset({"flac", "alac", "wavpack", "ape"})
"""Codecs that keep every sample; PCM is too."""


class NoDecoderError(Exception):
    """The library that reads such recordings is not installed."""


class NoSoundError(Exception):
    """The content is no recording that can be decoded."""


_KINDS = (
    (rb"....ftyp", "mp4"),
    (rb"ID3|\xff[\xe2-\xe7\xf2-\xf7\xfa-\xff]", "mp3"),
    (rb"\xff[\xf0\xf1\xf8\xf9]", "aac"),
    (rb"OggS", "ogg"),
    (rb"fLaC", "flac"),
    (rb"\x1aE\xdf\xa3", "matroska"),
    (rb"caff", "caf"),
    (rb"FORM....AIF", "aiff"),
    (rb"#!AMR", "amr"),
)
"""First bytes of recordings, and what the library calls these.

Left to guess, it also takes lists of other files for recordings, and opens these, wherever they are.
"""


def decoded(content: bytes, longest_s: float) -> tuple[int, NDArray[np.float64], str]:
    """Decode a recording.

    Parameters
    ----------
    content : bytes
        Of its file.
    longest_s : float
        Where decoding stops, in seconds; what comes out is then longer than that.

    Returns
    -------
    rate_hz : int
    samples : ndarray, shape (N, C)
        Full scale is 1.
    codec : str
        Name of the codec, empty if it loses nothing.

    Raises
    ------
    NoDecoderError, NoSoundError
    """
    try:
        import av
        from av.error import FFmpegError
    except ImportError as error:
        raise NoDecoderError from error
    kind = next((kind for start, kind in _KINDS if re.match(start, content, re.DOTALL)), None)
    if kind is None:
        raise NoSoundError("its first bytes are those of no recording")
    try:
        with av.open(BytesIO(content), "r", format=kind) as container:
            if not container.streams.audio:
                raise NoSoundError("it holds no sound")
            stream = container.streams.audio[0]
            if stream.codec_context is None:
                raise NoSoundError("its sound is of a kind that nothing here decodes")
            rate_hz, codec = int(stream.rate), str(stream.codec_context.name)
            frames, n_left = [], longest_s * rate_hz
            for frame in container.decode(stream):
                frames.append(_samples(frame))
                n_left -= len(frames[-1])
                if n_left < 0 or frames[-1].shape[1] > _MOST_CHANNELS:
                    break
            samples = (
                np.concatenate(frames) if frames else None
            )  # not of one form, where a damaged file changes it
    except (FFmpegError, ValueError, EOFError) as error:
        raise NoSoundError(getattr(error, "strerror", None) or str(error)) from error
    if samples is None:
        raise NoSoundError("it holds no sound")
    lossless = codec in LOSSLESS or codec.startswith("pcm")
    return rate_hz, samples, "" if lossless else codec


def _samples(frame: Any) -> NDArray[np.float64]:  # noqa: ANN401 - a frame of a library that may not be there
    """Samples of a frame, shape (N, C), full scale 1."""
    stored: NDArray[Any] = frame.to_ndarray()
    channels = len(frame.layout.channels)
    columns = stored.T if frame.format.is_planar else stored.reshape(-1, channels)
    values = np.asarray(columns, dtype=float)
    if stored.dtype.kind == "f":
        return values
    if stored.dtype == np.uint8:
        return (values - 128) / 128
    return values / -float(np.iinfo(stored.dtype).min)
