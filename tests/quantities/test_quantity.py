from __future__ import annotations

import pytest

from wearscope.quantities.quantity import LIMITS, QUANTITIES, listed_at
from wearscope.trial import Life

DESIGN = (
    "transition_x_px", "transition_y_px", "used_length", "edge_recession", "edge_radius", "wedge_angle", "apex_to_arc",
    "departure_length_a", "departure_length_b", "departure_ratio", "wear_land", "wear_land_max", "coating_loss",
    "coating_setback", "chip_count", "chip_depth_max", "chip_length", "edge_roughness", "tear_out_max", "tear_out_share",
    "sharpness", "registration_residual",
)  # fmt: skip


def test_every_quantity_of_the_design_has_its_rank():
    """The order of the table of quantities in the design."""
    ranks = [listed_at(key, "whole")[0] for key in DESIGN]
    assert ranks == sorted(set(ranks))
    assert set(QUANTITIES) == set(DESIGN)
    assert listed_at("something_newer", "used") > listed_at(DESIGN[-1], "whole")
    assert (
        listed_at("edge_radius", "used")
        < listed_at("edge_radius", "unused")
        < listed_at("edge_radius", "difference")
    )


def test_a_limit_of_life_follows_from_its_quantity():
    keys = {limit.key for limit in LIMITS.values()}
    assert set(Life.toml_keys()) == keys | {f"u_{key}" for key in keys} | {"bit_to_bit"}
    assert Life(wear_land_um=200, u_wear_land_um=5).limited == ("wear_land",)
    assert Life(wear_land_um=200, u_wear_land_um=5).u_of("wear_land") == 5
    with pytest.raises(ValueError, match="u_wear_land_um without wear_land_um"):
        Life(u_wear_land_um=5)
