"""Files that promise more than they hold, or no end: refused before anything is decoded."""

from __future__ import annotations

import io
import re
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from wearscope.errors import PhotoRefused
from wearscope.imaging.formats.jpeg import MAX_SCANS
from wearscope.imaging.formats.tiff_directories import MAX_PAGES, check_directories
from wearscope.imaging.photo import photo_of

RNG = np.random.default_rng(3)
GREY = RNG.integers(0, 255, (80, 96), dtype=np.uint8)


def refused(content: bytes) -> str:
    with pytest.raises(PhotoRefused) as refusal:
        photo_of(Path("case"), bytes(content))
    return refusal.value.code


def tiff(data: bytes, *, width=100, length=100, tags=(), following=0, at=8) -> bytes:
    """A TIFF of one strip, by hand, as TIFF 6.0 lays it out."""
    usual = {
        256: (4, width),
        257: (4, length),
        258: (3, 8),
        259: (3, 1),
        262: (3, 1),
        277: (3, 1),
        278: (4, length),
    }
    usual |= {273: (4, 0), 279: (4, len(data))} | dict(tags)
    offset = at + 2 + 12 * len(usual) + 4
    if 273 not in dict(tags):
        usual[273] = (4, offset)
    entries = b"".join(
        struct.pack("<HHII", tag, kind, 1, value) for tag, (kind, value) in sorted(usual.items())
    )
    return b"II*\0" + struct.pack("<IH", at, len(usual)) + entries + struct.pack("<I", following) + data


def test_the_plain_one_is_read():
    photo = photo_of(Path("case"), tiff(GREY.tobytes(), width=96, length=80))
    np.testing.assert_array_equal(photo.pixels[:, :, 0], GREY)


def test_directories_that_go_round():
    content = GREY.tobytes()
    assert refused(tiff(content, width=96, length=80, following=8)) == "file-damaged"
    assert refused(tiff(content, width=96, length=80, tags={330: (4, 8)})) == "file-damaged"


@pytest.mark.parametrize(
    "tags",
    [
        {278: (4, 1), 257: (4, 10_000_000), 256: (4, 1)},  # strips
        {322: (4, 1), 323: (4, 1), 256: (4, 10_000), 257: (4, 10_000)},  # tiles
        {322: (4, 100_000), 323: (4, 100_000)},  # in one tile
        {277: (3, 30_000)},
        {258: (3, 30_000)},
        {32997: (4, 1 << 30)},
        {256: (4, 40_000), 257: (4, 40_000)},
    ],
    ids=str,
)
def test_more_than_a_photo_holds(tags):
    assert refused(tiff(bytes(10_000), tags=tags)) in ("file-damaged", "picture-too-large")


def test_too_many_pictures_in_a_file():
    content = io.BytesIO()
    tifffile.imwrite(
        content, np.zeros((MAX_PAGES + 1, 1, 1), np.uint8), photometric="minisblack", metadata=None
    )
    assert refused(content.getvalue()) == "file-damaged"


@pytest.mark.parametrize(
    "xml",
    [
        '<OME><Image><Pixels SizeZ="100000" SizeC="100000" SizeT="100000"/></Image></OME>',
        '<OME><Image><Pixels><TiffData PlaneCount="999999999"/></Pixels></Image></OME>',
        '<!DOCTYPE a [<!ENTITY b "bb">]><OME>&b;</OME>',
        '<OME><ModuloAlongZ Start="0" End="1e12"/></OME>',
    ],
)
def test_what_a_file_says_of_itself_in_xml_is_bounded_too(xml):
    content = io.BytesIO()
    tifffile.imwrite(content, GREY, description=xml, metadata=None)
    assert refused(content.getvalue()) == "file-damaged"


CHILD = """
import resource, sys
sys.modules["imagecodecs"] = None
from pathlib import Path
from wearscope.errors import PhotoRefused
from wearscope.imaging.photo import photo_of
content = Path(sys.argv[1]).read_bytes()
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    photo_of(Path("case"), content)
except PhotoRefused as refusal:
    print(refusal.code, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1000)
"""


@pytest.mark.statistics  # a process of its own, without the package of codecs
def test_a_strip_that_unpacks_to_more_than_it_says(tmp_path):
    packing = zlib.compressobj(9)
    data = b"".join(packing.compress(bytes(1 << 24)) for _ in range(16)) + packing.flush()
    path = tmp_path / "bomb.tif"
    path.write_bytes(tiff(data, tags={259: (3, 8)}))
    out = subprocess.run(
        [sys.executable, "-c", CHILD, path], capture_output=True, text=True, check=True
    ).stdout
    code, megabytes = out.split()
    assert code == "file-damaged"
    assert int(megabytes) < 60, "of 268 that the strip holds"


def test_a_strip_that_unpacks_to_a_little_more_is_refused_and_one_that_does_not_is_read():
    for extra in (0, 9):
        content = tiff(zlib.compress(GREY.tobytes() + bytes(extra)), width=96, length=80, tags={259: (3, 8)})
        if extra:
            with pytest.raises(PhotoRefused):
                check_directories(Path("case"), content)  # what unpacks it may notice, too, or may not
        else:
            np.testing.assert_array_equal(photo_of(Path("case"), content).pixels[:, :, 0], GREY)


def test_scans_without_end():
    """ITU-T T.81 (1992), B.2.3, bounds no number of scans."""
    progressive = cv2.imencode(".jpg", GREY, [cv2.IMWRITE_JPEG_PROGRESSIVE, 1])[1].tobytes()
    last = progressive.rindex(b"\xff\xda")
    scan = progressive[last:-2]
    photo_of(Path("case"), progressive)
    assert refused(progressive[:last] + scan * (MAX_SCANS + 1) + b"\xff\xd9") == "file-damaged"


@pytest.mark.parametrize("step", [b"\xff\xfe\0\2", b"\xff"], ids=["segments", "fill bytes"])
def test_segments_without_end(step):
    whole = cv2.imencode(".jpg", GREY)[1].tobytes()
    assert refused(whole[:2] + step * 100_000 + whole[2:]) == "file-damaged"


def test_chunks_without_end():
    png = cv2.imencode(".png", GREY)[1].tobytes()
    empty = struct.pack(">I", 0) + b"teXt" + struct.pack(">I", zlib.crc32(b"teXt"))
    assert refused(png[:33] + empty * 100_000 + png[33:]) == "file-damaged"
    webp = cv2.imencode(".webp", cv2.merge([GREY] * 3))[1].tobytes() + (b"JUNK" + bytes(4)) * 100_000
    assert refused(webp) == "file-damaged"


@pytest.mark.parametrize("quality", [80, 101])  # VP8 and VP8L
def test_a_webp_states_its_size_before_it_is_decoded(quality):
    picture = RNG.integers(0, 255, (80, 96, 3), dtype=np.uint8)
    content = bytearray(cv2.imencode(".webp", picture, [cv2.IMWRITE_WEBP_QUALITY, quality])[1].tobytes())
    photo_of(Path("case"), bytes(content))
    if quality == 80:
        content[26:30] = struct.pack("<HH", 16383, 16383)
    else:
        content[21:25] = (16382 | 16382 << 14).to_bytes(4, "little")
    assert refused(content) == "picture-too-large"


def test_sixteen_bits_take_twice_the_memory():
    """What fits at 8 bits does not at 16: 150 megapixels in colour are 450 and 900 MB."""
    for depth, too_large in ((8, False), (16, True)):
        head = struct.pack(">II5B", 15_000, 10_000, depth, 2, 0, 0, 0)
        chunks = [(b"IHDR", head), (b"IDAT", b""), (b"IEND", b"")]
        body = b"".join(
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
            for kind, data in chunks
        )
        code = refused(b"\x89PNG\r\n\x1a\n" + body)
        assert (code == "picture-too-large") == too_large


def test_restart_markers_that_are_lost_or_changed_are_noticed(tmp_path):
    """Decoders go on behind them, and put what follows at another place of the picture."""
    whole = cv2.imencode(".jpg", GREY, [cv2.IMWRITE_JPEG_RST_INTERVAL, 1])[1].tobytes()
    path = tmp_path / "photo.jpg"
    assert photo_of(path, whole).pixels.shape[:2] == GREY.shape[:2]
    scan = whole.index(b"\xff\xda")
    marks = [scan + found.start() for found in re.finditer(rb"\xff[\xd0-\xd7]", whole[scan:])]
    assert len(marks) > 3
    lost = whole[: marks[1]] + whole[marks[2] :]
    other = whole[: marks[1] + 1] + bytes([whole[marks[1] + 1] ^ 2]) + whole[marks[1] + 2 :]
    for broken in (lost, other):
        with pytest.raises(PhotoRefused, match="damaged"):
            photo_of(path, broken)


@pytest.mark.parametrize(("packing", "name"), [(1, "plain"), (5, "lzw"), (32773, "packbits")])
def test_a_strip_that_holds_a_larger_picture_than_the_file_says_is_refused(packing, name):
    """Its width was damaged: the rows of another width, laid side by side, are no photo."""
    data = GREY.tobytes()
    if name == "lzw":
        data = lzw_of(data)
    elif name == "packbits":
        data = b"".join(b"\x7f" + data[at : at + 128] for at in range(0, len(data), 128))
    whole = tiff(data, width=96, length=80, tags={259: (3, packing)})
    check_directories(Path("case"), whole)
    with pytest.raises(PhotoRefused):
        check_directories(Path("case"), tiff(data, width=66, length=65, tags={259: (3, packing)}))
    np.testing.assert_array_equal(photo_of(Path("case"), whole).pixels[:, :, 0], GREY)


def lzw_of(data: bytes) -> bytes:
    """Packed as TIFF 6.0, section 13, in the plainest way: no string is ever made use of."""
    bits = "".join(
        (f"{256:09b}" if n % 200 == 0 else "") + f"{value:09b}" for n, value in enumerate(data)
    )  # a table of 200 strings still has codes of 9 bits
    bits += f"{257:09b}"
    bits += "0" * (-len(bits) % 8)
    return int(bits, 2).to_bytes(len(bits) // 8, "big")


def test_a_picture_of_which_strips_are_missing_is_refused():
    """A damaged number of rows to a strip: what unpacks it leaves all below the first of them black."""
    data = lzw_of(GREY.tobytes())
    with pytest.raises(PhotoRefused):
        check_directories(Path("case"), tiff(data, width=96, length=80, tags={259: (3, 5), 278: (4, 1)}))
