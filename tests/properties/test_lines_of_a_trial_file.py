"""Whatever else stands in a trial file: a mistake is named with the line on which it stands, and no other is."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearscope.errors import TrialError
from wearscope.trial import load_trial

TABLES = (
    (
        "[trial]",
        (
            'name = "Oak stair treads"',
            'workpiece = "28 mm oak"',
            "depth_of_cut_mm = 4.0",
            "spindle_rpm = 18000",
            "feed_mm_per_min = 3600",
        ),
    ),
    ("[[scale]]", ('name = "bench"', "um_per_px = 3.487", "u_um_per_px = 0.004")),
    (
        "[[bit]]",
        (
            'name = "A"',
            "price = 15",
            "flutes = 2",
            "diameter_mm = 6.35",
            "wedge_angle_deg = 60",
            'coating = "ZrN"',
        ),
    ),
    (
        "[[photo]]",
        (
            'bit = "A"',
            "flute = 1",
            "parts = 0",
            'view = "relief"',
            'file = "a.jpg"',
            'scale = "bench"',
        ),
    ),
)
# what no key of these tables may hold, and what it is then said to be
WRONG = {
    "depth_of_cut_mm": "-4.0",
    "spindle_rpm": '"fast"',
    "um_per_px": "0.0",
    "price": "-1",
    "flutes": "2.5",
    "diameter_mm": "true",
    "wedge_angle_deg": "200",
    "flute": "0",
    "parts": "-3",
    "view": '"front"',
}
# lines that say nothing, some of which look as if they did
IDLE = st.sampled_from(["", "   ", "# price = -1", "#[[photo]]", "\t# said twice: name"])


@st.composite
def trial_files(draw):
    """The text of a trial file with some wrong values, and the lines on which these stand."""
    lines, wrong = [], {}
    chosen = draw(st.sets(st.sampled_from(sorted(WRONG)), min_size=1, max_size=4))
    for heading, keys in TABLES:
        lines += draw(st.lists(IDLE, max_size=3))
        lines.append(heading)
        for entry in draw(st.permutations(keys)):
            lines += draw(st.lists(IDLE, max_size=2))
            key = entry.partition(" = ")[0]
            if key in chosen:
                entry = f"{key} = {WRONG[key]}"
                wrong[len(lines) + 1] = key
            lines.append(
                draw(st.sampled_from(["", "  "])) + entry + draw(st.sampled_from(["", "  # so", ""]))
            )
    return draw(st.sampled_from(["\n", "\r\n"])).join(lines), wrong


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("trial")
    (folder / "a.jpg").touch()
    return folder


@given(trial_files())
@settings(max_examples=60, deadline=None, derandomize=True)
def test_every_mistake_has_its_line(folder, made):
    text, wrong = made
    path = folder / "trial.toml"
    path.write_bytes(text.encode())
    with pytest.raises(TrialError) as refused:
        load_trial(path)
    named = [int(line) for line in re.findall(r"trial\.toml, line (\d+): ", str(refused.value))]
    assert named == sorted(wrong)
    for line, key in wrong.items():
        (said,) = [mistake for mistake in refused.value.mistakes if f"line {line}: " in mistake]
        assert f".{key}" in said


@given(
    trial_files(),
    st.sampled_from(["price", "price 15", "= 15", 'name = "A', "[[bit", "flutes = = 2"]),
    st.data(),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_line_that_is_no_toml_is_named(folder, made, broken, data):
    lines = made[0].splitlines()
    at = data.draw(st.integers(0, len(lines)))
    lines.insert(at, broken)
    (folder / "trial.toml").write_text("\n".join(lines))
    with pytest.raises(TrialError, match=rf"trial\.toml, line {at + 1}: not TOML"):
        load_trial(folder / "trial.toml")
