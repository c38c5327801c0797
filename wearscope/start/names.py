"""What the names of pictures tell by themselves: which bit, how many parts, which flute."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

_FIELDS = re.compile(r"[-_ /.,+]+")
_NUMBER = re.compile(r"(\D*)(\d{1,9})(\D*)")
MOST_FLUTES = 12  # what is larger counts parts; common practice, no source


@dataclass(frozen=True)
class Place:
    """Where in a trial a picture belongs.

    Attributes
    ----------
    bit : str
    flute : int
    parts : int
        Parts cut when it was taken; 0 is the new state.
    """

    bit: str
    flute: int
    parts: int


@dataclass(frozen=True)
class Named:
    """Names that tell where their pictures belong.

    Attributes
    ----------
    pattern : str
        Of a ``[photos]`` table.
    places : tuple of Place
        In the order of the names.
    """

    pattern: str
    places: tuple[Place, ...]


def names_tell(files: Sequence[str]) -> Named | None:
    """Read bit, parts and flute out of names that all have one form.

    Parameters
    ----------
    files : sequence of str
        Names from the folder on, with ``/``.

    Returns
    -------
    Named or None
        None where the names do not tell all three, or leave open which is which.

    Examples
    --------
    >>> names_tell(["wren-000-1.jpg", "wren-150-1.jpg", "plover-000-2.jpg", "plover-150-2.jpg"]).pattern
    '{bit}-{parts}-{flute}.jpg'
    >>> names_tell(["IMG_0001.JPG", "IMG_0002.JPG"]) is None
    True
    """
    stems = [file.rpartition(".")[0] for file in files]
    between = {tuple(_FIELDS.findall(stem)) for stem in stems}
    if len(between) != 1 or len(files) < 2:
        return None
    columns = list(zip(*(_FIELDS.split(stem) for stem in stems), strict=True))
    varying = [at for at, column in enumerate(columns) if len({each.casefold() for each in column}) > 1]
    numbers = {at: read for at in varying if (read := _numbers(columns[at])) is not None}
    texts = [at for at in varying if at not in numbers]
    if len(texts) != 1 or len(numbers) != 2:
        return None
    flute, parts = _which(numbers)
    if flute is None or parts is None:
        return None
    bits = columns[texts[0]]
    places = tuple(Place(bits[at], numbers[flute][1][at], numbers[parts][1][at]) for at in range(len(files)))
    if len(set(places)) < len(places):
        return None
    roles = {texts[0]: "{bit}", flute: numbers[flute][0] % "{flute}", parts: numbers[parts][0] % "{parts}"}
    said = [roles.get(at, column[0]) for at, column in enumerate(columns)]
    separators = [*between.pop(), ""]
    stem = "".join(field + after for field, after in zip(said, separators, strict=True))
    if re.search("[{}]", re.sub(r"\{(bit|flute|parts)\}", "", stem)) or "\\" in stem:
        return None
    return Named(f"{stem}.{files[0].rpartition('.')[2].lower()}", places)


def _numbers(column: Sequence[str]) -> tuple[str, list[int]] | None:
    """Numbers in a column, all with the same letters about them: how they stand there, and what they are."""
    read = [_NUMBER.fullmatch(each) for each in column]
    about = {(each[1].casefold(), each[3].casefold()) for each in read if each}
    if None in read or len(about) != 1:
        return None
    before, _, after = read[0].groups()  # type: ignore[union-attr]
    return f"{before.replace('%', '%%')}%s{after.replace('%', '%%')}", [int(each[2]) for each in read if each]


def _which(numbers: dict[int, tuple[str, list[int]]]) -> tuple[int | None, int | None]:
    """Which column counts flutes, and which parts; None for both where either could be either."""
    may_be_flutes = [at for at, (_, each) in numbers.items() if min(each) >= 1 and max(each) <= MOST_FLUTES]
    if len(may_be_flutes) != 1:
        return None, None
    (flute,) = may_be_flutes
    (parts,) = (at for at in numbers if at != flute)
    return flute, parts
