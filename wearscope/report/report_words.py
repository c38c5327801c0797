"""What the report says whatever was measured: how to change bits safely, and where the numbers come from."""

from __future__ import annotations

CAUTIONS = (
    "A router bit is sharp, also when it is worn out. Hold it by the shank, in cut-resistant gloves, never "
    "near anything that turns.",
    "Before you reach in: spindle off, at rest and locked, and the machine unplugged or isolated and secured "
    "against being switched on.",
    "A chipped or cracked bit is scrap, whatever its numbers say. Take it out of use at once.",
    "Never exceed the maker's maximum speed, nor clamp less shank than the maker states.",
    "When the machine runs: eye and ear protection, and extraction or a mask against dust.",
    "The rules of your shop and country, the makers' manuals and the people qualified for your machine decide."
    " A life says when wear reaches your limit, not how long a bit is safe.",
)
"""Where bits are changed or looked at; the README's "Take care" says the same at length."""

METHOD = (
    (
        "What was measured",
        "On a photograph of the flute the cutting edge is found and laid straight. The edge that has cut is "
        "compared with the edge above the depth of cut in the same photo, and with the photo of the same flute"
        " when new, which is recognised by its grinding marks. A model of the light across a rounded edge is "
        "fitted to the mean profile of each zone, and gives edge recession and edge radius together. Coating "
        "loss is the share of the first 100 µm from the edge that shows bare substrate; the wear land is the "
        "flat worn on the relief face. On a profile view the arc and both faces are fitted to the outline.",
    ),
    (
        "Uncertainty",
        "Every number carries its standard uncertainty, combined to first order (JCGM 100:2008, GUM) from "
        "noise, the fit, the wedge angle, the tilt of the view, the line of the new edge and the scale. ± and "
        "ranges hold with 95 % probability. A change that is not above 3.29 times its standard uncertainty is "
        'told as "no wear seen" with the most that it can be. A doubtful number has a reason not to be '
        "trusted, and counts less in a curve; a refused one says what would help.",
    ),
    (
        "Wear curves and life",
        "A line, a power law, a saturating curve, the three stages of wear and curves that quicken late are fitted "
        "to all flutes of a bit, each counting as much as the points speak for it. Between two photos and after the "
        "last, wear may come by fits and starts; what is drawn and what is said of a life are the same curves. A bit "
        "is worn out when its worst flute reaches the first limit. Beyond twice the parts cut nothing is promised. "
        "Before anything is seen, the kinds of a trial are taken to last alike within six times either way; how much "
        "bits of one kind differ is found from those that were tried, or assumed where only one was.",
    ),
    (
        "Cost",
        "Cost per part is price, regrinds and change-overs less resale, over the parts of all lives. The "
        "chance to be the cheapest counts how often each bit is, over all lives that the curves allow.",
    ),
)

CURVES_CAPTION = (
    "Points are flutes with their 95 % intervals; bands are what the worst flute may do. Nothing is promised "
    "further than the curves are drawn."
)
COSTS_CAPTION = (
    "Thin bars: 95 % range; thick: 50 %; stroke: the middle. An arrow means that it may cost less, if the bit "
    "lasts longer than can be promised."
)
PLOTS_HINT = (
    "The same with all bits in one picture. Touch or point at a curve or point to read it; touch a name to hide that "
    "bit."
)
