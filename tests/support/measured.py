"""Measured strips with fits of stated size, for estimators that start from one."""

from __future__ import annotations

import numpy as np

from wearscope.light.edge_light import LightFit
from wearscope.light.strip import UNUSED, USED
from wearscope.metrology.uncertainty import Input, linear
from wearscope.wear.coating_map import CoatingMap
from wearscope.wear.datum import Datum, Zones
from wearscope.wear.measured import Edge, MeasuredStrip, ZoneFits
from wearscope.wear.wedge import recession_factor, view_tilt
from wearscope.wear.zones import Transition


def light_fit(
    zone="used", silhouette_um=0.0, radius_um=20.0, u_silhouette_um=0.5, u_radius_um=1.0, blur_um=4.5
):
    silhouette, radius = (
        linear(value, [(1.0, Input(f"{name} ({zone})", 0.0, u))])
        for name, value, u in (
            ("silhouette", silhouette_um, u_silhouette_um),
            ("radius", radius_um, u_radius_um),
        )
    )
    return LightFit(silhouette, radius, np.radians(42.0), 0.15, blur_um, 0.005, float("nan"))


def edge(*, tilt=0.0, u_tilt=0.026, coated=False):
    factor = recession_factor(np.radians(60.0), np.radians(0.5))
    return Edge((6.0, 1.0), True, factor, None, view_tilt(tilt, u_tilt), coated)


def datum(departure_um, residual_um=0.4, u_um=0.8):
    columns = len(departure_um)
    return Datum(departure_um, np.full((columns, 1), u_um), residual_um, np.zeros(columns), 50.0)


def zones(labels, transition_um=0.0, used_side=-1):
    """Of labels; the transition is left out where they are of one kind."""
    both = (labels == USED).any() and (labels == UNUSED).any()
    return Zones(Transition(transition_um, 20.0, used_side, ()) if both else None, labels, (), None)


def measured(
    strip,
    labels,
    silhouette_um,
    *,
    departure_um=None,
    used=None,
    unused=None,
    used_side=-1,
    residual_um=0.4,
    new=None,
    u_scale=5e-4,
    **of_edge,
):
    departure_um = silhouette_um if departure_um is None else departure_um
    return MeasuredStrip(
        strip,
        departure_um,
        silhouette_um,
        silhouette_um,
        zones(labels, used_side=used_side),
        ZoneFits(unused, used),
        edge(**of_edge),
        u_scale,
        datum(departure_um, residual_um),
        new,
    )


def coating_map(bare):
    """A map of what is bare on a strip, all of it readable."""
    columns = bare.shape[1]
    return CoatingMap(bare, np.zeros(columns), np.zeros(columns), True, 0.0, False, 1.0)
