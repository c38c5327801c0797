"""HEIC pictures, written by pillow-heif and held against the pixels that went in."""

from __future__ import annotations

import sys
from datetime import datetime

import numpy as np
import pytest
from PIL import Image

from wearscope.errors import PhotoRefused
from wearscope.imaging.photo import read_photo
from wearscope.start.taken import DATE_TIME_ORIGINAL, EXIF_IFD, taken

heif = pytest.importorskip("pillow_heif")

# Four fields, so that no turning or mirroring can hide; lossless but for the change of colour space
FIELDS = np.zeros((80, 120, 3), np.uint8)
FIELDS[:40, :60], FIELDS[40:, :60], FIELDS[40:, 60:] = (200, 30, 30), (20, 180, 60), (90, 90, 220)

# EXIF 2.32, 4.6.4: which way the stored picture is to be turned
TURNS = {1: lambda a: a, 3: lambda a: a[::-1, ::-1], 6: lambda a: np.rot90(a, -1), 8: np.rot90}


@pytest.mark.parametrize("orientation", TURNS)
def test_it_is_read_upright(tmp_path, orientation):
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif.get_ifd(EXIF_IFD)[DATE_TIME_ORIGINAL] = "2026:03:02 09:07:31"
    picture = heif.from_pillow(Image.fromarray(FIELDS))
    picture.info["exif"] = exif.tobytes()
    path = tmp_path / "IMG_0001.HEIC"
    picture.save(path, quality=-1)
    photo = read_photo(path)
    assert photo.full_scale == 255
    difference = photo.pixels.astype(int) - TURNS[orientation](FIELDS)
    assert np.abs(difference).max() <= 2
    assert taken(path).at == datetime(2026, 3, 2, 9, 7, 31)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.95])
def test_what_is_cut_off_is_refused(tmp_path, share):
    path = tmp_path / "a.heic"
    heif.from_pillow(Image.fromarray(FIELDS)).save(path, quality=-1)
    content = path.read_bytes()
    path.write_bytes(content[: int(share * len(content))])
    with pytest.raises(PhotoRefused, match=r"a\.heic: the HEIC picture is damaged"):
        read_photo(path)


def test_without_what_reads_it_the_message_says_what_to_install(tmp_path, monkeypatch):
    path = tmp_path / "a.heic"
    heif.from_pillow(Image.fromarray(FIELDS)).save(path)
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(PhotoRefused, match=r"pip install 'wearscope\[heic\]', or save it as JPEG or PNG"):
        read_photo(path)
    assert not taken(path).by_camera
