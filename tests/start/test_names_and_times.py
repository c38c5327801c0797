"""What names and clocks tell of pictures, before one is looked at."""

from __future__ import annotations

import os
import struct
from datetime import datetime
from itertools import product

import pytest
from PIL import Image

from wearscope.start.names import Place, names_tell
from wearscope.start.taken import Taken, in_order, taken

EVERY = [Place(bit, flute, parts) for bit, flute, parts in product(("Wren", "A2"), (1, 2), (0, 150))]


@pytest.mark.parametrize(
    ("form", "pattern"),
    [
        ("{0}-{2:03d}-{1}.jpg", "{bit}-{parts}-{flute}.jpg"),
        ("photos/{0}/{2}/flute{1}.JPG", "photos/{bit}/{parts}/flute{flute}.jpg"),
        ("{2} parts {0} F{1}.png", "{parts} parts {bit} F{flute}.png"),
    ],
)
def test_names_of_one_form_tell_everything(form, pattern):
    files = [form.format(one.bit, one.flute, one.parts) for one in EVERY]
    named = names_tell(files)
    assert named.pattern == pattern
    assert list(named.places) == EVERY


@pytest.mark.parametrize(
    "files",
    [
        ["IMG_0001.JPG", "IMG_0002.JPG"],
        ["Wren-1-2.jpg", "Wren-2-1.jpg", "Plover-2-2.jpg"],  # either number may count flutes
        ["Wren-0-1.jpg", "Wren-00-1.jpg", "Plover-150-2.jpg"],  # one place twice
        ["Wren-0-1.jpg", "Plover-150-2-again.jpg"],
        ["Wren-0-1.jpg"],
    ],
    ids=["a camera's", "ambiguous", "twice", "two forms", "one"],
)
def test_names_that_leave_anything_open_tell_nothing(files):
    assert names_tell(files) is None


def exif_of(when, order):
    """An EXIF block by hand, as EXIF 2.32 lays it out: IFD 0 with the pointer, the Exif IFD, the text."""
    text = when.encode() + b"\0"
    mark = b"II*\0" if order == "<" else b"MM\0*"
    zeroth = struct.pack(order + "HHHII", 1, 0x8769, 4, 1, 26) + struct.pack(order + "I", 0)
    inner = struct.pack(order + "HHHII", 1, 0x9003, 2, len(text), 44) + struct.pack(order + "I", 0)
    return mark + struct.pack(order + "I", 8) + zeroth + inner + text


@pytest.mark.parametrize("order", ["<", ">"])
def test_the_cameras_clock_is_read(tmp_path, order):
    path = tmp_path / "a.jpg"
    Image.new("RGB", (70, 70)).save(path, exif=b"Exif\0\0" + exif_of("2026:03:02 09:07:31", order))
    assert taken(path) == Taken(datetime(2026, 3, 2, 9, 7, 31), True)


@pytest.mark.parametrize("content", [b"no picture", None], ids=["no picture", "no clock"])
def test_without_a_clock_the_files_date_is_taken(tmp_path, content):
    path = tmp_path / "a.jpg"
    if content is None:
        Image.new("RGB", (70, 70)).save(path)
    else:
        path.write_bytes(content)
    os.utime(path, (1_700_000_000, 1_700_000_000))
    assert taken(path) == Taken(datetime.fromtimestamp(1_700_000_000), False)


def at(minute, by_camera=True):
    return Taken(datetime(2026, 3, 2, 9, minute), by_camera)


def test_the_clock_goes_before_the_counter_which_begins_again_at_1():
    assert in_order(["IMG_9999.JPG", "IMG_0001.JPG"], [at(1), at(2)]) == ([0, 1], "clock")


def test_the_counter_goes_before_the_files_dates_which_copying_changes():
    assert in_order(["IMG_10.JPG", "IMG_9.JPG"], [at(1, False), at(2, False)]) == ([1, 0], "counter")


def test_one_picture_without_a_clock_leaves_the_counter():
    assert in_order(["IMG_2.JPG", "IMG_1.JPG"], [at(1), at(2, False)]) == ([1, 0], "counter")


def test_names_without_a_counter_leave_the_files_dates():
    assert in_order(["b.jpg", "a.jpg", "c.jpg"], [at(1, False), at(2, False), at(2, False)]) == (
        [0, 1, 2],
        "file date",
    )
