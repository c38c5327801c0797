"""Wear land, clearance and rake: what a flat parallel to the cut takes off a sharp wedge.

VB is measured from the original cutting edge, square to it, and not from the receded one: ISO 3685:1993 clause 8 and
ISO 8688-2:1989 clause 7 (from memory). For a radial loss h the flat, projected on the cutting direction, ends at
h / tan α from the original edge and is h (1 / tan α - tan γ) long (derived from the wedge: clearance α, rake γ).
"""

from __future__ import annotations

import importlib
from pathlib import Path

import numpy as np
import pytest
from faces import FACE, S_UM, face
from lands import scene

from wearscope.wear.wear_land import find_land

SAMPLES = Path(__file__).parents[2] / "sample_images"
# clearance, rake, VB / h from the receded edge, VB / h from the original edge
CASES = [(10.0, 0.0, 5.671282, 5.671282), (15.0, 10.0, 3.555724, 3.732051), (20.0, 20.0, 2.383507, 2.747477)]


@pytest.mark.parametrize(("clearance_deg", "rake_deg", "receded", "original"), CASES)
def test_the_edge_model_cuts_the_flat_that_geometry_asks_for(
    monkeypatch, clearance_deg, rake_deg, receded, original
):
    monkeypatch.syspath_prepend(str(SAMPLES))
    model = importlib.import_module("edge_model")
    alpha, beta_deg = np.radians(clearance_deg), 90.0 - clearance_deg - rake_deg
    loss_um = 40.0
    width_um = np.array([loss_um / np.sin(alpha)])  # along the relief face
    sharp = model.corners(beta_deg, clearance_deg, np.array([1e-6]), width_um)
    assert width_um[0] * np.cos(alpha) / loss_um == pytest.approx(original, abs=1e-6)
    length_um = np.hypot(sharp.outer_y[0] + width_um[0], sharp.outer_z[0])
    assert length_um / loss_um == pytest.approx(receded, abs=1e-4)


@pytest.mark.parametrize(("clearance_deg", "rake_deg", "receded", "original"), CASES[1:])
def test_the_original_edge_is_the_reference(clearance_deg, rake_deg, receded, original):
    alpha, beta = np.radians(clearance_deg), np.radians(90.0 - clearance_deg - rake_deg)
    loss_um = 35.0
    end = np.where(S_UM < 0, loss_um / np.sin(alpha), -1e3)
    # along the relief face the edge moves back by what the flat takes off the rake face
    back_um = loss_um * np.cos(beta) / np.sin(alpha + beta)
    silhouette = np.where(S_UM < 0, back_um, 0.0)
    strip = face(silhouette, bands=[(end, FACE * 1.5, False)])
    land = find_land(scene(strip, silhouette_um=silhouette, radius_um=3.0), None)
    per_loss = land.mean.value * np.cos(alpha) / loss_um
    u = land.mean.u * np.cos(alpha) / loss_um
    assert abs(per_loss - original) < 1.96 * u
    assert abs(per_loss - receded) > 1.96 * u


def test_rounding_and_flat_of_the_edge_model_meet_without_a_step(monkeypatch):
    monkeypatch.syspath_prepend(str(SAMPLES))
    model = importlib.import_module("edge_model")
    land_um = np.linspace(0.0, 200.0, 4001)
    shape = model.corners(60.0, 15.0, np.full(land_um.size, 30.0), land_um)
    assert np.abs(np.diff(shape.recession)).max() < 0.02
    assert not shape.flat[0]
    assert shape.flat[-1]
    # a plain rounded wedge: r (cot(β/2) - 1)
    assert shape.recession[0] == pytest.approx(30.0 * model.recession_factor(60.0))
