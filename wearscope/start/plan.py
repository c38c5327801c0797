"""Which picture of a folder is what, proposed with the evidence; nothing is written or renamed here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from wearscope.start.answers import Answers
from wearscope.start.errors import StartError
from wearscope.start.names import Named, Place, names_tell
from wearscope.start.seen import Seen
from wearscope.start.series import Match, Order, Told, layouts, order_told
from wearscope.start.taken import OrderedBy, in_order
from wearscope.start.zooms import ToldBy, Zooms, zooms_of

Role = Literal["graticule", "pin", "flute", "left out"]


class OrderOpenError(StartError):
    """Nothing tells in which order the pictures were taken."""


class UnevenError(StartError):
    """Pictures that do not make up whole series.

    Parameters
    ----------
    what, cure : str
        As of every error.
    short : int or None
        How many pictures there are too few, negative where there are too many; None where the number of flutes is
        not known.
    """

    def __init__(self, what: str, cure: str, short: int | None) -> None:
        super().__init__(what, cure)
        self.short = short


class MarksError(UnevenError):
    """Pictures whose number is right, and whose grinding marks are not.

    Parameters
    ----------
    what, cure : str
        As of every error.
    """

    def __init__(self, what: str, cure: str) -> None:
        super().__init__(what, cure, None)


@dataclass(frozen=True)
class Shown:
    """What a folder's pictures show, before anything is asked.

    Attributes
    ----------
    zooms : Zooms
        Graticules, and which holds for which picture.
    pin : Seen or None
    flutes : tuple of Seen
        Pictures of flutes, the first taken first.
    doubtful : tuple of Seen
        Pictures in which no tool edge is seen plainly: flutes only if the others do not come out even.
    left_out : tuple of Seen
    named : Named or None
        What the names of all flutes' pictures tell.
    ordered_by : {"clock", "counter", "file date"}
        What tells which picture was taken first.
    """

    zooms: Zooms
    pin: Seen | None
    flutes: tuple[Seen, ...]
    doubtful: tuple[Seen, ...]
    left_out: tuple[Seen, ...]
    named: Named | None
    ordered_by: OrderedBy


@dataclass(frozen=True)
class Planned:
    """One picture and what becomes of it.

    Attributes
    ----------
    seen : Seen
    role : {"graticule", "pin", "flute", "left out"}
    place : Place or None
        Of a flute's picture.
    zoom : int
        Number of its zoom, from 0.
    """

    seen: Seen
    role: Role
    place: Place | None = None
    zoom: int = 0


@dataclass(frozen=True)
class Plan:
    """Which picture is what.

    Attributes
    ----------
    pictures : tuple of Planned
        Graticule and pin first, then the flutes as they were photographed, then what is left out.
    bits : tuple of str
    flutes : tuple of int
        Of each bit.
    parts : tuple of int
    ordered_by : {"clock", "counter", "file date"} or None
        None where the names tell.
    order : str or None
    told_by : {"names", "marks", "answers", "one way"}
        What tells where each picture belongs.
    told : Told or None
        What the grinding marks say, where they were compared.
    pattern : str
        Of a ``[photos]`` table, where the names have one; else "".
    zooms_told_by : str
        As of `Zooms`.
    """

    pictures: tuple[Planned, ...]
    bits: tuple[str, ...]
    flutes: tuple[int, ...]
    parts: tuple[int, ...]
    ordered_by: OrderedBy | None
    order: Order | None
    told_by: Literal["names", "marks", "answers", "one way"]
    told: Told | None = None
    pattern: str = ""
    zooms_told_by: ToldBy = "one"

    def role(self, role: Role) -> tuple[Planned, ...]:
        """Pictures of one role.

        Parameters
        ----------
        role : str

        Returns
        -------
        tuple of Planned
        """
        return tuple(one for one in self.pictures if one.role == role)


def shown_by(pictures: Sequence[Seen], answers: Answers) -> Shown:
    """Sort out what pictures show.

    Parameters
    ----------
    pictures : sequence of Seen
    answers : Answers
        What a person says of single pictures.

    Returns
    -------
    Shown

    Raises
    ------
    StartError
        A person names a picture that is not there, no flute is seen, or which graticule holds for which picture is
        not plain.
    """
    by_name = {one.file: one for one in pictures}
    for key, file in (
        *(("leave_out", file) for file in answers.leave_out),
        ("graticule", answers.graticule),
        ("pin", answers.pin),
    ):
        if file is not None and file not in by_name:
            raise StartError(f"{key} names {file}, which is not there", "give the name as the list shows it")
    said = {answers.graticule, answers.pin, *answers.leave_out}
    rest = [one for one in pictures if one.file not in said]
    kept = [one for one in rest if not one.copy_of]
    graticules = [one for one in kept if one.kind == "graticule"]
    if answers.graticule:
        graticules = [by_name[answers.graticule]]
    pins = [one for one in kept if one.kind == "pin"]
    pin = by_name[answers.pin] if answers.pin else next(iter(pins), None)
    flutes = [one for one in kept if one.kind in ("edge", "unclear")]
    if not any(one.kind == "edge" for one in flutes):
        raise StartError(
            "no picture shows the cutting edge of a tool",
            "put a white card behind the flute, focus on its edge, and photograph each flute",
        )
    zooms = zooms_of(graticules, [*flutes, *([pin] if pin else [])], answers.graticule_taken)
    left_out = [by_name[file] for file in answers.leave_out]
    left_out += [one for one in rest if one.copy_of]
    left_out += [one for one in kept if one.kind == "graticule" and one not in zooms.graticules]
    left_out += [one for one in pins if one != pin]
    left_out += [one for one in kept if one.kind == "unreadable"]
    order, by = in_order([one.file for one in flutes], [one.when for one in flutes])
    flutes = [flutes[at] for at in order]
    plain = tuple(one for one in flutes if one.kind == "edge")
    named = names_tell([one.file for one in flutes])
    if named is not None:
        return Shown(zooms, pin, tuple(flutes), (), tuple(left_out), named, by)
    doubtful = tuple(one for one in flutes if one.kind == "unclear")
    return Shown(zooms, pin, plain, doubtful, tuple(left_out), names_tell([one.file for one in plain]), by)


def propose(shown: Shown, answers: Answers, match: Callable[[Sequence[Seen]], Match]) -> Plan:
    """Propose which picture is what.

    Parameters
    ----------
    shown : Shown
    answers : Answers
    match : callable
        Makes of pictures what compares their grinding marks; asked only where nothing else tells the order.

    Returns
    -------
    Plan

    Raises
    ------
    UnevenError
        The pictures do not come out even with what was said, or their marks contradict it.
    OrderOpenError
        Neither names, marks nor the person say in which order they were taken.
    """
    beside = [Planned(one, "graticule", zoom=at) for at, one in enumerate(shown.zooms.graticules)]
    beside += [Planned(one, "pin", zoom=shown.zooms.of(one.file)) for one in (shown.pin,) if one]
    rest = [Planned(one, "left out") for one in shown.left_out]
    if shown.named is not None and answers.order is None:
        return _by_names(shown, shown.named, answers, beside, rest)
    pictures, flutes = _come_out_even(shown, answers)
    rest += [Planned(one, "left out") for one in shown.doubtful if one not in pictures]
    bits = answers.bits
    checkpoints = [answers.checkpoints(bit) for bit in bits]
    apart = layouts(bits, flutes, checkpoints, answers.not_taken())
    told: Told | None = None
    order, told_by = answers.order, "answers"
    if order is None and len(apart) == 1:
        order, told_by = next(iter(apart)), "one way"
    elif order is None:
        told = order_told(match(pictures), apart)
        order, told_by = told.order, "marks"
        if told.none_fits:
            raise MarksError(
                "the grinding marks fit no order in which these pictures may have been taken",
                "say flutes, parts_of and missing where bits differ, leave out what does not belong with leave_out, "
                f"or give order: {Answers.model_fields['order'].description}",
            )
    if order is None:
        raise OrderOpenError(
            "the grinding marks do not tell in which order the pictures were taken",
            f"give order: {Answers.model_fields['order'].description}",
        )
    # an order that comes to the same as another is not among those that differ
    places = apart.get(order) or layouts(bits, flutes, checkpoints, answers.not_taken(), (order,))[order]
    planned = [
        Planned(one, "flute", place, shown.zooms.of(one.file))
        for one, place in zip(pictures, places, strict=True)
    ]
    return Plan(
        (*beside, *planned, *rest),
        bits,
        flutes,
        tuple(sorted({n for each in checkpoints for n in each})),
        shown.ordered_by,
        order,
        told_by,  # type: ignore[arg-type]
        told,
        zooms_told_by=shown.zooms.told_by,
    )


def _come_out_even(shown: Shown, answers: Answers) -> tuple[tuple[Seen, ...], tuple[int, ...]]:
    """Pictures of flutes that make up whole series, and the number of flutes of each bit."""
    everything = (*shown.flutes, *shown.doubtful)
    order, _ = in_order([one.file for one in everything], [one.when for one in everything])
    both = tuple(everything[at] for at in order)
    n_parts = [len(answers.checkpoints(bit)) for bit in answers.bits]
    n_flutes = tuple(answers.of_bit("flutes", at) for at in range(len(n_parts))) if answers.flutes else None
    missing = answers.not_taken()
    if n_flutes is not None:
        _require_places(answers, n_flutes)
    for pictures in dict.fromkeys((shown.flutes, both)):
        n = len(pictures) + len(missing)
        if n_flutes is not None:
            if n == sum(count * parts for count, parts in zip(n_flutes, n_parts, strict=True)):
                return pictures, n_flutes
        elif pictures and n % sum(n_parts) == 0:
            flutes = (n // sum(n_parts),) * len(n_parts)
            _require_places(answers, flutes)
            return pictures, flutes
    raise _uneven(shown, n_parts, n_flutes, len(missing))


def _require_places(answers: Answers, flutes: Sequence[int]) -> None:
    """Refuse photos said not to be taken that nobody would have looked for."""
    for place in answers.not_taken():
        at = answers.bits.index(place.bit) if place.bit in answers.bits else None
        known = at is not None and 1 <= place.flute <= flutes[at]
        if not known or place.parts not in answers.checkpoints(place.bit):
            raise StartError(
                f'missing names "{place.bit} {place.flute} {place.parts}", which is no bit, flute and checkpoint of '
                "this trial",
                "write the bit as in bits, then the flute, then the parts, such as Plover 2 150",
            )


def _uneven(
    shown: Shown, n_parts: Sequence[int], n_flutes: Sequence[int] | None, n_missing: int
) -> UnevenError:
    told = f"{len(shown.flutes)} pictures show flutes"
    if shown.doubtful:
        told += f", {len(shown.doubtful)} more perhaps ({', '.join(one.file for one in shown.doubtful)})"
    checkpoints = " and ".join(map(str, dict.fromkeys(n_parts)))
    if n_flutes is None:
        short = None
        need = f"{len(n_parts)} bits at {checkpoints} checkpoints do not divide them evenly"
    else:
        total = sum(count * parts for count, parts in zip(n_flutes, n_parts, strict=True)) - n_missing
        short = total - len(shown.flutes)
        need = f"{checkpoints} checkpoints of {sum(n_flutes)} flutes need {total}"
    return UnevenError(
        f"{told}, and {need}",
        "name pictures that do not belong with leave_out, say flutes for each bit where they differ, parts_of where "
        "a bit has other checkpoints, missing where a photo was not taken, or list the photos in the trial file "
        "yourself",
        short,
    )


def _by_names(
    shown: Shown, named: Named, answers: Answers, beside: list[Planned], rest: list[Planned]
) -> Plan:
    places = named.places
    planned = [
        Planned(one, "flute", place, shown.zooms.of(one.file))
        for one, place in zip(shown.flutes, places, strict=True)
    ]
    planned.sort(key=lambda one: _sorted_by(places, one.place))
    bits = tuple(dict.fromkeys(one.place.bit for one in planned if one.place))
    parts = tuple(sorted({place.parts for place in places}))
    for key, theirs, said in (("bits", bits, answers.bits), ("parts", parts, answers.parts)):
        if said and sorted(map(str, said)) != sorted(map(str, theirs)):
            raise StartError(
                f"the names of the pictures tell {key} {', '.join(map(str, theirs))}, and the answers say "
                f"{', '.join(map(str, said))}",
                f"leave {key} out, or give the order in which they were taken, and the names count for nothing",
            )
    bits = answers.bits or bits
    seen = {bit: max(place.flute for place in places if place.bit == bit) for bit in bits}
    flutes = tuple(answers.of_bit("flutes", at) or seen[bit] for at, bit in enumerate(bits))
    rest = [*rest, *(Planned(one, "left out") for one in shown.doubtful)]
    # a pattern has one scale for all that it finds
    pattern = named.pattern if len(shown.zooms.graticules) < 2 else ""
    everything = (*beside, *planned, *rest)
    return Plan(everything, bits, flutes, parts, None, None, "names", None, pattern, shown.zooms.told_by)


def _sorted_by(places: Sequence[Place], place: Place | None) -> tuple[int, int, int]:
    assert place is not None
    first = next(at for at, other in enumerate(places) if other.bit == place.bit)
    return first, place.flute, place.parts
