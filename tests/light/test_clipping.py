"""What counts as burnt out, against the codes of 8-bit files and the standard's own formula."""

from __future__ import annotations

import numpy as np

from wearscope.light.clipping import CLIPPED, NEARLY_CLIPPED


def linear(code):
    """IEC 61966-2-1, above its straight part."""
    return ((np.asarray(code) / 255 + 0.055) / 1.055) ** 2.4


def test_only_the_highest_code_of_8_bits_is_clipped():
    assert linear(254) < CLIPPED < linear(255)


def test_codes_that_jpeg_leaves_below_it_are_nearly_clipped():
    assert linear(251) < NEARLY_CLIPPED <= linear(252)
