"""A drawn 12-megapixel pair, and the machine that measures it."""

from __future__ import annotations

import os
import platform
from pathlib import Path

import cv2
import numpy as np
from pictures import CARD, Flute

UM_PER_PX = 1.2


def big_pair() -> tuple[Flute, Flute]:
    """4000 by 3000 pixels at a zoom at which they show 4.8 mm of edge."""
    new = Flute(
        shape=(3000, 4000), um_per_px=UM_PER_PX, angle_deg=17.0, background=CARD, blur_px=3.0, heel_um=700.0
    )
    return new, new.worn(transition_um=300.0)


def write_pair(folder: Path) -> dict[int, Path]:
    new, worn = big_pair()
    return {0: new.save(folder / "0.jpg"), 100: worn.save(folder / "100.jpg")}


def environment() -> str:
    return (
        f"Python {platform.python_version()}, numpy {np.__version__}, OpenCV {cv2.__version__} "
        f"({cv2.getNumThreads()} threads), {os.cpu_count()} cores, {platform.machine()}, load {os.getloadavg()[0]:.1f}"
    )
