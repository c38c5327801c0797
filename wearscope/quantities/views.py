"""The views in which a bit is photographed: what each is called, and which quantities it can tell."""

from __future__ import annotations

from dataclasses import dataclass

from wearscope.quantities.quantity import IN_ORDER, VIEW_LABELS, ViewKey


@dataclass(frozen=True)
class View:
    """What a view is.

    Attributes
    ----------
    key : str
        As in a trial file and in ``measurements.csv``.
    label : str
        What it is called.
    """

    key: ViewKey
    label: str

    @property
    def quantities(self) -> tuple[str, ...]:
        """Keys of the quantities that its rows may hold, in the order in which they are listed."""
        return tuple(each.key for each in IN_ORDER if self.key in each.views)

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


VIEWS: dict[str, View] = {key: View(key, label) for key, label in VIEW_LABELS.items()}
"""Every view by its key, the usual one first."""

RELIEF = VIEWS["relief"]
"""The one view that shows a wear land: ISO 8688-2 has it on the flank."""

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
