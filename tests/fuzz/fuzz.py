"""Hand damaged and hostile files to everything that reads files, and see that each is read or refused.

    python tests/fuzz/fuzz.py                              1000 cases of every kind
    python tests/fuzz/fuzz.py --cases 20000 --seed 7       more, and others
    python tests/fuzz/fuzz.py photo log                    these kinds alone
    python tests/fuzz/fuzz.py photo --only 4711 --keep .   one case once more, its file kept

Cases are made of files of this project by changing, dropping and doubling parts of them; which, follows from the seed,
the kind and the number of the case alone. They run in a process that is given up after 10 s of processor time for one
case, which no busy machine makes longer, or when it waits for two minutes. Reported is
whatever is neither an answer nor one of wearscope's own refusals, a hang, more than 1.5 GB, and a wear log that gives
other rows than were written. Ends with 1 if there is anything. What was found once stands in ``KEPT`` and is tried
every time.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "support"), str(Path(__file__).parent)]

import seeds  # noqa: E402

from wearscope.errors import WearscopeError  # noqa: E402

LONGEST_S = 10.0
"""Of processor time, for one case."""
LONGEST_WAIT_S = 120.0
"""By the clock, for one that does nothing."""
MOST_MEMORY_KB = 1_500_000
FORK = multiprocessing.get_context("fork")

KEPT: tuple[tuple[str, int, int], ...] = (
    ("photo", 11, 923),
    ("photo", 21, 4283),
    ("encoded", 21, 803),
    ("encoded", 31, 3152),
    ("encoded", 32, 10504),
    ("study", 32, 5646),
)
"""Kind, seed and number of cases that once failed."""


@dataclass(frozen=True)
class Finding:
    """What a case came to that it must not.

    Attributes
    ----------
    kind : str
    case : int
    what : str
        In one line.
    """

    kind: str
    case: int
    what: str


def content_of(kind: str, seed: int, case: int) -> bytes:
    """File of a case.

    Parameters
    ----------
    kind : str
    seed, case : int

    Returns
    -------
    bytes
    """
    draw = random.Random(f"{seed}/{kind}/{case}")
    whole = seeds.KINDS[kind].files()
    content = bytearray(draw.choice(whole))
    for _ in range(draw.choice((1, 1, 2, 4, 8))):
        _CHANGES[draw.randrange(len(_CHANGES))](draw, content, whole, seeds.KINDS[kind].words)
    return bytes(content)


def _place(draw: random.Random, content: bytearray) -> int:
    """A place, more often than not near one of the ends, where formats keep what they say of themselves."""
    reach = draw.choice((64, 512, len(content), len(content)))
    at = draw.randrange(min(reach, len(content)) or 1)
    return at if draw.random() < 0.7 else max(len(content) - 1 - at, 0)


_EDGES = (0, 1, 0x7F, 0x80, 0xFF)


def _change(
    draw: random.Random, content: bytearray, _whole: Sequence[bytes], _words: Sequence[bytes]
) -> None:
    if content:
        content[_place(draw, content)] = draw.choice((*_EDGES, draw.randrange(256), draw.randrange(256)))


def _number(
    draw: random.Random, content: bytearray, _whole: Sequence[bytes], _words: Sequence[bytes]
) -> None:
    """A number of two, four or eight bytes becomes a large, a small or a negative one."""
    width = draw.choice((2, 4, 8))
    value = draw.choice((0, 1, 2**31 - 1, 2**31, 2**32 - 1, 2**63, 2**64 - 1, 65535, draw.randrange(2**20)))
    at = _place(draw, content)
    content[at : at + width] = (value % 256**width).to_bytes(width, draw.choice(("little", "big")))


def _drop(draw: random.Random, content: bytearray, _whole: Sequence[bytes], _words: Sequence[bytes]) -> None:
    at = _place(draw, content)
    del content[at : at + draw.choice((1, 4, 64, 4096))]


def _double(
    draw: random.Random, content: bytearray, _whole: Sequence[bytes], _words: Sequence[bytes]
) -> None:
    at, length = _place(draw, content), draw.choice((1, 4, 12, 256))
    content[at:at] = content[at : at + length] * draw.choice((1, 1, 20))


def _cut(draw: random.Random, content: bytearray, _whole: Sequence[bytes], _words: Sequence[bytes]) -> None:
    if draw.random() < 0.3:
        del content[_place(draw, content) :]


def _join(draw: random.Random, content: bytearray, whole: Sequence[bytes], _words: Sequence[bytes]) -> None:
    other = draw.choice(whole)
    at, there = _place(draw, content), draw.randrange(len(other))
    content[at : at + 256] = other[there : there + 256]


def _word(draw: random.Random, content: bytearray, _whole: Sequence[bytes], words: Sequence[bytes]) -> None:
    """A word of the format, put in or in place of what is there."""
    at, word = _place(draw, content), draw.choice(words)
    content[at : at + draw.choice((0, len(word)))] = word


_CHANGES: tuple[Callable[[random.Random, bytearray, Sequence[bytes], Sequence[bytes]], None], ...] = (
    _change, _change, _number, _number, _drop, _double, _cut, _join, _word, _word,
)  # fmt: skip


def outcome(kind: str, content: bytes, folder: Path) -> str:
    """What reading a file comes to.

    Parameters
    ----------
    kind : str
    content : bytes
    folder : Path
        Where it may be written.

    Returns
    -------
    str
        Empty if it was read or refused, as it must be.
    """
    try:
        seeds.KINDS[kind].read(content, folder)
    except WearscopeError as refusal:
        said = str(refusal)
        return "" if said else "a refusal that says nothing"
    except BaseException as error:
        frames = traceback.extract_tb(error.__traceback__)
        own = next((one for one in reversed(frames) if "wearscope" in one.filename), frames[-1])
        where = f"{Path(own.filename).name}, line {own.lineno}"
        return f"{type(error).__name__} ({where}): {' '.join(str(error).split())[:120]}"
    return ""


# --- Many cases in one process, given up if one takes too long


def _peak_kb() -> int:
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def _serve(kind: str, seed: int, cases: Sequence[int], at, found, folder: str) -> None:
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # what libraries say of damaged files
    before = _peak_kb()
    for place, case in enumerate(cases):
        at[0], at[1] = place, time.monotonic()
        signal.setitimer(signal.ITIMER_PROF, LONGEST_S)  # its signal ends the process, whatever it is at
        what = outcome(kind, content_of(kind, seed, case), Path(folder))
        if _peak_kb() - before > MOST_MEMORY_KB:
            what, before = f"{(_peak_kb() - before) // 1000} MB", _peak_kb()
        if what:
            found.send((case, what))
    at[0] = len(cases)


def findings(kind: str, seed: int, cases: Sequence[int]) -> Iterator[Finding]:
    """Run cases of a kind.

    Parameters
    ----------
    kind : str
    seed : int
    cases : sequence of int

    Yields
    ------
    Finding
    """
    seeds.KINDS[kind].files()  # made once, for all processes
    while cases:
        at = FORK.Array("d", [0, time.monotonic()], lock=False)
        ours, theirs = FORK.Pipe(duplex=False)
        with tempfile.TemporaryDirectory() as folder:
            child = FORK.Process(target=_serve, args=(kind, seed, cases, at, theirs, folder))
            child.start()
            theirs.close()
            late = False
            while child.is_alive() and not late:
                child.join(0.05)
                late = time.monotonic() - at[1] > LONGEST_WAIT_S
                while ours.poll():
                    try:
                        yield Finding(kind, *ours.recv())
                    except EOFError:
                        break
            if late:
                child.kill()
            child.join()
        done = int(at[0])
        if done < len(cases):
            hangs = late or child.exitcode == -signal.SIGPROF
            longest = f"{LONGEST_WAIT_S:g} s" if late else f"{LONGEST_S:g} s of processor time"
            why = f"hangs for more than {longest}" if hangs else f"ends the process ({child.exitcode})"
            yield Finding(kind, cases[done], why)
        cases = cases[done + 1 :]


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("kinds", nargs="*", choices=[[], *seeds.KINDS], help="by default all")
    parser.add_argument("--cases", type=int, default=1000, help="of each kind (default: %(default)s)")
    parser.add_argument("--seed", type=int, default=1, help="(default: %(default)s)")
    parser.add_argument("--only", type=int, help="the number of one case")
    parser.add_argument("--keep", type=Path, help="a folder for the files of cases that fail")
    given = parser.parse_args()
    seen: Counter[str] = Counter()
    for kind in given.kinds or seeds.KINDS:
        began = time.monotonic()
        cases = range(given.cases) if given.only is None else [given.only]
        kept = [(old, number) for of, old, number in KEPT if of == kind and given.only is None]
        tried = [(given.seed, cases), *((old, [number]) for old, number in kept)]
        n_found = 0
        for seed, numbers in tried:
            for one in findings(kind, seed, numbers):
                n_found += 1
                seen[f"{kind}: {one.what[:60]}"] += 1
                if seen[f"{kind}: {one.what[:60]}"] <= 5:
                    print(f"{kind} --seed {seed} --only {one.case}: {one.what}", flush=True)
                if given.keep:
                    (given.keep / f"{kind}-{seed}-{one.case}").write_bytes(content_of(kind, seed, one.case))
        print(f"{kind}: {len(cases)} cases, {n_found} findings, {time.monotonic() - began:.0f} s", flush=True)
    sys.exit(bool(seen))


if __name__ == "__main__":
    main()
