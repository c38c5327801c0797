"""How near the edge line comes to the Cramér-Rao bound: ``pytest -m benchmark -s tests/benchmarks``.

The bound is that of A. Gatherer, "The Cramer Rao bound for discrete-time edge position estimation", Stanford
CSL-TR-93-560 (1993), for a Gaussian-blurred step, the channels together (`pictures.edge_bound_px`). Clean straight
edges; the strip is made directly, so that its noise is white as the bound takes it.
"""

from __future__ import annotations

import pytest
from edge_bound import ratio_to_bound
from pictures import CARD, DARK

MOST = 1.3


@pytest.mark.parametrize("background", [DARK, CARD], ids=["dark", "bright"])
@pytest.mark.parametrize("blur_px", [0.8, 1.1, 1.5])
def test_edge_line_against_the_bound(benchmark, blur_px, background):
    ratio, u_ratio = benchmark.pedantic(ratio_to_bound, args=(background, blur_px, 0.01), rounds=1)
    benchmark.extra_info.update(ratio=ratio)
    print(f"\nblur {blur_px} px, background {background[0]}: {ratio:.3f} ± {u_ratio:.3f} of the bound")
    assert ratio > 1.0 - 4 * u_ratio  # nothing beats the bound
    assert ratio <= MOST
