"""The measured strip of an edge view: what every estimator of wear starts from."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.light.edge_light import LightFit
from wearscope.light.strip import UNUSED, USED, Strip
from wearscope.metrology.uncertainty import Budget, Input
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import Reason
from wearscope.wear.datum import Datum, Zones
from wearscope.wear.wedge import square_on

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_DEPARTURE_UM = 3.0  # of the trace, that gives a proportion; chosen, no source
PROPORTION = (0.2, 1.5)  # of recession to departure: no clean edge goes beyond; chosen, no source
OUTSIDE_UM = (
    70.0  # outside the edge, from where on nothing has a say in what is read inside; chosen, no source
)
LABEL_OF: dict[Zone, int] = {"used": USED, "unused": UNUSED}


@dataclass(frozen=True)
class Edge:
    """What is known of a bit's edge before the photo: from the trial file, or broad assumptions.

    Attributes
    ----------
    radius_um : (float, float)
        Edge radius when new and its standard uncertainty.
    radius_stated : bool
    factor : Budget or None
        Recession per radius. None at a wedge angle of 90° and more, or where the view is tilted too far.
    why_no_factor : Reason or None
    tilt : Budget
        View tilt, radians (`wedge.view_tilt`).
    coated : bool
    doubts : tuple of Reason
        Why recession and radius are doubtful whatever the photo shows.
    """

    radius_um: tuple[float, float]
    radius_stated: bool
    factor: Budget | None
    why_no_factor: Reason | None
    tilt: Budget
    coated: bool
    doubts: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class ZoneFits:
    """The light fitted across the edge in each zone of a photo; None where there is none.

    Attributes
    ----------
    unused, used : LightFit or None
    """

    unused: LightFit | None
    used: LightFit | None

    def of(self, zone: Zone) -> LightFit | None:
        """That of one zone.

        Parameters
        ----------
        zone : str

        Returns
        -------
        LightFit or None
        """
        return self.used if zone == "used" else self.unused


@dataclass(frozen=True, eq=False)
class MeasuredStrip:
    """A strip of an edge view with what was found of its edge.

    Attributes
    ----------
    strip : Strip
        Cut along the new-state line, which is d = 0.
    departure_um : ndarray, shape (S,)
        Depth of the trace; NaN where it is not seen.
    silhouette_um, recession_um : ndarray, shape (S,)
        Depth of the silhouette, and how far it lies behind where it was when new.
    zones : Zones
    fits : ZoneFits
    edge : Edge
    u_scale, u_scale_along : float
        Relative standard uncertainty of a length across the edge, and along it, by the scale.
    datum : Datum or None
        The new-state line; None in a photo of the new state.
    new : Strip or None
        The new-state photo's, on the same axes.
    grey : bool
        Whether the photo is without colour.
    in_sight : ndarray of bool, shape (S,), or None
        Where nothing lies over the edge; None where that was not asked.
    """

    strip: Strip
    departure_um: Array
    silhouette_um: Array
    recession_um: Array
    zones: Zones
    fits: ZoneFits
    edge: Edge
    u_scale: float
    datum: Datum | None = None
    new: Strip | None = None
    grey: bool = False
    u_scale_along: float = 0.0
    in_sight: Mask | None = None

    @property
    def labels(self) -> NDArray[np.int8]:
        """Zone of each column, shape (S,)."""
        return self.zones.labels

    @property
    def labels_in_sight(self) -> NDArray[np.int8]:
        """The same without columns in which something lies over the edge, shape (S,)."""
        return self.labels if self.in_sight is None else np.where(self.in_sight, self.labels, np.int8(0))

    @property
    def whole(self) -> Zone:
        """Zone of all of the edge where no transition is seen."""
        return "unused" if self.datum is None else "used"

    @property
    def kept(self) -> tuple[Zone, ...]:
        """Zones that have rows of their own."""
        return ("used", "unused") if self.zones.transition is not None else (self.whole,)

    def columns(self, zone: Zone) -> Mask:
        """Columns of a zone, shape (S,).

        Parameters
        ----------
        zone : str

        Returns
        -------
        ndarray of bool, shape (S,)
        """
        return np.asarray(self.labels == LABEL_OF[zone])

    def line_error(self) -> Input | None:
        """How far the new-state line may lie off under the used zone, µm; None where no unused zone is seen.

        Returns
        -------
        Input or None
        """
        if self.datum is None or not self.columns("unused").any():
            return None
        return self.datum.line_error(self.columns("used"))

    def with_fits(self, fits: ZoneFits) -> MeasuredStrip:
        """The same strip with other fits, and the silhouette that follows from them.

        Parameters
        ----------
        fits : ZoneFits

        Returns
        -------
        MeasuredStrip
        """
        silhouette_um, recession_um = silhouette_along(
            self.zones, self.departure_um, fits, self.edge.tilt.value
        )
        return replace(self, fits=fits, silhouette_um=silhouette_um, recession_um=recession_um)


def measured_strip(
    strip: Strip,
    departure_um: Array,
    zones: Zones,
    fits: ZoneFits,
    edge: Edge,
    u_scale: float,
    *,
    datum: Datum | None = None,
    new: Strip | None = None,
    grey: bool = False,
    u_scale_along: float = 0.0,
    in_sight: Mask | None = None,
) -> MeasuredStrip:
    """A strip with the silhouette that follows from its trace and its fits.

    Parameters
    ----------
    strip, departure_um, zones, fits, edge, u_scale, datum, new, grey, u_scale_along, in_sight
        As in `MeasuredStrip`.

    Returns
    -------
    MeasuredStrip
    """
    silhouette_um, recession_um = silhouette_along(zones, departure_um, fits, edge.tilt.value)
    return MeasuredStrip(
        strip,
        departure_um,
        silhouette_um,
        recession_um,
        zones,
        fits,
        edge,
        u_scale,
        datum,
        new,
        grey,
        u_scale_along,
        in_sight,
    )


def moved_along(departure_um: Array, labels: NDArray[np.int8], fits: ZoneFits) -> Array:
    """How far the silhouette has moved in the picture at each place along the edge, from the trace's departure.

    Parameters
    ----------
    departure_um : ndarray, shape (S,)
    labels : ndarray of int8, shape (S,)
    fits : ZoneFits

    Returns
    -------
    ndarray, shape (S,)

    Notes
    -----
    The trace and the silhouette both move in proportion to the radius, so the departure times one factor is what the
    silhouette has moved by; the factor is that of the zone means.
    """
    if fits.used is None or fits.unused is None:
        return departure_um.copy()
    used = labels == USED
    moved = float(np.nanmean(departure_um[used])) if np.isfinite(departure_um[used]).any() else 0.0
    recession = fits.used.silhouette_um - fits.unused.silhouette_um
    factor = recession / moved if moved > LEAST_DEPARTURE_UM else 1.0
    return departure_um * float(np.clip(factor, *PROPORTION))


def silhouette_along(
    zones: Zones, departure_um: Array, fits: ZoneFits, tilt: float = 0.0
) -> tuple[Array, Array]:
    """Silhouette (from the new-state line) and recession at each place along the edge.

    Parameters
    ----------
    zones : Zones
    departure_um : ndarray, shape (S,)
    fits : ZoneFits
    tilt : float
        Of the view, radians.

    Returns
    -------
    silhouette_um : ndarray, shape (S,)
        Distance of the silhouette from the new-state line, into the tool, in the picture.
    recession_um : ndarray, shape (S,)
        How far the edge has moved back as seen along the face normal; NaN where that is not known.
    """
    moved = moved_along(departure_um, zones.labels, fits)
    recession = square_on(moved, _grown_per_moved(fits) * moved, tilt)
    if zones.transition is None and fits.used is not None:
        return departure_um + fits.used.silhouette_um, recession
    if fits.unused is None:
        return departure_um.copy(), recession
    return fits.unused.silhouette_um + moved, recession


def _grown_per_moved(fits: ZoneFits) -> float:
    """Growth of the radius over what the silhouette has moved by; 0 where too little has moved to tell."""
    if fits.used is None or fits.unused is None:
        return 0.0
    moved_um = fits.used.silhouette_um - fits.unused.silhouette_um
    grown_um = fits.used.radius_um - fits.unused.radius_um
    return grown_um / moved_um if moved_um > LEAST_DEPARTURE_UM else 0.0


def scale_error(u_scale: float) -> Input:
    """The photo's scale over the true one.

    Parameters
    ----------
    u_scale : float
        Relative standard uncertainty.

    Returns
    -------
    Input
    """
    return Input("scale", 1.0, u_scale)
