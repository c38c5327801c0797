"""Where along an edge a worn flat ends, told by its width alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from wearscope.wear.land_seen import _divided

S_UM = np.arange(0.0, 2600.0, 2.0)
END_UM = 2300.0


@pytest.mark.parametrize("seed", range(3))
def test_a_tapering_flat_ends_where_it_is_widest(seed):
    # the narrow part at the corner is worn as well; what lies beyond the end of contact is not
    noise = gaussian_filter(np.random.default_rng(seed).normal(size=len(S_UM)), 20.0)
    width = 12.0 + np.where(END_UM > S_UM, 100.0 * S_UM / END_UM, 0.0) + 2.0 * noise / noise.std()
    span = _divided(S_UM, width, np.ones(len(S_UM), bool))
    assert span is not None
    assert S_UM[span.used][0] < 10.0
    assert END_UM - 400.0 < S_UM[span.used][-1] < END_UM - 250.0


def test_a_flat_widest_at_the_corner_ends_where_it_falls_off_at_once():
    # means of all of both sides differ most where the taper is half done
    width = 12.0 + np.where(END_UM > S_UM, 38.0 + 120.0 * np.maximum(1.0 - S_UM / 1500.0, 0.0), 0.0)
    span = _divided(S_UM, width, np.ones(len(S_UM), bool))
    assert span is not None
    assert END_UM - 400.0 < S_UM[span.used][-1] < END_UM - 250.0


@pytest.mark.filterwarnings("error")
def test_a_chip_longer_than_what_is_compared_hides_no_end():
    width = np.where(END_UM > S_UM, 110.0, 12.0)
    for chip_um in range(400, 460, 2):  # one of these places is looked at just where the chip ends
        span = _divided(S_UM, width, ~((chip_um < S_UM) & (chip_um + 800.0 > S_UM)))
        assert span is not None
        assert END_UM - 400.0 < S_UM[span.used][-1] < END_UM - 250.0
