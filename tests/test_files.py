"""Only regular files are read, and never more than a bound of them."""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path

import pytest

from wearscope.errors import PhotoRefused, TrialError
from wearscope.files import NotRegularError, TooLargeError, checksum_of, read_file
from wearscope.imaging.photo import read_photo
from wearscope.process.part_program import read_program
from wearscope.process.program_words import ProgramRefused
from wearscope.process.recording import RecordingRefused, read_recording
from wearscope.texts import is_utf8
from wearscope.trial import load_study, load_trial

ZERO = "/dev/zero"
posix = pytest.mark.skipif(sys.platform == "win32", reason="no such devices")


def test_a_file_is_read_up_to_its_bound(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"12345")
    assert read_file(path, 5) == b"12345"
    with pytest.raises(TooLargeError):
        read_file(path, 4)
    assert checksum_of(path) == hashlib.sha256(b"12345").hexdigest()
    assert checksum_of(path, 4) == checksum_of(tmp_path / "b") == ""
    with pytest.raises(IsADirectoryError):
        read_file(tmp_path, 5)


@posix
@pytest.mark.parametrize(
    ("read", "refusal"),
    [
        (read_photo, PhotoRefused),
        (read_recording, RecordingRefused),
        (read_program, ProgramRefused),
        (load_trial, TrialError),
        (load_study, TrialError),
    ],
)
def test_devices_and_pipes_are_refused_at_once(tmp_path, read, refusal):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(ZERO)
    for path in (tmp_path / "pipe", tmp_path / "link"):
        with pytest.raises(NotRegularError):
            read_file(path, 100)
        assert checksum_of(path) == ""
        with pytest.raises(refusal, match="a device or a pipe, no file"):
            read(path)


@pytest.mark.skipif(not Path("/proc/self/maps").exists(), reason="no such file system")
def test_a_file_that_says_it_is_empty_and_is_not():
    """The files of proc(5) have a size of 0."""
    with pytest.raises(TooLargeError):
        read_file(Path("/proc/self/maps"), 10)


def test_names_that_are_no_text():
    assert is_utf8("Wren µ 🪵")
    assert not is_utf8(os.fsdecode(b"caf\xe9") if sys.platform != "win32" else "\ud8e9")
