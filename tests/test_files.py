"""Only regular files are read, and never more than a bound of them."""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path

import pytest

from wearscope.cli.common import CommandLineError, require_file
from wearscope.errors import LogError, PhotoRefused, TrialError
from wearscope.files import TRIAL_BYTES, NotRegularError, TooLargeError, checksum_of, read_file
from wearscope.imaging.photo import read_photo
from wearscope.log.place import LogFile
from wearscope.log.upkeep import examine
from wearscope.log.wear_log import WearLog
from wearscope.log.where import log_place
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


@posix
@pytest.mark.parametrize("kind", ["device", "folder", "nowhere", "circle"])
def test_what_stands_in_the_place_of_a_file_is_told_and_no_file_like_it(tmp_path, kind):
    """It was said not to be there, and that it itself may be what was meant; of a log, that the disk is full."""

    def put(name):
        path = tmp_path / name
        match kind:
            case "device":
                path.symlink_to(ZERO)
            case "folder":
                path.mkdir()
            case "nowhere":
                path.symlink_to("taken/away")
            case "circle":
                path.symlink_to(name)
        return path

    told = {
        "device": "is a device or a pipe, no file",
        "folder": "is a folder",
        "nowhere": "is a link to taken/away, which is not there",
        "circle": "is a link that leads back to itself",
    }[kind]
    log = put("wear-log.sqlite")
    for use in (
        lambda: WearLog(log).__enter__(),
        lambda: WearLog(log).current(),
        lambda: examine(LogFile(log)),
    ):
        with pytest.raises(LogError, match=rf"wear-log\.sqlite {told}; put back what was there"):
            use()
    trial = tmp_path / "trial.toml"
    trial.write_text(
        '[trial]\nname = "T"\n[[scale]]\nname = "s"\num_per_px = 4\nu_um_per_px = 0.1\n'
        '[[bit]]\nname = "A"\ncoating = "none"\n[[photo]]\nbit = "A"\nflute = 1\nparts = 0\nfile = "new.jpg"\n'
    )
    put("new.jpg")
    with pytest.raises(TrialError, match=rf'line 14: photo.file is "new.jpg", which {told} .*; name a file'):
        load_trial(trial)
    if kind != "folder":
        with pytest.raises(TrialError, match=rf"other.toml: {told}; name the trial file itself"):
            load_trial(put("other.toml"))
    with pytest.raises(CommandLineError, match=rf"graticule.jpg {told}; name a file"):
        require_file(put("graticule.jpg"))


@posix
def test_a_link_to_the_address_of_a_log_is_followed_or_refused(tmp_path):
    """Numbers would go into a new log beside it where what it leads to is not there today."""
    (tmp_path / "wear-log.address").symlink_to("share/wear-log.address")
    with pytest.raises(LogError, match=r"wear-log\.address cannot be read"):
        log_place(tmp_path)


def test_a_file_too_large_for_a_trial_file_is_not_blamed_on_permissions(tmp_path):
    path = tmp_path / "photo.toml"
    with path.open("wb") as file:
        file.truncate(TRIAL_BYTES + 1)
    with pytest.raises(TrialError, match=r"holds more than 16 MB\); name the trial file itself"):
        load_trial(path)
