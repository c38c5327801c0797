"""Numbers and findings in plain words, for sheets, summaries and the command line."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

from wearscope.log.records import Record

MINUS = "\N{MINUS SIGN}"
INTERVAL_REMARK = "± is the 95 % interval"


@dataclass(frozen=True)
class QuantityWords:
    """How a quantity is called and shown.

    Attributes
    ----------
    name : str
        What it is called, without the zone.
    unit : str
        Unit as shown; may be empty.
    factor : float
        Shown value = recorded value times `factor`.
    """

    name: str
    unit: str
    factor: float = 1.0


QUANTITIES: dict[str, QuantityWords] = {
    "transition_x_px": QuantityWords("depth-of-cut transition, column", "px"),
    "transition_y_px": QuantityWords("depth-of-cut transition, row", "px"),
    "used_length": QuantityWords("used edge in the photo", "mm"),
    "edge_recession": QuantityWords("edge recession", "µm"),
    "edge_radius": QuantityWords("edge radius", "µm"),
    "wedge_angle": QuantityWords("wedge angle", "°"),
    "apex_to_arc": QuantityWords("apex to arc", "µm"),
    "departure_length_a": QuantityWords("departure length a", "µm"),
    "departure_length_b": QuantityWords("departure length b", "µm"),
    "departure_ratio": QuantityWords("departure ratio, a over b", ""),
    "wear_land": QuantityWords("wear land, mean", "µm"),
    "wear_land_max": QuantityWords("wear land, widest", "µm"),
    "coating_loss": QuantityWords("coating loss", "%", 100.0),
    "coating_setback": QuantityWords("coating setback", "µm"),
    "chip_count": QuantityWords("chips", ""),
    "chip_depth_max": QuantityWords("deepest chip", "µm"),
    "chip_length": QuantityWords("length lost to chips", "µm"),
    "sharpness": QuantityWords("blur of the edge", "µm"),
    "registration_residual": QuantityWords("misfit to the new-state photo", "µm"),
}
ZONE_WORDS = {"used": "used", "unused": "unused", "difference": "used minus unused", "whole": ""}
VIEW_WORDS = {"relief": "relief face", "rake": "rake face", "profile": "profile view"}
_WEAR = {"edge_recession", "edge_radius"}


def quantity_words(quantity: str) -> QuantityWords:
    """Words for a quantity; an unknown one is shown under its own name.

    Parameters
    ----------
    quantity : str
        As in ``measurements.csv``.

    Returns
    -------
    QuantityWords
    """
    return QUANTITIES.get(quantity, QuantityWords(quantity.replace("_", " "), ""))


def note_text(record: Record) -> str:
    """Note of a row as it is said to people: in µm, after the detection limit of what is not seen.

    Parameters
    ----------
    record : Record
        Its note is in plain ASCII units, as in ``measurements.csv``.

    Returns
    -------
    str
    """
    said = [in_microns(record.note)] if record.note else []
    if record.detection_limit is not None and record.status == "below_detection":
        words = quantity_words(record.quantity)
        limit = words.factor * record.detection_limit
        said.insert(0, f"detection limit {_to_place(limit, _place(limit, 2))} {words.unit}".rstrip())
    return "; ".join(said)


def in_microns(text: str) -> str:
    """Write "um" behind a number as "µm"."""
    return re.sub(r"(?<=\d) um\b", " µm", text).replace("µm per px", "µm per pixel")


def row_name(record: Record) -> str:
    """Name of a row for people, such as "edge radius, used".

    Parameters
    ----------
    record : Record

    Returns
    -------
    str
    """
    words = [quantity_words(record.quantity).name, ZONE_WORDS[record.zone]]
    return ", ".join(w for w in words if w)


def parts_text(parts: int) -> str:
    """When a photo was taken: "new", "after 1 part", "after 150 parts".

    Parameters
    ----------
    parts : int
        Parts cut.

    Returns
    -------
    str
    """
    return "new" if parts == 0 else f"after {parts} part{'' if parts == 1 else 's'}"


def headline(bit: str, flute: int, parts: int) -> str:
    """Headline of a sheet, such as "Bit Alder, flute 1, after 150 parts".

    Parameters
    ----------
    bit : str
    flute, parts : int

    Returns
    -------
    str
    """
    return f"Bit {bit}, flute {flute}, {parts_text(parts)}"


def rounded(value: float, *uncertainties: float) -> tuple[str, ...]:
    """Round a value and its uncertainties to the same decimal place.

    The place is the one that leaves two significant digits to the smallest uncertainty, as recommended by
    JCGM 100:2008 (GUM), 7.2.6. Without a positive, finite uncertainty the value keeps three significant
    digits.

    Parameters
    ----------
    value : float
    *uncertainties : float
        In the unit of `value`, not negative.

    Returns
    -------
    tuple of str
        The value, then each uncertainty, with a true minus sign.

    Examples
    --------
    >>> rounded(18.5699, 1.1842)
    ('18.6', '1.2')
    >>> rounded(1234.5, 123.4)
    ('1230', '120')
    """
    usable = [u for u in uncertainties if math.isfinite(u) and u > 0]
    place = _place(min(usable), 2) if usable else _place(abs(value), 3)
    return tuple(_to_place(x, place) for x in (value, *uncertainties))


def plain(number: float) -> str:
    """Write a round number, such as an axis tick, without an exponent and with a true minus sign.

    Parameters
    ----------
    number : float

    Returns
    -------
    str
    """
    return f"{number + 0.0:.6g}".replace("-", MINUS)


def fixed(number: float, decimals: int) -> str:
    """Write a number with so many decimals and a true minus sign, never as minus zero.

    Parameters
    ----------
    number : float
    decimals : int

    Returns
    -------
    str
    """
    return _to_place(number, -decimals)


def _place(x: float, digits: int) -> int:
    """Decimal exponent that leaves `digits` significant digits to `x`, after rounding."""
    if not math.isfinite(x) or x == 0:
        return 0
    return int(f"{x:.{digits - 1}e}".split("e")[1]) - digits + 1


def _to_place(x: float, place: int, rounding: str = ROUND_HALF_EVEN) -> str:
    if not math.isfinite(x):
        return "unknown"
    scaled = Decimal(repr(float(x))).quantize(Decimal(1).scaleb(place), rounding=rounding)
    text = f"{scaled:f}" if scaled != 0 else f"{abs(scaled):f}"
    return text.replace("-", MINUS)


def value_text(record: Record, *, with_unit: bool = True) -> str:
    """Value with its 95 % interval: "18.6 ± 1.2 µm", or "58 (41 to 63) %" where it is lopsided.

    Where the row has no interval the standard uncertainty is shown and called so.

    Parameters
    ----------
    record : Record
        With a value.
    with_unit : bool
        Whether to end with the unit.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If the record has no value.
    """
    if record.value is None:
        raise ValueError(f"{record.quantity} ({record.zone}) is {record.status}: it has no value to show")
    words = quantity_words(record.quantity)
    value = record.value * words.factor
    tail = "" if not (with_unit and words.unit) else words.unit if words.unit == "°" else f" {words.unit}"
    if record.quantity == "chip_count":
        give = round(1.96 * (record.std_uncertainty or 0.0))
        return f"{value:.0f}" + (f" ± {give}" if give > 0 else "")
    if record.low95 is not None and record.high95 is not None:
        below, above = value - record.low95 * words.factor, record.high95 * words.factor - value
        half = (below + above) / 2
        if half > 0 and abs(above - below) > 0.2 * half:
            place = _place(half, 2)
            low, high = (_to_place(v, place) for v in (value - below, value + above))
            return f"{_to_place(value, place)} ({low} to {high}){tail}"
        if half > 0:
            shown, spread = rounded(value, half)
            return f"{shown} ± {spread}{tail}"
    if record.std_uncertainty:
        shown, spread = rounded(value, record.std_uncertainty * words.factor)
        return f"{shown} ± {spread}{tail} (standard uncertainty)"
    return f"{rounded(value)[0]}{tail}"


def limit_text(record: Record, *, with_unit: bool = True) -> str:
    """Upper bound of something not seen: "less than 2.1 µm"; empty if the row gives no interval.

    The bound is the upper end of the 95 % interval, rounded up, and never less than half the interval's
    width, so that a value that happens to be negative does not promise more than the photo can show.

    Parameters
    ----------
    record : Record
    with_unit : bool
        Whether to end with the unit.

    Returns
    -------
    str
    """
    if record.low95 is None or record.high95 is None:
        return ""
    words = quantity_words(record.quantity)
    bound = max(record.high95, (record.high95 - record.low95) / 2) * words.factor
    shown = _to_place(bound, _place(bound, 2), ROUND_CEILING)
    tail = "" if not (with_unit and words.unit) else words.unit if words.unit == "°" else f" {words.unit}"
    return f"less than {shown}{tail}"


def nothing_seen(record: Record) -> str:
    """Say what was looked for and not seen: "no wear seen", "no loss seen", "none seen".

    Parameters
    ----------
    record : Record
        With status ``below_detection``.

    Returns
    -------
    str
    """
    if record.zone == "whole":
        return "too small to tell"
    if record.quantity in _WEAR:
        return "no wear seen"
    return "no loss seen" if record.quantity.startswith("coating") else "none seen"


def finding(record: Record, *, longest: int = 160) -> str:
    """Value, or what stands in its place, with the status in words.

    Parameters
    ----------
    record : Record
    longest : int
        Reasons are shortened to this many characters.

    Returns
    -------
    str
        Such as "18.6 ± 1.2 µm", "no wear seen (less than 2.1 µm)", "18.6 ± 1.2 µm, doubtful: ..." or
        "refused: ...".
    """
    reason = f": {shortened(note_text(record), longest)}" if record.note else ""
    if record.value is None:
        return f"refused{reason}"
    if record.status == "below_detection":
        limit = limit_text(record)
        return nothing_seen(record) + (f" ({limit})" if limit else "")
    if record.status == "doubtful":
        return f"{value_text(record)}, doubtful{reason}"
    return value_text(record)


def shortened(text: str, longest: int) -> str:
    """Cut a text at a word to at most `longest` characters, with an ellipsis where something is left out.

    Parameters
    ----------
    text : str
    longest : int
        At least 2.

    Returns
    -------
    str
    """
    text = " ".join(text.split())
    if len(text) <= longest:
        return text
    head = text[: longest - 1]
    cut = head.rfind(" ")
    return head[: cut if cut > longest // 2 else len(head)].rstrip(" ,;:.") + "…"


def find_record(records: Iterable[Record], quantity: str, zone: str) -> Record | None:
    """Return the first row of a quantity in a zone, or None.

    Parameters
    ----------
    records : iterable of Record
    quantity, zone : str

    Returns
    -------
    Record or None
    """
    return next((r for r in records if r.quantity == quantity and r.zone == zone), None)


def main_sentence(records: Sequence[Record], parts: int) -> str:
    """Say the main result of one photo in one sentence.

    Parameters
    ----------
    records : sequence of Record
        All rows of the photo.
    parts : int
        Parts cut when it was taken.

    Returns
    -------
    str
    """
    tip = find_record(records, "edge_radius", "whole")
    if tip is not None:
        return _tip_sentence(tip, find_record(records, "wedge_angle", "whole"))
    if parts == 0:
        radius = find_record(records, "edge_radius", "unused")
        known = radius is not None and radius.value is not None and radius.status != "refused"
        size = f", with an edge radius of {_hedged(radius)}" if radius and known else ""
        return f"This is the new edge that later photos are compared with{size}."
    recession = find_record(records, "edge_recession", "difference")
    clauses = [
        clause
        for clause in (
            _recession_clause(recession),
            _radius_clause(find_record(records, "edge_radius", "used")),
            _land_clause(find_record(records, "wear_land", "used")),
            _coating_clause(find_record(records, "coating_loss", "used")),
            _chips_clause(find_record(records, "chip_count", "used")),
        )
        if clause
    ]
    if not clauses:
        reason = (
            f": {shortened(note_text(recession), 140).rstrip('.')}" if recession and recession.note else ""
        )
        return f"The wear of this edge could not be measured{reason}."
    if recession is not None and recession.value is None:
        clauses.insert(0, "how far the edge has moved back could not be measured")
    sentence = clauses[0]
    for clause in clauses[1:]:
        sentence += f"; {clause}"
    return sentence[0].upper() + sentence[1:] + "."


def _hedged(record: Record) -> str:
    return value_text(record) + (" (doubtful)" if record.status == "doubtful" else "")


def _tip_sentence(radius: Record, angle: Record | None) -> str:
    if radius.value is None:
        return (
            f"The radius of this edge could not be measured: {shortened(note_text(radius), 140).rstrip('.')}."
        )
    size = limit_text(radius) if radius.status == "below_detection" else _hedged(radius)
    wedge = f", between faces at {_hedged(angle)}" if angle is not None and angle.value is not None else ""
    return f"In section the edge radius is {size}{wedge}."


def _recession_clause(record: Record | None) -> str:
    if record is None or record.value is None:
        return ""
    if record.status == "below_detection":
        limit = limit_text(record)
        return "no wear seen: the edge has moved back " + (limit or "less than the photo can show")
    return f"where it cut, the edge has moved back {_hedged(record)}"


def _radius_clause(record: Record | None) -> str:
    if record is None or record.value is None or record.status == "below_detection":
        return ""
    return f"its radius is now {_hedged(record)}"


def _land_clause(record: Record | None) -> str:
    if record is None or record.value is None or record.status == "below_detection":
        return ""
    return f"it has a wear land {_hedged(record)} wide"


def _chips_clause(record: Record | None) -> str:
    if record is None or not record.value:
        return ""
    count = round(record.value)
    return f"it has {count} chip{'' if count == 1 else 's'}" + (
        " at least" if record.status == "doubtful" else ""
    )


def _coating_clause(record: Record | None) -> str:
    if record is None or record.value is None:
        return ""
    if record.status == "below_detection":
        return "no coating loss seen"
    return f"{_hedged(record)} of the coating there is gone"
