"""The registry of photo formats: which one a file's first bytes are."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from wearscope.errors import PhotoRefused
from wearscope.imaging.formats import registry
from wearscope.imaging.formats.registry import Decoded, Format, decode, formats

# First bytes as in the specifications: JPEG ITU-T T.81 B.1.1; PNG (W3C) 5.2; TIFF 6.0 section 2 and BigTIFF; WebP
# (RFC 9649) 2.3; ISO 14496-12 file type box; the rest from memory
FIRST_BYTES = {
    b"\xff\xd8\xff\xe0": "jpeg",
    b"\x89PNG\r\n\x1a\n": "png",
    b"BM\x36\x00\x00\x00": "bmp",
    b"RIFF\x10\x00\x00\x00WEBPVP8 ": "webp",
    b"II*\x00\x08\x00\x00\x00": "tiff",
    b"MM\x00*\x00\x00\x00\x08": "tiff",
    b"II+\x00\x08\x00\x00\x00": "tiff",
    # a raw file of this kind is a TIFF as well: what knows more of its bytes has it
    b"II*\x00\x10\x00\x00\x00CR\x02\x00": "unread",
    b"\x00\x00\x00\x18ftypheic": "heic",
    b"\x00\x00\x00\x18ftypisom": "unread",
}


def module_of(one: Format) -> str:
    plain = getattr(one.decode, "func", one.decode)
    return plain.__module__.rpartition(".")[2]


@pytest.mark.parametrize(("content", "module"), FIRST_BYTES.items())
def test_the_format_that_knows_most_of_the_first_bytes_has_the_file(content, module):
    assert module_of(max(formats(), key=lambda one: one.understands(content))) == module


@pytest.mark.parametrize("content", [b"\x00\x01\x02\x03", b"hello", b"PNG", b"RIFF\x10\x00\x00\x00WAVE"])
def test_what_no_format_knows_is_refused(content):
    assert all(one.understands(content) == 0 for one in formats())
    with pytest.raises(PhotoRefused, match="no picture in a known format") as refusal:
        decode(Path("x"), content)
    assert refusal.value.code == "format-unknown"
    assert ("looks like text" in str(refusal.value)) == content.isalpha()


def test_a_format_more_is_one_entry_more(monkeypatch):
    pixels = object()
    more = Format(re.compile(rb"NEW1"), lambda path, content: Decoded(pixels))
    known = formats()
    monkeypatch.setattr(registry, "formats", lambda: (*known, more))
    assert decode(Path("x"), b"NEW1...").pixels is pixels
