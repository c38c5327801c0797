"""Edges and rows with known content, for drawing, and a sheet's content of each kind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from wearscope.light.strip import NEITHER, UNUSED, USED, EdgeView, Strip
from wearscope.log.records import Record
from wearscope.report.sheets.content import SheetContent


def edge_view(
    *,
    length_um: float = 4000.0,
    step_um: float = 3.5,
    recession_um: float = 20.0,
    transition_um: float | None = 0.0,
    coated: bool = True,
    chips_um: tuple[tuple[float, float], ...] = (),
    background: float = 0.02,
    seed: int = 1,
) -> EdgeView:
    """An edge that is worn left of `transition_um`: bare carbide over 60 µm, a bright line, noise."""
    rng = np.random.default_rng(seed)
    s_um = np.arange(-length_um / 2, length_um / 2, step_um)
    d_um = np.arange(-80.0, 260.1, step_um)
    worn = np.zeros(s_um.size) if transition_um is None else 0.5 * (1 - np.tanh((s_um - transition_um) / 40))
    silhouette = recession_um * worn + rng.normal(0, 0.4, s_um.size)
    for a, b in chips_um:
        silhouette += 40 * np.clip(1 - ((s_um - (a + b) / 2) / ((b - a) / 2)) ** 2, 0, None)
    depth = d_um[:, None] - silhouette[None, :]
    tool = depth > 0
    bare = tool & (depth < 60 * worn[None, :]) if coated else np.zeros_like(tool)
    gold, grey = np.array([0.55, 0.38, 0.12]), np.array([0.5, 0.47, 0.45])
    light = np.where(tool[..., None], np.where(bare[..., None], grey, gold if coated else grey), background)
    light = light + (np.abs(depth - 15) < 4)[..., None] * worn[None, :, None] * 0.4
    light = np.clip(light + rng.normal(0, 0.01, light.shape), 0, 1).astype(np.float32)
    zone = np.full(s_um.size, UNUSED, dtype=np.int8)
    if transition_um is not None:
        zone[s_um < transition_um] = USED
        zone[np.abs(s_um - transition_um) < 300] = NEITHER
    for a, b in chips_um:
        zone[(s_um > a - 20) & (s_um < b + 20)] = NEITHER
    return EdgeView(
        Strip(light, s_um, d_um, step_um),
        silhouette,
        zone,
        silhouette.copy(),
        bare if coated else None,
        chips_um,
        transition_um,
        None if transition_um is None else 7.0,
    )


def a_record(
    quantity: str = "edge_recession",
    zone: Any = "difference",
    value: float | None = 18.57,
    u: float | None = 0.6,
    **changes: Any,
) -> Record:
    known = value is not None and u is not None
    record = Record(
        bit="Alder",
        flute=1,
        parts=150,
        view="relief",
        quantity=quantity,
        zone=zone,
        value=value,
        unit="um",
        std_uncertainty=u,
        low95=value - 1.96 * u if known else None,
        high95=value + 1.96 * u if known else None,
        status="ok" if value is not None else "refused",
        note="",
        method="silhouette",
        photo="photos/A-150-1.jpg",
        photo_sha256="0" * 64,
        scale="bench 60x",
        um_per_px=3.5,
        wearscope_version="0.1.0",
        measured_at="2026-03-02T10:00:00+00:00",
    )
    return replace(record, **changes)


def all_records(*, coated: bool = True, chips: int = 0) -> tuple[Record, ...]:
    rows = [
        a_record("transition_x_px", "whole", 700.2, 4.0),
        a_record("used_length", "whole", 2.31, 0.02),
        a_record(),
        a_record("edge_radius", "unused", 6.0, 0.9),
        a_record("edge_radius", "used", 31.4, 1.4),
        a_record("edge_radius", "difference", 25.4, 1.1),
        a_record("wear_land", "used", 42.0, 2.4),
        a_record("wear_land_max", "used", 61.0, 4.0),
        a_record("chip_count", "used", chips, 0.0),
        a_record("sharpness", "whole", 3.9, 0.2),
    ]
    if coated:
        rows += [
            a_record("coating_loss", "used", 0.58, 0.014),
            a_record(
                "coating_loss", "unused", 0.004, 0.006, low95=0.0, high95=0.016, status="below_detection"
            ),
            a_record("coating_setback", "used", 59.0, 2.2),
        ]
    if chips:
        rows += [a_record("chip_depth_max", "used", 45.0, 3.0), a_record("chip_length", "used", 140.0, 8.0)]
    return tuple(rows)


def usual() -> SheetContent:
    return SheetContent(
        "Birch drawer fronts",
        "Alder",
        1,
        150,
        "relief",
        all_records(),
        edge_view(),
        edge_view(transition_um=None, seed=2),
        (a_record("edge_radius", "unused", 6.0, 0.9, parts=0),),
    )


def refused() -> SheetContent:
    why = (
        "A-150-1.jpg: the wedge angle is 90°, where rounding does not move the edge line; take a profile view"
    )
    glare = "A-150-1.jpg: 34 % of the coating band is glare; turn the lamp down and photograph again"
    lost = (
        "A-150-1.jpg: no depth-of-cut transition in the frame; move the bit along until it is in the middle"
    )
    rows = (
        a_record("transition_x_px", "whole", None, None, note=lost),
        a_record("edge_recession", "difference", None, None, note=why),
        a_record("edge_radius", "used", None, None, note=why),
        a_record("edge_radius", "unused", 5.0, 2.0, status="doubtful", note="r_unused is a broad prior"),
        a_record("coating_loss", "used", 0.41, 0.1, low95=0.05, high95=0.62, status="doubtful", note=glare),
        a_record("coating_loss", "unused", None, None, note=glare),
    )
    view = edge_view()
    used_only = replace(
        view, zone=np.where(view.zone == USED, USED, NEITHER).astype(np.int8), transition_um=None
    )
    return replace(
        usual(),
        records=rows,
        now=used_only,
        remarks=(
            "A-150-1.jpg: the scale in the file differs by 0.6 % from the graticule; the graticule counts",
        ),
    )


def blind_edge() -> SheetContent:
    view = edge_view()
    nothing = np.full_like(view.silhouette_um, np.nan)
    blind = replace(
        view,
        silhouette_um=nothing,
        recession_um=nothing,
        zone=np.zeros_like(view.zone),
        transition_um=None,
        u_transition_um=None,
    )
    return replace(usual(), records=(), now=blind, new=None, new_records=())


def gaps() -> SheetContent:
    plain = usual()
    light = plain.now.strip.light.copy()
    light[:, :150] = np.nan
    return replace(plain, now=replace(plain.now, strip=replace(plain.now.strip, light=light)))


def four_chips() -> SheetContent:
    chips = ((-1900.0, -1850.0), (-1500.0, -1400.0), (-900.0, -880.0), (-870.0, -840.0))
    return replace(usual(), now=edge_view(chips_um=chips), records=all_records(chips=4))


def long_names() -> SheetContent:
    plain = usual()
    return replace(
        plain,
        trial_name="Melamine-faced chipboard carcasses, second attempt with a new dust hood and $x^2$ or so",
        bit="Two-flute compression 6.35 mm extra long reach regrind no. 3 out of the second drawer $\\alpha$",
        records=tuple(replace(r, photo="photos/" + "a_very_long_name_" * 9 + ".jpg") for r in plain.records),
    )


CASES: dict[str, Callable[[], SheetContent]] = {
    "usual": usual,
    "no new-state photo": lambda: replace(usual(), new=None, new_records=()),
    "uncoated": lambda: replace(
        usual(),
        records=all_records(coated=False),
        now=edge_view(coated=False),
        new=edge_view(coated=False, transition_um=None),
    ),
    "refused and doubtful rows": refused,
    "nothing measured": blind_edge,
    "new state": lambda: replace(
        usual(),
        parts=0,
        records=(a_record("edge_radius", "unused", 6.0, 0.9),),
        now=edge_view(transition_um=None),
        new=None,
        new_records=(),
    ),
    "no transition": lambda: replace(usual(), now=edge_view(transition_um=None)),
    "long strip": lambda: replace(
        usual(), now=edge_view(length_um=14000), new=edge_view(length_um=14000, transition_um=None)
    ),
    "short strip": lambda: replace(
        usual(), now=edge_view(length_um=660), new=edge_view(length_um=660, transition_um=None)
    ),
    "transition at the right end": lambda: replace(usual(), now=edge_view(transition_um=1650.0)),
    "transition at the left end": lambda: replace(usual(), now=edge_view(transition_um=-1650.0)),
    "chips": four_chips,
    "many chips": lambda: replace(
        usual(), now=edge_view(chips_um=tuple((x, x + 40.0) for x in range(-1900, -400, 110)))
    ),
    "long names": long_names,
    "gaps in the photo": gaps,
    "heavy wear": lambda: replace(usual(), now=edge_view(recession_um=150.0)),
    "bright background": lambda: replace(usual(), now=edge_view(background=0.9)),
}
