"""What a trial file lists: scales, bits and the photos of their flutes.

Field names are the keys of ``trial.toml``. The description of a field says what is allowed there; it is
shown to the person whose file says something else, so it is written for them. Ranges refuse only what
cannot be (a micron value written in millimetres, an angle of no wedge), never what is merely unusual.
"""

from __future__ import annotations

from collections.abc import Set
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from wearscope.quantities.quantity import ViewKey
from wearscope.quantities.views import NAMED, USUAL
from wearscope.trial.entry import (
    DEPTH,
    FEED,
    MONEY,
    RPM,
    UNIT,
    DepthOfCut,
    Entry,
    FeedRate,
    Money,
    Place,
    Polyline,
    ProgramUnit,
    Radius,
    Rpm,
    SignedAngle,
    Text,
    UmPerPx,
    UncertaintyAngle,
    UncertaintyUmPerPx,
    alone,
    below,
    not_radians,
)

BROAD_WEDGE_DEG = 60.0, 8.0
"""Wedge angle of a router bit of which nothing is known, and its standard uncertainty; common practice, no source."""


class ScaleEntry(Entry):
    """How photos taken with one microscope setting are put on a scale.

    Attributes
    ----------
    name : str
    graticule : str or None
        Photo of a graticule, as written in the trial file; `graticule_path` is where it lies.
    division_um : float or None
        Pitch of the graticule, in µm.
    um_per_px, u_um_per_px : float or None
        A known scale and its standard uncertainty, in µm per pixel, instead of a graticule.
    ring_angle_deg : float or None
        Angle between the view axis and the beam of the lamp ring, in degrees.
    u_ring_angle_deg : float
        Its standard uncertainty, in degrees; ``given("u_ring_angle_deg")`` tells whether it was
        stated.
    graticule_path : Path or None
        Absolute path of the graticule photo.
    """

    name: Text = Field(description="a name in quotes")
    graticule: Text | None = Field(default=None, description="the path of the graticule photo, in quotes")
    division_um: float | None = Field(
        default=None,
        ge=0.5,
        le=50_000,
        description="the graticule's pitch in microns, 0.5 to 50000 (0.1 mm is 100)",
    )
    um_per_px: UmPerPx = None
    u_um_per_px: UncertaintyUmPerPx = None
    ring_angle_deg: float | None = Field(
        default=None, ge=0, le=90, description="an angle in degrees, 0 (along the view axis) to 90 (grazing)"
    )
    u_ring_angle_deg: UncertaintyAngle = 3.0
    graticule_path: Path | None = Field(default=None, exclude=True)

    @classmethod
    def clashes(cls, given: Set[str]) -> list[str]:
        """List what is wrong with giving just these keys together.

        Parameters
        ----------
        given : set of str

        Returns
        -------
        list of str
            For people; empty if nothing is.
        """
        either = "give either graticule with division_um, or um_per_px with u_um_per_px"
        by_graticule = given & {"graticule", "division_um"}
        by_number = given & {"um_per_px", "u_um_per_px"}
        wrong = alone(given, "u_ring_angle_deg", "ring_angle_deg")
        if by_graticule and by_number:
            wrong.append(f"has {' and '.join(sorted(by_graticule | by_number))} together; {either}")
        elif not by_graticule and not by_number:
            wrong.append(f"has no scale; {either}")
        elif len(by_graticule | by_number) == 1:
            wrong.append(f"has {next(iter(by_graticule | by_number))} alone; {either}")
        return wrong

    @model_validator(mode="after")
    def _uncertainty_below_value(self) -> Self:
        below(self.u_um_per_px, self.um_per_px)
        return self


class Bit(Entry):
    """One router bit under trial.

    Attributes
    ----------
    name : str
    kind : str or None
        Make that it shares with other bits of the trial; None where it is the only one of its kind.
    price : float or None
        Price of one bit, in the trial's currency; None if the file does not say.
    flutes : int or None
        Number of flutes; they are numbered from 1. None if the file does not say.
    diameter_mm : float or None
        Cutting diameter, in mm; None if the file does not say.
    wedge_angle_deg, u_wedge_angle_deg : float
        Angle between rake and relief face and its standard uncertainty, in degrees; `BROAD_WEDGE_DEG` if
        the file names no angle. ``given("u_wedge_angle_deg")`` tells whether the uncertainty was stated.
    coating : str
        Name of the coating, "none" for an uncoated bit.
    helix_angle_deg : float
        Helix angle of the flutes, in degrees; negative for a left-hand helix.
    r_unused_um : float or None
        Edge radius when new, in µm, if known.
    u_r_unused_um : float
        Its standard uncertainty, in µm; ``given("u_r_unused_um")`` tells whether it was stated.
    regrind : int
        How often it had been reground before it was tried.
    regrinds : int
        How often it is reground before it is replaced.
    regrind_price : float
        Price of one regrind, in the trial's currency.
    resale : float
        What the worn-out bit fetches, in the trial's currency.
    max_rpm : float or None
        Its maker's maximum speed, in revolutions per minute.
    program, workpiece : str or None
    depth_of_cut_mm, feed_mm_per_min, spindle_rpm : float or None
        What was set otherwise for this bit than for the trial; None where the trial's holds.
    program_unit : {"mm", "inch"} or None
        Unit of length of its own program, where that says none.
    program_path : Path or None
        Absolute path of the bit's own part program.
    """

    name: Text = Field(description="a name in quotes")
    kind: Text | None = Field(default=None, description="the name of the make, in quotes")
    price: Money | None = Field(default=None, description=MONEY)
    flutes: int | None = Field(default=None, ge=1, le=100, description="a whole number, 1 or more")
    diameter_mm: float | None = Field(
        default=None, gt=0.01, le=500, description="millimetres, above 0.01 and up to 500"
    )
    wedge_angle_deg: Annotated[float, AfterValidator(not_radians)] = Field(
        default=BROAD_WEDGE_DEG[0], gt=0, lt=180, description="an angle in degrees, above 0 and below 180"
    )
    u_wedge_angle_deg: UncertaintyAngle = 1.5
    coating: Text = Field(description='the coating\'s name in quotes, "none" for an uncoated bit')
    helix_angle_deg: SignedAngle = 0.0
    r_unused_um: Radius = None
    u_r_unused_um: float = Field(default=2.0, ge=0, le=1000, description="a number of microns, 0 to 1000")
    regrind: int = Field(default=0, ge=0, le=100, description="a whole number, 0 (a new bit) to 100")
    regrinds: int = Field(default=0, ge=0, le=100, description="a whole number, 0 to 100")
    regrind_price: Money = Field(default=0.0, description=MONEY)
    resale: Money = Field(default=0.0, description=MONEY)
    max_rpm: Rpm | None = Field(default=None, description=RPM)
    program: Text | None = Field(default=None, description="the path of the part program, in quotes")
    program_unit: ProgramUnit | None = Field(default=None, description=UNIT)
    workpiece: Text | None = Field(default=None, description="what is cut, in quotes")
    depth_of_cut_mm: DepthOfCut | None = Field(default=None, description=DEPTH)
    spindle_rpm: Rpm | None = Field(default=None, description=RPM)
    feed_mm_per_min: FeedRate | None = Field(default=None, description=FEED)
    program_path: Path | None = Field(default=None, exclude=True)

    @property
    def make(self) -> str:
        """Name of its kind, else its own: the verdict is about that."""
        return self.kind or self.name

    @property
    def coated(self) -> bool:
        """Whether the bit has a coating that can be lost."""
        return self.coating.strip().casefold() != "none"

    @classmethod
    def clashes(cls, given: Set[str]) -> list[str]:
        """List what is wrong with giving just these keys together.

        Parameters
        ----------
        given : set of str

        Returns
        -------
        list of str
            For people; empty if nothing is.
        """
        return [
            *alone(given, "u_wedge_angle_deg", "wedge_angle_deg"),
            *alone(given, "u_r_unused_um", "r_unused_um"),
            *alone(given, "helix_angle_deg", "diameter_mm"),
            *alone(given, "regrinds", "regrind_price"),
            *alone(given, "regrind_price", "regrinds"),
        ]

    @model_validator(mode="after")
    def _broad_wedge(self) -> Self:
        if not self.given("wedge_angle_deg"):
            self.__dict__["u_wedge_angle_deg"] = BROAD_WEDGE_DEG[1]  # the model is frozen, and none was given
        return self

    @model_validator(mode="after")
    def _resale_within_price(self) -> Self:
        if self.price is not None and self.resale > self.price:
            raise ValueError(f"has resale = {self.resale:g}, which is above price = {self.price:g}")
        return self


class PhotoEntry(Entry):
    """One photo of one flute at one checkpoint.

    Attributes
    ----------
    bit : str
    flute : int
        Which flute, 1 to the bit's number of flutes.
    parts : int
        Parts cut when it was taken; 0 is the new state.
    view : str
        Key of a view.
    file : str
        As written in the trial file, or relative to its folder for a photo found by ``[photos]``.
    scale : str
        Name of the scale entry that holds for it; a trial's only one need not be named in the file.
    edge_near : tuple of (column, row) or None
        Rough polyline near the cutting edge, in pixels of the upright image (EXIF applied; the centre of
        the top left pixel is (0, 0)).
    used_side : {"start", "end"} or None
        Which end of that polyline lies in the used zone.
    tool_at : (column, row) or None
        Any place on the tool.
    um_per_px, u_um_per_px : float or None
        A scale of the photo's own and its standard uncertainty, in µm per pixel.
    view_tilt_deg, u_view_tilt_deg : float
        Tilt of the view from the face normal towards the open side of the edge, and its standard
        uncertainty, in degrees.
    path : Path
        Absolute path of the file.
    """

    bit: Text = Field(description="a bit's name in quotes")
    flute: int = Field(ge=1, le=100, description="a whole number, 1 or more")
    parts: int = Field(ge=0, le=1_000_000_000, description="a whole number, 0 (new) to 1000000000")
    view: ViewKey = Field(default=USUAL.key, description=NAMED)
    file: Text = Field(description="the path of the photo in quotes")
    scale: Text = Field(description="a scale's name in quotes")
    edge_near: Polyline | None = Field(
        default=None,
        description="two or more points [column, row] in pixels, such as [[10, 200], [90, 240]]",
    )
    used_side: Literal["start", "end"] | None = Field(default=None, description='"start" or "end"')
    tool_at: Place | None = Field(
        default=None, description="a place on the tool, [column, row] in pixels, such as [800, 700]"
    )
    um_per_px: UmPerPx = None
    u_um_per_px: UncertaintyUmPerPx = None
    view_tilt_deg: SignedAngle = 0.0
    u_view_tilt_deg: UncertaintyAngle = 1.5
    path: Path = Field(exclude=True)

    @classmethod
    def clashes(cls, given: Set[str]) -> list[str]:
        """List what is wrong with giving just these keys together.

        Parameters
        ----------
        given : set of str

        Returns
        -------
        list of str
            For people; empty if nothing is.
        """
        return alone(given, "u_um_per_px", "um_per_px")

    @model_validator(mode="after")
    def _uncertainty_below_value(self) -> Self:
        below(self.u_um_per_px, self.um_per_px)
        return self


class PhotoPattern(Entry):
    """The ``[photos]`` table: one pattern for consistently named files in place of the photo list.

    Attributes
    ----------
    pattern : str
        Path with the placeholders ``{bit}``, ``{flute}`` and ``{parts}``, and ``{view}`` where photos show more
        than one; numbers may have leading zeros.
    view : str or None
        Key of a view.
    scale : str
        Name of the scale entry that holds for all of them.
    view_tilt_deg, u_view_tilt_deg : float
        As of a photo entry, in degrees.
    """

    pattern: Text = Field(description='a path in quotes, such as "photos/{bit}/{parts}/flute{flute}.jpg"')
    view: ViewKey | None = Field(default=None, description=NAMED)
    scale: Text = Field(description="a scale's name in quotes")
    view_tilt_deg: SignedAngle = 0.0
    u_view_tilt_deg: UncertaintyAngle = 1.5
