"""Wear curves that are fitted once: by several processes where there are many, and kept for the next time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import fields
from functools import cache, partial
from hashlib import sha256
from pathlib import Path
from typing import cast

import numpy as np
import scipy

from wearscope import economics
from wearscope.economics.life import QUANTILES
from wearscope.economics.one_bit import N_GRID, Answer, Question, Solve, answer
from wearscope.economics.outcome import Band
from wearscope.economics.shapes import SHAPES, STEPS
from wearscope.errors import WearscopeError
from wearscope.files import read_file
from wearscope.log.export import make_folder, write_bytes
from wearscope.pipeline.calls import ByFlute, Call, Failure
from wearscope.pipeline.pool import Jobs, crew_for, work_off
from wearscope.trial import Trial
from wearscope.version import __version__

FOLDER_NAME = "kept-curves"
"""Folder in ``results/``; whoever deletes it waits longer the next time."""
WORTH_KEEPING = 4
"""Curves of a trial, from which on they are kept; fewer take a few seconds."""
MOST_FOR_A_BIT = 10
"""Curves that are kept, in the mean; of more the oldest go, which other rows or limits asked for."""
WORTH_SHARING = 8
"""Curves to be fitted, from which on several processes do it: these start in the time of two or three curves."""


def solver(trial: Trial, results: Path, jobs: Jobs = None) -> Solve:
    """Who fits the wear curves of a trial.

    An answer is kept under the checksum of its question and of the program that answered, so that whatever changes
    either has it answered anew. What is damaged counts as not kept.

    Parameters
    ----------
    trial : Trial
    results : Path
        The results folder.
    jobs : Jobs
        As of `crew_for`.

    Returns
    -------
    callable
    """
    return partial(_solve, trial, results / FOLDER_NAME, jobs)


def _solve(trial: Trial, folder: Path, jobs: Jobs, asked: Sequence[Question]) -> list[Answer]:
    if len(asked) < WORTH_KEEPING:
        return [answer(one) for one in asked]
    paths = [folder / f"{checksum_of(one)}.curve" for one in asked]
    kept = [_kept(path, one) for path, one in zip(paths, asked, strict=True)]
    missing = [at for at, one in enumerate(kept) if one is None]
    for number, found in _answered(trial, [asked[at] for at in missing], jobs):
        at = missing[number]
        kept[at] = found
        with suppress(WearscopeError):  # where it cannot be kept, the next run does without
            make_folder(folder)
            write_bytes(paths[at], _content(found))
    with suppress(OSError):
        others = sorted(set(folder.glob("*.curve")).difference(paths), key=lambda path: path.stat().st_mtime)
        for oldest in others[: max(0, len(others) + len(paths) - MOST_FOR_A_BIT * len(trial.bits))]:
            oldest.unlink()
    return [one for one in kept if one is not None]


def _answered(trial: Trial, asked: Sequence[Question], jobs: Jobs) -> Iterator[tuple[int, Answer]]:
    """Answers as they come, each with the number of its question: whoever is interrupted has kept those.

    By several processes; what one of them fails at is answered here, so that the failure is told.
    """
    if len(asked) < WORTH_SHARING:
        yield from enumerate(map(answer, asked))
        return
    photo = {each.bit: each for each in reversed(trial.photos)}
    calls = [Call(photo[one.bit], partial(answer, one), flute=at) for at, one in enumerate(asked)]
    left = dict(enumerate(asked))
    with crew_for(jobs, len(calls)) as crew, closing(work_off(crew, ByFlute(calls).next)) as answers:
        for call, came in answers:
            if not isinstance(came, Failure):
                at = cast(int, call.flute)
                del left[at]
                yield at, came
    for at, one in left.items():
        yield at, answer(one)


# --- Kept

_NAMES = [shape.name for shape in (*SHAPES, STEPS)]
_FLOAT = np.dtype("<f8")
_DIGEST = 32  # bytes


@cache
def _program() -> bytes:
    """Of the program that answers, and of what reckons for it."""
    sources = sorted(Path(next(iter(economics.__path__))).glob("*.py"))
    versions = (__version__, np.__version__, scipy.__version__)
    return sha256(repr(versions).encode() + b"".join(path.read_bytes() for path in sources)).digest()


def checksum_of(asked: Question) -> str:
    """SHA-256 of a question and of the program that answers it.

    Parameters
    ----------
    asked : Question

    Returns
    -------
    str
    """
    summed = sha256(_program())
    for of in (asked, asked.points):
        for field in fields(of):
            value = getattr(of, field.name)
            if value is asked.points:
                continue
            if isinstance(value, np.ndarray):
                summed.update(f"{field.name} {value.dtype.str} {value.shape}".encode() + value.tobytes())
            else:
                summed.update(f"{field.name} {value!r}".encode())
    return summed.hexdigest()


def _sizes(asked: Question) -> list[int]:
    lives, band = asked.n_draws if asked.limit else 0, len(QUANTILES) * N_GRID
    return [2 + len(_NAMES), lives, lives, band, band, asked.n_draws]


def _content(found: Answer) -> bytes:
    """All numbers of an answer in a row, and their SHA-256 before them."""
    bands = [
        np.concatenate([getattr(of, each.name) for each in fields(Band)]) for of in (found.worst, found.mean)
    ]
    numbers = [found.parts_cut, found.scatter, *(found.weights[name] for name in _NAMES)]
    rows = [np.array(numbers), found.worst_life, found.mean_life, *bands, found.next_seen]
    body = np.concatenate(rows).astype(_FLOAT).tobytes()
    return sha256(body).digest() + body


def _kept(path: Path, asked: Question) -> Answer | None:
    """An answer as it was kept; None where there is none, or it is not as it was written."""
    sizes = _sizes(asked)
    try:
        content = read_file(path, _DIGEST + _FLOAT.itemsize * sum(sizes))
    except OSError:
        return None
    body = content[_DIGEST:]
    if content[:_DIGEST] != sha256(body).digest() or len(body) != _FLOAT.itemsize * sum(sizes):
        return None
    found = np.frombuffer(body, _FLOAT).astype(float)
    numbers, worst_life, mean_life, worst, mean, next_seen = np.split(found, np.cumsum(sizes)[:-1])
    parts_cut, scatter, *weights = map(float, numbers)
    of_shape = dict(zip(_NAMES, weights, strict=True))
    bands = [Band(*each.reshape(-1, N_GRID)) for each in (worst, mean)]
    return Answer(parts_cut, scatter, of_shape, worst_life, mean_life, bands[0], bands[1], next_seen)
