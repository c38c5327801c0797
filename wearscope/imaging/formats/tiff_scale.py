"""What a TIFF states about itself: its scale, and how many bits are significant."""

from __future__ import annotations

from xml.etree import ElementTree

import tifffile

_X_RESOLUTION, _Y_RESOLUTION = 282, 283  # tags; TIFF 6.0, section 8
_OME_UNITS_UM = {"m": 1e6, "dm": 1e5, "cm": 1e4, "mm": 1e3, "µm": 1.0, "nm": 1e-3, "pm": 1e-6, "Å": 1e-4}
_IMAGEJ_UNITS_UM = {
    **dict.fromkeys(("µm", "um", "micron", "microns", "micrometer", "micrometers", r"\u00b5m"), 1.0),
    **dict.fromkeys(("mm", "millimeter", "millimeters"), 1e3),
    **dict.fromkeys(("nm", "nanometer", "nanometers"), 1e-3),
}


def tiff_statements(
    tif: tifffile.TiffFile, series: tifffile.TiffPageSeries
) -> tuple[tuple[float, float] | None, str, int | None]:
    """Read what a TIFF states about itself.

    Parameters
    ----------
    tif : tifffile.TiffFile
    series : tifffile.TiffPageSeries
        The picture in it.

    Returns
    -------
    um_per_px : (float, float) or None
        Scale along stored columns and rows.
    source : str
        Where it stands.
    bits : int or None
        How many are significant.
    """
    page = series.keyframe
    bits = page.bitspersample if page.bitspersample in range(9, 16) else None
    if tif.is_ome and tif.ome_metadata:
        stated = _ome_pixels(tif.ome_metadata, tif.series.index(series))
        significant = stated.get("SignificantBits", "")
        if significant.isdecimal() and 8 <= int(significant) <= page.bitspersample:
            bits = int(significant)
        sizes = [
            float(stated.get(f"PhysicalSize{axis}", "nan"))
            * _OME_UNITS_UM.get(_micro(stated.get(f"PhysicalSize{axis}Unit", "µm")), float("nan"))
            for axis in "XY"
        ]
        return _scale(sizes), "OME-XML PhysicalSizeX", bits
    if tif.imagej_metadata:
        unit = _micro(str(tif.imagej_metadata.get("unit", ""))).casefold()
        um = _IMAGEJ_UNITS_UM.get(unit, float("nan"))
        resolutions = [page.tags[tag].value for tag in (_X_RESOLUTION, _Y_RESOLUTION) if tag in page.tags]
        sizes = [um * denominator / numerator for numerator, denominator in resolutions if numerator > 0]
        return _scale(sizes), "ImageJ unit and XResolution", bits
    return None, "", bits


def _micro(unit: str) -> str:
    return unit.strip().replace("\u03bc", "\u00b5")  # the Greek letter for the micro sign


def _scale(sizes_um: list[float]) -> tuple[float, float] | None:
    if len(sizes_um) != 2 or not all(0 < size < float("inf") for size in sizes_um):
        return None
    return sizes_um[0], sizes_um[1]


def _ome_pixels(xml: str, position: int) -> dict[str, str]:
    """Attributes of the Pixels element of the image at `position`."""
    try:
        found = [one for one in ElementTree.fromstring(xml).iter() if one.tag.rpartition("}")[2] == "Pixels"]
    except ElementTree.ParseError:
        return {}
    return found[position].attrib if position < len(found) else {}
