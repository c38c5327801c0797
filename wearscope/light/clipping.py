"""From which light on a place counts as burnt out: its brightness is then a lower bound, and its colour is lost."""

CLIPPED = 0.995
"""Of full light, for a single value: the highest code of 8 bits alone, since the one below it, 254 / 255 in sRGB,
is 0.991 (IEC 61966-2-1)."""

CLIPPED_MEAN = 0.97
"""Of full light, for a mean over values or one read between them: some of those that went into it have to be
clipped. Four values at 0.95 that have twice as many clipped neighbours average to this; chosen, no source."""
