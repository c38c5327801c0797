"""What all tables of a trial file share, and what may stand in their fields."""

from __future__ import annotations

from collections.abc import Set
from math import degrees
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator


class Entry(BaseModel):
    """A table of the trial file: unknown keys, wrong types and impossible values are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    @classmethod
    def toml_keys(cls) -> tuple[str, ...]:
        """Keys that the person may write, in the order in which the README shows them.

        Returns
        -------
        tuple of str
        """
        return tuple(name for name, field in cls.model_fields.items() if not field.exclude)

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
        return []

    def given(self, key: str) -> bool:
        """Whether the trial file gave `key`, rather than leaving it to its default.

        Parameters
        ----------
        key : str

        Returns
        -------
        bool
        """
        return key in self.model_fields_set

    @model_validator(mode="after")
    def _keys_agree(self) -> Self:
        if wrong := self.clashes(self.model_fields_set):
            raise ValueError("; ".join(wrong))
        return self


def not_radians(angle_deg: float) -> float:
    """Refuse a wedge angle that was given in radians.

    Parameters
    ----------
    angle_deg : float

    Returns
    -------
    float
        The same.

    Raises
    ------
    ValueError
        It looks like radians.
    """
    # 0.6 to 1.6 rad is 34 to 92 degrees, the wedges in use; no tool has a wedge of one degree.
    if 0.6 <= angle_deg <= 1.6:
        raise ValueError(f"that looks like radians; give it in degrees ({degrees(angle_deg):.1f})")
    return angle_deg


def _rows(value: object) -> object:
    """TOML arrays as tuples, so that the model can be frozen through and through."""
    return tuple(_rows(row) for row in value) if isinstance(value, list) else value


def _extended(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    if len(set(points)) < 2:
        raise ValueError("all its points are the same; give at least two different ones")
    return points


def alone(given: Set[str], uncertainty: str, value: str) -> list[str]:
    """Say if of two keys that belong together the one is given without the other.

    Parameters
    ----------
    given : set of str
    uncertainty, value : str

    Returns
    -------
    list of str
        A line for people; empty if nothing is wrong.
    """
    lonely = uncertainty in given and value not in given
    return [f"has {uncertainty} without {value}; give both or neither"] if lonely else []


def below(u_value: float | None, value: float | None) -> None:
    """Refuse a scale that is not known better than within itself.

    Parameters
    ----------
    u_value, value : float or None
        Standard uncertainty and scale, in µm per pixel.

    Raises
    ------
    ValueError
        The uncertainty is not below the value.
    """
    if u_value is not None and value is not None and u_value >= value:
        raise ValueError(f"has u_um_per_px = {u_value:g}, which is not below um_per_px = {value:g}")


Text = Annotated[str, Field(pattern=r"\S")]
Place = Annotated[tuple[float, float], BeforeValidator(_rows)]
Polyline = Annotated[
    tuple[tuple[float, float], ...], BeforeValidator(_rows), Field(min_length=2), AfterValidator(_extended)
]
MicronLimit = Annotated[float | None, Field(ge=0.1, le=5000, description="a number of microns, 0.1 to 5000")]
Radius = Annotated[float | None, Field(ge=0, le=1000, description="a number of microns, 0 to 1000")]
UmPerPx = Annotated[
    float | None, Field(ge=0.01, le=500, description="microns per pixel, 0.01 to 500 (0.0035 mm is 3.5)")
]
UncertaintyUmPerPx = Annotated[
    float | None,
    Field(
        ge=0,
        le=500,
        description="half of the ± of um_per_px (95 times in 100 it is within twice this), less than um_per_px",
    ),
]
SignedAngle = Annotated[
    float, Field(gt=-90, lt=90, description="an angle in degrees, above -90 and below 90")
]
DEPTH = "millimetres, 0.01 to 500"
RPM = "revolutions per minute, above 0 and up to 1000000"
FEED = "millimetres per minute, above 0 and up to 1000000"
UNIT = '"mm" or "inch"'
ProgramUnit = Literal["mm", "inch"]
DepthOfCut = Annotated[float, Field(ge=0.01, le=500, description=DEPTH)]
MONEY = "a number, 0 or more and up to 1000000000000"
Money = Annotated[float, Field(ge=0, le=1e12, description=MONEY)]
Rpm = Annotated[float, Field(gt=0, le=1_000_000, description=RPM)]
FeedRate = Annotated[float, Field(gt=0, le=1_000_000, description=FEED)]
UncertaintyAngle = Annotated[
    float,
    Field(
        ge=0,
        lt=90,
        description="half of the ± of the angle, in degrees (95 times in 100 it is within twice this), "
        "0 or more and below 90",
    ),
]
