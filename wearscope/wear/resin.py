"""Resin on the edge: where it hides the tool, and what that does to the rows.

Wood resin and glue burn on as a brown film or as beads that stand proud of the edge. Brown is darker than the face
and sends back less blue against red. Neither a lost coating nor the dim strip of a worn edge is both: bare carbide
is grey and bright, and the dim strip mirrors its surroundings in the colour of the face.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import Strip
from wearscope.metrology.findings import Finding
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.coating_colour import DEEP_UM

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BANDS_UM = ((-30.0, -8.0), (10.0, 30.0), (25.0, 50.0))  # from the trace: it may follow the resin or the tool
BEHIND_UM = (-60.0, -35.0)
COLUMNS = 7  # averaged along the edge
BROWNER = 0.35  # by which the log of blue over red lies below that of the face and of what lies behind
DARKER = 0.85  # of the light of the face
SAMPLED = 5000  # of the face: its median needs no more
FAINT = 0.01  # light whose colour says little
BESIDE_UM = 20.0  # a bead's thin rim is left out with it
MOST_LEFT_OUT = 0.5  # of the used edge: what is cleaner than that stands for the rest
MOST_UNEXPLAINED = 0.05  # of an edge that shows no transition: resin may hide it


def resin_columns(strip: Strip, trace_um: Array) -> Mask:
    """Where along the edge something brown lies on it.

    Parameters
    ----------
    strip : Strip
    trace_um : ndarray, shape (S,)
        NaN where the edge is not seen.

    Returns
    -------
    ndarray of bool, shape (S,)
        All False in a photo without colour.
    """
    # every third column tells the light of all
    face = strip.light[(strip.d_um > DEEP_UM[0]) & (strip.d_um < DEEP_UM[1]), ::3].reshape(-1, 3)
    face = face[np.isfinite(face[:, 0])]
    seen = np.isfinite(trace_um)
    if len(face) < 100 or not seen.any():
        return np.zeros(len(trace_um), bool)
    usual = np.median(face[:: max(1, len(face) // SAMPLED)], axis=0).astype(np.float64)
    # a brown bench behind the tool is mirrored by its edge
    behind = _blueness(_beside(strip, trace_um, BEHIND_UM))
    least = np.minimum(_blueness(usual), behind) - BROWNER
    found = np.zeros(len(trace_um), bool)
    for band_um in BANDS_UM:
        light = _beside(strip, trace_um, band_um)
        found |= (_blueness(light) < least) & (light.mean(axis=1) < DARKER * float(usual.mean()))
    reach = 2 * round(BESIDE_UM / float(strip.s_um[1] - strip.s_um[0])) + 1
    wide = cv2.dilate((found & seen).astype(np.uint8)[None], np.ones((1, reach), np.uint8))
    return np.asarray(wide[0] > 0)


def _beside(strip: Strip, trace_um: Array, band_um: tuple[float, float]) -> Array:
    """Mean light of a band along the trace, smoothed along it, shape (S, 3)."""
    step_um = float(strip.d_um[1] - strip.d_um[0])
    away_um = np.arange(*band_um, step_um)[:, None]
    rows = np.round((np.nan_to_num(trace_um) + away_um - strip.d_um[0]) / step_um).astype(int)
    columns = np.arange(len(trace_um))
    light = strip.light[np.clip(rows, 0, len(strip.d_um) - 1), columns].mean(axis=0)
    return np.asarray(cv2.blur(np.nan_to_num(light)[None], (COLUMNS, 1))[0], np.float64)


def _blueness(light: Array) -> Array:
    level = np.maximum(light, FAINT)
    return np.asarray(np.log(level[..., 2] / level[..., 0]))


@dataclass(frozen=True)
class Resin:
    """What resin does to the rows of a photo.

    Attributes
    ----------
    share : float
        Of the used edge, or of the whole edge where no transition is seen.
    transition : bool
        Whether one is seen.
    """

    share: float
    transition: bool

    def on(self, findings: Sequence[Finding]) -> list[Finding]:
        """The findings with what resin makes of them: doubtful where too little clean edge is left.

        Parameters
        ----------
        findings : sequence of Finding

        Returns
        -------
        list of Finding
        """
        if self.share == 0.0:
            return list(findings)
        findings = [
            _noted(each, reason("resin-beads"), doubtful=True) if each.quantity.startswith("chip_") else each
            for each in findings
        ]
        if self.share <= (MOST_LEFT_OUT if self.transition else MOST_UNEXPLAINED):
            remark = reason("resin-left-out", share=self.share)
            return [_noted(each, remark, doubtful=False) for each in findings]
        where = "used edge" if self.transition else "edge"
        doubt = reason("resin-covers", share=self.share, where=where)
        return [_noted(each, doubt, doubtful=True) for each in findings]


def _noted(finding: Finding, of_resin: Reason, *, doubtful: bool) -> Finding:
    if (
        finding.value is None
        or finding.zone == "unused"
        or finding.quantity in ("sharpness", "registration_residual")
    ):
        return finding
    return replace(
        finding,
        status="doubtful" if doubtful else finding.status,
        reasons=(of_resin, *finding.reasons),
    )
