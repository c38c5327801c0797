"""The report as one HTML page that needs nothing else."""

from __future__ import annotations

import json
import re
from base64 import b64encode
from functools import cache, partial
from pathlib import Path
from typing import Any

import cv2
from jinja2 import Environment, PackageLoader, StrictUndefined

from wearscope.report.cost_bars import draw_costs
from wearscope.report.curves import draw_curves, rendered
from wearscope.report.plots import interactive_curves
from wearscope.report.report import Report, costs_alt, curves_alt
from wearscope.report.report_words import CAUTIONS, COSTS_CAPTION, CURVES_CAPTION, PLOTS_HINT

SHEET_WIDTH_PX = 1100
"""Width of the sheets inside the HTML file: legible when enlarged, and some 100 kB each."""
_WEBP_QUALITY = 74
_LONGEST_TEXT = 10_000  # what is longer is a picture


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

        script = str(get_plotlyjs()).replace("</script", "<\\/script")
    page: str = _template().render(
        report=report,
        outcome=report.outcome,
        cautions=CAUTIONS,
        method=report.method,
        curves_caption=CURVES_CAPTION,
        costs_caption=COSTS_CAPTION,
        plots_hint=PLOTS_HINT,
        curves=[
            _data_uri(rendered(partial(draw_curves, report.outcome, narrow=narrow), "svg"), "svg+xml")
            for narrow in (False, True)
            if has_curves
        ],
        curves_alt=curves_alt(report.outcome),
        costs=_data_uri(rendered(lambda: draw_costs(report.outcome), "svg"), "svg+xml"),
        costs_alt=costs_alt(report),
        sheet_uri=_sheet_uri,
        script=script,
        plots=_script_json(interactive_curves(report.outcome)) if script else "",
    )
    return page


@cache
def _template() -> Any:  # noqa: ANN401 - jinja2 leaves templates untyped to its callers
    environment = Environment(
        loader=PackageLoader("wearscope.report"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_unbroken,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("report.html.j2")


def _unbroken(said: Any) -> Any:  # noqa: ANN401 - whatever the template shows
    """Keep a number and its unit on one line."""
    if type(said) is not str or len(said) > _LONGEST_TEXT:
        return said
    return re.sub(r"(?<=\d) (?=(?:µm|%|mm|m|c|dB|rpm|EUR|USD)\b|%|±)|(?<=±) ", "\N{NO-BREAK SPACE}", said)


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


def _script_json(thing: object) -> str:
    """JSON that can stand inside a script element."""
    return json.dumps(thing, ensure_ascii=True, allow_nan=False).replace("<", "\\u003c")
