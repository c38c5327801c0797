"""From what was measured to what napari draws: plain data, no viewer, no Qt.

All layers hold pixels of the upright photo as (row, column) and are put on the photo's own scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.photo import Photo
from wearscope.light.strip import UNUSED, USED, EdgeView
from wearscope.pipeline.inspection import Inspection
from wearscope.quantities.views import VIEWS
from wearscope.report.style import BLUE, ORANGE, SKY, VERMILION
from wearscope.trial.correction import Correction, DrawnEdge
from wearscope.wear.section import SectionView
from wearscope.wear.tip import TipFit
from wearscope_napari.coordinates import to_napari

Array = NDArray[np.float64]
Side = Literal["left", "right"]
Place = tuple[float, float]
"""Column and row."""

PART = "wearscope"
"""Key in a layer's metadata that marks it as the bench's own; its value says what it shows."""

BY_HAND = frozenset({"edge", "ignored", "transition"})
"""Layers on which a person corrects."""

GAP_PX = 4.0  # in an outline, where something was left out
HANDLES = 7  # points of the edge line that can be dragged
RIBBON_UM = (12.0, 45.0)  # outside the edge, where zones are marked
LIME = "#7CFF4F"
ZONE_COLOURS = {USED: ORANGE, UNUSED: SKY}


@dataclass(frozen=True)
class Drawn:
    """One layer.

    Attributes
    ----------
    part : str
        What it shows; see `PART`.
    name : str
    kind : {"image", "labels", "points", "shapes"}
    data : array or list of arrays
    look : dict
        Arguments of napari's add method.
    """

    part: str
    name: str
    kind: Literal["image", "labels", "points", "shapes"]
    data: Any
    located: dict[str, Any]


def on_scale(um_per_px: float | None) -> dict[str, Any]:
    """Scale and units of every layer of one photo."""
    if um_per_px is None:
        return {"scale": (1.0, 1.0), "units": ("pixel", "pixel")}
    return {"scale": (um_per_px, um_per_px), "units": ("um", "um")}


def shows(layer: Any, drawn: Drawn) -> bool:
    """Whether a layer shows this already."""
    if layer.data is drawn.data:
        return True
    if drawn.kind != "shapes":
        return bool(np.array_equal(layer.data, drawn.data))
    return len(layer.data) == len(drawn.data) and all(
        each.shape == np.shape(wanted) and np.allclose(each, wanted)
        for each, wanted in zip(layer.data, drawn.data, strict=True)
    )


def photo_layer(pixels: NDArray[Any], full_scale: int = 255) -> Drawn:
    """The photo itself."""
    shown = (
        pixels if pixels.dtype == np.uint8 else (pixels / full_scale * 255.0).clip(0, 255).astype(np.uint8)
    )
    return Drawn("photo", "photo", "image", shown, {"rgb": True})


def live_layers(pixels: NDArray[np.uint8]) -> list[Drawn]:
    """A frame of a camera, the edge found in it, and edge and grinding marks of the new-state photo as a ghost."""
    dots = {"size": 4, "border_width": 0.0}
    return [
        Drawn("live", "camera", "image", pixels, {"rgb": True}),
        Drawn("ghost marks", "its marks when new", "points", np.empty((0, 2)), dots | {"face_color": ORANGE}),
        Drawn("ghost", "where it lay when new", "points", np.empty((0, 2)), dots | {"face_color": SKY}),
        Drawn("live edge", "edge as found", "points", np.empty((0, 2)), dots | {"face_color": LIME}),
    ]


def all_layers(found: Inspection, said: Correction, photo: Photo | None) -> list[Drawn]:
    """A photo and what was found on it, the photo first; nothing where it cannot be read."""
    if photo is None:
        return []
    findings = [_filled(one, photo) for one in findings_layers(found, said)]
    return [photo_layer(photo.pixels, photo.full_scale), *findings]


def _filled(one: Drawn, photo: Photo) -> Drawn:
    """The same, with labels as large as the photo where there is nothing to be labelled."""
    if one.kind != "labels" or one.data.shape != (1, 1):
        return one
    return replace(one, data=np.zeros(photo.pixels.shape[:2], np.uint8))


def findings_layers(found: Inspection, said: Correction) -> list[Drawn]:
    """What was found on a photo, and what can be corrected on it."""
    if not VIEWS[found.entry.view].shows_transition:
        near = "mark near the tip" if VIEWS[found.entry.view].holds("wedge_angle") else "mark near the edge"
        return [_outline(found), _tip(found), _dust(found), _edge(found, said, near)]
    transition = transition_point(found, said)
    return [
        _coating(found),
        _zones(found),
        _lines(found),
        _chips(found),
        _edge(found, said, "edge line (drag its points)"),
        Drawn(
            "ignored",
            "left out (resin, glare)",
            "shapes",
            [to_napari(polygon) for polygon in said.ignored_px],
            {"shape_type": "polygon", "edge_color": VERMILION, "edge_width": 1.5, "face_color": "#00000080"},
        ),
        Drawn(
            "transition",
            "transition (drag it)",
            "points",
            to_napari(transition) if len(transition) else np.empty((0, 2)),
            {
                "size": 22,
                "face_color": "transparent",
                "border_color": "white",
                "border_width": 0.15,
                "symbol": "diamond",
            },
        ),
    ]


def _edge(found: Inspection, said: Correction, name: str) -> Drawn:
    edge = edge_handles(found, said)
    located = {"shape_type": "path", "edge_color": LIME, "edge_width": 1.5, "face_color": "transparent"}
    return Drawn("edge", name, "shapes", [to_napari(edge)] if len(edge) else [], located)


def edge_handles(found: Inspection, said: Correction) -> Array:
    """Columns and rows of the few points by which the edge line is nudged, shape (N, 2)."""
    if said.edge is not None:
        return np.array(said.edge.points_px, float)
    if found.on_photo is None:
        return np.empty((0, 2))
    s_um = found.on_photo.located.strip.s_um
    located = found.on_photo.located
    at = np.linspace(s_um[0], s_um[-1], HANDLES)
    return located.places_px(at, np.interp(at, s_um, located.smooth_um))


def drawn_edge(points_px: Array, tool: Side | None) -> DrawnEdge:
    """An edge line through columns and rows, shape (N, 2), with the tool on one side of it."""
    return DrawnEdge(tuple((column, row) for column, row in points_px.tolist()), tool)


def tool_beside(found: Inspection, said: Correction, points_px: Array) -> Side | None:
    """On which side of a polyline the tool lies, as far as is known."""
    if found.on_photo is not None:
        along = (points_px[-1] - points_px[0]) @ found.on_photo.located.line.direction
        return "right" if along > 0 else "left"
    return said.edge.tool if said.edge is not None else None


def used_arrow(found: Inspection, said: Correction) -> tuple[Place, Place] | None:
    """From unused to used, as it is taken now."""
    if said.used_towards_px is not None:
        return said.used_towards_px
    if found.on_photo is None:
        return None
    s_um = found.on_photo.located.strip.s_um
    first, last = map(tuple, found.on_photo.located.places_px(s_um[[0, -1]], np.zeros(2)).tolist())
    if found.now is not None and found.now.transition_um is not None:
        of_used = s_um[found.now.zone == USED]
        if not len(of_used) or of_used.mean() <= found.now.transition_um:
            return last, first
    return first, last


def strips(found: Inspection) -> list[tuple[str, EdgeView]]:
    """The edges that a photo of a face shows, the new state first; none of a profile view."""
    if found.now is None:
        return []
    return [("new", found.new), ("now", found.now)] if found.new is not None else [("now", found.now)]


def sections(found: Inspection) -> list[tuple[str, SectionView]]:
    """The sections that a profile view shows, the new state first; none of a photo of a face."""
    if found.section is None:
        return []
    new = found.new_section
    return [("new", new), ("now", found.section)] if new is not None else [("now", found.section)]


def transition_point(found: Inspection, said: Correction) -> Array:
    """Column and row of the transition, shape (1, 2), or (0, 2) where there is none."""
    if said.transition_px is not None:
        return np.array([said.transition_px], float)
    by_name = {row.quantity: row.value for row in found.records}
    place = by_name.get("transition_x_px"), by_name.get("transition_y_px")
    return np.empty((0, 2)) if None in place else np.array([place], float)


def _lines(found: Inspection) -> Drawn:
    """Silhouette, bright line, and the inner end of the wear land."""
    paths, colours = [], []
    if found.now is not None and found.on_photo is not None:
        view, bright_um = found.now, found.on_photo.bright_line_um
        for run in _runs(np.isfinite(view.silhouette_um)):
            at = _thinned(run)
            paths.append(_path(found, at, view.silhouette_um[at]))
            colours.append("white")
        for run in _runs((view.zone == USED) & np.isfinite(view.silhouette_um)):
            if np.isfinite(bright_um):
                at = _thinned(run)
                paths.append(_path(found, at, view.silhouette_um[at] + bright_um))
                colours.append(VERMILION)
        if view.land_um is not None:
            for run in _runs(np.isfinite(view.land_um)):
                at = _thinned(run)
                paths.append(_path(found, at, view.land_um[at]))
                colours.append(BLUE)
    located = {
        "shape_type": "path",
        "edge_width": 0.8,
        "edge_color": colours or "white",
        "face_color": "transparent",
    }
    return Drawn("lines", "silhouette, bright line, land", "shapes", paths, located)


def _zones(found: Inspection) -> Drawn:
    """A ribbon outside the edge, in one colour where it is used and in another where it is not."""
    paths, colours, width_px = [], [], 1.0
    if found.now is not None and found.on_photo is not None:
        view, (near_um, far_um) = found.now, RIBBON_UM
        width_px = (far_um - near_um) / found.on_photo.located.photo_um_per_px
        for zone, colour in ZONE_COLOURS.items():
            for run in _runs((view.zone == zone) & np.isfinite(view.silhouette_um)):
                at = _thinned(run, 40)
                # a broad line, for napari takes long to fill an outline
                paths.append(_path(found, at, view.silhouette_um[at] - 0.5 * (near_um + far_um)))
                colours.append(colour)
    located = {
        "shape_type": "path",
        "edge_width": width_px,
        "edge_color": colours or "transparent",
        "face_color": "transparent",
        "opacity": 0.55,
    }
    return Drawn("zones", "used (orange) and unused (blue)", "shapes", paths, located)


def _chips(found: Inspection) -> Drawn:
    paths = []
    if found.now is not None and found.on_photo is not None:
        view = found.now
        depth = np.nan_to_num(view.silhouette_um)
        for start, end in view.chips_um:
            at = np.flatnonzero((view.strip.s_um >= start) & (view.strip.s_um <= end))
            if len(at) > 1:
                paths.append(_path(found, at, depth[at] + 6.0))
    located = {"shape_type": "path", "edge_color": "#FF00FF", "edge_width": 4, "face_color": "transparent"}
    return Drawn("chips", "chips", "shapes", paths, located)


def _coating(found: Inspection) -> Drawn:
    return Drawn("coating", "coating lost", "labels", coating_mask(found), {"opacity": 0.55})


def coating_mask(found: Inspection) -> NDArray[np.uint8]:
    """1 where bare substrate shows in the coating band, shape of the photo."""
    if found.on_photo is None:
        return np.zeros((1, 1), np.uint8)
    located, view = found.on_photo.located, found.now
    mask = np.zeros(located.photo.pixels.shape[:2], np.uint8)
    if view is None or view.substrate is None or not view.substrate.any():
        return mask
    depth = view.strip.d_um[:, None] - view.silhouette_um[None, :]
    rows, columns = np.nonzero(view.substrate & (depth >= 0) & (depth <= view.band_um))
    places = found.on_photo.places_px(view.strip.s_um[columns], view.strip.d_um[rows])
    at = np.round(places).astype(int)
    inside = ((at >= 0) & (at < mask.shape[::-1])).all(axis=1)
    mask[at[inside, 1], at[inside, 0]] = 1
    # a strip's samples lie askew to the photo's pixels and leave gaps of one
    size = 2 * located.reduction + 1
    return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((size, size), np.uint8)))


def new_on_now(found: Inspection) -> NDArray[np.uint8] | None:
    """The new-state photo laid over this one, in this one's pixels; None where there is none."""
    placing = found.on_photo
    if placing is None or placing.new is None or placing.new_onto_now_px is None:
        return None
    height, width = placing.located.photo.pixels.shape[:2]
    pixels = photo_layer(placing.new.photo.pixels, placing.new.photo.full_scale).data
    return np.asarray(
        cv2.warpAffine(pixels, placing.new_onto_now_px, (width, height), flags=cv2.INTER_LINEAR)
    )


def _outline(found: Inspection) -> Drawn:
    """The outline of a section as it was read, without what counts as dust."""
    paths = []
    if found.section is not None:
        fit, um = found.section.fit, found.section.um_per_px
        points, along = fit.points_um[fit.kept] / um, fit.along_um[fit.kept] / um
        order = np.argsort(along)
        pieces = np.split(order, np.flatnonzero(np.diff(along[order]) > GAP_PX) + 1)
        paths = [to_napari(points[_thinned(piece, 400)]) for piece in pieces if len(piece) > 1]
    located = {"shape_type": "path", "edge_color": ORANGE, "edge_width": 2.4, "face_color": "transparent"}
    return Drawn("outline", "outline as read", "shapes", paths, located)


def _tip(found: Inspection) -> Drawn:
    paths: list[Array] = []
    if found.section is not None:
        paths = [to_napari(line) for line in tip_lines_px(found.section)]
    located = {"shape_type": "path", "edge_color": BLUE, "edge_width": 1.0, "face_color": "transparent"}
    return Drawn("tip", "faces and arc fitted", "shapes", paths, located)


def _dust(found: Inspection) -> Drawn:
    points = np.empty((0, 2))
    if found.section is not None:
        fit = found.section.fit
        points = to_napari(fit.points_um[~fit.kept] / found.section.um_per_px)
    located = {"size": 3, "face_color": VERMILION, "border_width": 0.0}
    return Drawn("dust", "left out as dust", "points", points, located)


def tip_axes(fit: TipFit) -> tuple[Array, Array]:
    """Unit vectors in the photo that point right and into the tool once the tip points up."""
    into = np.array([np.cos(fit.bisector_angle), np.sin(fit.bisector_angle)])
    return np.array([into[1], -into[0]]), into


def tip_lines_px(section: SectionView) -> tuple[Array, Array, Array]:
    """Face a, arc and face b as they were fitted: columns and rows, each face as far as the outline was used."""
    fit = section.fit
    half, radius = fit.wedge_angle / 2, fit.radius_um
    across, into = tip_axes(fit)
    touches = radius / np.tan(half)  # from the apex
    faces = []
    for side in (-1.0, 1.0):
        direction = side * np.sin(half) * across + np.cos(half) * into
        of_face = fit.points_um[np.sign(fit.along_um) == side]
        far = max(float(((of_face - fit.apex_um) @ direction).max(initial=0.0)), touches)
        faces.append(fit.apex_um + np.array([[touches], [far]]) * direction)
    turn = np.linspace(half - np.pi / 2, np.pi / 2 - half, 91)[:, None]
    arc = fit.centre_um + radius * (np.sin(turn) * across - np.cos(turn) * into)
    a, b, c = (line / section.um_per_px for line in (faces[0], arc, faces[1]))
    return a, b, c


def _path(found: Inspection, at: NDArray[np.intp], d_um: Array) -> Array:
    assert found.now is not None
    assert found.on_photo is not None
    return to_napari(found.on_photo.places_px(found.now.strip.s_um[at], d_um))


def _thinned(run: NDArray[np.intp], most: int = 150) -> NDArray[np.intp]:
    """Few enough points to draw quickly, both ends kept."""
    return run[np.unique(np.linspace(0, len(run) - 1, min(most, len(run))).round().astype(int))]


def _runs(where: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Indices of each stretch of at least 4."""
    at = np.flatnonzero(where)
    return [run for run in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if len(run) >= 4]
