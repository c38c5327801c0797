"""What is measured: what each quantity is called, its unit, its place among the others, and which views tell it."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Literal, get_args

Zone = Literal["used", "unused", "difference", "whole"]
Status = Literal["ok", "below_detection", "doubtful", "refused"]
ViewKey = Literal["relief", "rake", "profile", "part"]

VIEW_LABELS: dict[ViewKey, str] = {
    "relief": "relief face",
    "rake": "rake face",
    "profile": "profile view",
    "part": "edge of the part",
}
"""What each view is called, the usual one first."""

_FACES: tuple[ViewKey, ...] = ("relief", "rake")


@dataclass(frozen=True)
class LifeLimit:
    """How a quantity can end the life of a bit.

    Attributes
    ----------
    key : str
        Of the limit in the trial file's ``[life]``; that of its standard uncertainty is ``u_`` and this.
    zones : tuple of str
        Zones whose rows say how worn the bit is.
    most : float
        What it can come to at most, in the unit of the quantity.
    of_coating : bool
        Whether only a coated bit can end by it.
    by_face : bool
        Whether relief and rake face wear apart.
    usual : bool
        Whether it is followed where a trial states no limit at all.
    sudden : bool
        Whether it does not grow but happens, so that no curve foretells it.
    default : float or None
        The limit where a trial states none; None for no limit.
    """

    key: str
    zones: tuple[Zone, ...]
    most: float = inf
    of_coating: bool = False
    by_face: bool = False
    usual: bool = False
    sudden: bool = False
    default: float | None = None


DEEPEST_CHIP_UM = 50.0
"""Depth from which a chip ends the life of a bit where the trial does not say: the ridge that such a nick leaves on
every part is seen under lacquer. Common practice, no source."""


@dataclass(frozen=True)
class Quantity:
    """What a quantity is.

    Attributes
    ----------
    key : str
        As in ``measurements.csv``.
    unit : str
        Of the recorded values, in plain ASCII.
    label : str
        What it is called, without the zone.
    shown_unit : str
        Unit as people see it; may be empty.
    views : tuple of str
        Keys of the views that tell it.
    shown_factor : float
        Shown value = recorded value times this.
    unseen : str
        What is said where it is below its detection limit.
    counted : bool
        Whether it is a number of things.
    of_the_photo : bool
        Whether it says how a photo was taken, not how worn the flute is.
    life : LifeLimit or None
        How it can end the life of a bit.
    by_scale : bool
        Whether it rests on the scale: lengths do, and whatever is counted within or beyond a length.
    main : bool
        Whether a photo is taken for it: where another number alone is doubtful, the photo as a whole is not.
    """

    key: str
    unit: str
    label: str
    shown_unit: str
    views: tuple[ViewKey, ...]
    shown_factor: float = 1.0
    unseen: str = "none seen"
    counted: bool = False
    of_the_photo: bool = False
    life: LifeLimit | None = None
    by_scale: bool = True
    main: bool = False


_NO_WEAR, _NO_LOSS = "no wear seen", "no loss seen"

IN_ORDER: tuple[Quantity, ...] = (
    Quantity(
        "transition_x_px",
        "px",
        "depth-of-cut transition, column",
        "px",
        _FACES,
        of_the_photo=True,
        by_scale=False,
    ),
    Quantity(
        "transition_y_px",
        "px",
        "depth-of-cut transition, row",
        "px",
        _FACES,
        of_the_photo=True,
        by_scale=False,
    ),
    Quantity("used_length", "mm", "used edge in the photo", "mm", _FACES, of_the_photo=True),
    Quantity(
        "edge_recession",
        "um",
        "edge recession",
        "µm",
        _FACES,
        unseen=_NO_WEAR,
        life=LifeLimit("edge_recession_um", ("difference",)),
        main=True,
    ),
    Quantity(
        "edge_radius",
        "um",
        "edge radius",
        "µm",
        (*_FACES, "profile"),
        unseen=_NO_WEAR,
        life=LifeLimit("edge_radius_um", ("used", "whole"), usual=True),
        main=True,
    ),
    Quantity("wedge_angle", "deg", "wedge angle", "°", ("profile",), by_scale=False, main=True),
    Quantity("apex_to_arc", "um", "apex to arc", "µm", ("profile",)),
    Quantity("departure_length_a", "um", "departure length a", "µm", ("profile",)),
    Quantity("departure_length_b", "um", "departure length b", "µm", ("profile",)),
    Quantity("departure_ratio", "1", "departure ratio, a over b", "", ("profile",), by_scale=False),
    Quantity(
        "wear_land",
        "um",
        "wear land, mean",
        "µm",
        ("relief",),
        life=LifeLimit("wear_land_um", ("used",)),
        main=True,
    ),
    Quantity(
        "wear_land_max",
        "um",
        "wear land, widest",
        "µm",
        ("relief",),
        life=LifeLimit("wear_land_max_um", ("used",)),
    ),
    Quantity(
        "coating_loss",
        "1",
        "coating loss",
        "%",
        _FACES,
        100.0,
        unseen=_NO_LOSS,
        life=LifeLimit("coating_loss", ("used",), most=1.0, of_coating=True, by_face=True, usual=True),
        main=True,
    ),
    Quantity("coating_setback", "um", "coating setback", "µm", _FACES, unseen=_NO_LOSS),
    Quantity("chip_count", "1", "chips", "", _FACES, counted=True),
    Quantity(
        "chip_depth_max",
        "um",
        "deepest chip",
        "µm",
        _FACES,
        life=LifeLimit("chip_depth_max_um", ("used",), sudden=True, default=DEEPEST_CHIP_UM),
    ),
    Quantity("chip_length", "um", "length lost to chips", "µm", _FACES),
    Quantity("edge_roughness", "um", "edge roughness", "µm", _FACES),
    Quantity("tear_out_max", "um", "deepest break-out", "µm", ("part",), main=True),
    Quantity("tear_out_share", "1", "edge broken out", "%", ("part",), 100.0, main=True),
    Quantity("sharpness", "um", "blur of the edge", "µm", (*_FACES, "profile"), of_the_photo=True),
    Quantity("registration_residual", "um", "misfit to the new-state photo", "µm", _FACES, of_the_photo=True),
)
"""Every quantity, in the order in which rows are listed."""

QUANTITIES: dict[str, Quantity] = {each.key: each for each in IN_ORDER}
LIMITS: dict[str, LifeLimit] = {each.key: each.life for each in IN_ORDER if each.life}
"""Quantities that can end the life of a bit, and how."""

_RANK = {each.key: rank for rank, each in enumerate(IN_ORDER)}
_ZONE_RANK = {zone: rank for rank, zone in enumerate(get_args(Zone))}


def quantity_of(key: str) -> Quantity:
    """The quantity of a key; one that is not known (of a newer version's log) goes under its own name.

    Parameters
    ----------
    key : str
        As in ``measurements.csv``.

    Returns
    -------
    Quantity
    """
    return QUANTITIES.get(key) or Quantity(key, "", key.replace("_", " "), "", ())


def listed_at(key: str, zone: Zone) -> tuple[int, str, int]:
    """Sort key by which quantities and zones come in the documented order, unknown ones last.

    Parameters
    ----------
    key : str
    zone : str

    Returns
    -------
    tuple
    """
    return _RANK.get(key, len(IN_ORDER)), key, _ZONE_RANK[zone]
