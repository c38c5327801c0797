"""Put plausible bugs into a copy of the program, one at a time, and see whether the tests notice.

    python tests/mutations/mutate.py                 all of edits.toml
    python tests/mutations/mutate.py limit horizon   those whose name holds one of these words
    python tests/mutations/mutate.py --check         only whether every edit still finds its place

Each edit of ``edits.toml`` names a bug, the files it may stand in, a regular expression for the code as it is (which
must match at just one place), what it becomes, and the tests that must fail. The code is moved about now and then: an
edit whose place is not found counts as a failure, and is to be aimed anew. Ends with 1 if fewer than nine in ten are
caught.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

ROOT = Path(__file__).parents[2]
EDITS = Path(__file__).parent / "edits.toml"
COPIED = ("wearscope", "plugins", "tests", "sample_images", "pyproject.toml", "README.md")
LEAST = 0.9  # of the edits, that tests must notice
SLOWEST_S = 900


@dataclass(frozen=True)
class Edit:
    """One plausible bug.

    Attributes
    ----------
    name : str
    files : str
        Glob, from the root of the project.
    old : str
        Regular expression; ``.`` and ``$`` as with MULTILINE.
    new : str
        Replacement, as of `re.sub`.
    tests : tuple of str
        Paths or node ids for pytest.
    """

    name: str
    files: str
    old: str
    new: str
    tests: tuple[str, ...]

    def places(self, root: Path) -> list[tuple[Path, str]]:
        """Files in which the code stands, with their text after the edit; one for each place."""
        found = []
        for path in sorted(root.glob(self.files)):
            text = path.read_text(encoding="utf-8")
            for match in re.finditer(self.old, text, re.MULTILINE):
                found.append((path, text[: match.start()] + match.expand(self.new) + text[match.end() :]))
        return found


def edits_in(path: Path) -> list[Edit]:
    """The list of edits; names may not repeat."""
    tables = tomllib.loads(path.read_text(encoding="utf-8"))["edit"]
    edits = [Edit(**{**table, "tests": tuple(table["tests"])}) for table in tables]
    assert len({edit.name for edit in edits}) == len(edits), "two edits of one name"
    return edits


def misaimed(edits: Sequence[Edit], root: Path) -> list[str]:
    """What is wrong with the edits' places, a line for each."""
    lines = []
    for edit in edits:
        places = edit.places(root)
        if len(places) != 1:
            lines.append(f"{edit.name}: {len(places)} places in {edit.files}; aim it anew")
        elif places[0][1] == places[0][0].read_text(encoding="utf-8"):
            lines.append(f"{edit.name}: changes nothing")
        lines += [
            f"{edit.name}: no {test}" for test in edit.tests if not (root / test.partition("::")[0]).exists()
        ]
    return lines


def copy_of_the_project(folder: Path) -> Path:
    """The working tree without what is built or fetched."""
    for name in COPIED:
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", ".*"))
        else:
            shutil.copy(ROOT / name, folder / name)
    return folder


def fails(root: Path, tests: Sequence[str]) -> bool:
    """Whether a test fails in a copy of the project; other trouble with pytest is an error."""
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join([str(root), str(root / "plugins")]),
        "PYTHONDONTWRITEBYTECODE": "1",
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
    try:
        done = subprocess.run(
            command, cwd=root, env=environment, capture_output=True, text=True, check=False, timeout=SLOWEST_S
        )
    except subprocess.TimeoutExpired:
        return True  # a bug that hangs does not pass
    if done.returncode not in (0, 1, 2):  # 2: a module cannot be imported any more
        raise RuntimeError(f"pytest ended with {done.returncode}:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    return done.returncode != 0


def caught(edit: Edit, root: Path) -> bool:
    """Whether the edit's tests notice it in a copy of the project, which is then as before."""
    ((path, text),) = edit.places(root)
    before = path.read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    try:
        return fails(root, edit.tests)
    finally:
        path.write_text(before, encoding="utf-8")


def run(edits: Sequence[Edit], jobs: int) -> float:
    """Share of the edits that are caught; says of each how it fared."""
    with tempfile.TemporaryDirectory() as folder:
        copies: SimpleQueue[Path] = SimpleQueue()
        for k in range(jobs):
            (Path(folder) / str(k)).mkdir()
            copies.put(copy_of_the_project(Path(folder) / str(k)))

        def tried(edit: Edit) -> bool:
            copy = copies.get()
            try:
                result = caught(edit, copy)
            finally:
                copies.put(copy)
            print(f"{'caught  ' if result else 'SURVIVED'}  {edit.name}", flush=True)
            return result

        every = sorted({test for edit in edits for test in edit.tests})
        if fails(Path(folder) / "0", every):
            sys.exit("the tests fail without any edit; mend them first")
        with ThreadPoolExecutor(jobs) as pool:
            results = list(pool.map(tried, edits))
    share = sum(results) / len(results)
    print(f"{sum(results)} of {len(results)} caught: {share:.0%}, at least {LEAST:.0%} must be")
    return share


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("words", nargs="*", help="only edits whose name holds one of them")
    parser.add_argument("--check", action="store_true", help="only look whether the edits find their places")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="at a time (default: %(default)s)")
    arguments = parser.parse_args()
    edits = [
        edit
        for edit in edits_in(EDITS)
        if not arguments.words or any(word in edit.name for word in arguments.words)
    ]
    if wrong := misaimed(edits, ROOT):
        sys.exit("\n".join(wrong))
    if not arguments.check:
        sys.exit(run(edits, arguments.jobs) < LEAST)


if __name__ == "__main__":
    main()
