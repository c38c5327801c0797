"""A few cases of every kind each time; `fuzz.py` runs as many as there is time for."""

from __future__ import annotations

import os
import time

import fuzz
import pytest
import seeds
from seldom import seldom


@pytest.mark.statistics
@pytest.mark.parametrize("kind", list(seeds.KINDS))
def test_the_whole_files_are_read(kind, tmp_path):
    """Cases of files that are refused anyway prove little."""
    whole = seeds.KINDS[kind].files()
    assert sum(refusal_of(kind, content, tmp_path) is None for content in whole) >= len(whole) - 1


def refusal_of(kind, content, folder):
    try:
        seeds.KINDS[kind].read(content, folder)
    except fuzz.WearscopeError as error:
        return error
    return None


SLOW = ("log", "recording", "encoded")
FEW = {kind: range(3 if kind in SLOW else 8) for kind in seeds.KINDS}
MORE = {kind: range(FEW[kind].stop, 8 if kind in SLOW else 25) for kind in seeds.KINDS}


@pytest.mark.parametrize(
    ("kind", "cases"), [*FEW.items(), *(seldom(*more) for more in MORE.items())], ids=str
)
def test_a_few_cases_of_every_kind(kind, cases, tmp_path):
    for case in cases:
        assert fuzz.outcome(kind, fuzz.content_of(kind, 3, case), tmp_path) == "", f"--seed 3 --only {case}"


@pytest.mark.parametrize(("kind", "seed", "case"), fuzz.KEPT)
def test_what_was_found_once(kind, seed, case):
    assert list(fuzz.findings(kind, seed, [case])) == []


def test_a_case_is_the_same_every_time():
    assert fuzz.content_of("trial", 1, 5) == fuzz.content_of("trial", 1, 5) != fuzz.content_of("trial", 2, 5)


def crash(content, folder):
    raise RuntimeError("no such\nluck")


def die(content, folder):
    os._exit(3)


def hang(content, folder):
    while True:
        pass


def wait(content, folder):
    time.sleep(60)


def slow_by_the_clock_alone(content, folder):
    time.sleep(0.6)


def swell(content, folder):
    bytearray(b"x" * 80_000_000)


@pytest.mark.parametrize(
    ("read", "says"),
    [(crash, "RuntimeError"), (die, "ends the process"), (hang, "processor"), (wait, "hangs"), (swell, "MB")],
)
def test_it_notices(monkeypatch, read, says):
    monkeypatch.setattr(fuzz, "LONGEST_S", 0.3 if read is hang else 10.0)
    monkeypatch.setattr(fuzz, "LONGEST_WAIT_S", 0.3 if read is wait else 120.0)
    monkeypatch.setattr(fuzz, "MOST_MEMORY_KB", 50_000)
    monkeypatch.setitem(seeds.KINDS, "program", seeds.Kind(seeds.KINDS["program"].files, (b"G1",), read))
    found = list(fuzz.findings("program", 1, [4, 7]))
    assert [one.case for one in found][:1] == [4]
    assert says in found[0].what
    assert len(found) == (1 if read is swell else 2), "it goes on with the next case"


def test_a_busy_machine_is_no_hang(monkeypatch):
    monkeypatch.setattr(fuzz, "LONGEST_S", 0.3)
    kind = seeds.Kind(seeds.KINDS["program"].files, (b"G1",), slow_by_the_clock_alone)
    monkeypatch.setitem(seeds.KINDS, "program", kind)
    assert list(fuzz.findings("program", 1, [4])) == []
