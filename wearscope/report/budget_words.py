"""Uncertainty budgets for people: a few lines in plain words, the largest first, and what to improve next."""

from __future__ import annotations

import math
from dataclasses import dataclass

from wearscope.metrology.uncertainty import Budget

SMALLEST_SHARE = (
    0.005  # of the variance; smaller ones come together in a last line, if that is not smaller still
)
OTHERS = "all others"

_CARD = "put a white card behind the flute, and keep glare off the edge"
_FOCUS = "focus on the edge, or use a higher zoom"
# Whose own uncertainty means something to a person: unit, and shown u = u times the factor
_OWN_UNIT = {
    "ring angle": ("°", math.degrees(1.0)),
    "wedge angle": ("°", math.degrees(1.0)),
    "view tilt": ("°", math.degrees(1.0)),
    "turning of the helix": ("°", math.degrees(1.0)),
    "scale": ("%", 100.0),
    "radius when new": ("µm", 1.0),
    "new-state line drawn on": ("µm", 1.0),
    "silhouette": ("µm", 1.0),
    "border between the colours": ("µm", 1.0),
    "place of the transition along the edge": ("µm", 1.0),
    "depth of the edge at the transition": ("µm", 1.0),
}
ADVICE = {
    "light across the edge": _CARD,
    "silhouette": _CARD,
    "lamps and mirrored background": "light the flute with the lamp ring alone, before a plain white card",
    "roughness and colour of the edge": "clean the edge, and keep lamp and exposure the same",
    "blur": _FOCUS,
    "what the blur hides": _FOCUS,
    "depth of the edge at the transition": _FOCUS,
    "border between the colours": "use a higher zoom",
    "ring angle": "state ring_angle_deg, or measure it more closely",
    "radius when new": "state r_unused_um, or measure it more closely",
    "wedge angle": "measure the wedge angle more closely, and state u_wedge_angle_deg",
    "view tilt": "lay the relief face square to the camera, and state u_view_tilt_deg",
    "turning of the helix": "bring the transition to the middle of the frame, at a higher zoom",
    "light against wedge": "put a plain white card behind the flute, lay the face square, and check wedge_angle_deg",
    "fringes of colour": "bring the edge to the middle of the frame, where a lens draws the fewest fringes",
    "scatter along the edge": "put a plain white card behind the flute, and show more of the used edge",
    "new-state line drawn on": "show more of the unused edge, and clean it",
    "scale": "photograph the graticule again, sharp and at the same zoom",
    "noise of the colours": "use more light, and save the photo with less compression",
    "what cannot be read": "take the photo again with less glare",
    "coating that begins where nothing can be read": "take the photo again with less glare, at a higher zoom",
    "colours that stray": "clean the face and light it evenly",
    "faint colours": "light the face evenly, and set the white balance by hand",
    "place of the transition along the edge": "clean the edge, and bring the transition into sharp focus",
    "scatter of the trace": "clean the edge, and focus on it",
    "inner end of the flat": _FOCUS,
    "where no flat is seen": "light the face evenly, and clean it",
    "borders of the flat": _FOCUS,
    "other readings of the inner end": "clean the face, light it evenly, and focus on the inner end of the flat",
    "what the edge has moved back": "show more of the unused edge, or take a photo of the new state",
    "where contact ends": "show the unused edge beside the used one",
    "rounding taken for a flat": "look at the edge in profile",
    "silhouette when new": _CARD,
    "wandering of the inner end": "show more of the used edge",
    "what the rounding hides": "look at the edge in profile",
    "notches near the limit": "use a higher zoom",
    "notches by chance": "clean the edge",
    "what is too shallow to show": "put a white card behind the flute, and use a higher zoom",
    "rim of the notch": "use a higher zoom, and a card of another brightness than the edge",
    "ends of the notches": _FOCUS,
    "what the lamps' image hides": _CARD,
    "outline of the tip": "use more magnification, focus on the section, and clean it",
    "tilt of the section": "look straight along the edge, and state u_view_tilt_deg",
    "blur across the edge": "nothing; it judges the photo and needs to be no closer",
    "blur in the profile": "nothing; it judges the photo and needs to be no closer",
}


@dataclass(frozen=True)
class BudgetLine:
    """One line of a budget as shown.

    Attributes
    ----------
    name : str
    u : float or None
        The input's own standard uncertainty, in `u_unit`; None where it means nothing by itself.
    u_unit : str
    contribution : float
        Standard uncertainty that it gives the result, in the result's unit; negative where a correlation takes
        away from the others.
    share : float
        Of the result's variance.
    """

    name: str
    u: float | None
    u_unit: str
    contribution: float
    share: float


def lines(budget: Budget) -> list[BudgetLine]:
    """The budget by kind of input, largest first.

    What the light says of silhouette and radius, of used and unused edge, is one line; so is what an input does in
    several places.

    Parameters
    ----------
    budget : Budget

    Returns
    -------
    list of BudgetLine
    """
    shares: dict[str, float] = {}
    own: dict[str, float] = {}
    for term, share in zip(budget.terms, budget.shares.tolist(), strict=True):
        kind = term.source.kind
        shares[kind] = shares.get(kind, 0.0) + share
        own[kind] = max(own.get(kind, 0.0), term.source.u)
    small = [kind for kind, share in shares.items() if abs(share) < SMALLEST_SHARE]
    rest = sum(shares.pop(kind) for kind in small)
    ordered = sorted(shares.items(), key=lambda item: -item[1])
    if rest >= SMALLEST_SHARE:
        ordered.append((OTHERS, rest))
    found = []
    for kind, share in ordered:
        unit, factor = _OWN_UNIT.get(kind, ("", 0.0))
        contribution = math.copysign(math.sqrt(abs(share)), share) * budget.u
        found.append(BudgetLine(kind, own[kind] * factor if unit else None, unit, contribution, share))
    return found


def name_text(name: str) -> str:
    """Say the name of a line to people.

    Parameters
    ----------
    name : str
        As in a `BudgetLine`.

    Returns
    -------
    str
    """
    return name.replace("silhouette", "outline of the edge")


def what_to_improve(budget: Budget) -> str:
    """What would help most: keyed by the largest line of the budget; "" where there is nothing to say.

    Parameters
    ----------
    budget : Budget

    Returns
    -------
    str
    """
    largest = next(iter(lines(budget)), None)
    return ADVICE.get(largest.name, "") if largest else ""
