"""How often the strongest line of the edge map is the cutting edge: on drawn scenes and on photographs.

    python sample_images/scenes/score.py [--drawn N] [--pairs A] [--inserts B] [--flanks C] [--empty]

A holds reference pairs with truth.json, B photographs with marks.json, C raw_images and raw_labels with wear drawn
white along the edge; --empty takes the pictures that come with scikit-image. None is ever trained on.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scene import Scene, draw

from wearscope.imaging.edge_map import TOOL_EDGE_SEEN, ProposedLine, edge_map, proposed_lines

HELD_OUT = 2  # first number of the seeds of held-out scenes; 1 is training's, 3 the tests'
WITHIN = 0.02  # of the longer side: how far the line may lie from the edge
TOOL_ABOVE, TOOL_LEFT_BELOW = {"ref-5"}, {"ref-10"}  # of the reference pairs; below in the others


def best_line(picture: NDArray[np.uint8]) -> ProposedLine | None:
    """The strongest line of a picture, or None."""
    return next(iter(proposed_lines(edge_map(picture))), None)


def photo(path: Path) -> NDArray[np.uint8]:
    """Pixels of a file, red green blue."""
    return np.ascontiguousarray(cv2.imread(str(path), cv2.IMREAD_COLOR)[..., ::-1])


def off_px(line: ProposedLine, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of points from a line's course, its ends drawn on."""
    course = line.course_px
    first, last = course[0] - course[1], course[-1] - course[-2]
    reach = 4.0 * max(np.ptp(course, axis=0)) / max(float(np.hypot(*first)), 1e-6)
    course = np.vstack([course[0] + reach * first, course, course[-1] + reach * last])
    a, b = course[:-1], course[1:]
    along = b - a
    at = np.clip(((points_px[:, None] - a) * along).sum(-1) / (along**2).sum(-1), 0, 1)
    return np.asarray(np.linalg.norm(points_px[:, None] - (a + at[..., None] * along), axis=-1).min(axis=1))


def on_edge(line: ProposedLine | None, scene: Scene) -> bool:
    """Whether a line runs along a drawn scene's cutting edge, the tool on the right side."""
    if line is None:
        return False
    rows, columns = np.nonzero(scene.edge > 0.6)
    edge = np.column_stack([columns, rows]).astype(np.float64)
    apart = np.linalg.norm(line.course_px[:, None] - edge, axis=-1)
    near = apart.argmin(axis=1)
    normals = scene.inward[rows[near], columns[near]]
    close = float((apart.min(axis=1) < WITHIN * len(scene.edge)).mean()) >= 0.75
    return close and float(np.median(normals @ np.array(line.inward))) > 0.7


def drawn(count: int, first: int = HELD_OUT) -> tuple[int, int, list[float], list[float]]:
    """Right, of how many with an edge, and `tool_edge_seen` with and without an edge."""
    right, with_edge, without = 0, [], []
    for number in range(count):
        scene = draw((first, number, 77))
        line = best_line(scene.picture)
        seen = line.tool_edge_seen if line else 0.0
        if scene.has_edge:
            right += on_edge(line, scene)
            with_edge.append(seen)
        else:
            without.append(seen)
    return right, len(with_edge), with_edge, without


def told(name: str, outcomes: dict[str, tuple[bool, ProposedLine | None]]) -> None:
    """Print how many are right, and how plain the lines are."""
    wrong = [k for k, (right, _) in outcomes.items() if not right]
    seen = sorted(line.tool_edge_seen if line else 0.0 for _, line in outcomes.values())
    spans = sorted(line.span if line else 0.0 for _, line in outcomes.values())
    print(
        f"{name}: {len(outcomes) - len(wrong)} of {len(outcomes)} right; tool_edge_seen {seen[0]:.2f} to"
        f" {seen[-1]:.2f}, median {np.median(seen):.2f}; span median {np.median(spans):.2f}; wrong: {wrong}"
    )


def pairs(folder: Path) -> dict[str, tuple[bool, ProposedLine | None]]:
    """The edge passes the place of the transition, the tool on the side where it is."""
    out = {}
    for truth in sorted(folder.glob("*/truth.json")):
        name = truth.parent.name
        facts = json.loads(truth.read_text())
        into = (0, -1) if name in TOOL_ABOVE else (-0.7, 0.7) if name in TOOL_LEFT_BELOW else (0, 1)
        for state in ("new", "worn"):
            (path,) = truth.parent.glob(f"{state}.*")
            picture = photo(path)
            line = best_line(picture)
            place = np.array([facts[state]["transition_px"]])
            near = line is not None and off_px(line, place)[0] < WITHIN * max(picture.shape)
            out[f"{name} {state}"] = (bool(near and np.dot(line.inward, into) > 0.7), line)
    return out


def inserts(folder: Path) -> dict[str, tuple[bool, ProposedLine | None]]:
    """The edge runs along the line between two points marked by eye, the tool below."""
    out = {}
    for name, mark in json.loads((folder / "marks.json").read_text()).items():
        line = best_line(photo(folder / name))
        marked = np.linspace(*np.array(mark["edge_px"], float), 9)
        near = line is not None and float(np.median(off_px(line, marked))) < mark["u_px"] + 10
        into = {"below": (0, 1), "above": (0, -1), "left": (-1, 0), "right": (1, 0)}[mark["tool"]]
        out[name] = (bool(near and np.dot(line.inward, into) > 0.7), line)
    return out


def flanks(folder: Path) -> dict[str, tuple[bool, ProposedLine | None]]:
    """The edge is the upper left border of the wear drawn white; a label that is blank borrows its neighbour's."""
    out, border = {}, np.empty((0, 2))
    paths = sorted((folder / "raw_images").glob("*.jpg"))
    for path in [*paths[1:2], *paths]:
        mask = cv2.imread(str(folder / "raw_labels" / f"{path.stem}_Label.png"), cv2.IMREAD_GRAYSCALE)
        rows = np.flatnonzero((mask > 0).sum(axis=1) > 0)
        if len(rows) > 200:
            border = np.column_stack([(mask[rows] > 0).argmax(axis=1), rows]).astype(float)[
                :: max(1, len(rows) // 40)
            ]
        picture = photo(path)
        line = best_line(picture)
        near = line is not None and float(np.median(off_px(line, border))) < WITHIN * max(picture.shape)
        out[path.stem] = (bool(near and np.dot(line.inward, (0.8, 0.6)) > 0.7), line)
    return out


def empty() -> dict[str, tuple[bool, ProposedLine | None]]:
    """Nothing is seen in pictures of other things."""
    import skimage.data

    out = {}
    for path in sorted(Path(skimage.data.__file__).parent.glob("*.[pj][np]g")):
        line = best_line(photo(path))
        out[path.name] = (line is None or line.tool_edge_seen < TOOL_EDGE_SEEN, line)
    return out


def main() -> None:
    """Score what is asked for."""
    parser = argparse.ArgumentParser(description="Score the edge map.")
    parser.add_argument("--drawn", type=int, default=0)
    parser.add_argument("--first", type=int, default=HELD_OUT)
    for name in ("pairs", "inserts", "flanks"):
        parser.add_argument(f"--{name}", type=Path)
    parser.add_argument("--empty", action="store_true")
    options = parser.parse_args()
    if options.drawn:
        right, count, with_edge, without = drawn(options.drawn, options.first)
        print(f"drawn: {right} of {count} right; tool_edge_seen with an edge, lowest 2, 5, 10 %:", end=" ")
        print(np.round(np.percentile(with_edge, (2, 5, 10)), 2), end="; without, highest 10, 5, 2 %: ")
        print(np.round(np.percentile(without, (90, 95, 98)), 2))
    for name, scored in (("pairs", pairs), ("inserts", inserts), ("flanks", flanks)):
        if folder := getattr(options, name):
            told(name, scored(folder))
    if options.empty:
        told("without a tool", empty())


if __name__ == "__main__":
    main()
