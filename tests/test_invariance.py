"""What must not change the numbers: how the camera was held, how bright the lamp was, where the strip was cut.

On small cuts from two pairs of the sample photos, one before a dark and one before a bright background. The pixels are
turned and mirrored without loss, so whatever changes comes from the program alone.
"""

from __future__ import annotations

import json
import shutil
import tomllib
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from seldom import seldom

from wearscope.imaging.calibration.scale import scale_from_value
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.sources import Memory, Sources
from wearscope.trial import load_trial

SAMPLES = Path(__file__).parents[1] / "sample_images"
TRUTH = json.loads((SAMPLES / "truth.json").read_text())
UM_PER_PX = TRUTH["graticule"]["um_per_px"]
WIDTH, HEIGHT = 620, 340
PARTS = 300
PAIRS = {"dark": "Wren", "bright": "Plover"}
BY_PLACE = {"transition_x_px", "transition_y_px"}
END_OF_FRAME_MM = (
    0.1  # a turned frame shows a little more or less of the edge's end; its uncertainty leaves that out
)

# rows and columns of a picture, and what becomes of a point (column, row) of one that is WIDTH by HEIGHT
TURNS = {
    "as it is": (lambda a: a, lambda p: p),
    "quarter turn": (lambda a: np.rot90(a, 1), lambda p: np.column_stack([p[:, 1], WIDTH - 1 - p[:, 0]])),
    "half turn": (
        lambda a: np.rot90(a, 2),
        lambda p: np.column_stack([WIDTH - 1 - p[:, 0], HEIGHT - 1 - p[:, 1]]),
    ),
    "quarter turn back": (
        lambda a: np.rot90(a, 3),
        lambda p: np.column_stack([HEIGHT - 1 - p[:, 1], p[:, 0]]),
    ),
    "mirrored": (lambda a: a[:, ::-1], lambda p: np.column_stack([WIDTH - 1 - p[:, 0], p[:, 1]])),
    "mirrored and turned": (lambda a: a.swapaxes(0, 1), lambda p: p[:, ::-1]),
}


def test_the_turns_take_points_where_they_take_pixels():
    picture = np.zeros((HEIGHT, WIDTH))
    picture[21, 137] = 1.0
    for turned, moved in TURNS.values():
        ((column, row),) = moved(np.array([[137, 21]]))
        assert turned(picture)[row, column] == 1.0


@cache
def cuts(background):
    """The new and the worn photo, cut to what lies around the transition."""
    found = {}
    for parts in (0, PARTS):
        name = f"photos/{PAIRS[background].lower()}-{parts:03}-1.jpg"
        left, top = np.round(
            np.array(TRUTH["photos"][name]["transition_px"]) - [WIDTH / 2, HEIGHT / 2]
        ).astype(int)
        found[parts] = cv2.imread(str(SAMPLES / name))[top : top + HEIGHT, left : left + WIDTH]
    return found


def dimmed(picture, gain):
    """Scale the light, not its code (sRGB, IEC 61966-2-1); what is burnt out stays so, for its light is not known."""
    coded = picture / 255.0
    light = gain * np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    burnt = (picture >= 250).any(axis=2, keepdims=True)
    return np.where(burnt, picture, np.round(255.0 * coded)).astype(np.uint8)


def a_trial(folder, background, turn="as it is", gain=1.0, edge_near=None):
    """A trial of the pair alone; `edge_near` are points on the worn photo, before it was turned."""
    turned, moved = TURNS[turn]
    whole = tomllib.loads((SAMPLES / "trial.toml").read_text())
    (bit,) = [bit for bit in whole["bit"] if bit["name"] == PAIRS[background]]
    tables = {
        "trial": {key: value for key, value in whole["trial"].items() if key != "program"},  # not copied
        "[scale]": {"name": "bench", "um_per_px": UM_PER_PX, "u_um_per_px": 0.001},
    }
    tables["[scale]"] |= {"ring_angle_deg": 40, "u_ring_angle_deg": 3}
    tables["[bit]"] = bit
    text = ""
    for parts, picture in cuts(background).items():
        cv2.imwrite(str(folder / f"{parts}.png"), dimmed(turned(picture), gain))
        entry = {"bit": bit["name"], "flute": 1, "parts": parts, "view": "relief"}
        tables[f"[photo]#{parts}"] = entry | {"file": f"{parts}.png", "scale": "bench"}
    if edge_near is not None:
        tables[f"[photo]#{PARTS}"]["edge_near"] = moved(np.asarray(edge_near)).tolist()
    for heading, table in tables.items():
        text += f"[{heading.split('#')[0]}]\n" + "".join(f"{k} = {json.dumps(v)}\n" for k, v in table.items())
    (folder / "trial.toml").write_text(text)
    shutil.copy(SAMPLES / whole["trial"]["program"], folder)
    return load_trial(folder)


def measured(folder, *arguments, **options):
    """Rows of the worn photo by quantity and zone."""
    trial = a_trial(folder, *arguments, **options)
    (entry,) = [photo for photo in trial.photos if photo.parts]
    inspection = inspect_photo(trial, entry, {"bench": scale_from_value(UM_PER_PX, 0.001, "bench")})
    assert not inspection.refusal
    return {(record.quantity, record.zone): record for record in inspection.records}


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """Rows as photographed, and a function from s, d in µm to column and row, for each background."""
    found = {}
    for background in PAIRS:
        folder = tmp_path_factory.mktemp(background)
        rows = measured(folder, background)
        trial = load_trial(folder)
        entry = next(photo for photo in trial.photos if photo.parts)
        scales = {"bench": scale_from_value(UM_PER_PX, 0.001, "bench")}
        found[background] = rows, Sources(scales, {}, Memory()).located(entry).on_photo
    return found


def place(rows):
    return np.array([[rows[f"transition_{axis}_px", "whole"].value for axis in "xy"]])


def test_the_plain_numbers_are_measured(plain):
    # else nothing below would be compared
    for background, (rows, _) in plain.items():
        kept = {key for key, record in rows.items() if record.value is not None and record.status == "ok"}
        assert {("edge_recession", "difference"), ("edge_radius", "used"), ("edge_radius", "unused")} <= kept
        assert (background == "dark") or ("coating_loss", "used") in kept


# every turn once, each background with and without a person's line
@pytest.mark.parametrize(
    ("background", "turn", "gain", "off_um"),
    [
        seldom("dark", "quarter turn", 0.75, None),
        seldom("dark", "half turn", 0.9, (60.0, -30.0, 10.0)),
        seldom("dark", "mirrored", 1.0, None),
        ("bright", "quarter turn back", 0.8, (-70.0, 20.0, 40.0)),
        seldom("bright", "mirrored and turned", 0.95, None),
    ],
)
def test_numbers_stay_within_their_uncertainty(tmp_path_factory, plain, background, turn, gain, off_um):
    stay_within(tmp_path_factory, plain, background, turn, gain, off_um)


@pytest.mark.statistics
@pytest.mark.parametrize("background", PAIRS)
@given(
    turn=st.sampled_from(sorted(TURNS)),
    gain=st.floats(0.7, 1.0),
    off_um=st.none() | st.tuples(*[st.floats(-80.0, 80.0)] * 3),
)
@settings(max_examples=6, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
def test_numbers_stay_within_it_however_the_photo_was_taken(
    tmp_path_factory, plain, background, turn, gain, off_um
):
    stay_within(tmp_path_factory, plain, background, turn, gain, off_um)


def stay_within(tmp_path_factory, plain, background, turn, gain, off_um):
    rows, on_photo = plain[background]
    edge_near = None
    if off_um is not None:  # a person's rough line, up to 23 pixels off at each of three points
        edge_near = [on_photo(s_um, d_um) for s_um, d_um in zip((-700.0, 0.0, 700.0), off_um, strict=True)]
    again = measured(tmp_path_factory.mktemp("again"), background, turn=turn, gain=gain, edge_near=edge_near)
    assert set(again) == set(rows)
    for key, record in rows.items():
        if record.quantity in BY_PLACE:
            continue
        assert (record.value is None) == (again[key].value is None), key
        if record.value is not None:
            u = np.hypot(record.std_uncertainty, again[key].std_uncertainty)
            off = abs(again[key].value - record.value)
            assert off < (END_OF_FRAME_MM if record.quantity == "used_length" else u), (key, off, u)
    u_px = np.hypot(*(rows[f"transition_{axis}_px", "whole"].std_uncertainty for axis in "xy"))
    assert np.linalg.norm(place(again) - TURNS[turn][1](place(rows))) < u_px
