"""What becomes of photographs of real tools, and of pictures that show none.

    python tests/real_table.py [--flanks FOLDER]

The coated inserts beside the checkout have their edge marked by eye. FOLDER holds flanks of end mills, 1.725 µm per
pixel, as `raw_images`, with the land drawn white in `raw_labels`: its upper end is where contact ended. Pictures without
a tool are those that come with scikit-image, declared new. Prints Markdown tables.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.edge_lines import offset_from
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.inspection import Inspection
from wearscope.pipeline.sources import read_scales
from wearscope.trial import load_trial

INSERTS = Path(__file__).parents[2] / "shared" / "reference" / "real" / "coated_inserts"
RIGHT_PX, INSERTS_UM, FLANKS_UM = 20.0, 5.0, 1.725
INTO = {"below": (0, 1), "above": (0, -1), "left": (-1, 0), "right": (1, 0)}
TRIAL = """
[trial]
name = "real photographs"
workpiece = "any"
depth_of_cut_mm = 3.0
spindle_rpm = 18000
feed_mm_per_min = 3000
[[scale]]
name = "stated"
um_per_px = {um_per_px}
u_um_per_px = {u_um_per_px}
[[bit]]
name = "A"
price = 10
flutes = 2
diameter_mm = 20.0
wedge_angle_deg = 60
coating = "{coating}"
[[photo]]
bit = "A"
flute = 1
parts = {parts}
view = "relief"
scale = "stated"
file = '{file}'
{more}
"""


@dataclass(frozen=True)
class Truth:
    """What a careful eye sees in a photograph.

    Attributes
    ----------
    path : Path
    um_per_px : float
    edge_px : ndarray, shape (N, 2)
        Columns and rows along the edge.
    into : (float, float)
        Towards the tool.
    u_px : float
        Of the marks.
    end_px : ndarray, shape (2,), or None
        Where contact ended, if that is in the frame and was drawn.
    land_um : float or None
        Mean width of the land that was drawn: its area over its length.
    """

    path: Path
    um_per_px: float
    edge_px: NDArray[np.float64]
    into: tuple[float, float]
    u_px: float
    end_px: NDArray[np.float64] | None = None
    land_um: float | None = None

    def marks(self) -> str:
        """Two points on the edge, and one on the tool, as in a trial file."""
        two = self.edge_px[[len(self.edge_px) // 8, -1 - len(self.edge_px) // 8]]
        tool = two.mean(axis=0) + 60.0 * np.array(self.into)
        near = [[round(float(value)) for value in point] for point in two]
        return f"edge_near = {near}\ntool_at = {[round(float(value)) for value in tool]}"


def inserts() -> Iterator[Truth]:
    for name, mark in json.loads((INSERTS / "marks.json").read_text()).items():
        edge = np.linspace(*np.array(mark["edge_px"], float), 9)
        yield Truth(INSERTS / name, INSERTS_UM, edge, INTO[mark["tool"]], mark["u_px"])


def flanks(folder: Path) -> Iterator[Truth]:
    """The edge is the left border of the land; a label that is blank borrows its neighbour's, without an end."""
    border = np.empty((0, 2))
    paths = sorted((folder / "raw_images").glob("*.jpg"))
    for number, path in enumerate([*paths[1:2], *paths]):
        label = cv2.imread(str(folder / "raw_labels" / f"{path.stem}_Label.png"), cv2.IMREAD_GRAYSCALE) > 0
        rows = np.flatnonzero(label.any(axis=1))
        drawn = len(rows) > 200
        if drawn:
            border = np.column_stack([label[rows].argmax(axis=1), rows]).astype(float)
        end = border[0] if drawn and rows[0] > 40 else None
        if number:
            width = float(label.sum() / np.hypot(*(border[-1] - border[0]))) * FLANKS_UM if drawn else None
            yield Truth(path, FLANKS_UM, border[:: max(1, len(border) // 40)], (0.8, 0.6), 5.0, end, width)


def inspected(
    path: Path, um_per_px: float, *, parts: int = 100, coating: str = "TiN", more: str = ""
) -> Inspection:
    """One photograph as the only one of a trial."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "trial.toml"
        file.write_text(
            TRIAL.format(
                um_per_px=um_per_px,
                u_um_per_px=0.003 * um_per_px,
                parts=parts,
                coating=coating,
                file=path,
                more=more,
            )
        )
        trial = load_trial(file)
        return inspect_photo(trial, trial.photos[0], read_scales(trial)[0])


def edge_right(truth: Truth, found: Inspection) -> bool:
    """Whether the edge lies where the eye sees it, the tool on the right side."""
    assert found.on_photo is not None
    located = found.on_photo.located
    work = (truth.edge_px + 0.5) / located.reduction - 0.5
    off_px = float(np.median(np.abs(offset_from(work, located.line)))) * located.reduction
    return (
        off_px <= max(RIGHT_PX, truth.u_px + RIGHT_PX / 2)
        and float(located.line.inward @ np.array(truth.into)) > 0.5
    )


def edges(name: str, truths: list[Truth], *, marked: bool) -> str:
    """One line of the table of edges."""
    right = unsure = wrong = 0
    for truth in truths:
        found = inspected(truth.path, truth.um_per_px, more=truth.marks() if marked else "")
        if found.refusal:
            unsure += 1
            continue
        good = edge_right(truth, found)
        right += good
        sure = any(row.status in ("ok", "below_detection") for row in found.records)
        unsure += not sure
        wrong += sure and not good
    n = len(truths)
    how = "two points marked" if marked else "nothing marked"
    return f"| {name}, {how} | {right} of {n} | {unsure} | {wrong} |"


def ends(truths: list[Truth]) -> str:
    """How well the end of contact is found."""
    shown = [truth for truth in truths if truth.end_px is not None]
    off_um = []
    for truth in shown:
        found = {
            (row.quantity, row.zone): row.value for row in inspected(truth.path, truth.um_per_px).records
        }
        place = [found.get((f"transition_{axis}_px", "whole")) for axis in "xy"]
        if None not in place:
            off_um.append(float(np.hypot(*(np.array(place, float) - truth.end_px))) * truth.um_per_px)
    return (
        f"Of {len(shown)} flanks with the end of contact in the frame {len(off_um)} have their place, half of them within "
        f"{np.median(off_um):.0f} µm, nine of ten within {np.quantile(off_um, 0.9):.0f} µm."
    )


def lands(truths: list[Truth]) -> str:
    """How well the drawn lands are measured."""
    drawn = [truth for truth in truths if truth.land_um is not None]
    right = contradicted = sure = refused = 0
    for truth in drawn:
        rows = {(row.quantity, row.zone): row for row in inspected(truth.path, truth.um_per_px).records}
        row = rows.get(("wear_land", "used"))
        if row is None or row.value is None:
            refused += 1
        elif row.status == "below_detection":
            contradicted += (row.detection_limit or 0.0) < truth.land_um
        else:
            good = abs(row.value - truth.land_um) <= max(0.15 * truth.land_um, 10.0)
            right += good
            sure += row.status == "ok" and not good
    return (
        f"Of {len(drawn)} lands that were drawn {right} are right within the larger of 15 % and 10 µm, nearly all of them "
        f"`doubtful`; {refused} are refused, {sure} wrong and `ok`, {contradicted} below a limit that they exceed."
    )


def without_a_tool() -> str:
    """How many pictures of other things, declared new, give a number that is ok."""
    import skimage.data

    paths = sorted(Path(skimage.data.__file__).parent.glob("*.[pj][np]g"))
    found = [inspected(path, 4.0, parts=0, coating="none") for path in paths]
    sure = [
        path.name
        for path, one in zip(paths, found, strict=True)
        if any(r.status == "ok" for r in one.records)
    ]
    return f"Of {len(paths)} pictures without a tool {len(sure)} give a number that is `ok`{': ' if sure else ''}{', '.join(sure)}."


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="What becomes of photographs of real tools.")
    parser.add_argument("--flanks", type=Path)
    options = parser.parse_args()
    sets = {"coated inserts before a pale ground": list(inserts())}
    if options.flanks:
        sets["flanks of end mills, the next flute behind"] = list(flanks(options.flanks))
    print("| photographs | edge right | doubtful or refused | wrong and neither |\n|---|---|---|---|")
    for name, truths in sets.items():
        for marked in (False, True):
            print(edges(name, truths, marked=marked), flush=True)
    for name, truths in sets.items():
        if name.startswith("flanks"):
            print("\n" + ends(truths))
            print("\n" + lands(truths))
    print("\n" + without_a_tool())


if __name__ == "__main__":
    main()
