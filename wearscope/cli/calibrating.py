"""The command for what is measured once for a microscope: calibrate; before 0.4 it was scale and light."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wearscope.cli.common import (
    OFF_BY,
    REFUSED,
    CommandLineError,
    JsonOption,
    complain,
    print_json,
    require_file,
    say_moved,
)
from wearscope.cli.terminal import say
from wearscope.errors import PhotoRefused

if TYPE_CHECKING:
    from wearscope.imaging.calibration.pin import RingAngle
    from wearscope.imaging.calibration.scale import Scale

_Photo = Annotated[Path, typer.Argument(metavar="PHOTO", help="A photo of a graticule, or of a round pin.")]
_Pin = Annotated[
    float | None, typer.Option("--pin-diameter-mm", metavar="D", help="Of a pin: its diameter, in mm.")
]
_Division = Annotated[
    float | None,
    typer.Option(
        "--division-um",
        metavar="D",
        help="Of a graticule: from one of its lines to the next, in µm; 0.1 mm is 100.",
    ),
]
_UmPerPx = Annotated[
    float | None,
    typer.Option("--um-per-px", metavar="X", help="Of a pin: the scale, if it is known, in µm per pixel."),
]
_UUmPerPx = Annotated[
    float | None, typer.Option("--u-um-per-px", metavar="U", help=f"{OFF_BY}, in µm per pixel.")
]
_Graticule = Annotated[
    Path | None,
    typer.Option(
        "--graticule", metavar="G", help="Or a photo of a graticule at the same zoom, with --division-um."
    ),
]


def calibrate(
    photo: _Photo,
    division_um: _Division = None,
    pin_diameter_mm: _Pin = None,
    um_per_px: _UmPerPx = None,
    u_um_per_px: _UUmPerPx = None,
    graticule: _Graticule = None,
    as_json: JsonOption = False,
) -> None:
    """Measure the scale on a photo of a graticule, or the angle of the lamp ring on one of a round pin.

    A graticule is a glass slide with ruled lines: give --division-um. A pin is a gauge pin or the plain shank of a
    drill, under the same lamp as the flutes: give --pin-diameter-mm; a scale, if one is given, is checked against
    its thickness, and what is printed belongs in the trial file.
    """
    if pin_diameter_mm is None:
        if (um_per_px, u_um_per_px, graticule) != (None, None, None):
            raise CommandLineError(
                "a known scale is for the photo of a pin", "give --pin-diameter-mm, or leave the scale out"
            )
        if division_um is None:
            raise CommandLineError(
                "the photo shows a graticule or a pin, and which is not said",
                "give --division-um for a graticule, --pin-diameter-mm for a pin",
            )
        _scale(photo, division_um, as_json=as_json)
    else:
        _light(photo, pin_diameter_mm, um_per_px, u_um_per_px, graticule, division_um, as_json=as_json)


def scale(
    photo: _Photo,
    division_um: Annotated[
        float, typer.Option("--division-um", metavar="D", help="Distance of its neighbouring lines, in µm.")
    ],
    as_json: JsonOption = False,
) -> None:
    """Measure µm per pixel on a photo of a graticule; now part of calibrate."""
    say_moved("scale", "calibrate")
    _scale(photo, division_um, as_json=as_json)


def light(
    photo: _Photo,
    pin_diameter_mm: Annotated[
        float, typer.Option("--pin-diameter-mm", metavar="D", help="Diameter of the pin, in mm.")
    ],
    um_per_px: _UmPerPx = None,
    u_um_per_px: _UUmPerPx = None,
    graticule: _Graticule = None,
    division_um: _Division = None,
    as_json: JsonOption = False,
) -> None:
    """Measure the ring angle on a photo of a round pin; now part of calibrate."""
    say_moved("light", "calibrate")
    _light(photo, pin_diameter_mm, um_per_px, u_um_per_px, graticule, division_um, as_json=as_json)


def _scale(photo: Path, division_um: float, *, as_json: bool) -> None:
    require_file(photo)
    if not 0.5 <= division_um <= 50_000:
        raise CommandLineError(
            f"--division-um is {division_um:g}", "give the graticule's division in µm, 0.5 to 50000"
        )
    from wearscope.imaging.photo import read_photo
    from wearscope.pipeline.sources import scale_of_graticule

    keys = ("um_per_px_x", "u_um_per_px_x", "um_per_px_y", "u_um_per_px_y", "status", "note")
    try:
        document = _document(scale_of_graticule(read_photo(photo), division_um, file=str(photo)), keys)
    except PhotoRefused as error:
        document = dict.fromkeys(keys, None) | {"status": "refused", "note": str(error)}
    _tell(document, _scale_lines, as_json=as_json)


def _scale_lines(document: dict[str, Any]) -> Iterator[str]:
    from wearscope.metrology.findings import COVERAGE_95

    for axis, what in (("x", "column"), ("y", "row")):
        value, std = document[f"um_per_px_{axis}"], document[f"u_um_per_px_{axis}"]
        yield f"{value:.7g} ± {COVERAGE_95 * std:.2g} µm per pixel from {what} to {what}"
    yield f"{document['status']}: {document['note']}"


def _light(
    photo: Path,
    pin_diameter_mm: float,
    um_per_px: float | None,
    u_um_per_px: float | None,
    graticule: Path | None,
    division_um: float | None,
    *,
    as_json: bool,
) -> None:
    for name, value, least, most, unit in (
        ("--pin-diameter-mm", pin_diameter_mm, 0.05, 50, "mm"),
        ("--um-per-px", um_per_px, 0.01, 500, "µm per pixel"),
        ("--u-um-per-px", u_um_per_px, 1e-9, 50, "µm per pixel"),
        ("--division-um", division_um, 0.5, 50_000, "µm"),
    ):
        if value is not None and not least <= value <= most:
            raise CommandLineError(f"{name} is {value:g}", f"give {least:g} to {most:g} {unit}")
    for pair, given in (
        ("--um-per-px and --u-um-per-px", (um_per_px, u_um_per_px)),
        ("--graticule and --division-um", (graticule, division_um)),
    ):
        if sum(one is None for one in given) == 1:
            raise CommandLineError(f"{pair} go together", "give both or neither")
    if um_per_px is not None and graticule is not None:
        raise CommandLineError("the scale is given twice", "give --um-per-px or --graticule")
    for path in filter(None, (photo, graticule)):
        require_file(path)
    from wearscope.imaging.calibration.pin import ring_angle_from_pin
    from wearscope.imaging.calibration.scale import scale_from_graticule
    from wearscope.imaging.photo import read_photo

    keys = ("ring_angle_deg", "u_ring_angle_deg", "diameter_px", "u_diameter_px", "status", "note")
    try:
        scale = None if um_per_px is None or u_um_per_px is None else (um_per_px, u_um_per_px)
        if graticule is not None and division_um is not None:
            ruled = scale_from_graticule(read_photo(graticule).linear(), division_um, file=str(graticule))
            scale = ruled.um_per_px, ruled.u_um_per_px
        found = ring_angle_from_pin(
            read_photo(photo).linear(), pin_diameter_mm, um_per_px=scale, file=str(photo)
        )
        document = _document(found, keys)
    except PhotoRefused as error:
        document = dict.fromkeys(keys, None) | {"status": "refused", "note": str(error)}
    _tell(document, _ring_lines, as_json=as_json)


def _document(found: Scale | RingAngle, keys: tuple[str, ...]) -> dict[str, Any]:
    from wearscope.report.reason_words import note_of

    values = {**vars(found), "note": note_of(found.remarks)}
    return {key: values[key] for key in keys}


def _ring_lines(document: dict[str, Any]) -> Iterator[str]:
    for key in ("ring_angle_deg", "u_ring_angle_deg"):
        yield f"{key} = {document[key]:.1f}"
    yield f"# {document['status']}: {document['note']}"


def _tell(
    document: dict[str, Any], lines_of: Callable[[dict[str, Any]], Iterable[str]], *, as_json: bool
) -> None:
    refused = document["status"] == "refused"
    if as_json:
        print_json(document)
    elif not refused:
        for line in lines_of(document):
            say(line)
    if refused:
        complain([document["note"]])
        raise typer.Exit(REFUSED)
