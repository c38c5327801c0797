"""The order in which records are listed, whatever the order they were measured in."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import get_args

from wearscope.log.records import Record
from wearscope.quantities.quantity import Zone

_QUANTITIES = (
    "transition_x_px",
    "transition_y_px",
    "used_length",
    "edge_recession",
    "edge_radius",
    "wedge_angle",
    "apex_to_arc",
    "departure_length_a",
    "departure_length_b",
    "departure_ratio",
    "wear_land",
    "wear_land_max",
    "coating_loss",
    "coating_setback",
    "chip_count",
    "chip_depth_max",
    "chip_length",
    "sharpness",
    "registration_residual",
)
_QUANTITY_RANK = {quantity: rank for rank, quantity in enumerate(_QUANTITIES)}
_ZONE_RANK = {zone: rank for rank, zone in enumerate(get_args(Zone))}


def natural_key(text: str) -> tuple[object, ...]:
    """Sort key by which "bit 2" comes before "bit 10"."""
    pieces = re.findall(r"[0-9]+|[^0-9]+", text)
    return (*((0, int(p)) if p[0] in "0123456789" else (1, p.casefold()) for p in pieces), (-1, text))


def in_order(records: Iterable[Record]) -> list[Record]:
    """Sort records by bit, flute, parts and view, then by quantity and zone as documented."""
    return sorted(records, key=_key)


def quantity_key(quantity: str, zone: Zone) -> tuple[int, str, int]:
    """Sort key by which quantities and zones come in the order documented, unknown ones last."""
    return _QUANTITY_RANK.get(quantity, len(_QUANTITIES)), quantity, _ZONE_RANK[zone]


def _key(record: Record) -> tuple[object, ...]:
    return (
        natural_key(record.bit),
        record.flute,
        record.parts,
        record.view,
        *quantity_key(record.quantity, record.zone),
    )
