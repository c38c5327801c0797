"""Put plausible bugs into a copy of the program, one at a time, and see whether the tests notice.

    python tests/mutations/mutate.py                 all of edits.toml
    python tests/mutations/mutate.py limit horizon   those whose name holds one of these words
    python tests/mutations/mutate.py --part 2/8      the second of eight parts of the list
    python tests/mutations/mutate.py --check         only whether every edit still finds its place

Each edit of ``edits.toml`` names a bug, the files it may stand in, a regular expression for the code as it is (which
must match at just one place), what it becomes, and the tests that must fail. The code is moved about now and then: an
edit whose place is not found counts as a failure, and is to be aimed anew. Only the tests that an edit names are run,
those of the edits asked for first without any edit. Tests of the viewer are left out, and said to be, where it is not
installed. Ends with 1 if fewer than nine in ten are caught.
"""

from __future__ import annotations

import argparse
import importlib
import multiprocessing
import os
import re
import shutil
import sys
import tempfile
import time
import tomllib
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
EDITS = Path(__file__).parent / "edits.toml"
COPIED = ("wearscope", "plugins", "tests", "sample_images", "pyproject.toml", "README.md", "docs")
LEAST = 0.9  # of the edits, that tests must notice
SLOWEST_S = 1800  # of one edit's tests, on a busy machine
FORK = multiprocessing.get_context("fork")
# What the program is built on, imported once; never the program itself, of which every edit has its own copy
PRELOADED = (
    "cv2", "matplotlib.figure", "pandas", "pydantic", "scipy.ndimage", "scipy.optimize", "scipy.signal",
    "scipy.stats", "sqlalchemy", "tifffile",
)  # fmt: skip


def _of_viewer(test: str) -> bool:
    return test.startswith("tests/viewer/")


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

    @property
    def of_viewer(self) -> bool:
        """Whether its tests need the viewer."""
        return any(map(_of_viewer, self.tests))

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


def part_of(edits: Sequence[Edit], said: str) -> list[Edit]:
    """The edits of one part, said as ``2/8``: all parts together are all edits, each in one of them."""
    number, parts = map(int, said.split("/"))
    if not 1 <= number <= parts:
        raise ValueError(f"there is no part {said}; give 1/{parts} to {parts}/{parts}")
    return list(edits[number - 1 :: parts])


def misaimed(edits: Sequence[Edit], root: Path) -> list[str]:
    """What is wrong with the edits' places, a line for each."""
    lines = []
    for edit in edits:
        places = edit.places(root)
        if len(places) != 1:
            lines.append(f"{edit.name}: {len(places)} places in {edit.files}; aim it anew")
        elif places[0][1] == places[0][0].read_text(encoding="utf-8"):
            lines.append(f"{edit.name}: changes nothing")
        else:
            compile(places[0][1], f"{places[0][0]}, {edit.name}", "exec")  # no bug that Python itself tells
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


def _marked(tests: Sequence[str]) -> list[str]:
    """What is named one by one is run whatever its marks; of whole files, what runs by default."""
    return ["-m", "not benchmark"] if all("::" in test for test in tests) else []


def _pytest(root: Path, tests: Sequence[str]) -> None:
    """Run tests on the copy in `root`, in this process, which ends with pytest's exit code."""
    os.chdir(root)
    output = os.open(root / "pytest.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(output, 1)
    os.dup2(output, 2)
    sys.path[:0] = [str(root), str(root / "plugins")]
    os.environ |= {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    code = 70
    try:
        windows = ["-p", "pytestqt.plugin"] if any(map(_of_viewer, tests)) else []
        code = int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", *windows, *_marked(tests), *tests]))
        import wearscope

        if not Path(wearscope.__file__ or "").is_relative_to(root):
            code = 71
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


@dataclass
class Attempt:
    """Tests that run on a copy of the project, in a process of their own.

    Attributes
    ----------
    edit : Edit or None
        None for the project as it is.
    root : Path
        The copy.
    """

    edit: Edit | None
    root: Path
    tests: tuple[str, ...]

    def __post_init__(self) -> None:
        self._before = None
        if self.edit is not None:
            ((path, text),) = self.edit.places(self.root)
            self._before = path, path.read_text(encoding="utf-8")
            path.write_text(text, encoding="utf-8")
        self._process = FORK.Process(target=_pytest, args=(self.root, self.tests))
        self._process.start()
        self._until = time.monotonic() + SLOWEST_S

    @property
    def over(self) -> bool:
        """Whether it has ended; a bug that hangs is ended here, and counts as noticed."""
        if time.monotonic() > self._until:
            self._process.kill()
        return not self._process.is_alive()

    def failed(self) -> bool:
        """Whether a test failed; the copy is then as before."""
        self._process.join()
        if self._before is not None:
            self._before[0].write_text(self._before[1], encoding="utf-8")
        code = self._process.exitcode
        if code not in (0, 1, -9):
            log = (self.root / "pytest.log").read_text(encoding="utf-8")
            raise RuntimeError(f"{self.edit and self.edit.name}: pytest ended with {code}\n{log[-2000:]}")
        return code != 0


def run(edits: Sequence[Edit], jobs: int) -> float:
    """Share of the edits that are caught; says of each how it fared."""
    for name in PRELOADED:
        importlib.import_module(name)
    with tempfile.TemporaryDirectory() as folder:
        free = []
        for k in range(jobs):
            (Path(folder) / str(k)).mkdir()
            free.append(copy_of_the_project(Path(folder) / str(k)))
        every = tuple(sorted({test for edit in edits for test in edit.tests}))
        if Attempt(None, free[0], every).failed():
            print((free[0] / "pytest.log").read_text()[-3000:])
            sys.exit("the tests fail without any edit; mend them first")
        waiting, running, results = list(edits), [], []
        while waiting or running:
            while waiting and free:
                edit = waiting.pop(0)
                running.append(Attempt(edit, free.pop(), edit.tests))
            for attempt in [attempt for attempt in running if attempt.over]:
                running.remove(attempt)
                free.append(attempt.root)
                results.append(attempt.failed())
                print(f"{'caught  ' if results[-1] else 'SURVIVED'}  {attempt.edit.name}", flush=True)
            time.sleep(0.05)
    share = sum(results) / len(results)
    print(f"{sum(results)} of {len(results)} caught: {share:.0%}, at least {LEAST:.0%} must be")
    return share


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("words", nargs="*", help="only edits whose name holds one of them")
    parser.add_argument("--part", default="1/1", help="which part of them, as 2/8 (default: all)")
    parser.add_argument("--check", action="store_true", help="only look whether the edits find their places")
    parser.add_argument(
        "--jobs", type=int, default=os.cpu_count() or 1, help="at a time (default: %(default)s)"
    )
    arguments = parser.parse_args()
    edits = [
        edit
        for edit in edits_in(EDITS)
        if not arguments.words or any(word in edit.name for word in arguments.words)
    ]
    if wrong := misaimed(edits, ROOT):
        sys.exit("\n".join(wrong))
    if not arguments.check:
        edits = part_of(edits, arguments.part)
        if find_spec("napari") is None:
            for edit in (edit for edit in edits if edit.of_viewer):
                print(f"not run   {edit.name}: the viewer is not installed", flush=True)
            edits = [edit for edit in edits if not edit.of_viewer]
        sys.exit(run(edits, arguments.jobs) < LEAST if edits else 0)


if __name__ == "__main__":
    main()
