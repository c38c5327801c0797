"""The report as one HTML page that needs nothing else."""

from __future__ import annotations

import json
import re
from base64 import b64encode
from concurrent.futures import ThreadPoolExecutor
from functools import cache, lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any
from urllib.parse import quote

import cv2
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from wearscope.report.curves import draw_curves, drawn_of, rendered, shown_bits
from wearscope.report.photo_cards import PhotoCard
from wearscope.report.plots import interactive_curves
from wearscope.report.report import PAGES_FOLDER, BitPage, Report, costs_alt, curves_alt, only_some
from wearscope.report.report_words import CAUTIONS, COSTS_CAPTION, CURVES_CAPTION, PLOTS_HINT
from wearscope.texts import visible
from wearscope.version import __version__

SHEET_WIDTH_PX = 1100
"""Width of the sheets inside the HTML file: legible when enlarged, and some 100 kB each."""
_WEBP_QUALITY = 74
_LONGEST_TEXT = 10_000  # what is longer is a picture


def report_html(report: Report, *, interactive: bool = True, processors: int = 1) -> str:
    """Write the report as one HTML page that needs nothing else.

    Parameters
    ----------
    report : Report
    interactive : bool
        Whether to add wear curves that answer to the pointer, and with them 5 MB of script. The drawn ones are
        always there.
    processors : int
        That may make the sheets smaller, side by side.

    Returns
    -------
    str
    """
    has_curves = any(bit.curves for bit in report.outcome.bits)
    script = ""
    if interactive and has_curves:
        from plotly.offline import get_plotlyjs

        script = str(get_plotlyjs()).replace("</script", "<\\/script")
    sheets = [] if report.pages else [photo.sheet for photo in report.photos if photo.sheet]
    with ThreadPoolExecutor(processors) as threads:  # what OpenCV does lets others run
        uris = dict(zip(sheets, threads.map(_sheet_uri, sheets), strict=True))
    page: str = _template("report.html.j2").render(
        report=report,
        outcome=report.outcome,
        cautions=CAUTIONS,
        method=report.method,
        curves_caption=CURVES_CAPTION + only_some(report.outcome),
        costs_caption=COSTS_CAPTION + only_some(report.outcome),
        plots_hint=PLOTS_HINT,
        curves=[_svg_uri(report.curves.svg if report.curves else None), _svg_uri(_narrow(report))]
        if has_curves
        else [],
        curves_alt=curves_alt(report.outcome, shown_bits(report.outcome)),
        costs=_svg_uri(report.costs.svg if report.costs else None),
        costs_alt=costs_alt(report),
        sheet_uri=uris.__getitem__,
        number_rows=number_rows,
        pages_folder=PAGES_FOLDER,
        script=script,
        plots=_script_json(interactive_curves(report.outcome)) if script else "",
    )
    return page


def bit_page(report: Report, page: BitPage) -> str:
    """Write a page that photos of the report stand on, where they are too many for one.

    Parameters
    ----------
    report : Report
    page : BitPage

    Returns
    -------
    str
    """
    written: str = _template("bit.html.j2").render(
        report=report, page=page, sheet_uri=_sheet_beside, number_rows=number_rows
    )
    return written


def shown_on(report: Report, page: BitPage) -> str:
    """SHA-256 of all that a page says, but the day it was made.

    Parameters
    ----------
    report : Report
    page : BitPage

    Returns
    -------
    str
    """
    summed = sha256(repr((__version__, report.title, page)).encode())  # to sheets it only points
    for photo in page.photos:
        summed.update("".join((f"{len(photo.rows)}\n", *report.lines.of(photo.rows))).encode())
    return summed.hexdigest()


@cache
def _template(name: str) -> Any:  # noqa: ANN401 - jinja2 leaves templates untyped to its callers
    environment = Environment(
        loader=PackageLoader("wearscope.report"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)


def number_rows(photo: PhotoCard) -> Markup:
    """Rows of the table of all numbers of a photo: of thousands of photos, most of what the pages hold.

    Parameters
    ----------
    photo : PhotoCard

    Returns
    -------
    Markup
    """
    return Markup(
        "\n".join(
            f'<tr><th scope="row">{_often(number.name)}</th><td>{_often(number.finding)}<br>'
            f'<span class="muted">{_often(number.origin)}</span></td></tr>'
            for number in photo.numbers
        )
    )


@lru_cache(maxsize=10_000)
def _often(said: str) -> Markup:
    """What stands beside many numbers."""
    return escape(_shown(said))


def _shown(said: Any) -> Any:  # noqa: ANN401 - whatever the template shows
    """Write out control characters, and keep a number and its unit on one line."""
    if type(said) is not str or len(said) > _LONGEST_TEXT:
        return said
    return _BEFORE_UNIT("\N{NO-BREAK SPACE}", visible(said))


_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:µm|%|mm|m|c|dB|rpm|EUR|USD)\b|%|±)|(?<=±) ").sub


def _narrow(report: Report) -> bytes:
    def drawn() -> tuple[bytes, ...]:
        return (rendered(lambda: draw_curves(report.outcome, narrow=True), "svg") or b"",)

    return next(iter(report.keep(drawn_of(report.outcome), "narrow", drawn)))


def _svg_uri(content: bytes | None) -> str:
    return _data_uri(content, "svg+xml")


def _data_uri(content: bytes | None, kind: str) -> str:
    return f"data:image/{kind};base64,{b64encode(content).decode()}" if content else ""


def _sheet_beside(path: Path) -> str:
    """Where a sheet lies, seen from a bit's page: to save ten thousand anew as smaller ones takes half an hour."""
    return f"../{quote(path.parent.name)}/{quote(path.name)}"


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


def _script_json(thing: object) -> str:
    """JSON that can stand inside a script element."""
    return json.dumps(thing, ensure_ascii=True, allow_nan=False).replace("<", "\\u003c")
