"""Cost per part against plain arithmetic and a worked example."""

from __future__ import annotations

import numpy as np
import pytest

from wearscope.economics.cost import Use, use_of
from wearscope.trial import Bit, Cost


def bit(price, **more):
    given = {"name": "A", "flutes": 2, "diameter_mm": 6.35, "wedge_angle_deg": 60.0, "coating": "none"}
    return Bit(price=price, **given | more)


@pytest.mark.parametrize(
    ("price", "parts", "cents"), [(15.0, 150, 10.0), (40.0, 150, 26.7), (15.0, 200, 7.5), (30.0, 200, 15.0), (40.0, 800, 5.0)]
)  # fmt: skip
def test_price_over_parts(price, parts, cents):
    # common practice, no source: the dearest bit can be the cheapest per part
    assert 100 * use_of(bit(price), Cost()).per_part(np.array(parts)) == pytest.approx(cents, abs=0.05)


@pytest.mark.parametrize(("parts", "cutting_min", "published"), [(1, 12.57, 12.79), (4, 14.96, 10.98)])
def test_worked_example(parts, cutting_min, published):
    # Groover, Fundamentals of Modern Manufacturing, machining economics (from memory): 3.00 per edge, 2 min to change
    # it, 0.50 per minute, 5 min handling. What is not the machine's time is tool and change-over.
    use = use_of(bit(3.0), Cost(change_over_minutes=2.0, rate_per_hour=30.0))
    assert 0.5 * (5 + cutting_min) + use.per_part(np.array(parts)) == pytest.approx(published, abs=0.01)


def test_regrinds_resale_and_change_overs():
    use = use_of(
        bit(40.0, regrinds=2, regrind_price=8.0, resale=1.0),
        Cost(change_over_minutes=6.0, rate_per_hour=50.0),
    )
    assert (use.money, use.lives) == (40 + 16 - 1 + 3 * 5, 3)
    assert use.per_part(np.array(100)) == pytest.approx(70 / 300)


def test_break_even():
    use = Use(70.0, 3)
    life = use.break_even_life(0.2)
    assert use.per_part(np.array(life)) == pytest.approx(0.2)
    price = use.break_even_price(40.0, 100.0, 0.2)
    assert Use(70.0 - 40.0 + price, 3).per_part(np.array(100.0)) == pytest.approx(0.2)
