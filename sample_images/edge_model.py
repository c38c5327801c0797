"""The cutting edge that is photographed: its shape, its coating, and what the camera would see of both.

Everything here is exact geometry on arrays; nothing is rendered. `photo_renderer` turns the shape into a
mesh and photographs it, and the truth beside each photo comes from here.

Coordinates: x runs along the edge, y across it (positive off the tool), z towards the camera, in
millimetres. The relief face is z = 0, y < 0; the apex line (where the faces would meet) is
y = curve_mm_per_mm2 · x².
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, gaussian_filter1d

Floats: TypeAlias = npt.NDArray[np.float64]
Bools: TypeAlias = npt.NDArray[np.bool_]

HALF_LENGTH_MM = 4.8
"""The edge runs from -HALF_LENGTH_MM to +HALF_LENGTH_MM, longer than any frame."""
STEP_UM = 4.0
"""Spacing of the samples along the edge."""
BAND_UM = 100.0
"""Width of the band in which coating loss is counted, inward from the silhouette."""
MASK_STEP_UM = 2.0
MASK_ABOVE_APEX_UM = 20.0
MASK_BELOW_APEX_UM = 620.0
ZONE_MARGIN_MM = 0.3
END_MARGIN = 0.025
LAND_TEXTURE = 0.5
"""Slope of the scratches on a worn flat against that of the grinding marks; assumed, no source."""

_RADIUS, _COATING, _GRIND, _SPOTS, _CHIPS, _LAND, _SCRATCHES = range(7)


@dataclass(frozen=True)
class Chip:
    """A local notch in the edge line."""

    x_mm: float
    depth_um: float
    """Depth below the worn silhouette around it."""
    width_um: float


@dataclass(frozen=True)
class Edge:
    """One flute's edge at one time. Two edges with the same seed have the same grinding marks."""

    wedge_angle_deg: float
    r_unused_um: float
    r_used_um: float
    seed: int
    transition_mm: float = 0.0
    transition_width_mm: float = 0.04
    """Scale of the logistic change from unused to used; 10 to 90 % of it takes 4.4 times this."""
    used_side: str = "left"
    """`left`: used where x < transition_mm; `right`: where x > transition_mm."""
    r_waviness: float = 0.08
    """Standard deviation of the radius's change along the used zone, relative to that change."""
    chips: tuple[Chip, ...] = ()
    curve_mm_per_mm2: float = 0.0
    setback_um: float = 0.0
    """Aimed-at mean distance from the local silhouette inward to where coating begins."""
    spot_density: float = 0.01
    """Share of the first 0.2 mm of the used zone taken by small round losses."""
    grind_um: float = 0.3
    """RMS height of the grinding marks, which run across the edge."""
    relief_width_mm: float | None = None
    """Width of the relief land; None for a face that fills the frame."""
    land_um: float = 0.0
    """Aimed-at mean distance, along the relief face, from the apex line to the inner end of a worn flat."""
    land_angle_deg: float = 12.0
    """By how much the flat leans against the relief face: the clearance angle, for it lies along the cut."""
    land_waviness: float = 0.06
    """Standard deviation of the flat's width along the used zone, relative to it."""

    def new(self) -> Edge:
        """Return this edge as it was before the first part."""
        return replace(self, r_used_um=self.r_unused_um, setback_um=0.0, land_um=0.0, chips=())

    @property
    def is_worn(self) -> bool:
        """Whether used and unused zone differ at all."""
        return self.r_used_um != self.r_unused_um or self.setback_um > 0


def stations_mm() -> Floats:
    """Return the positions along the edge at which it is sampled, shape (N,)."""
    count = round(2 * HALF_LENGTH_MM * 1000 / STEP_UM) + 1
    return np.linspace(-HALF_LENGTH_MM, HALF_LENGTH_MM, count)


def _rng(edge: Edge, what: int) -> np.random.Generator:
    return np.random.default_rng([edge.seed, what])


def _smooth_noise(rng: np.random.Generator, count: int, correlation_um: float, step_um: float) -> Floats:
    noise = gaussian_filter1d(rng.standard_normal(count), correlation_um / step_um, mode="wrap")
    return (noise - noise.mean()) / noise.std()


def recession_factor(wedge_angle_deg: float) -> float:
    """Return cot(β/2) - 1: distance from apex line to silhouette, seen along the face normal, per radius."""
    return 1 / np.tan(np.radians(wedge_angle_deg) / 2) - 1


def used_share(edge: Edge, x_mm: Floats) -> Floats:
    """Return how far the change from unused to used has gone at each place, 0 to 1."""
    towards_used = -1.0 if edge.used_side == "left" else 1.0
    u = towards_used * (x_mm - edge.transition_mm) / edge.transition_width_mm
    return 1 / (1 + np.exp(-np.clip(u, -60, 60)))


def radius_um(edge: Edge) -> Floats:
    """Return the edge radius at each station, shape (N,), chips left out."""
    x = stations_mm()
    wave = _smooth_noise(_rng(edge, _RADIUS), x.size, 200.0, STEP_UM)
    gain = np.clip(1 + edge.r_waviness * wave, 0.2, None)
    return edge.r_unused_um + (edge.r_used_um - edge.r_unused_um) * gain * used_share(edge, x)


def land_um(edge: Edge) -> Floats:
    """Return how far from the apex line the worn flat is ground off at each station, shape (N,), 0 in chips.

    Where the rounding takes more than this, nothing of the flat is left.
    """
    x = stations_mm()
    wave = _smooth_noise(_rng(edge, _LAND), x.size, 200.0, STEP_UM)
    width = edge.land_um * np.clip(1 + edge.land_waviness * wave, 0.2, None) * used_share(edge, x)
    return width * (1 - np.clip(chip_depth_um(edge) / 6.0, 0, 1))


@dataclass(frozen=True)
class Corners:
    """The roundings of the section, in µm from the apex: one where the flat begins, one at the edge itself.

    Where there is no flat both are the one rounding between relief and rake face.
    """

    inner_y: Floats
    inner_radius: Floats
    outer_y: Floats
    outer_z: Floats
    flat: Bools
    recession: Floats
    """Distance from the apex line to the silhouette."""


def corners(wedge_angle_deg: float, land_angle_deg: float, radius: Floats, land: Floats) -> Corners:
    """Return the section's roundings: the wedge cut by the flat, its edge rounded by an arc of `radius`.

    The flat meets the relief face at an angle of almost 180°; the edge left between flat and rake face has the
    wedge angle plus the flat's own.
    """
    beta, alpha = np.radians(wedge_angle_deg), np.radians(land_angle_deg)
    blunt = beta + alpha
    length = land * np.sin(beta) / np.sin(blunt)
    spare = length - radius * (1 / np.tan(blunt / 2) + np.tan(alpha / 2))
    flat = (spare > 0) & (land > 0)
    inner = np.where(
        flat, np.clip(radius - spare / np.tan(alpha / 2) / 2, np.minimum(radius, 3.0), radius), radius
    )
    along_rake = land * np.sin(alpha) / np.sin(blunt)
    to_centre = radius / np.sin(blunt / 2)
    plain = -radius / np.tan(beta / 2)
    outer_y = -along_rake * np.cos(beta) - to_centre * np.cos((beta - alpha) / 2)
    outer_z = -along_rake * np.sin(beta) - to_centre * np.sin((beta - alpha) / 2)
    outer_y, outer_z = np.where(flat, outer_y, plain), np.where(flat, outer_z, -radius)
    inner_y = np.where(flat, -land - inner * np.tan(alpha / 2), plain)
    return Corners(inner_y, inner, outer_y, outer_z, flat, -(outer_y + radius))


def recession_um(edge: Edge) -> Floats:
    """Return the distance from the apex line to the silhouette at each station, shape (N,), chips left out."""
    whole = replace(edge, chips=())
    return corners(edge.wedge_angle_deg, edge.land_angle_deg, radius_um(edge), land_um(whole)).recession


def chip_depth_um(edge: Edge) -> Floats:
    """Return how far chips cut into the edge at each station, shape (N,)."""
    x = stations_mm()
    depth = np.zeros_like(x)
    rng = _rng(edge, _CHIPS)
    for chip in edge.chips:
        u = 2000 * (x - chip.x_mm) / chip.width_um
        jag = _smooth_noise(rng, x.size, 9.0, STEP_UM)
        bowl = np.clip(1 - np.abs(u) ** 2.5, 0, None) ** 0.6
        depth = np.maximum(depth, chip.depth_um * bowl * (1 + 0.06 * jag * (bowl < 0.97)))
    return depth


def silhouette_y_mm(edge: Edge, tilt_deg: float = 0.0) -> Floats:
    """Return the silhouette's y as a tilted camera sees it at each station, shape (N,), chips included.

    It lies one radius outside the arc's centre, whichever way the camera looks. Worn flats: tilt_deg is 0.
    """
    x, radius_mm, turn = stations_mm(), radius_um(edge) / 1000, np.radians(tilt_deg)
    y = edge.curve_mm_per_mm2 * x**2 - (recession_um(edge) + chip_depth_um(edge)) / 1000
    return (y - radius_mm) * np.cos(turn) + radius_mm * (np.sin(turn) + 1) if tilt_deg else y


def substrate_mask(edge: Edge) -> tuple[Floats, Floats, Floats]:
    """Return where the coating has gone.

    Returns
    -------
    mask : (M, K) array
        1 where substrate shows, 0 where coating does; rows run inward, columns along the edge.
    inward_um : (M,) array
        Distance of each row's centre from the apex line, negative off the tool.
    along_mm : (K,) array
        Position of each column's centre along the edge.
    """
    columns = round(2 * HALF_LENGTH_MM * 1000 / MASK_STEP_UM)
    rows = round((MASK_ABOVE_APEX_UM + MASK_BELOW_APEX_UM) / MASK_STEP_UM)
    along = -HALF_LENGTH_MM + (np.arange(columns) + 0.5) * MASK_STEP_UM / 1000
    inward = -MASK_ABOVE_APEX_UM + (np.arange(rows) + 0.5) * MASK_STEP_UM
    x = stations_mm()
    outline = np.interp(along, x, (edge.curve_mm_per_mm2 * x**2 - silhouette_y_mm(edge)) * 1000)

    rng = _rng(edge, _COATING)
    rag = sum(
        weight * _smooth_noise(rng, columns, scale_um, MASK_STEP_UM)
        for weight, scale_um in ((0.36, 130.0), (0.2, 40.0), (0.1, 12.0))
    )
    share = used_share(edge, along)
    setback = edge.setback_um * np.clip(1 + rag, 0, None) * share
    chipped = np.interp(along, x, chip_depth_um(edge)) > 0
    setback = np.where(chipped, np.maximum(setback, 12.0), setback)
    depth = inward[:, None] - outline[None, :]
    mask = (depth < setback) & (setback > 0)
    land = np.interp(along, x, land_um(edge))
    mask |= (inward[:, None] < land[None, :]) & (depth >= 0) & (land > 1)

    if edge.setback_um > 0 and edge.spot_density > 0:
        spots = _rng(edge, _SPOTS)
        mean_area_um2 = np.pi * 4.5**2
        count = round(edge.spot_density * 200.0 * 2000 * HALF_LENGTH_MM / mean_area_um2)
        centre_x = spots.uniform(-HALF_LENGTH_MM, HALF_LENGTH_MM, count)
        centre_d = np.minimum(spots.exponential(120.0, count), 400.0) + edge.setback_um
        size = spots.uniform(2.0, 6.0, count)
        kept = spots.uniform(size=count) < used_share(edge, centre_x)
        for cx, cd, s in zip(centre_x[kept], centre_d[kept], size[kept], strict=True):
            column = np.searchsorted(along, cx)
            c0, c1 = max(column - 4, 0), min(column + 5, columns)
            row = round((cd + outline[min(column, columns - 1)] - inward[0]) / MASK_STEP_UM)
            r0, r1 = max(row - 4, 0), min(row + 5, rows)
            away = np.hypot((along[c0:c1] - cx) * 1000, (depth[r0:r1, c0:c1] - cd))
            mask[r0:r1, c0:c1] |= away < s
    return mask.astype(np.float64), inward, along


def grind_slope(edge: Edge, rows_y_mm: Floats) -> Floats:
    """Return dz/dx of the grinding marks at stations × rows, shape (N, M); rows run from the edge inward."""
    x = stations_mm()
    every_mm = 0.05
    rng = _rng(edge, _GRIND)
    noise = rng.standard_normal((x.size, 161))
    fine = gaussian_filter(noise, (7.0 / STEP_UM, 0.6 / every_mm), mode="wrap")
    deep = gaussian_filter(rng.standard_normal(noise.shape), (14.0 / STEP_UM, 2.0 / every_mm), mode="wrap")
    height = edge.grind_um * (0.7 * fine / fine.std() + 0.7 * deep / deep.std())
    slope = np.gradient(height, STEP_UM, axis=0)
    position = np.clip(-rows_y_mm / every_mm, 0, noise.shape[1] - 1.001)
    left = position.astype(int)
    part = position - left
    return slope[:, left] * (1 - part) + slope[:, left + 1] * part


def scratch_slope(edge: Edge) -> Floats:
    """Return dz/dx of the scratches that the work leaves on the flat, shape (N,): as steep as the grinding marks."""
    noise = gaussian_filter1d(
        _rng(edge, _SCRATCHES).standard_normal(stations_mm().size), 7.0 / STEP_UM, mode="wrap"
    )
    return np.gradient(edge.grind_um * noise / noise.std(), STEP_UM)


def section(
    edge: Edge, *, arc_steps: int = 56, heel_angle_deg: float = 23.0, heel_radius_um: float = 45.0
) -> tuple[Floats, Floats, Floats]:
    """Return the tool's surface as a grid of vertices, from its back over the edge to the rake face.

    Returns
    -------
    vertices : (N, M, 3) array
        x, y, z in mm.
    normals : (N, M, 3) array
        Unit normals of the smooth surface, grinding marks included.
    inward_um : (N, M) array
        Distance inward from the apex line.
    """
    x = stations_mm()
    beta = np.radians(edge.wedge_angle_deg)
    alpha = np.radians(edge.land_angle_deg if edge.land_um > 0 else 0.0)
    depth_um = chip_depth_um(edge)
    worn_um = radius_um(edge)
    # A chip is a fresh break: its lip is sharp, so the lamp's line stops there.
    sharp = np.clip(depth_um / 6.0, 0, 1)
    r_um = worn_um * (1 - sharp) + 3.0 * sharp
    shape = corners(edge.wedge_angle_deg, edge.land_angle_deg, r_um, land_um(edge))
    apex_y = edge.curve_mm_per_mm2 * x**2 - (depth_um + recession_um(edge) - shape.recession) / 1000

    from_tangent = np.concatenate(
        [[0.0, 0.004, 0.01, 0.02], np.linspace(0.04, 0.4, 10), np.linspace(0.5, 6.0, 56)]
    )
    if edge.relief_width_mm is not None:
        from_tangent = from_tangent[from_tangent < edge.relief_width_mm - 0.25]
    face_y = (apex_y + shape.inner_y / 1000)[:, None] - from_tangent[None, ::-1]
    face_z = np.zeros_like(face_y)
    if edge.relief_width_mm is not None:
        bend = np.radians(heel_angle_deg)
        radius = heel_radius_um / 1000
        turn = np.linspace(bend, 0, 25)
        arc_y = -edge.relief_width_mm + radius * np.tan(bend / 2) - radius * np.sin(turn)
        arc_z = radius * (np.cos(turn) - 1)
        run = np.linspace(1.6, 0.02, 40)
        heel_y = np.concatenate([arc_y[0] - run, arc_y])
        heel_z = np.concatenate([arc_z[0] - run * np.tan(bend), arc_z])
        apex_line = (edge.curve_mm_per_mm2 * x**2)[:, None]
        face_y = np.concatenate([apex_line + heel_y[None, :], face_y], axis=1)
        face_z = np.concatenate([np.broadcast_to(heel_z, (x.size, heel_z.size)), face_z], axis=1)

    turn = np.linspace(np.pi / 2 - alpha, -(np.pi / 2 - beta), arc_steps + 1)[1:]
    r = r_um[:, None] / 1000
    arc_y = (apex_y + shape.outer_y / 1000)[:, None] + r * np.cos(turn)
    arc_z = shape.outer_z[:, None] / 1000 + r * np.sin(turn)
    if alpha > 0:
        start = np.linspace(np.pi / 2, np.pi / 2 - alpha, 9)[1:]
        inner = shape.inner_radius[:, None] / 1000
        start_y = (apex_y + shape.inner_y / 1000)[:, None] + inner * np.cos(start)
        start_z = -inner + inner * np.sin(start)
        # the flat itself, from the end of the one rounding to the start of the other
        share = np.linspace(0, 1, 9)[1:]
        end_y = (apex_y + shape.outer_y / 1000)[:, None] + r * np.cos(start[-1])
        end_z = shape.outer_z[:, None] / 1000 + r * np.sin(start[-1])
        flat_y = start_y[:, -1:] + (end_y - start_y[:, -1:]) * share
        flat_z = start_z[:, -1:] + (end_z - start_z[:, -1:]) * share
        arc_y = np.concatenate([start_y, flat_y, arc_y], axis=1)
        arc_z = np.concatenate([start_z, flat_z, arc_z], axis=1)
        turn = np.concatenate([start, np.full(share.size, start[-1]), turn])
    run = np.array([0.005, 0.02, 0.06, 0.15, 0.4, 1.0, 2.2])
    rake_y = arc_y[:, -1:] - run * np.cos(beta)
    rake_z = arc_z[:, -1:] - run * np.sin(beta)

    y = np.concatenate([face_y, arc_y, rake_y], axis=1)
    z = np.concatenate([face_z, arc_z, rake_z], axis=1)
    vertices = np.stack([np.broadcast_to(x[:, None], y.shape), y, z], axis=2)
    inward_um = ((edge.curve_mm_per_mm2 * x**2)[:, None] - y) * 1000

    # In the section the normal is known exactly; its lean along the edge follows from the slope there.
    flat = np.zeros((face_y.shape[1], 2))
    flat[:, 1] = 1.0
    if edge.relief_width_mm is not None:
        tilt = np.concatenate([np.full(40, bend), np.linspace(bend, 0, 25)])
        flat[: tilt.size] = np.stack([-np.sin(tilt), np.cos(tilt)], axis=1)
    across = np.concatenate(
        [
            flat,
            np.stack([np.cos(turn), np.sin(turn)], axis=1),
            np.tile([np.sin(beta), -np.cos(beta)], (run.size, 1)),
        ]
    )
    dy, dz = (np.gradient(a, STEP_UM / 1000, axis=0) for a in (y, z))
    lean = -(dy * across[:, 0] + dz * across[:, 1])
    rows_y_mm = -inward_um[x.size // 2] / 1000
    marks = grind_slope(edge, rows_y_mm)
    if alpha > 0:
        # the flat has lost the grinding marks and bears finer scratches of its own
        scratched = (
            (land_um(edge)[:, None] > 1) & shape.flat[:, None] & (inward_um <= land_um(edge)[:, None] + 1)
        )
        marks = np.where(scratched, LAND_TEXTURE * scratch_slope(edge)[:, None], marks)
    lean -= marks * np.clip(across[:, 1], 0, 1)
    normals = np.concatenate([lean[:, :, None], np.broadcast_to(across, (*y.shape, 2))], axis=2)
    normals /= np.linalg.norm(normals, axis=2, keepdims=True)
    return vertices, normals, inward_um


@dataclass(frozen=True)
class Frame:
    """Where the camera looks: orthographic, along the normal of the relief face or tilted against it."""

    width_px: int
    height_px: int
    um_per_px: float
    rotation_deg: float = 0.0
    """0: tool below the edge in the picture; positive turns the picture's content clockwise."""
    offset_px: tuple[float, float] = (0.0, 0.0)
    """Where the point x = 0 of the apex line lies, (column, row) from the middle of the picture."""
    tilt_deg: float = 0.0
    """By how much camera and lamps have moved together from the face normal towards the open side of the edge."""

    def _axes(self) -> tuple[Floats, Floats]:
        a = np.radians(self.rotation_deg)
        return np.array([np.cos(a), np.sin(a)]), np.array([np.sin(a), -np.cos(a)])

    def to_px(self, x_mm: Floats, y_mm: Floats) -> tuple[Floats, Floats]:
        """Return column and row; the centre of the top left pixel is (0, 0)."""
        right, down = self._axes()
        scale = 1000 / self.um_per_px
        column = (x_mm * right[0] + y_mm * right[1]) * scale + self.offset_px[0] + (self.width_px - 1) / 2
        row = (x_mm * down[0] + y_mm * down[1]) * scale + self.offset_px[1] + (self.height_px - 1) / 2
        return column, row

    def to_mm(self, column: Floats, row: Floats) -> tuple[Floats, Floats]:
        """Return x and y of the point seen at (column, row)."""
        right, down = self._axes()
        scale = self.um_per_px / 1000
        u = (column - self.offset_px[0] - (self.width_px - 1) / 2) * scale
        v = (row - self.offset_px[1] - (self.height_px - 1) / 2) * scale
        return u * right[0] + v * down[0], u * right[1] + v * down[1]


def visible_stations(edge: Edge, frame: Frame) -> Bools:
    """Return at which stations the silhouette lies in the picture, shape (N,)."""
    column, row = frame.to_px(stations_mm(), silhouette_y_mm(edge, frame.tilt_deg))
    inside: Bools = (column >= 0) & (column <= frame.width_px - 1) & (row >= 0) & (row <= frame.height_px - 1)
    return inside


def zones(edge: Edge, frame: Frame) -> tuple[Bools, Bools]:
    """Return which stations count as used and as unused zone, two arrays of shape (N,).

    Left out: ZONE_MARGIN_MM on each side of the transition, the last 2.5 % of the visible edge at each end,
    and chips.
    """
    x = stations_mm()
    seen = x[visible_stations(edge, frame)]
    margin = END_MARGIN * np.ptp(seen)
    counted = (x >= seen.min() + margin) & (x <= seen.max() - margin)
    for chip in edge.chips:
        counted &= np.abs(x - chip.x_mm) * 1000 > chip.width_um / 2 + 20
    away = x - edge.transition_mm
    if edge.used_side == "left":
        away = -away
    return counted & (away >= ZONE_MARGIN_MM), counted & (away <= -ZONE_MARGIN_MM)


def half_change_mm(edge: Edge, frame: Frame) -> float:
    """Return where along the edge half of the change from unused to used is reached."""
    if edge.r_used_um == edge.r_unused_um:
        return edge.transition_mm
    x, r = stations_mm(), radius_um(edge)
    used, unused = zones(edge, frame)
    half = r - (r[used].mean() + r[unused].mean()) / 2
    crossing = np.flatnonzero(np.diff(np.sign(half)) != 0)
    i = crossing[np.argmin(np.abs(x[crossing] - edge.transition_mm))]
    return float(x[i] + (x[i + 1] - x[i]) * half[i] / (half[i] - half[i + 1]))


def truth(edge: Edge, frame: Frame, *, coated: bool) -> dict[str, object]:
    """Return what a perfect measurement of the photo would give; means over the zones of `zones`.

    Coating loss is the share of the 100 µm band inward from the local silhouette on which substrate shows; setback
    is the mean distance from the local silhouette inward to where coating begins. Both are 0 for an uncoated edge.
    All is as a camera square to the face would see it, whichever way this one looks.
    """
    x, r = stations_mm(), radius_um(edge)
    used, unused = zones(edge, frame)
    factor = recession_factor(edge.wedge_angle_deg)
    loss_used = loss_unused = setback_used = 0.0
    if coated:
        mask, inward, along = substrate_mask(edge)
        outline = np.interp(along, x, (edge.curve_mm_per_mm2 * x**2 - silhouette_y_mm(edge)) * 1000)
        depth = inward[:, None] - outline[None, :]
        band = (depth >= 0) & (depth < BAND_UM)
        share = (mask * band).sum(axis=0) / band.sum(axis=0)
        first = np.where((mask == 0) & (depth >= 0), depth, np.inf).min(axis=0)
        # the row's centre stands for the row: coating begins half a row before it
        setback = np.clip(first - MASK_STEP_UM / 2, 0, None)
        nearest = np.clip(np.searchsorted(x, along), 0, x.size - 1)
        loss_used, loss_unused = float(share[used[nearest]].mean()), float(share[unused[nearest]].mean())
        setback_used = float(setback[used[nearest]].mean()) if edge.is_worn else 0.0
    at = half_change_mm(edge, frame)
    column, row = frame.to_px(np.array(at), np.interp(at, x, silhouette_y_mm(edge, frame.tilt_deg)))
    r_used, r_unused = float(r[used].mean()), float(r[unused].mean())
    recession = float((r_used - r_unused) * factor) + 0.0
    land: dict[str, object] = {}
    if edge.land_um > 0:
        back, new = recession_um(edge), edge.r_unused_um * factor
        shape = corners(edge.wedge_angle_deg, edge.land_angle_deg, r, land_um(edge))
        recession = float(back[used].mean() - back[unused].mean())
        width = np.where(shape.flat, land_um(edge) - new, 0.0)[used]
        land = {"land_um_used": float(width.mean()), "land_max_um_used": float(width.max())}
    return {
        "r_used_um": r_used,
        "r_unused_um": r_unused,
        "recession_um": recession,
        **land,
        "coating_loss_100um_used": loss_used,
        "coating_loss_100um_unused": loss_unused,
        "setback_um_used": setback_used,
        "um_per_px": frame.um_per_px,
        "transition_px": [round(float(column), 2), round(float(row), 2)],
    }
