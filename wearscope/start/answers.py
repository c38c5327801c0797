"""What photos cannot tell: asked in a terminal, or written into a file of answers."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BeforeValidator, Field, ValidationError

from wearscope.errors import TrialError
from wearscope.files import TRIAL_BYTES, read_file
from wearscope.quantities.quantity import ViewKey
from wearscope.quantities.views import NAMED, USUAL
from wearscope.start.names import Place
from wearscope.start.series import ORDERS, Order
from wearscope.start.zooms import Side
from wearscope.trial.entry import Entry, Text, UmPerPx, UncertaintyUmPerPx
from wearscope.trial.mistakes import did_you_mean, shown

_T = TypeVar("_T")


def _each(value: object) -> object:
    """A list as a tuple, and one value as one that holds for every bit."""
    return tuple(value) if isinstance(value, list | tuple) else (value,)


_PerBit = Annotated[tuple[_T, ...], BeforeValidator(_each)]


class Answers(Entry):
    """What a person says of a folder of pictures; None, or empty, where nothing is said.

    Attributes
    ----------
    name : str or None
        Of the trial.
    division_um : tuple of float
        Distance of the graticule's neighbouring lines, in µm; of each graticule, or one for all.
    graticule_taken : {"before", "after"} or None
        Where graticules at several zooms were photographed: before or after the pictures that each holds for.
    um_per_px, u_um_per_px : float or None
        A known scale and its standard uncertainty, where no graticule was photographed.
    pin_diameter_mm : float or None
        Of the pin photographed for the lamp ring's angle, in mm.
    bits : tuple of str
        In the order in which they were photographed.
    parts : tuple of int
        Parts cut at each checkpoint; 0 is the new state.
    parts_of : dict
        Parts cut at the checkpoints of a bit that has others than `parts`, by its name.
    missing : tuple of str
        Photos that were not taken: bit, flute and parts of each, such as "Plover 2 150".
    flutes : tuple of int
        Of each bit, or one number for all; by default as many as were photographed.
    coatings : tuple of str
        Of each bit, "none" for an uncoated one; or one for all.
    prices : tuple of float or None
        Of each bit, or one for all.
    currency : str or None
    wedge_angles_deg : tuple of float or None
        Of each bit, or one for all, in degrees.
    edge_radius_um : float or None
        Edge radius at which a bit counts as worn out, in µm.
    view : str
        Key of a view.
    order : str or None
        One of `ORDERS`.
    graticule, pin : str or None
        Names of the pictures that show them, where they are not known for what they are.
    leave_out : tuple of str
        Names of pictures that do not belong to the trial.
    """

    name: Text | None = Field(default=None, description="the trial's name, in quotes")
    division_um: _PerBit[Annotated[float, Field(ge=0.5, le=50_000)]] = Field(
        default=(), description="the graticule's pitch in microns (0.1 mm is 100)"
    )
    graticule_taken: Side | None = Field(default=None, description='"before" or "after"')
    um_per_px: UmPerPx = None
    u_um_per_px: UncertaintyUmPerPx = None
    pin_diameter_mm: float | None = Field(
        default=None, ge=0.05, le=50, description="the pin's diameter in mm, 0.05 to 50"
    )
    bits: _PerBit[Text] = Field(
        default=(), description='the names of the bits, as they were photographed, such as ["Wren", "Plover"]'
    )
    parts: _PerBit[Annotated[int, Field(ge=0, le=1_000_000_000)]] = Field(
        default=(), description="the parts cut at each checkpoint, 0 when new, such as [0, 150, 300]"
    )
    parts_of: dict[Text, _PerBit[Annotated[int, Field(ge=0, le=1_000_000_000)]]] = Field(
        default_factory=dict, description="checkpoints of single bits, such as { Plover = [0, 300] }"
    )
    missing: _PerBit[Annotated[str, Field(pattern=r"^\s*\S.*[\s,]\d{1,3}[\s,]+\d{1,9}\s*$")]] = Field(
        default=(), description='photos that were not taken: bit, flute and parts, such as ["Plover 2 150"]'
    )
    flutes: _PerBit[Annotated[int, Field(ge=1, le=100)]] = Field(
        default=(), description="the number of flutes of each bit, such as [2, 3]"
    )
    coatings: _PerBit[Text] = Field(
        default=(), description='the coating of each bit, "none" where there is none, such as ["none", "TiN"]'
    )
    prices: _PerBit[Annotated[float, Field(ge=0)] | None] = Field(
        default=(), description="the price of each bit, such as [9.5, 24]"
    )
    currency: Text | None = Field(default=None, description='a currency in quotes, such as "EUR"')
    wedge_angles_deg: _PerBit[Annotated[float, Field(gt=1.6, lt=180)] | None] = Field(
        default=(), description="the wedge angle of each bit in degrees, such as [60, 57]"
    )
    edge_radius_um: float | None = Field(
        default=None, gt=0, le=1000, description="microns, above 0 and up to 1000"
    )
    view: ViewKey = Field(default=USUAL.key, description=NAMED)
    order: Order | None = Field(default=None, description="one of " + ", ".join(f'"{o}"' for o in ORDERS))
    graticule: Text | None = Field(default=None, description="the name of a picture, in quotes")
    pin: Text | None = Field(default=None, description="the name of a picture, in quotes")
    leave_out: _PerBit[Text] = Field(default=(), description='names of pictures, such as ["IMG_0007.JPG"]')

    def of_bit(self, key: str, at: int) -> Any:  # noqa: ANN401 - a text or a number, as the key says
        """What is said of one bit.

        Parameters
        ----------
        key : str
            Of something that each bit has.
        at : int
            Which bit.

        Returns
        -------
        object
            None where nothing is said.
        """
        said = getattr(self, key)
        return None if not said else said[0] if len(said) == 1 else said[at]

    def checkpoints(self, bit: str) -> tuple[int, ...]:
        """Parts cut at each checkpoint of a bit.

        Parameters
        ----------
        bit : str

        Returns
        -------
        tuple of int
        """
        return self.parts_of.get(bit, self.parts)

    def not_taken(self) -> tuple[Place, ...]:
        """Places of which no photo was taken.

        Returns
        -------
        tuple of Place
        """
        said = (re.fullmatch(r"\s*(.*\S)[\s,]+(\d+)[\s,]+(\d+)\s*", each) for each in self.missing)
        return tuple(Place(one[1].rstrip(", "), int(one[2]), int(one[3])) for one in said if one)

    def division_of(self, zoom: int) -> float | None:
        """Distance of a graticule's neighbouring lines, in µm.

        Parameters
        ----------
        zoom : int
            Number of the graticule's zoom, from 0.

        Returns
        -------
        float or None
            None where nothing is said.
        """
        said = self.division_um
        return None if not said else said[0] if len(said) == 1 else said[zoom]


PER_BIT = ("flutes", "coatings", "prices", "wedge_angles_deg")
"""Keys of what each bit has."""


@dataclass(frozen=True)
class Question:
    """Something that photos cannot tell.

    Attributes
    ----------
    key : str
        Of `Answers`.
    needed : bool
        Whether there is no trial file without it.
    """

    key: str
    needed: bool


def questions(*, graticule: bool, pin: bool, named: bool) -> tuple[Question, ...]:
    """What has to be asked of a folder, in order.

    Parameters
    ----------
    graticule, pin : bool
        Whether one is among the pictures.
    named : bool
        Whether the names tell bit, parts and flute.

    Returns
    -------
    tuple of Question
    """
    asked = [Question("name", False)]
    asked += [
        Question(key, True) for key in (("division_um",) if graticule else ("um_per_px", "u_um_per_px"))
    ]
    asked += [Question("pin_diameter_mm", False)] if pin else []
    asked += [] if named else [Question("bits", True), Question("parts", True)]
    asked += [Question("coatings", True), Question("prices", False), Question("currency", False)]
    asked += [Question("wedge_angles_deg", False), Question("edge_radius_um", False)]
    return tuple(asked)


def read_answers(path: Path) -> Answers:
    """Read a file of answers.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Answers

    Raises
    ------
    TrialError
        All that is wrong with it, a line for each key.
    """
    try:
        document = tomllib.loads(read_file(path, TRIAL_BYTES).decode("utf-8-sig"))
    except OSError as error:
        raise TrialError([f"{path}: cannot be read ({error.strerror}); check the path"]) from error
    except ValueError as error:
        raise TrialError([f"{path}: not valid TOML: {error}; mend that line"]) from error
    keys = Answers.toml_keys()
    wrong = [
        f"{path}: {key} is no question; "
        + did_you_mean(get_close_matches(key, keys, 1), f"the keys are {', '.join(keys)}")
        for key in document
        if key not in keys
    ]
    try:
        answers = Answers.model_validate({key: value for key, value in document.items() if key in keys})
    except ValidationError as refusal:
        raise TrialError([*wrong, *(f"{path}: {said}" for said in _problems(refusal, document))]) from None
    if wrong:
        raise TrialError(wrong)
    return answers


def _problems(refusal: ValidationError, document: dict[str, Any]) -> Iterator[str]:
    said = set()
    for error in refusal.errors(include_url=False, include_input=False):
        key = str(error["loc"][0])
        if key not in said:
            said.add(key)
            yield f"{key} is {shown(document[key])}; give {Answers.model_fields[key].description}"


def require_answered(answers: Answers, asked: Iterable[Question], where: str) -> None:
    """Refuse answers that leave out what there is no trial file without.

    Parameters
    ----------
    answers : Answers
    asked : iterable of Question
    where : str
        Where answers are given, for the message.

    Raises
    ------
    TrialError
        A line for each key that is missing.
    """
    missing = [one.key for one in asked if one.needed and getattr(answers, one.key) in (None, ())]
    if missing:
        raise TrialError(
            [f"{where}: {key} is missing; give {Answers.model_fields[key].description}" for key in missing]
        )


def require_one_for_each(answers: Answers, bits: Collection[str], where: str, *, n_zooms: int = 1) -> None:
    """Refuse answers of which there are neither one for each bit, or graticule, nor one for all.

    Parameters
    ----------
    answers : Answers
    bits : collection of str
    where : str
        Where answers are given, for the message.
    n_zooms : int
        Number of graticules at different zooms.

    Raises
    ------
    TrialError
        A line for each key.
    """
    wrong = [
        f"{where}: {key} has {len(said)} values for {len(bits)} bits ({', '.join(bits)}); "
        "give one for each, or one for all"
        for key in PER_BIT
        if (said := getattr(answers, key)) and len(said) not in (1, len(bits))
    ]
    if len(answers.division_um) > 1 and len(answers.division_um) != n_zooms:
        wrong.append(
            f"{where}: division_um has {len(answers.division_um)} values for {n_zooms} graticules at different "
            "zooms; give one for each, or one for all"
        )
    twice = [f"{where}: bits names {bit} twice; give each its own name" for bit in _twice(bits)]
    wrong += [
        f"{where}: parts_of names {bit}, which is no bit; the bits are {', '.join(bits)}"
        for bit in answers.parts_of
        if bit not in bits
    ]
    twice += [f"{where}: parts has {n} twice; give each checkpoint once" for n in _twice(answers.parts)]
    if wrong or twice:
        raise TrialError([*wrong, *twice])


def _twice(each: Collection[_T]) -> list[_T]:
    said = list(each)
    return [one for at, one in enumerate(said) if one in said[:at]]


def typed(key: str, text: str) -> Any:  # noqa: ANN401 - a text or a number, as the key says
    """An answer as it was typed, decimal commas included.

    Parameters
    ----------
    key : str
        Of `Answers`; of what each bit has, that of one bit.
    text : str

    Returns
    -------
    object

    Raises
    ------
    ValueError
        It is no such answer; says what to give.

    Examples
    --------
    >>> typed("prices", "9,50"), typed("parts", "0, 150 300"), typed("bits", "Wren, Big plover")
    (9.5, [0, 150, 300], ['Wren', 'Big plover'])
    """
    text = text.strip()
    value: Any
    if key == "parts":
        value = [int(each) if each.isdecimal() else each for each in re.split(r"[\s,;]+", text) if each]
    elif key == "missing":
        value = [each.strip() for each in text.split(";") if each.strip()]
    elif key in ("bits", "leave_out"):
        value = [each.strip() for each in re.split(r"[,;]", text) if each.strip()]
    elif key in ("name", "coatings", "currency", "order", "view", "graticule_taken"):
        value = text
    elif key == "flutes":
        value = int(text) if text.isdecimal() else text
    else:
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = text
    try:
        Answers.model_validate({key: value})
    except ValidationError:
        raise ValueError(f"{shown(text)} will not do; give {Answers.model_fields[key].description}") from None
    return value
