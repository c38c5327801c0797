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

METHOD_HEADING = "How the numbers are made"
METHOD = (
    (
        "What was measured",
        "On a photograph of the flute the cutting edge is found and laid straight. The edge that has cut is "
        "compared with the edge above the depth of cut in the same photo, and with the photo of the same flute "
        "when new, which is recognised by its grinding marks. How light falls across a rounded edge is reckoned "
        "for many sizes of rounding and laid over what each zone shows; the one that matches gives edge recession "
        "and edge radius together. Coating loss is the share of the first 100 µm from the edge that shows bare "
        "carbide; the wear land is the flat worn on the relief face. On a photo from the end of the edge (profile "
        "view) a rounding between two straight faces is laid over the outline.",
    ),
    (
        "How sure the numbers are",
        "What stands behind ± is how far a number may be off: the truth lies within it 95 times in 100, and so "
        "with every range from one value to another. It is added up (as JCGM 100:2008 has it) from the grain of "
        "the photo, what matches it about as well, the wedge angle, the tilt of the view, the line of the new edge"
        ' and the scale. A change too small to be told from the unevenness of the edge is told as "no wear seen" '
        "with the most that it can be. A doubtful number has a reason not to be trusted, and counts less in a "
        "curve; a refused one says what would help.",
    ),
    (
        "Wear curves and life",
        "Wear may go on steadily, ever slower, ever faster, in three stages, or quicken late: all of these are "
        "laid through the points of all flutes of a bit, and each counts as much as the points speak for it. "
        "Between two photos and after the last, wear may come by fits and starts; what is drawn and what is said "
        "of a life are the same curves. A bit is worn out when its worst flute reaches the first limit. Beyond "
        "twice the parts cut nothing is promised. Before anything is seen, the kinds of a trial are taken to last "
        "alike within six times either way; how much bits of one kind differ is found from those that were tried, "
        "or assumed where only one was.",
    ),
    (
        "Cost",
        "Cost per part is price, regrinds and change-overs less resale, over the parts of all lives. The "
        "chance to be the cheapest counts how often each bit is, over all lives that the curves allow.",
    ),
)

CURVES_CAPTION = (
    "Points are flutes, their bars hold the truth 95 times in 100; bands are what the worst flute may do, the dark"
    " one in half of all cases, the pale one in 95 of 100. Nothing is promised further than the curves are drawn."
)
COSTS_CAPTION = (
    "Thin bars hold the truth 95 times in 100, thick ones half of the time; the stroke is the middle. An arrow "
    "means that it may cost less, if the bit lasts longer than can be promised."
)
PLOTS_HINT = (
    "The same with all bits in one picture. Touch or point at a curve or point to read it; touch a name to hide that "
    "bit."
)
