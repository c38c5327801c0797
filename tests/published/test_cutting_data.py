"""Published cutting data against `wearscope.process.cutting`."""

from __future__ import annotations

from math import floor

import pytest

from wearscope.process.cutting import (
    chip_load_mm,
    feed_per_revolution_mm,
    surface_speed_m_per_min,
    tooth_passing_hz,
)

MM = 25.4


def test_chip_load_of_a_feeds_table():
    # a trade table of feeds (read): 2 flutes, 0.1 mm per tooth and 18 000 rpm make 3600 mm/min
    assert chip_load_mm(3600, 18000, 2) == pytest.approx(0.1)
    assert feed_per_revolution_mm(3600, 18000) == pytest.approx(0.2)


# A trade chart of chip loads (read): feed in inch/min, rpm, flutes, chip load in inch as printed
CHART = [
    (100, 10000, 2, 0.005),
    (200, 10000, 2, 0.010),
    (200, 18000, 2, 0.006),
    (500, 10000, 2, 0.025),
    (500, 16000, 2, 0.016),
    (300, 12000, 3, 0.008),
]


@pytest.mark.parametrize(("inch_per_min", "rpm", "flutes", "printed"), CHART)
def test_chip_loads_of_a_chart(inch_per_min, rpm, flutes, printed):
    inches = chip_load_mm(inch_per_min * MM, rpm, flutes) / MM
    assert round(inches, 3) == printed


def test_the_chart_rounds_down_where_it_prints_one_thousandth():
    inches = chip_load_mm(50 * MM, 17000, 2) / MM  # printed 0.001
    assert inches == pytest.approx(0.00147, abs=5e-6)
    assert floor(inches * 1000) / 1000 == 0.001


@pytest.mark.parametrize(("diameter_mm", "m_per_min"), [(6.35, 359.084), (25.0, 1413.717)])
def test_surface_speed(diameter_mm, m_per_min):
    # V = π D N: formula of Machinery's Handbook, from memory; figures derived
    assert surface_speed_m_per_min(diameter_mm, 18000) == pytest.approx(m_per_min, abs=5e-4)
    if diameter_mm == 6.35:
        feet = surface_speed_m_per_min(diameter_mm, 18000) / 0.3048
        assert feet == pytest.approx(1178.10, abs=5e-3)


def test_tooth_passing_frequency():
    # n z / 60: 18 000 rpm is 300 revolutions per second (derived)
    assert tooth_passing_hz(18000, 2) == 600
    assert tooth_passing_hz(18000, 1) == 300
