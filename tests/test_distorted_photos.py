"""Photos through a lens that bends straight lines: with the graticule's photo at hand, the numbers are as without it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from graticules import Graticule
from reference_pairs import SHIPPED, Pair, inspect_pair, rows_of
from seldom import seldom

from wearscope.imaging.calibration.scale import Scale, scale_from_graticule
from wearscope.imaging.lens import Lens
from wearscope.pipeline.sources import Memory, Sources

PAIR = Pair(SHIPPED / "90210-8")
UM = PAIR.truth["new"]["um_per_px"]
SHAPE = PAIR.truth["height_px"], PAIR.truth["width_px"]
LENGTH_LIMIT, PLACE_LIMIT_PX = 2e-3, 4.0


def bent_by(k1: float):
    """A change that shows each photo as the lens would; OpenCV finds where a pixel's light comes from."""
    height, width = SHAPE
    half = np.hypot(height, width) / 2
    away = np.stack(np.meshgrid(np.arange(width) - (width - 1) / 2, np.arange(height) - (height - 1) / 2), -1)
    stretch = 1 + k1 * np.sum(away**2, -1, keepdims=True) / half**2
    places = (away * stretch + [(width - 1) / 2, (height - 1) / 2]).astype(np.float32)

    def change(file: Path, folder: Path) -> Path:
        bent = cv2.remap(
            cv2.imread(str(file)), places, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        target = folder / f"{file.stem}.png"
        assert cv2.imwrite(str(target), bent)
        return target

    return change


@cache
def ruled(k1: float) -> Scale:
    """Of a graticule through the same lens."""
    graticule = Graticule(SHAPE, 100.0 / UM, 4.0, crossed=True, tick_rows=((-1e3, 1e3),), barrel=k1)
    return scale_from_graticule(graticule.luminance(), 100.0)


@cache
def inspected(k1: float, known: bool = True):
    return inspect_pair(PAIR, change=bent_by(k1), by_axis=ruled(k1) if known else ruled(0.0))


def rows(k1: float, known: bool = True):
    found, refusal = rows_of(inspected(k1, known))
    assert not refusal
    return found


def true_lens(k1: float) -> Lens:
    height, width = SHAPE
    return Lens(SHAPE, ((width - 1) / 2, (height - 1) / 2), float(np.hypot(*SHAPE)) / 2, k1, 0.0, 0.0)


def transition(found, k1: float) -> np.ndarray:
    """Where it lies in the picture without the lens."""
    return true_lens(k1).straightened(
        np.array([found[f"transition_{axis}_px", "whole"].value for axis in "xy"])
    )


@pytest.mark.statistics
@pytest.mark.parametrize("k1", [-0.03, seldom(0.03)])
def test_wear_is_as_without_the_lens(k1):
    assert ruled(0.0).lens is None
    assert ruled(k1).lens is not None
    bent, plain = rows(k1), rows(0.0)
    for key in (("edge_recession", "difference"), ("edge_radius", "used")):
        was, now = plain[key], bent[key]
        # reading between pixels moves a line by a tenth of a pixel
        assert abs(now.value - was.value) < LENGTH_LIMIT * was.value + 0.1 * UM, key
        assert now.status == was.status
    assert np.hypot(*(transition(bent, k1) - transition(plain, 0.0))) < PLACE_LIMIT_PX
    assert {key: row.status for key, row in bent.items()} == {key: row.status for key, row in plain.items()}


@pytest.mark.statistics
@pytest.mark.parametrize("k1", [-0.03, seldom(0.03)])
def test_lengths_along_the_edge_are_as_without_the_lens(k1):
    """From the transition to where the photo's edge ends, by the drawn lens and not by the one that was found."""
    located = inspected(k1).on_photo.located
    start = transition(rows(k1), k1)
    (end, *_) = true_lens(k1).straightened(
        located.places_px(located.strip.s_um[located.seen][:1], np.zeros(1))
    )
    length_um = 1e3 * rows(k1)["used_length", "whole"].value
    assert length_um == pytest.approx(np.hypot(*(end - start)) * UM, rel=LENGTH_LIMIT)


@pytest.mark.statistics
def test_unsaid_the_lens_costs_what_it_costs():
    # the tests above could not fail if the lens did not matter
    value = "edge_recession", "difference"
    assert abs(rows(0.03, known=False)[value].value / rows(0.0)[value].value - 1) > 10 * LENGTH_LIMIT


@pytest.mark.statistics
def test_a_photo_cut_out_of_the_frame_says_that_the_lens_is_left_in_it():
    def look(trial, entry, scales):
        return Sources(scales, {}, Memory()).scale(entry)

    def cut(file: Path, folder: Path) -> Path:
        target = folder / f"{file.stem}.png"
        assert cv2.imwrite(str(target), cv2.imread(str(file))[:-100])
        return target

    def lying(file: Path, folder: Path) -> Path:
        target = folder / f"{file.stem}.png"
        assert cv2.imwrite(str(target), cv2.rotate(cv2.imread(str(file)), cv2.ROTATE_90_CLOCKWISE))
        return target

    whole, part, turned = (
        inspect_pair(PAIR, change=change, by_axis=ruled(0.01), way=look) for change in (None, cut, lying)
    )
    assert whole.lens is not None
    assert turned.lens.shape == SHAPE[::-1]
    assert part.lens is None
    assert part.u_share == pytest.approx(0.01, rel=0.05)
    assert [remark.code for remark in part.remarks] == ["lens-left-in"]
