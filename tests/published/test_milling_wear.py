"""Life foretold from published wear series that level off and then quicken, against when the limit was reached.

- 2010 data challenge of the PHM Society, three-flute ball-nose cutters milling steel: the most worn flute of cutters 1 and
  4 after so many cuts, in µm, at every 15th of 315 cuts, as in public copies of the table.
- "QIT-CEMC", Qilu Institute of Technology, an end mill of four edges: widest flank wear VB of the side and end teeth after
  each of the first 20 cycles, in µm, rounded.

0.02 mm at 1 % to 3 % of the reading is common for such microscopes; 2 and 4 µm are taken as the standard uncertainties of
the readings (common practice, no source).
"""

from __future__ import annotations

import numpy as np
import pytest

from wearscope.economics.curve import Points, wear_curve
from wearscope.economics.life import known_range, paths
from wearscope.economics.prior import trial_prior

CUTS = np.array([1, *range(15, 316, 15)], float)
CYCLES = np.arange(1, 21, dtype=float)
CUTTERS = {
    "cutter 1": "49 80 87 87 93 95 95 95 95 98 101 108 115 122 127 131 134 140 150 158 166 173",
    "cutter 4": "31 61 66 70 76 82 89 94 95 96 98 98 98 98 100 106 120 136 155 175 194 211",
}
TEETH = {
    "side 1": "45 96 104 111 117 120 120 125 126 137 137 143 173 179 185 191 191 197 203 235",
    "side 2": "24 91 100 103 104 110 114 120 127 137 155 179 185 190 221 227 228 233 233 233",
    "side 3": "48 90 99 119 123 133 137 143 149 155 185 203 209 209 228 233 235 239 248 275",
    "side 4": "42 90 96 107 109 114 129 137 138 143 213 215 221 226 230 238 239 245 251 287",
    "end 1": "72 84 96 100 96 102 103 107 113 119 119 120 119 119 119 120 120 126 126 126",
    "end 2": "70 85 97 102 108 109 109 113 120 126 126 126 126 126 131 138 143 150 155 155",
    "end 3": "66 90 96 96 102 102 108 108 113 119 119 119 120 120 120 126 131 137 149 149",
    "end 4": "66 84 96 102 107 108 108 119 126 131 131 143 143 143 143 155 156 161 167 173",
}
LIMITS_UM = {"cutter 1": (110, 150), "cutter 4": (110, 150), "side": (150, 200), "end": (120, 140)}
SHARES = (0.5, 0.7, 0.85)


def series():
    """Name, places, readings, limit and standard uncertainty of each series, for each limit that it reaches."""
    for table, at, u in ((CUTTERS, CUTS, 2.0), (TEETH, CYCLES, 4.0)):
        for name, text in table.items():
            value = np.array(text.split(), float)
            for limit in LIMITS_UM.get(name) or LIMITS_UM[name.split()[0]]:
                if value.max() >= limit:
                    yield name, at, value, float(limit), u


def reached(at, value, limit):
    """Place of the first crossing, by linear interpolation between readings."""
    k = int(np.argmax(value >= limit))
    return float(np.interp(limit, value[k - 1 : k + 1], at[k - 1 : k + 1]))


def test_the_crossings_are_those_worked_out_by_hand():
    of = {(name, limit): reached(at, value, limit) for name, at, value, limit, _ in series()}
    assert of["cutter 4", 110.0] == pytest.approx(225 + 15 * 4 / 14)
    assert of["cutter 1", 150.0] == pytest.approx(270)
    assert of["side 4", 200.0] == pytest.approx(10 + 57 / 70)
    assert of["end 2", 120.0] == pytest.approx(9)
    assert len(of) == 19


@pytest.mark.statistics
def test_ranges_hold_though_wear_quickens():
    held = at_least = n = 0
    for number, (name, at, value, limit, u) in enumerate(series()):
        truth = reached(at, value, limit)
        for share in SHARES:
            seen = at <= share * truth
            points = Points(at[seen], np.zeros(seen.sum(), int), value[seen], np.full(seen.sum(), u))
            prior = trial_prior(points.parts_cut)
            curve = wear_curve(points, limit, prior, np.random.default_rng(number), 2000)
            draws, _ = paths(curve, points, 0, np.random.default_rng(1000 + number)).lives(limit)
            said = known_range(draws)
            n += 1
            held += said.low95 <= truth <= said.high95
            at_least += truth >= said.low95
            mark = "" if said.low95 <= truth <= said.high95 else "  missed"
            print(
                f"{name:9s} {limit:4.0f} {share:4.2f}  {truth:6.1f}  {said.low95:6.1f} to {said.high95:6.1f}{mark}"
            )
    print(f"95 % range: {held} of {n}; at least: {at_least} of {n}")
    assert held >= 0.9 * n
    assert at_least >= 0.95 * n
