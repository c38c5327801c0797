"""Which picture of a folder is what, proposed with the evidence; nothing is written or renamed here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from wearscope.errors import WearscopeError
from wearscope.start.answers import Answers
from wearscope.start.names import Named, Place, names_tell
from wearscope.start.seen import Seen
from wearscope.start.series import Match, Order, Told, order_told, orders_apart, places_in
from wearscope.start.taken import OrderedBy, in_order

Role = Literal["graticule", "pin", "flute", "left out"]

SAME_PITCH = (
    0.02  # of the distance of lines, within which two graticules were photographed at one zoom; chosen
)


class StartError(WearscopeError):
    """Pictures that do not make a trial as they are."""

    exit_code = 2


class OrderOpenError(StartError):
    """Nothing tells in which order the pictures were taken."""


@dataclass(frozen=True)
class Shown:
    """What a folder's pictures show, before anything is asked.

    Attributes
    ----------
    graticule, pin : Seen or None
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

    graticule: Seen | None
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
    """

    seen: Seen
    role: Role
    place: Place | None = None


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
        A person names a picture that is not there, no flute is seen, or graticules of several zooms are.
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
    kept = [one for one in pictures if one.file not in said]
    graticules = [one for one in kept if one.kind == "graticule"]
    pins = [one for one in kept if one.kind == "pin"]
    graticule = by_name[answers.graticule] if answers.graticule else _one_zoom(graticules)
    pin = by_name[answers.pin] if answers.pin else next(iter(pins), None)
    left_out = [by_name[file] for file in answers.leave_out]
    left_out += [one for one in (*graticules, *pins) if one not in (graticule, pin)]
    left_out += [one for one in kept if one.kind == "unreadable"]
    flutes = [one for one in kept if one.kind in ("edge", "unclear")]
    if not any(one.kind == "edge" for one in flutes):
        raise StartError(
            "no picture shows the cutting edge of a tool",
            "put a white card behind the flute, focus on its edge, and photograph each flute",
        )
    order, by = in_order([one.file for one in flutes], [one.when for one in flutes])
    flutes = [flutes[at] for at in order]
    plain = tuple(one for one in flutes if one.kind == "edge")
    named = names_tell([one.file for one in flutes])
    if named is not None:
        return Shown(graticule, pin, tuple(flutes), (), tuple(left_out), named, by)
    doubtful = tuple(one for one in flutes if one.kind == "unclear")
    return Shown(
        graticule, pin, plain, doubtful, tuple(left_out), names_tell([one.file for one in plain]), by
    )


def _one_zoom(graticules: Sequence[Seen]) -> Seen | None:
    if not graticules:
        return None
    first = graticules[0]
    for other in graticules[1:]:
        if abs(other.pitch_px / first.pitch_px - 1.0) > SAME_PITCH:
            raise StartError(
                f"{first.file} and {other.file} show graticules at two zooms, their lines {first.pitch_px:.1f} and "
                f"{other.pitch_px:.1f} pixels apart",
                "give each zoom a folder of its own, or leave one out with leave_out in a file of answers",
            )
    return first


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
    StartError
        The pictures do not come out even with what was said.
    OrderOpenError
        Neither names, marks nor the person say in which order they were taken.
    """
    beside = [Planned(one, "graticule") for one in (shown.graticule,) if one]
    beside += [Planned(one, "pin") for one in (shown.pin,) if one]
    rest = [Planned(one, "left out") for one in shown.left_out]
    if shown.named is not None and answers.order is None:
        return _by_names(shown, shown.named, answers, beside, rest)
    pictures, flutes = _come_out_even(shown, answers)
    rest += [Planned(one, "left out") for one in shown.doubtful if one not in pictures]
    bits, parts = answers.bits, answers.parts
    orders = orders_apart(bits, flutes, parts)
    told: Told | None = None
    order, told_by = answers.order, "answers"
    if order is None and len(orders) == 1:
        order, told_by = orders[0], "one way"
    elif order is None:
        told = order_told(match(pictures), bits, flutes, parts)
        order, told_by = told.order, "marks"
    if order is None:
        raise OrderOpenError(
            "the grinding marks do not tell in which order the pictures were taken",
            f"give order: {Answers.model_fields['order'].description}",
        )
    places = places_in(order, bits, flutes, parts)
    planned = [Planned(one, "flute", place) for one, place in zip(pictures, places, strict=True)]
    return Plan(
        (*beside, *planned, *rest),
        bits,
        flutes,
        parts,
        shown.ordered_by,
        order,
        told_by,  # type: ignore[arg-type]
        told,
    )


def _come_out_even(shown: Shown, answers: Answers) -> tuple[tuple[Seen, ...], tuple[int, ...]]:
    """Pictures of flutes that make up whole series, and the number of flutes of each bit."""
    everything = (*shown.flutes, *shown.doubtful)
    order, _ = in_order([one.file for one in everything], [one.when for one in everything])
    both = tuple(everything[at] for at in order)
    n_bits, n_parts = len(answers.bits), len(answers.parts)
    for pictures in dict.fromkeys((shown.flutes, both)):
        if answers.flutes:
            flutes = tuple(answers.of_bit("flutes", at) for at in range(n_bits))
            if sum(flutes) * n_parts == len(pictures):
                return pictures, flutes
        elif pictures and len(pictures) % (n_bits * n_parts) == 0:
            return pictures, (len(pictures) // (n_bits * n_parts),) * n_bits
    told = f"{len(shown.flutes)} pictures show flutes"
    if shown.doubtful:
        told += f", {len(shown.doubtful)} more perhaps ({', '.join(one.file for one in shown.doubtful)})"
    need = (
        f"{n_parts} checkpoints of {sum(flutes)} flutes need {sum(flutes) * n_parts}"
        if answers.flutes
        else f"{n_bits} bits at {n_parts} checkpoints do not divide them evenly"
    )
    raise StartError(
        f"{told}, and {need}",
        "name pictures that do not belong with leave_out, say flutes for each bit where they differ, or list the "
        "photos in the trial file yourself",
    )


def _by_names(
    shown: Shown, named: Named, answers: Answers, beside: list[Planned], rest: list[Planned]
) -> Plan:
    places = named.places
    planned = [Planned(one, "flute", place) for one, place in zip(shown.flutes, places, strict=True)]
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
    return Plan((*beside, *planned, *rest), bits, flutes, parts, None, None, "names", pattern=named.pattern)


def _sorted_by(places: Sequence[Place], place: Place | None) -> tuple[int, int, int]:
    assert place is not None
    first = next(at for at, other in enumerate(places) if other.bit == place.bit)
    return first, place.flute, place.parts
