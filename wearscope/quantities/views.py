"""The views in which a bit is photographed: what each is called, and which quantities it can tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ViewKey = Literal["relief", "rake", "profile", "part"]


@dataclass(frozen=True)
class View:
    """What a view is.

    Attributes
    ----------
    key : str
        As in a trial file and in ``measurements.csv``.
    label : str
        What it is called.
    quantities : tuple of str
        Keys of the quantities that its rows may hold, in no order.
    """

    key: ViewKey
    label: str
    quantities: tuple[str, ...]

    def holds(self, quantity: str) -> bool:
        """Whether its rows may hold a quantity.

        Parameters
        ----------
        quantity : str
            As in ``measurements.csv``.

        Returns
        -------
        bool
        """
        return quantity in self.quantities

    @property
    def shows_transition(self) -> bool:
        """Whether it shows the edge lengthwise, used beside unused."""
        return self.holds("transition_x_px")


_ALONG_THE_EDGE = (
    "transition_x_px",
    "transition_y_px",
    "used_length",
    "edge_recession",
    "edge_radius",
    "coating_loss",
    "coating_setback",
    "chip_count",
    "chip_depth_max",
    "chip_length",
    "edge_roughness",
    "sharpness",
    "registration_residual",
)
_OF_THE_SECTION = (
    "edge_radius",
    "wedge_angle",
    "apex_to_arc",
    "departure_length_a",
    "departure_length_b",
    "departure_ratio",
    "sharpness",
)

RELIEF = View("relief", "relief face", (*_ALONG_THE_EDGE, "wear_land", "wear_land_max"))
RAKE = View("rake", "rake face", _ALONG_THE_EDGE)
PROFILE = View("profile", "profile view", _OF_THE_SECTION)
PART = View("part", "edge of the part", ("tear_out_max", "tear_out_share"))

VIEWS: dict[str, View] = {view.key: view for view in (RELIEF, RAKE, PROFILE, PART)}
"""Every view by its key, the usual one first."""

NAMED = " or ".join(", ".join(f'"{key}"' for key in VIEWS).rsplit(", ", 1))
"""Every view as people are told to write it."""

USUAL = RELIEF
"""The view that goes without saying."""


def suffix(key: str, before: str = "") -> str:
    """Name of a view where it does not go without saying.

    Parameters
    ----------
    key : str
        Of the view.
    before : str
        What stands before the name, such as ``"-"`` in a file name.

    Returns
    -------
    str
        Empty for the usual view.

    Examples
    --------
    >>> suffix("rake", "-"), suffix("relief", "-")
    ('-rake', '')
    """
    return "" if key == USUAL.key else f"{before}{key}"
