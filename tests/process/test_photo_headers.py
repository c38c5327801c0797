"""What photo files say of camera and date, written by a general library, and what is made of it."""

from __future__ import annotations

from datetime import datetime

import fake_photos as fake
import pytest
from PIL import Image

from wearscope.process.fairness import fair_trial
from wearscope.process.photo_headers import photo_header
from wearscope.report.fairness_words import difference_text, doubt_lines
from wearscope.trial import load_trial

MAKE, MODEL, CHANGED, OF_CAMERA, TAKEN = 0x010F, 0x0110, 0x0132, 0x8769, 0x9003  # EXIF 2.32


def save(path, *, make="", model="", taken="", changed="", size=(64, 48)):
    exif = Image.Exif()
    for tag, value in ((MAKE, make), (MODEL, model), (CHANGED, changed)):
        if value:
            exif[tag] = value
    if taken:
        exif.get_ifd(OF_CAMERA)[TAKEN] = taken
    Image.new("RGB", size, "grey").save(path, exif=exif)


@pytest.mark.parametrize("ending", ["jpg", "png", "tif", "webp"])
def test_camera_size_and_date(tmp_path, ending):
    path = tmp_path / f"photo.{ending}"
    save(path, make="Alder", model="Alder M5", changed="2026:03:01 10:00:00", size=(48, 64))
    header = photo_header(path)
    assert header.told == "Alder M5, 64 x 48 px"  # turned or not
    assert header.taken_at == datetime(2026, 3, 1, 10)


def test_when_it_was_taken_counts_before_when_it_was_changed(tmp_path):
    path = tmp_path / "photo.jpg"
    save(path, taken="2026:01:05 09:30:00", changed="2026:03:01 10:00:00")
    assert photo_header(path).taken_at == datetime(2026, 1, 5, 9, 30)
    save(path, changed="0000:00:00 00:00:00")  # a clock that was never set
    assert photo_header(path).taken_at is None


def test_what_cannot_be_read_says_nothing(tmp_path):
    assert photo_header(tmp_path / "missing.jpg") is None
    (tmp_path / "text.jpg").write_text("no picture")
    assert photo_header(tmp_path / "text.jpg") is None


@pytest.fixture
def trial(tmp_path):
    return load_trial(fake.write_trial(tmp_path, bits=("A", "B"), parts=(0, 40, 120)))


def take(trial, day_of, **camera_of):
    """Rewrite the photos: on the day of January that `day_of` says for bit and parts, with the bit's camera."""
    for photo in trial.photos:
        day = day_of(photo.bit, photo.parts)
        save(
            photo.path, make="Alder", model=camera_of.get(photo.bit, "M5"), taken=f"2026:01:{day:02} 08:00:00"
        )


IN_TURN = {0: 1, 40: 5, 120: 9}


def test_bits_that_cut_in_turns_with_one_camera_are_fair(trial):
    take(trial, lambda bit, parts: IN_TURN[parts] + (bit == "B"))
    fair = fair_trial(trial)
    assert fair.differs == ()
    assert {doubt.code for doubt in fair.doubts} == {"no-program"}


def test_another_microscope_is_said(trial):
    take(trial, lambda bit, parts: IN_TURN[parts], B="M9")
    fair = fair_trial(trial)
    assert fair.fair  # it does not change how they cut
    assert [difference_text(what, fair.bits) for what in fair.differs] == [
        "camera and picture size of the photos: A Alder M5, 64 x 48 px; B Alder M9, 64 x 48 px"
    ]
    save(next(p.path for p in trial.photos if p.bit == "A"), make="Alder", model="M9")
    assert "A was photographed with several cameras" in " ".join(doubt_lines(fair_trial(trial)))


def test_one_bit_after_the_other_is_said(trial):
    take(trial, lambda bit, parts: IN_TURN[parts] + 15 * (bit == "A"))
    (line,) = [line for line in doubt_lines(fair_trial(trial)) if "in turns" in line]
    assert line.startswith(
        "by the dates in the photos B was tried until 2026-01-09, A only from 2026-01-20 on"
    )


def test_dates_that_run_backwards_are_said(trial):
    take(trial, lambda bit, parts: {0: 1, 40: 9, 120: 5}[parts] if bit == "A" else IN_TURN[parts])
    said = [line for line in doubt_lines(fair_trial(trial)) if "dated" in line]
    assert said
    assert all(
        "of A: the photo after 120 parts is dated 2026-01-05 08:00, the one after 40 parts 2026-01-09 08:00"
        in line
        for line in said
    )
