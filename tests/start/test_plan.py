"""Which picture is what: proposed from what they show, what was said, and the grinding marks."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import pytest
from seldom import seldom

from wearscope.imaging.prepared_photo import PhotoScale
from wearscope.samples import sample_trial_folder
from wearscope.start.answers import Answers
from wearscope.start.errors import StartError
from wearscope.start.plan import MarksError, OrderOpenError, UnevenError, propose, shown_by
from wearscope.start.seen import Seen, look_at, marked_copies
from wearscope.start.series import ORDERS, layouts, marks_of, order_told, places_in
from wearscope.start.taken import Taken

SAMPLES = sample_trial_folder() / "photos"
SAID = {"division_um": 100, "coatings": ["none"]}


def seen(number, kind="edge", **more):
    file = f"IMG_{number:04d}.JPG"
    when = Taken(datetime(2026, 3, 2, 9) + timedelta(minutes=number), True)
    return Seen(file, Path(file), when, kind, **more)


def marks(places):
    """What a perfect comparison of marks would say of pictures that truly show these places."""

    def match(one, other):
        a, b = places[one], places[other]
        return "same" if (a.bit, a.flute) == (b.bit, b.flute) else "other"

    return match


def plan_of(pictures, match=None, **said):
    answers = Answers.model_validate(SAID | said)
    return propose(shown_by(pictures, answers), answers, match or (lambda _: lambda *_: "unclear"))


def files(plan, role):
    return [one.seen.file for one in plan.role(role)]


# --- The order


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("parts", [(0, 150), (0, 150, 300)], ids=["2", "3"])
def test_the_marks_tell_the_order(order, parts):
    bits, flutes = ["Wren", "Plover", "Heron"], [2, 3, 2]
    places = places_in(order, bits, flutes, [parts] * 3)
    assert len(set(places)) == 7 * len(parts)
    assert order_told(marks(places), layouts(bits, flutes, [parts] * 3)).order == order


def test_marks_that_are_unclear_tell_nothing_and_one_clear_pair_is_enough():
    apart = layouts(["A", "B"], [2, 2], [[0, 50], [0, 50]])
    assert order_told(lambda *_: "unclear", apart).order is None
    pairs = {(0, 2): "same", (0, 1): "other", (0, 4): "other"}
    told = order_told(lambda *pair: pairs.get(pair, "unclear"), apart)
    assert told.order == "bit, checkpoint, flute"


def test_marks_that_contradict_every_order_tell_nothing():
    places = places_in(ORDERS[0], ["A", "B"], [2, 2], [[0, 50], [0, 50]])
    exchanged = [places[1], places[0], *places[2:]]  # somebody photographed flute 2 first, once
    told = order_told(marks(exchanged), layouts(["A", "B"], [2, 2], [[0, 50], [0, 50]]))
    assert told.order is None
    assert told.none_fits


def test_where_all_orders_come_to_the_same_nothing_is_compared():
    def never(*_):
        raise AssertionError

    apart = layouts(["A"], [1], [[0, 50]])
    assert list(apart) == [ORDERS[0]]
    assert order_told(never, apart).order == ORDERS[0]


def test_the_marks_of_real_looking_photos_tell_it():
    """Path-traced photos: the names of the sample trial's files are the truth."""
    order = "bit, flute, checkpoint"
    names = [f"wren-{n:03d}-{flute}.jpg" for flute in (1, 2) for n in (0, 150)]
    pictures = [Seen(name, SAMPLES / name, Taken(datetime.now(), False), "edge") for name in names]
    match = marks_of(pictures, [PhotoScale.even(3.418, 0.003)] * 4)
    assert order_told(match, layouts(["wren"], [2], [[0, 150]])).order == order
    same = {pair for pair in combinations(range(4), 2) if match(*pair) == "same"}
    assert same == {(0, 1), (2, 3)}


# --- The pictures


def test_everything_finds_its_place():
    pictures = [seen(1, "graticule", n_lines=50, pitch_px=29.0), seen(2, "pin"), *map(seen, range(3, 11))]
    pictures += [seen(11, "unclear"), seen(12, "unreadable", problem="IMG_0012.JPG: cut off; copy it again")]
    truth = places_in("checkpoint, bit, flute", ["A", "B"], [2, 2], [[0, 50], [0, 50]])
    plan = plan_of(pictures, lambda _: marks(truth), bits=["A", "B"], parts=[0, 50])
    assert files(plan, "graticule") == ["IMG_0001.JPG"]
    assert files(plan, "pin") == ["IMG_0002.JPG"]
    assert [one.place for one in plan.role("flute")] == truth
    assert files(plan, "flute") == [f"IMG_{n:04d}.JPG" for n in range(3, 11)]
    assert sorted(files(plan, "left out")) == ["IMG_0011.JPG", "IMG_0012.JPG"]
    assert (plan.order, plan.told_by, plan.flutes) == ("checkpoint, bit, flute", "marks", (2, 2))


def test_a_blurred_picture_counts_where_the_others_do_not_come_out_even():
    pictures = [seen(1), seen(2), seen(3, "unclear"), seen(4)]
    plan = plan_of(pictures, bits=["A"], parts=[0, 50], order=ORDERS[0])
    assert files(plan, "flute") == [f"IMG_{n:04d}.JPG" for n in range(1, 5)]
    plan = plan_of(pictures[:3], bits=["A"], parts=[0, 50], order=ORDERS[0])
    assert files(plan, "left out") == ["IMG_0003.JPG"]


def test_bits_may_have_other_numbers_of_flutes():
    plan = plan_of([*map(seen, range(10))], bits=["A", "B"], parts=[0, 50], flutes=[2, 3], order=ORDERS[0])
    assert [one.place.bit for one in plan.role("flute")] == ["A"] * 4 + ["B"] * 6


@pytest.mark.parametrize(
    ("said", "message"),
    [
        ({"bits": ["A", "B"], "parts": [0, 50]}, "do not divide them evenly"),
        ({"bits": ["A"], "parts": [0, 50], "flutes": [3]}, "2 checkpoints of 3 flutes need 6"),
        ({"bits": ["A"], "parts": [0], "leave_out": ["IMG_7777.JPG"]}, "leave_out names IMG_7777.JPG"),
    ],
)
def test_what_does_not_come_out_even_is_refused(said, message):
    with pytest.raises(StartError, match=message):
        plan_of([*map(seen, range(7))], **said)


def test_an_order_that_nothing_tells_is_asked_for():
    with pytest.raises(OrderOpenError, match="give order"):
        plan_of([*map(seen, range(8))], bits=["A", "B"], parts=[0, 50])


def test_graticules_of_two_zooms_one_after_the_other_are_refused():
    two = [seen(1, "graticule", pitch_px=29.0), seen(2, "graticule", pitch_px=40.0), seen(3)]
    with pytest.raises(StartError, match="show graticules at different zooms"):
        plan_of(two, bits=["A"], parts=[0])
    plan = plan_of(
        [*two, seen(4)], bits=["A"], parts=[0], graticule="IMG_0002.JPG", leave_out=["IMG_0001.JPG"]
    )
    assert files(plan, "graticule") == ["IMG_0002.JPG"]


def two_zooms(*kinds, **more):
    """Pictures taken one after the other: G and H are graticules at two zooms, F a flute."""
    pitch = {"G": 29.0, "H": 40.0}
    return [
        seen(at, "graticule", pitch_px=pitch[kind], **more) if kind in pitch else seen(at, **more)
        for at, kind in enumerate(kinds)
    ]


@pytest.mark.parametrize(
    ("taken", "told_by", "zooms"),
    [
        ("GFFHFF", "before", [0, 0, 1, 1]),
        ("FFGFFH", "after", [0, 0, 1, 1]),
        ("GFHFGFHF", "before", [0, 1, 0, 1]),
        ("HFFFGF", "before", [0, 0, 0, 1]),
    ],
)
def test_each_picture_goes_by_the_graticule_taken_beside_it(taken, told_by, zooms):
    plan = plan_of(two_zooms(*taken), bits=["A"], parts=[0, 50], flutes=[2], order=ORDERS[0])
    assert plan.zooms_told_by == told_by
    assert [one.zoom for one in plan.role("flute")] == zooms
    assert [one.seen.pitch_px for one in plan.role("graticule")] == (
        [40.0, 29.0] if taken[0] == "H" else [29.0, 40.0]
    )


@pytest.mark.parametrize("taken", ["GFFHFFG", "FGFHFF", "GHFFFF", "FFFFGH"])
def test_where_the_order_of_graticules_does_not_tell_it_is_asked_for(taken):
    with pytest.raises(StartError, match='say graticule_taken = "before"'):
        plan_of(two_zooms(*taken), bits=["A"], parts=[0, 50], flutes=[2], order=ORDERS[0])


def test_a_person_says_how_graticules_were_taken():
    said = {"bits": ["A"], "parts": [0, 50], "flutes": [2], "order": ORDERS[0]}
    before = plan_of(two_zooms(*"GFFHFFG"), graticule_taken="before", **said)
    after = plan_of(two_zooms(*"GFFHFFG"), graticule_taken="after", **said)
    assert [one.zoom for one in before.role("flute")] == [0, 0, 1, 1]
    assert [one.zoom for one in after.role("flute")] == [1, 1, 0, 0]


def test_folders_and_sizes_tell_the_zoom_before_times_do():
    pictures = two_zooms(*"GHFFFF")
    in_folders = [
        replace(one, file=f"{'far' if at in (0, 3, 4) else 'near'}/{one.file}")
        for at, one in enumerate(pictures)
    ]
    by_size = [
        replace(one, size_px=(1600, 1200) if at in (0, 2, 3) else (1280, 960))
        for at, one in enumerate(pictures)
    ]
    said = {"bits": ["A"], "parts": [0, 50], "flutes": [2], "order": ORDERS[0]}
    plan = plan_of(in_folders, **said)
    assert plan.zooms_told_by == "folders"
    assert {one.seen.file.split("/")[0]: one.zoom for one in plan.role("flute")} == {"far": 0, "near": 1}
    plan = plan_of(by_size, **said)
    assert plan.zooms_told_by == "sizes"
    assert [one.zoom for one in plan.role("flute")] == [0, 0, 1, 1]


# --- Bits that differ


def test_bits_may_have_checkpoints_of_their_own():
    said = {"bits": ["A", "B"], "parts": [0, 50, 90], "flutes": [2, 2], "parts_of": {"B": [0, 90]}}
    places = places_in("checkpoint, bit, flute", ["A", "B"], [2, 2], [[0, 50, 90], [0, 90]])
    assert [(one.bit, one.parts) for one in places[4:8]] == [("A", 50), ("A", 50), ("A", 90), ("A", 90)]
    plan = plan_of([*map(seen, range(10))], lambda _: marks(places), **said)
    assert [one.place for one in plan.role("flute")] == places
    assert plan.parts == (0, 50, 90)


def test_a_photo_that_was_not_taken_leaves_its_place_empty():
    said = {"bits": ["A", "B"], "parts": [0, 50], "flutes": [2, 2], "missing": ["B 1 50"]}
    plan = plan_of([*map(seen, range(7))], order="checkpoint, bit, flute", **said)
    assert (plan.role("flute")[6].place.bit, plan.role("flute")[6].place.flute) == ("B", 2)
    with pytest.raises(StartError, match='missing names "B 3 50"'):
        plan_of([*map(seen, range(7))], **(said | {"missing": ["B 3 50"]}))
    with pytest.raises(UnevenError) as refused:
        plan_of([*map(seen, range(6))], **said)
    assert refused.value.short == 1


def test_marks_that_fit_no_order_are_said():
    """Three flutes of A and one of B make up the same number as two of each."""
    truth = places_in("bit, checkpoint, flute", ["A", "B"], [3, 1], [[0, 50], [0, 50]])
    with pytest.raises(MarksError, match="the grinding marks fit no order"):
        plan_of([*map(seen, range(8))], lambda _: marks(truth), bits=["A", "B"], parts=[0, 50])
    plan = plan_of(
        [*map(seen, range(8))], lambda _: marks(truth), bits=["A", "B"], parts=[0, 50], flutes=[3, 1]
    )
    assert [one.place for one in plan.role("flute")] == truth


def test_the_same_file_twice_counts_once():
    names = ["IMG_0001 (1).JPG", "IMG_0001.JPG", "IMG_0002.JPG"]
    sums = ["a", "a", "b"]
    pictures = [
        Seen(name, Path(name), Taken(datetime(2026, 3, 2), True), "edge", sha256=each)
        for name, each in zip(names, sums, strict=True)
    ]
    marked = marked_copies(pictures)
    assert [one.copy_of for one in marked] == ["IMG_0001.JPG", "", ""]
    plan = plan_of(marked, bits=["A"], parts=[0, 50])
    assert files(plan, "left out") == names[:1]
    assert files(plan, "flute") == names[1:]


def test_names_that_tell_need_no_order_and_nobody_may_contradict_them():
    names = [f"{bit}-{n}-{flute}.jpg" for n in (0, 50) for bit in ("A", "B") for flute in (1, 2)]
    pictures = [Seen(name, Path(name), Taken(datetime.now(), False), "edge") for name in names]
    plan = plan_of(pictures)
    assert (plan.pattern, plan.told_by, plan.parts) == ("{bit}-{parts}-{flute}.jpg", "names", (0, 50))
    assert {one.seen.file for one in plan.role("flute")} == set(names)
    for one in plan.role("flute"):
        assert one.seen.file == f"{one.place.bit}-{one.place.parts}-{one.place.flute}.jpg"
    with pytest.raises(
        StartError, match="the names of the pictures tell bits A, B, and the answers say A, C"
    ):
        plan_of(pictures, bits=["A", "C"])


# --- What a picture shows


@pytest.mark.parametrize(
    ("file", "kind"),
    [
        ("graticule.jpg", "graticule"),
        seldom("pin.jpg", "pin"),
        ("wren-300-1.jpg", "edge"),
        seldom("plover-150-2.jpg", "edge"),
    ],
)
def test_sample_photos_are_known_for_what_they_show(file, kind):
    assert look_at(SAMPLES / file, file).kind == kind


def test_the_lines_of_a_graticule_are_counted():
    """The renderer drew lines 0.1 mm apart at 3.418 µm per pixel (truth.json): 29.26 pixels."""
    found = look_at(SAMPLES / "graticule.jpg", "graticule.jpg")
    assert found.pitch_px == pytest.approx(29.26, abs=0.05)


@pytest.mark.parametrize("content", ["noise", "broken"])
def test_other_pictures_are_no_flutes(tmp_path, content):
    path = tmp_path / "a.png"
    if content == "noise":
        cv2.imwrite(str(path), np.random.default_rng(3).integers(0, 255, (300, 400, 3), np.uint8))
    else:
        path.write_bytes(b"\x89PNG\r\n\x1a\nand no more")
    found = look_at(path, "a.png")
    assert found.kind == {"noise": "unclear", "broken": "unreadable"}[content]
    if content == "broken":
        assert found.problem.startswith("a.png: ")
