"""The light along and across an edge: the strip, the model of the light, its fits."""
