"""Every view is an entry in one registry, and its photos give the rows that it says."""

from __future__ import annotations

from typing import get_args

import pytest
import sections
from pictures import Flute, measured, write_trial
from sections import Wedge
from seldom import seldom

from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.inspection import EdgeDrawing, SectionDrawing
from wearscope.pipeline.sources import read_scales
from wearscope.pipeline.views import WAYS, way_of
from wearscope.quantities.quantity import QUANTITIES, ViewKey
from wearscope.quantities.views import RELIEF, USUAL, VIEWS, suffix
from wearscope.trial import load_trial


def test_every_view_that_a_trial_file_may_name_has_its_way():
    assert set(WAYS) == set(VIEWS) == set(get_args(ViewKey))
    assert all(way.view is VIEWS[key] and VIEWS[key].key == key for key, way in WAYS.items())


def test_every_quantity_is_told_by_some_view():
    assert {key for view in VIEWS.values() for key in view.quantities} == set(QUANTITIES)


def test_what_only_one_view_shows():
    # ISO 8688-2: the wear land is a band on the flank, which is the relief face
    assert [view.key for view in VIEWS.values() if view.holds("wear_land")] == ["relief"]
    assert [view.key for view in VIEWS.values() if view.holds("wedge_angle")] == ["profile"]
    assert [view.key for view in VIEWS.values() if view.holds("tear_out_max")] == ["part"]
    assert RELIEF.shows_transition
    assert VIEWS["rake"].shows_transition
    assert not VIEWS["profile"].shows_transition


def test_the_usual_view_goes_without_saying():
    assert suffix(USUAL.key, "-") == ""
    assert (suffix("rake"), suffix("profile", " ")) == ("rake", " profile")


@pytest.mark.parametrize("view", [seldom("relief"), "rake"])
def test_a_later_photo_of_a_coated_bit_has_every_row_of_its_view(tmp_path, view):
    flutes = {0: Flute(), 100: Flute().worn()}
    write_trial(tmp_path, {parts: flute.save(tmp_path / f"{parts}.png") for parts, flute in flutes.items()})
    file = tmp_path / "trial.toml"
    file.write_text(file.read_text().replace('view = "relief"', f'view = "{view}"'))
    found = measured(load_trial(file), 100)
    assert isinstance(found.drawing, EdgeDrawing)
    assert {row.quantity for row in found.records} == set(way_of(found.entry).view.quantities)


@pytest.mark.parametrize("parts", [0, seldom(100)])
def test_a_profile_photo_has_every_row_of_its_view(tmp_path, parts):
    wedge = Wedge(radius_px=40, wedge_deg=60, blur_px=1.2, turned_deg=10, backlit=True, size=(360, 400))
    trial = sections.write_trial(tmp_path, {parts: wedge.save(tmp_path / "tip.png")}, wedge_deg=60)
    found = inspect_photo(trial, trial.photos[0], read_scales(trial)[0])
    assert isinstance(found.drawing, SectionDrawing)
    assert {row.quantity for row in found.records} == set(way_of(found.entry).view.quantities)
