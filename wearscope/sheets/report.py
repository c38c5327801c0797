"""The report of a trial: what its outcome, photos and log come to, for people, as one HTML file and as a PDF."""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import cv2
from jinja2 import Environment, PackageLoader, StrictUndefined

from wearscope import __version__
from wearscope.errors import WearscopeError
from wearscope.log.export import write_bytes
from wearscope.outcome.decision import BitOutcome, Outcome
from wearscope.outcome.readings import limits_of
from wearscope.outcome.words import cost_text, life_text, money_text, percent
from wearscope.sheets.cost_bars import draw_costs
from wearscope.sheets.curves import draw_curves, rendered
from wearscope.sheets.report_words import CAUTIONS, METHOD
from wearscope.sheets.words import (
    finding,
    headline,
    main_sentence,
    parts_text,
    quantity_words,
    row_name,
    rounded,
)
from wearscope.trial import PhotoEntry, Trial
from wearscope.wear.records import COVERAGE_95, Record

SHEET_WIDTH_PX = 1100
"""Width of the sheets inside the HTML file: legible when enlarged, and some 100 kB each."""
_WEBP_QUALITY = 74
_UNKNOWN = "not known yet"

Place = tuple[str, int, int, str]
"""Bit, flute, parts and view."""


@dataclass(frozen=True)
class Number:
    """A number of a photo as it is shown, and where it comes from.

    Attributes
    ----------
    name, finding : str
        What it is, and its value with the interval or what stands in its place.
    status : str
        As in ``measurements.csv``.
    origin : str
        Method, version of the program and day of the measurement; why there is a remark.
    """

    name: str
    finding: str
    status: str
    origin: str


@dataclass(frozen=True)
class PhotoCard:
    """What the report shows of one photo of the trial.

    Attributes
    ----------
    number : int
        From 1, in the order of the trial.
    heading, sentence : str
        Which flute and checkpoint, and the main result.
    bit : str
    flute, parts : int
    when, view : str
        Checkpoint and view in words.
    photo, sha256 : str
        File as written in the trial file, and the checksum of what was measured; empty if nothing was.
    scale, version, measured_at : str
        Empty if nothing was measured.
    blur, misfit : str
        Of the photo, in words.
    verdict : {"measured", "doubtful", "refused", "not measured"}
    remarks : tuple of str
        Why it is refused or doubtful, and whether the file is still the one that was measured.
    numbers : tuple of Number
    sheet : Path or None
    is_last : bool
        Whether it is of the last checkpoint of its flute and view.
    """

    number: int
    heading: str
    sentence: str
    bit: str
    flute: int
    parts: int
    when: str
    view: str
    photo: str
    sha256: str
    scale: str
    version: str
    measured_at: str
    blur: str
    misfit: str
    verdict: str
    remarks: tuple[str, ...]
    numbers: tuple[Number, ...]
    sheet: Path | None
    is_last: bool


@dataclass(frozen=True)
class BitRow:
    """What the report says of one bit.

    Attributes
    ----------
    bit : str
    life, cost, chance, price, using_up : str
        In words.
    sentences : tuple of str
    """

    bit: str
    life: str
    cost: str
    chance: str
    price: str
    using_up: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Signs:
    """What was noted of one flute or bit at one checkpoint, in words."""

    place: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Fairness:
    """Whether the bits worked under the same conditions, in words."""

    head: str
    dangers: tuple[str, ...]
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Report:
    """Everything that the report says, in words; ready for a page of any kind.

    Attributes
    ----------
    title : str
        The trial's name.
    outcome : Outcome
        For the pictures.
    facts : tuple of (str, str)
        Under what conditions the bits worked.
    limits : tuple of str
        When a bit is worn out.
    bits : tuple of BitRow
    photos : tuple of PhotoCard
    cost_notes : tuple of str
        What went into the cost.
    made : str
        Day and version.
    signs : tuple of Signs or None
        None where no notes are kept.
    fairness : Fairness or None
    """

    title: str
    outcome: Outcome
    facts: tuple[tuple[str, str], ...]
    limits: tuple[str, ...]
    bits: tuple[BitRow, ...]
    photos: tuple[PhotoCard, ...]
    cost_notes: tuple[str, ...]
    made: str
    signs: tuple[Signs, ...] | None = None
    fairness: Fairness | None = None

    @property
    def n_measured(self) -> int:
        """Number of photos that gave numbers."""
        return sum(bool(photo.numbers) for photo in self.photos)


def report_of(
    trial: Trial,
    records: Sequence[Record],
    outcome: Outcome,
    *,
    refusals: Mapping[Place, str],
    sheets: Mapping[PhotoEntry, Path],
    sha256_now: Mapping[PhotoEntry, str],
    made_at: str,
) -> Report:
    """Gather what the report says.

    Parameters
    ----------
    trial : Trial
    records : sequence of Record
        The rows that hold now.
    outcome : Outcome
        Of these rows.
    refusals : mapping
        Why a photo was refused when the trial was last measured.
    sheets : mapping
        Comparison sheet of each photo, where there is one.
    sha256_now : mapping
        Checksum that each photo's file has now; empty where there is no such file.
    made_at : str
        UTC, ISO 8601.

    Returns
    -------
    Report
    """
    rows: dict[Place, list[Record]] = {}
    for record in records:
        rows.setdefault((record.bit, record.flute, record.parts, record.view), []).append(record)
    last: dict[tuple[str, int, str], int] = {}
    for entry in trial.photos:
        seen = (entry.bit, entry.flute, entry.view)
        last[seen] = max(last.get(seen, 0), entry.parts)
    photos = tuple(
        _photo_card(
            number,
            entry,
            rows.get(_place(entry), []),
            refusals.get(_place(entry), ""),
            sheets.get(entry),
            sha256_now.get(entry, ""),
            is_last=entry.parts == last[entry.bit, entry.flute, entry.view],
        )
        for number, entry in enumerate(trial.photos, 1)
    )
    return Report(
        trial.name,
        outcome,
        _facts(trial),
        tuple(_limits(trial)),
        tuple(_bit_row(bit, outcome) for bit in outcome.bits),
        photos,
        tuple(_cost_notes(trial)),
        f"{made_at[:10]}, wearscope {__version__}",
    )


def _place(entry: PhotoEntry) -> Place:
    return entry.bit, entry.flute, entry.parts, entry.view


def _photo_card(
    number: int,
    entry: PhotoEntry,
    rows: Sequence[Record],
    refusal: str,
    sheet: Path | None,
    sha256_now: str,
    *,
    is_last: bool,
) -> PhotoCard:
    sha256 = rows[0].photo_sha256 if rows else ""
    remarks = [refusal] if refusal else []
    if rows and refusal:
        remarks.append("The numbers here are those of an earlier measurement.")
    if rows and not sha256_now:
        remarks.append("The file is no longer where the trial file says.")
    elif rows and sha256_now != sha256:
        remarks.append("The file has changed since it was measured; run wearscope measure.")
    if not rows and not refusal:
        remarks.append("Not measured yet; run wearscope measure.")
    doubtful = any(row.status == "doubtful" for row in rows)
    measured = "doubtful" if doubtful else "measured"
    scales = {f"{row.scale} ({row.um_per_px:.5g} µm per pixel)" for row in rows if row.um_per_px}
    return PhotoCard(
        number=number,
        heading=headline(entry.bit, entry.flute, entry.parts),
        sentence=main_sentence(rows, entry.parts) if rows else "No numbers.",
        bit=entry.bit,
        flute=entry.flute,
        parts=entry.parts,
        when=parts_text(entry.parts),
        view=entry.view,
        photo=entry.file,
        sha256=sha256,
        scale=_listed(scales),
        version=_listed(row.wearscope_version for row in rows),
        measured_at=_listed(row.measured_at[:10] for row in rows),
        blur=_first(rows, "sharpness"),
        misfit=_first(rows, "registration_residual"),
        verdict=(measured if rows else "not measured") if not refusal else "refused",
        remarks=tuple(remarks),
        numbers=tuple(_number(row) for row in rows),
        sheet=sheet,
        is_last=is_last,
    )


def _listed(texts: Iterable[str]) -> str:
    return ", ".join(sorted(set(texts)))


def _first(rows: Sequence[Record], quantity: str) -> str:
    return next((finding(row) for row in rows if row.quantity == quantity), "–")


def _number(row: Record) -> Number:
    said = finding(row, longest=1000)
    notes = [row.note] if row.note and row.note not in said else []
    origin = [*notes, row.method, f"wearscope {row.wearscope_version}", row.measured_at[:10]]
    return Number(row_name(row), said, row.status, " · ".join(filter(None, origin)))


def _bit_row(bit: BitOutcome, outcome: Outcome) -> BitRow:
    currency = outcome.currency
    lives = f", over {bit.use.lives} lives" if bit.use.lives > 1 else ""
    return BitRow(
        bit.bit,
        life_text(bit.life, bit.at_least, outcome.axis) if bit.life else _UNKNOWN,
        cost_text(bit, currency) if bit.cost else _UNKNOWN,
        "–" if bit.chance is None else percent(bit.chance),
        _money(currency, bit.price),
        f"{_money(currency, bit.use.money)}{lives}",
        (*bit.sentences, *([f"No life: {bit.why_not}."] if bit.why_not else [])),
    )


def _money(currency: str, amount: float) -> str:
    return f"{amount:.2f} {currency}".rstrip()


def _facts(trial: Trial) -> tuple[tuple[str, str], ...]:
    facts = [
        ("Workpiece", trial.workpiece),
        ("Depth of cut", f"{trial.depth_of_cut_mm:g} mm"),
        ("Spindle speed", f"{trial.spindle_rpm:g} rpm"),
        ("Feed", f"{trial.feed_mm_per_min:g} mm/min"),
    ]
    if trial.minutes_per_part is not None:
        facts.append(("Cutting time", f"{trial.minutes_per_part:g} min per part"))
    if trial.cut_length_m_per_part is not None:
        facts.append(("Cutting length", f"{trial.cut_length_m_per_part:g} m per part"))
    for bit in trial.bits:
        coating = f"coated with {bit.coating}" if bit.coated else "uncoated"
        facts.append(
            (
                f"Bit {bit.name}",
                f"{bit.flutes} flute{'s' * (bit.flutes > 1)}, {bit.diameter_mm:g} mm, wedge angle "
                f"{bit.wedge_angle_deg:g}°, {coating}",
            )
        )
    return tuple(facts)


def _limits(trial: Trial) -> Iterable[str]:
    limits = {limit.quantity: limit for bit in trial.bits for limit in limits_of(trial.life, bit)}
    for limit in limits.values():
        words = quantity_words(limit.quantity)
        value, u = words.factor * limit.value, words.factor * limit.u
        sure = f" ± {rounded(COVERAGE_95 * u, COVERAGE_95 * u)[0]}" if u else ""
        yield f"{words.name} of {value:g}{sure} {words.unit}"


def _cost_notes(trial: Trial) -> Iterable[str]:
    cost, currency = trial.cost, trial.currency or ""
    if cost.rate_per_hour and cost.change_over_minutes:
        yield (
            f"A change of the bit stops the machine for {cost.change_over_minutes:g} minutes at "
            f"{_money(currency, cost.rate_per_hour)} an hour."
        )
    else:
        yield "Time lost by changing bits is not counted: the trial file has no [cost]."
    for bit in trial.bits:
        if bit.regrinds:
            yield f"{bit.name} is reground {bit.regrinds} times, for {_money(currency, bit.regrind_price)} each."
        if bit.resale:
            yield f"{bit.name} fetches {_money(currency, bit.resale)} when worn out."
    if not any(bit.price for bit in trial.bits):
        yield "No bit has a price, so that cost says nothing: give price in each [[bit]]."
    if not currency:
        yield "The trial file names no currency."


# --- HTML


def report_html(report: Report, *, interactive: bool = True) -> str:
    """Write the report as one HTML page that needs nothing else.

    Parameters
    ----------
    report : Report
    interactive : bool
        Whether to add wear curves that answer to the pointer, and with them 5 MB of script. The drawn ones are
        always there.

    Returns
    -------
    str
    """
    has_curves = any(bit.curves for bit in report.outcome.bits)
    script = ""
    if interactive and has_curves:
        from plotly.offline import get_plotlyjs

        script = get_plotlyjs().replace("</script", "<\\/script")
    return _template().render(
        report=report,
        outcome=report.outcome,
        cautions=CAUTIONS,
        method=METHOD,
        curves=[
            _data_uri(rendered(lambda: draw_curves(report.outcome, narrow=narrow), "svg"), "svg+xml")
            for narrow in (False, True)
            if has_curves
        ],
        curves_alt=curves_alt(report),
        costs=_data_uri(rendered(lambda: draw_costs(report.outcome), "svg"), "svg+xml"),
        costs_alt=costs_alt(report),
        sheet_uri=_sheet_uri,
        script=script,
        plots=_script_json(interactive_curves(report.outcome)) if script else "",
    )


def curves_alt(report: Report) -> str:
    """Say in words what the drawn wear curves show."""
    said = [
        f"{bit.bit}: {quantity_words(curve.quantity).name} rises to "
        f"{words.factor * float(curve.worst.median[_last_cut(curve.parts, bit.parts_cut)]):.3g} {words.unit} on its worst "
        f"flute after {bit.parts_cut:.0f} parts"
        for bit in report.outcome.bits
        for curve in bit.curves
        for words in (quantity_words(curve.quantity),)
    ]
    return f"Wear curves with their ranges, and the limits. {'; '.join(said)}."


def costs_alt(report: Report) -> str:
    """Say in words what the picture of the costs shows."""
    return f"Cost per part, 95 % ranges. {'; '.join(f'{bit.bit}: {bit.cost}' for bit in report.bits)}."


def _last_cut(parts: Any, parts_cut: float) -> int:  # noqa: ANN401 - an array
    return int(abs(parts - parts_cut).argmin())


@cache
def _template() -> Any:  # noqa: ANN401 - jinja2 leaves templates untyped to its callers
    environment = Environment(
        loader=PackageLoader("wearscope.sheets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("report.html.j2")


def _data_uri(content: bytes | None, kind: str) -> str:
    return f"data:image/{kind};base64,{b64encode(content).decode()}" if content else ""


def _sheet_uri(path: Path) -> str:
    """Sheet as a small picture inside the page; empty if it cannot be read."""
    return _data_uri(sheet_picture(path, SHEET_WIDTH_PX, ".webp", _WEBP_QUALITY), "webp")


def sheet_picture(path: Path, width_px: int, suffix: str, quality: int) -> bytes | None:
    """Comparison sheet, no wider than `width_px`, compressed; None if the file cannot be read.

    Parameters
    ----------
    path : Path
    width_px : int
    suffix : {".webp", ".jpg"}
    quality : int
        From 0 to 100.

    Returns
    -------
    bytes or None
    """
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if picture is None:
        return None
    height, width = picture.shape[:2]
    if width > width_px:
        size = (width_px, round(height * width_px / width))
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    flag = cv2.IMWRITE_WEBP_QUALITY if suffix == ".webp" else cv2.IMWRITE_JPEG_QUALITY
    return bytes(cv2.imencode(suffix, picture, [flag, quality])[1])


# --- Curves that answer to the pointer

# Okabe and Ito's colours that are dark enough on white; dashes and markers tell the bits apart without colour.
_COLOURS = ("#0072B2", "#D55E00", "#00795A", "#A3457C", "#161616", "#7A5C00")
_DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "star")


def interactive_curves(outcome: Outcome) -> list[dict[str, Any]]:
    """Figures for plotly, one for each quantity, with all bits in one panel.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    list of dict
        Fit for JSON; each with ``title``, ``data`` and ``layout``.
    """
    quantities = dict.fromkeys(curve.quantity for bit in outcome.bits for curve in bit.curves)
    return [_interactive(outcome, quantity) for quantity in quantities]


def _interactive(outcome: Outcome, quantity: str) -> dict[str, Any]:
    words, axis = quantity_words(quantity), outcome.axis
    what_x = {"parts": "parts", "min": "minutes", "m": "metres"}[axis.unit]
    data: list[dict[str, Any]] = []
    tops, limits = [], {}
    for number, bit in enumerate(outcome.bits):
        for curve in bit.curves:
            if curve.quantity != quantity:
                continue
            i = number % len(_COLOURS)
            colour, group = _COLOURS[i], {"legendgroup": bit.bit}
            x = _short(axis.factor * curve.parts)
            low, middle, high = (
                _short(words.factor * line)
                for line in (curve.worst.low95, curve.worst.median, curve.worst.high95)
            )
            data.append(
                {
                    "x": x + x[::-1],
                    "y": high + low[::-1],
                    "fill": "toself",
                    "fillcolor": f"{colour}22",
                    "line": {"width": 0},
                    "mode": "lines",
                    "hoverinfo": "skip",
                    "showlegend": False,
                    **group,
                }
            )
            data.append(
                {
                    "x": x,
                    "y": middle,
                    "mode": "lines",
                    "name": f"{bit.bit}, worst flute",
                    "line": {"color": colour, "dash": _DASHES[i], "width": 2.2},
                    "customdata": [list(pair) for pair in zip(low, high, strict=True)],
                    "hovertemplate": f"{bit.bit}, worst flute: %{{y:.3g}} {words.unit}<br>95 %: %{{customdata[0]:.3g}} to "
                    f"%{{customdata[1]:.3g}} {words.unit}<br>%{{x:.0f}} {what_x}<extra></extra>",
                    **group,
                }
            )
            values = [words.factor * (row.value or 0.0) for row in curve.readings]
            halves = [words.factor * COVERAGE_95 * (row.std_uncertainty or 0.0) for row in curve.readings]
            tops += [value + half for value, half in zip(values, halves, strict=True)]
            data.append(
                {
                    "x": [axis.factor * row.parts for row in curve.readings],
                    "y": values,
                    "error_y": {"array": halves, "color": colour, "thickness": 1.4, "width": 4},
                    "mode": "markers",
                    "marker": {"color": colour, "symbol": _SYMBOLS[i], "size": 8},
                    "customdata": [
                        [row.flute, parts_text(row.parts), finding(row), row.photo] for row in curve.readings
                    ],
                    "hovertemplate": f"{bit.bit}, flute %{{customdata[0]}} %{{customdata[1]}}<br>%{{customdata[2]}}<br>"
                    "%{customdata[3]}<extra></extra>",
                    "showlegend": False,
                    **group,
                }
            )
            if curve.limit is not None:
                limits[words.factor * curve.limit.value] = None
            else:
                tops.append(max(middle))
    title = f"{words.name[0].upper()}{words.name[1:]}"
    layout = {
        "xaxis": {"title": {"text": what_x}, "rangemode": "tozero"},
        "yaxis": {"title": {"text": f"{words.name}, {words.unit}"}, "range": [0, 1.25 * max([*tops, *limits])]},
        "shapes": [
            {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": y, "y1": y, "line": {"dash": "dash", "width": 1.5}}
            for y in limits
        ],
        "annotations": [
            {"text": "limit", "xref": "paper", "x": 0, "xanchor": "left", "y": y, "yanchor": "bottom", "showarrow": False}
            for y in limits
        ],
    }  # fmt: skip
    return {"title": title, "data": data, "layout": layout}


def _short(values: Any) -> list[float]:  # noqa: ANN401 - an array
    return [float(f"{value:.4g}") for value in values]


def _script_json(thing: object) -> str:
    """JSON that can stand inside a script element."""
    return json.dumps(thing, ensure_ascii=True, allow_nan=False).replace("<", "\\u003c")


# --- Files


def write_report(folder: Path, report: Report, *, interactive: bool = True) -> tuple[Path, Path]:
    """Write ``report.html`` and ``report.pdf``, each whole or not at all.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    report : Report
    interactive : bool
        As in `report_html`.

    Returns
    -------
    tuple of Path

    Raises
    ------
    WearscopeError
        A file cannot be written.
    """
    from wearscope.sheets.pdf import report_pdf

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WearscopeError(
            f"{folder} cannot be made ({error.strerror})", "choose another folder with --out"
        ) from error
    made: list[tuple[Path, Callable[[], bytes]]] = [
        (folder / "report.html", lambda: report_html(report, interactive=interactive).encode()),
        (folder / "report.pdf", lambda: report_pdf(report)),
    ]
    for path, content in made:
        write_bytes(path, content())
    return made[0][0], made[1][0]
