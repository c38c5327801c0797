"""From which light on a place counts as burnt out: its brightness is then a lower bound, and its colour is lost."""

CLIPPED = 0.995
"""Of full light, to count burnt-out places: the highest code of 8 bits alone, for the one below it, 254 / 255 in
sRGB, is 0.991 (IEC 61966-2-1)."""

NEARLY_CLIPPED = 0.97
"""Of full light, to keep burnt-out places out of a fit: up to four codes of 8 bits lower, for reading between
pixels and JPEG's ringing leave places below full light that clipping has flattened. Chosen, no source."""
