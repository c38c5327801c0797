"""What everybody needs of a strip."""

from __future__ import annotations

import numpy as np
import pytest

from wearscope.light.strip import median_of_seen


@pytest.mark.parametrize("width", [1, 2, 7, 8])
@pytest.mark.filterwarnings("ignore:All-NaN")
def test_the_median_leaves_out_what_is_not_seen(width):
    rng = np.random.default_rng(width)
    values = rng.normal(size=(40, width, 2))
    values[rng.uniform(size=values.shape) < 0.4] = np.nan
    np.testing.assert_allclose(median_of_seen(values), np.nanmedian(values, axis=1))
