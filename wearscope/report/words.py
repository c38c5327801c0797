"""Numbers and findings in plain words, for sheets, summaries and the command line."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

from wearscope.log.records import Record
from wearscope.metrology.findings import COVERAGE_95
from wearscope.quantities.quantity import Quantity, Zone, quantity_of
from wearscope.quantities.reasons import Reason, reasons_in
from wearscope.quantities.views import VIEWS
from wearscope.report.reason_words import words_of

MINUS = "\N{MINUS SIGN}"
INTERVAL_REMARK = "± holds the truth 95 times in 100"
SURE = "(95 in 100)"  # behind the heading of a column of ranges


_JOINTS = re.compile(
    "(?<=[-_/\u2010\u2012\u2013\u2014])(?=.)"
)  # hyphens and dashes, as in names of files too
_LOPSIDED = 0.2  # difference of the sides of an interval, over their mean, from which both are told; chosen
_LONGEST_REASON = 160  # characters of a reason behind a value; chosen: two lines on a sheet
ZONE_WORDS = {"used": "used", "unused": "unused", "difference": "used minus unused", "whole": ""}
VIEW_WORDS: dict[str, str] = {view.key: view.label for view in VIEWS.values()}


def note_text(record: Record) -> str:
    """Note of a row as it is said to people: in µm, after the least that would show of what is not seen.

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
        how = quantity_of(record.quantity)
        limit = how.shown_factor * record.detection_limit
        said.insert(
            0,
            f"it would show from {_to_place(limit, _place(limit, 2))} {how.shown_unit} on".replace("  ", " "),
        )
    return "; ".join(said)


def notes_of(record: Record) -> tuple[str, ...]:
    """Note of a row as it is said to people, one text for each reason.

    Parameters
    ----------
    record : Record

    Returns
    -------
    tuple of str
        The whole note as one where a row of an earlier version says more than its reasons do; empty for no note.
    """
    whole = note_text(record)
    said = tuple(in_microns(words_of(each)) for each in reasons_in(record.reasons))
    if "; ".join(said) == whole:
        return said
    return (whole,) if whole else ()


def in_microns(text: str) -> str:
    """Write "um" behind a number as "µm".

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    # not made from the reasons: the note also tells of the scale, and rows of version 0.1 have a note alone
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
    return name_in_zone(record.quantity, record.zone)


def name_in_zone(quantity: str, zone: Zone) -> str:
    """Name of a quantity in a zone for people, such as "edge radius, used".

    Parameters
    ----------
    quantity : str
        As in ``measurements.csv``.
    zone : str

    Returns
    -------
    str
    """
    return ", ".join(filter(None, [quantity_of(quantity).label, ZONE_WORDS[zone]]))


def capitalised(text: str) -> str:
    """Text with a capital first letter, the rest as it is.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    return text[:1].upper() + text[1:]


def joined(items: Sequence[str], most: int | None = None) -> str:
    """Items in a sentence: "A, B and C".

    Parameters
    ----------
    items : sequence of str
        At least one.
    most : int, optional
        Of more items than this the others are only counted: "A, B and 2 more".

    Returns
    -------
    str
    """
    if most is not None and len(items) > most:
        items = [*items[:most], f"{len(items) - most} more"]
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def said(phrases: Mapping[str, str], reason: Reason, **more: str) -> str:
    """A reason in words.

    Parameters
    ----------
    phrases : mapping
        From codes to phrases; what stands in braces there is filled in from the reason's values.
    reason : Reason
    **more : str
        What else the phrases need.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        There is no phrase for it.
    """
    return phrases[reason.code].format(**dict(reason.values), **more)


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
    return int(f"{x:.{digits - 1}e}".partition("e")[2]) - digits + 1


def _to_place(x: float, place: int, rounding: str = ROUND_HALF_EVEN) -> str:
    if not math.isfinite(x):
        return "unknown"
    if rounding == ROUND_HALF_EVEN and (text := _written(float(x), -place)) is not None:
        return text
    scaled = Decimal(repr(float(x))).quantize(Decimal(1).scaleb(place), rounding=rounding)
    text = f"{scaled:f}" if scaled != 0 else f"{abs(scaled):f}"
    return text.replace("-", MINUS)


def _written(x: float, decimals: int) -> str | None:
    """As `_to_place` by way of `Decimal`, several times as fast; None where the two may differ.

    They do where the shortest digits of a number lie just between two of so many decimals, which its binary form does
    not; and where there are about as many decimals as the binary form has.
    """
    if not (0 <= decimals <= 5 and 1e-4 <= abs(x) < 1e9):
        return None
    behind = repr(x).partition(".")[2]
    if behind[-1] == "5" and len(behind) == decimals + 1:
        return None
    text = f"{x:.{decimals}f}"
    if x < 0:
        text = text[1:] if float(text) == 0 else MINUS + text[1:]
    return text


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
    how = quantity_of(record.quantity)
    value = record.value * how.shown_factor
    tail = _unit_after(how) if with_unit else ""
    if how.counted:
        give = round(COVERAGE_95 * (record.std_uncertainty or 0.0))
        return f"{value:.0f}" + (f" ± {give}" if give > 0 else "")
    if record.low95 is not None and record.high95 is not None:
        below, above = value - record.low95 * how.shown_factor, record.high95 * how.shown_factor - value
        half = (below + above) / 2
        if half > 0 and abs(above - below) > _LOPSIDED * half:
            place = _place(half, 2)
            low, high = (_to_place(v, place) for v in (value - below, value + above))
            return f"{_to_place(value, place)} ({low} to {high}){tail}"
        if half > 0:
            shown, spread = rounded(value, half)
            return f"{shown} ± {spread}{tail}"
    if record.std_uncertainty:
        shown, spread = rounded(value, record.std_uncertainty * how.shown_factor)
        return f"{shown} ± {spread}{tail} (two times in three)"
    return f"{rounded(value)[0]}{tail}"


def _unit_after(how: Quantity) -> str:
    """Unit as it is written behind a number, an angle's without a space (ISO 80000-1:2022, 7.1.4; from memory)."""
    return how.shown_unit if how.shown_unit in ("", "°") else f" {how.shown_unit}"


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
    how = quantity_of(record.quantity)
    bound = max(record.high95, (record.high95 - record.low95) / 2) * how.shown_factor
    shown = _to_place(bound, _place(bound, 2), ROUND_CEILING)
    tail = _unit_after(how) if with_unit else ""
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
    return quantity_of(record.quantity).unseen


def finding(record: Record, *, longest: int = _LONGEST_REASON) -> str:
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
    """Cut a text to at most `longest` characters, with an ellipsis where something is left out.

    At the end of one of its statements, where that leaves more than half of that, else behind a word.

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
    cut = max(head.rfind("; "), 0)
    if cut <= longest // 2:
        cut = head.rfind(" ")
    return head[: cut if cut > longest // 2 else len(head)].rstrip(" ,;:.") + "…"


def joints(word: str) -> list[str]:
    """Parts of a long word at which it may be broken before it is broken anywhere: behind its hyphens.

    Parameters
    ----------
    word : str

    Returns
    -------
    list of str
        Put together they make up the word.

    Examples
    --------
    >>> joints("long-reach/up_cut")
    ['long-', 'reach/', 'up_', 'cut']
    """
    return _JOINTS.split(word)


def folded(text: str, width: int, most_lines: int) -> str:
    r"""Fold a text into lines, words that are too long too, with an ellipsis where something is left out.

    Parameters
    ----------
    text : str
    width : int
        Characters of a line.
    most_lines : int

    Returns
    -------
    str

    Examples
    --------
    >>> folded("Compression bit, long reach", 16, 2)
    'Compression bit,\nlong reach'
    """
    return "\n".join(textwrap.wrap(text, width, max_lines=most_lines, placeholder="…"))


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
