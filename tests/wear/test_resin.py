"""Resin on drawn edges: what is taken for it, and what is not. That burnt resin is brown: common practice, no source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faces import FACE, S_UM, STEP_UM, face

from wearscope.metrology.findings import found, refused
from wearscope.quantities.reasons import reason
from wearscope.wear.resin import BESIDE_UM, Resin, resin_columns

BROWN, GOLD = (0.2, 0.1, 0.03), (0.55, 0.4, 0.17)
CARD = (0.7, 0.7, 0.7)
HERE = (S_UM > -1000.0) & (S_UM < -400.0)


def with_film(proud_um=0.0, deep_um=45.0, *, colour=BROWN, **how):
    """An edge at d = 0 with a film over part of it, from `proud_um` outside to `deep_um` inside."""
    edge = np.where(HERE, -proud_um, 0.0)
    return face(edge, bands=[(np.where(HERE, deep_um, -500.0), colour, False)], **how), edge


class TestColumns:
    @pytest.mark.parametrize("background", [(0.02, 0.02, 0.02), CARD])
    @pytest.mark.parametrize("proud_um", [0.0, 20.0])
    @pytest.mark.parametrize("traced", ["resin", "tool"])
    def test_a_film_is_found_where_it_is(self, background, proud_um, traced):
        strip, edge = with_film(proud_um, background=background)
        covered = resin_columns(strip, edge if traced == "resin" else np.zeros_like(edge))
        assert covered[HERE].all()
        assert covered.sum() * STEP_UM <= HERE.sum() * STEP_UM + 2 * (BESIDE_UM + 10 * STEP_UM)

    def test_a_trace_along_the_inner_side_of_a_dark_film_finds_it_too(self):
        strip, _ = with_film()
        assert resin_columns(strip, np.where(HERE, 45.0, 0.0))[HERE].all()

    @pytest.mark.parametrize("colour", [tuple(FACE), (0.1, 0.1, 0.1), (0.75, 0.75, 0.75)])
    def test_bare_or_shaded_metal_is_not_resin(self, colour):
        strip, edge = with_film(colour=colour, background=CARD)
        assert not resin_columns(strip, edge).any()

    def test_a_coating_that_has_gone_is_not_resin(self):
        strip, edge = with_film(colour=(0.34, 0.33, 0.35))
        coated = replace(strip, light=(strip.light * np.array(GOLD) / FACE).astype(np.float32))
        bare = (
            np.broadcast_to(HERE, strip.light.shape[:2])
            & (strip.d_um > 0.0)[:, None]
            & (strip.d_um < 45.0)[:, None]
        )
        light = np.where(bare[..., None], strip.light, coated.light)
        assert not resin_columns(replace(strip, light=light), edge).any()

    def test_a_brown_bench_mirrored_in_the_edge_is_not_resin(self):
        strip, edge = with_film(colour=(0.15, 0.1, 0.05), background=(0.3, 0.2, 0.1))
        assert not resin_columns(strip, edge).any()

    def test_a_photo_without_colour_shows_none(self):
        strip, edge = with_film()
        grey = np.repeat(strip.light.mean(axis=2, keepdims=True), 3, axis=2)
        assert not resin_columns(replace(strip, light=grey), edge).any()

    def test_an_edge_that_is_not_seen_shows_none(self):
        strip, edge = with_film()
        assert not resin_columns(strip, np.full_like(edge, np.nan)).any()


FINDINGS = [
    found("edge_recession", "difference", 20.0, 1.0, "light-fit"),
    found("edge_radius", "used", 3.0, 1.0, "light-fit", limit=5.0),
    found("edge_radius", "unused", 6.0, 1.0, "light-fit"),
    found("chip_count", "used", 2.0, 0.1, "light-fit"),
    refused("coating_loss", "used", reason("coating-colour-unread"), "light-fit"),
]


class TestRows:
    def test_a_clean_edge_changes_nothing(self):
        assert Resin(0.0, True).on(FINDINGS) == FINDINGS

    def test_a_few_beads_are_left_out_and_named(self):
        recession, radius, unused, chips, coating = Resin(0.2, True).on(FINDINGS)
        assert (recession.status, radius.status) == ("ok", "below_detection")
        assert recession.reasons == (reason("resin-left-out", share=0.2),)
        assert chips.status == "doubtful"
        assert [each.code for each in chips.reasons] == ["resin-left-out", "resin-beads"]
        assert (unused, coating) == (FINDINGS[2], FINDINGS[4])

    @pytest.mark.parametrize("resin", [Resin(0.7, True), Resin(0.2, False)])
    def test_a_covered_edge_is_doubtful_even_where_it_looks_unworn(self, resin):
        recession, radius, unused, _, coating = resin.on(FINDINGS)
        assert (recession.status, radius.status) == ("doubtful", "doubtful")
        assert [each.code for each in recession.reasons] == ["resin-covers"]
        assert recession.value == FINDINGS[0].value
        assert (unused, coating) == (FINDINGS[2], FINDINGS[4])
