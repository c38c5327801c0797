"""The trial file: what is in it, and every way it can be wrong, said with the line and the cure."""

from __future__ import annotations

import os
import pickle
import re
import tracemalloc
from pathlib import Path

import fake_photos as fake
import pytest
from pydantic import ValidationError

from wearscope.errors import TrialError
from wearscope.report.standing_words import stray_lines
from wearscope.trial import load_trial, reading

TRIAL = """\
[trial]
name = "Birch drawer fronts"
workpiece = "15 mm birch plywood"
depth_of_cut_mm = 4.0
spindle_rpm = 18000
feed_mm_per_min = 3600

[[scale]]
name = "bench"
um_per_px = 3.487
u_um_per_px = 0.004

[[bit]]
name = "A"
price = 15
flutes = 2
diameter_mm = 6.35
wedge_angle_deg = 60
coating = "ZrN"

[[photo]]
bit = "A"
flute = 1
parts = 0
view = "relief"
file = "photos/A-000-1.jpg"
scale = "bench"
"""

PHOTO = """
[[photo]]
bit = "{bit}"
flute = {flute}
parts = {parts}
view = "relief"
file = "photos/{bit}-{parts}-{flute}.jpg"
scale = "bench"
"""
"""Further photos; `photo` makes the file too."""

PATTERN = (
    TRIAL.split("[[photo]]")[0]
    + """
[photos]
pattern = "photos/{bit}/{parts}/flute{flute}.jpg"
view = "relief"
scale = "bench"
"""
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos/A-000-1.jpg").touch()
    (tmp_path / "photos/graticule.png").touch()
    return tmp_path


def photo(folder: Path, bit: str, flute: int, parts: int) -> str:
    (folder / f"photos/{bit}-{parts}-{flute}.jpg").touch()
    return PHOTO.format(bit=bit, flute=flute, parts=parts)


def load(folder: Path, text: str):
    path = folder / "trial.toml"
    path.write_text(text, encoding="utf-8")
    return load_trial(path)


def mistakes(folder: Path, text: str) -> list[str]:
    with pytest.raises(TrialError) as refusal:
        load(folder, text)
    lines = list(refusal.value.mistakes)
    assert all("\n" not in line and str(folder / "trial.toml") in line for line in lines)
    assert str(refusal.value) == "\n".join(lines)
    assert refusal.value.exit_code == 2
    return lines


def only_mistake(folder: Path, text: str) -> str:
    (line,) = mistakes(folder, text)
    return line


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


# --- What is read


def test_the_least_that_a_trial_needs(folder):
    trial = load(folder, TRIAL)
    assert (trial.name, trial.depth_of_cut_mm, trial.minutes_per_part, trial.currency) == (
        "Birch drawer fronts",
        4.0,
        None,
        None,
    )
    assert trial.path == folder.resolve() / "trial.toml"
    assert trial.folder == folder.resolve()
    assert trial.scale("bench").um_per_px == 3.487
    assert trial.life.edge_radius_um is None
    bit = trial.bit("A")
    assert (bit.price, bit.u_wedge_angle_deg, bit.helix_angle_deg, bit.r_unused_um) == (15, 1.5, 0, None)
    assert not bit.given("u_wedge_angle_deg")
    assert bit.coated
    (photo,) = trial.photos
    assert photo.path == folder.resolve() / "photos/A-000-1.jpg"
    assert (photo.view_tilt_deg, photo.u_view_tilt_deg, photo.edge_near, photo.um_per_px) == (
        0,
        1.5,
        None,
        None,
    )


def test_everything_that_a_trial_may_say(folder):
    text = """
        [trial]
        name = "Birch drawer fronts"
        workpiece = "15 mm birch plywood"
        depth_of_cut_mm = 4.0            # programmed
        spindle_rpm = 18000
        feed_mm_per_min = 3600
        minutes_per_part = 2.0
        cut_length_m_per_part = 2.4
        currency = "EUR"
        [life]
        edge_radius_um = 40
        u_edge_radius_um = 3
        coating_loss = 0.8
        [cost]
        change_over_minutes = 6
        rate_per_hour = 45
        parts_per_year = 6000
        [[scale]]
        name = "bench 60x"
        graticule = "photos/graticule.png"
        division_um = 100
        ring_angle_deg = 40
        u_ring_angle_deg = 3
        [[bit]]
        name = "A"
        price = 15.0
        flutes = 2
        diameter_mm = 6.35
        wedge_angle_deg = 60
        u_wedge_angle_deg = 1.5
        coating = "None"
        helix_angle_deg = 30
        r_unused_um = 6
        u_r_unused_um = 2
        regrinds = 2
        regrind_price = 5.5
        resale = 1
        [[photo]]
        bit = "A"
        flute = 1
        parts = 0
        view = "profile"
        file = "photos/A-000-1.jpg"
        scale = "bench 60x"
        edge_near = [
            [10, 200.5],
            [900, 240],   # towards the shank
        ]
        used_side = "end"
        um_per_px = 3.5
        u_um_per_px = 0.01
        view_tilt_deg = -2
        u_view_tilt_deg = 1
    """
    trial = load(folder, text)
    assert (trial.life.coating_loss, trial.life.u_edge_radius_um) == (0.8, 3)
    assert (trial.cost.change_over_minutes, trial.cost.rate_per_hour, trial.cost.parts_per_year) == (
        6,
        45,
        6000,
    )
    assert (trial.bits[0].regrinds, trial.bits[0].regrind_price, trial.bits[0].resale) == (2, 5.5, 1)
    assert trial.scales[0].graticule_path == folder.resolve() / "photos/graticule.png"
    assert trial.bits[0].given("u_wedge_angle_deg")
    assert not trial.bits[0].coated
    assert trial.photos[0].edge_near == ((10, 200.5), (900, 240))
    assert trial.photos[0].used_side == "end"
    assert pickle.loads(pickle.dumps(trial)) == trial
    with pytest.raises(ValidationError):
        trial.photos[0].parts = 3


def test_photos_come_bit_by_bit_in_the_order_of_wear(folder):
    second = TRIAL.split("[[photo]]")[0].split("[[bit]]")[1].replace('"A"', '"B"')
    text = TRIAL.split("[[photo]]")[0].replace("[[bit]]", f"[[bit]]{second}\n[[bit]]")
    for bit, flute, parts in [("A", 2, 100), ("B", 1, 20), ("A", 1, 100), ("A", 1, 20), ("B", 1, 0)]:
        text += photo(folder, bit, flute, parts)
    trial = load(folder, text)
    assert [(p.bit, p.flute, p.parts) for p in trial.photos] == [
        ("B", 1, 0),
        ("B", 1, 20),
        ("A", 1, 20),
        ("A", 1, 100),
        ("A", 2, 100),
    ]
    assert trial.new_state(trial.photos[1]) == trial.photos[0]
    assert trial.new_state(trial.photos[0]) is None
    assert trial.new_state(trial.photos[2]) is None


@pytest.mark.parametrize("newline", ["\r\n", "\n"])
def test_a_file_saved_by_any_editor_reads_the_same(folder, newline):
    path = folder / "trial.toml"
    path.write_bytes(b"\xef\xbb\xbf" + TRIAL.replace("\n", newline).encode())
    assert load_trial(path).bits[0].coating == "ZrN"


def test_a_folder_stands_for_the_trial_file_in_it(folder, monkeypatch):
    load(folder, TRIAL)
    assert load_trial(folder).path == folder.resolve() / "trial.toml"
    monkeypatch.chdir(folder)
    assert load_trial(Path("trial.toml")).photos[0].path.is_absolute()


def test_an_absolute_path_is_taken_as_it_stands(folder, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("camera") / "one.jpg"
    elsewhere.touch()
    trial = load(folder, TRIAL.replace("photos/A-000-1.jpg", elsewhere.as_posix()))
    assert trial.photos[0].path == elsewhere


@pytest.mark.parametrize("angle", [0.5, 3, 20, 90, 120, 179.9])
def test_every_wedge_angle_that_can_be_is_accepted(folder, angle):
    trial = load(folder, TRIAL.replace("wedge_angle_deg = 60", f"wedge_angle_deg = {angle}"))
    assert trial.bits[0].wedge_angle_deg == angle


# --- One mistake, one line


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("price = 15", "price = -1", ["bit.price (A) is -1", "0 or more"]),
        ("price = 15", "price = 1e300", ["bit.price (A) is 1e+300", "up to 1000000000000"]),
        ("price = 15", 'price = "15"', ['bit.price (A) is "15"', "a number"]),
        ("price = 15", "price = true", ["bit.price (A) is true"]),
        ("price = 15", "price = nan", ["bit.price (A) is nan"]),
        ("price = 15", "price = inf", ["bit.price (A) is inf"]),
        ("flutes = 2", "flutes = 2.0", ["bit.flutes (A) is 2.0", "a whole number, 1 or more"]),
        ("flutes = 2", "flutes = 0", ["bit.flutes (A) is 0", "1 or more"]),
        ("flutes = 2", "flutes = true", ["bit.flutes (A) is true"]),
        ("wedge_angle_deg = 60", "wedge_angle_deg = 0", ["is 0;", "above 0 and below 180"]),
        ("wedge_angle_deg = 60", "wedge_angle_deg = 180", ["is 180;", "above 0 and below 180"]),
        ("wedge_angle_deg = 60", "wedge_angle_deg = -60", ["is -60;"]),
        ("wedge_angle_deg = 60", "wedge_angle_deg = 1.0472", ["radians", "(60.0)"]),
        ("diameter_mm = 6.35", "diameter_mm = 6350", ["bit.diameter_mm", "6350", "millimetres"]),
        ("diameter_mm = 6.35", "diameter_mm = 0.006", ["bit.diameter_mm", "0.006", "millimetres"]),
        ("diameter_mm = 6.35", "diameter_mm = 0", ["bit.diameter_mm", "is 0;"]),
        ('coating = "ZrN"', 'coating = " "', ["bit.coating", '"none" for an uncoated bit']),
        ('coating = "ZrN"', "coating = 3", ["bit.coating (A) is 3"]),
        ('coating = "ZrN"', 'coating = "ZrN"\nu_r_unused_um = 2', ["u_r_unused_um without r_unused_um"]),
        ('coating = "ZrN"', 'coating = "ZrN"\nr_unused_um = nan', ["bit.r_unused_um (A) is nan", "microns"]),
        ('coating = "ZrN"', 'coating = "ZrN"\nu_wedge_angle_deg = -1', ["u_wedge_angle_deg (A) is -1"]),
        (
            'coating = "ZrN"',
            'coating = "ZrN"\nring_angle_deg = 1',
            ["bit.ring_angle_deg", "belongs in [[scale]]"],
        ),
        ("depth_of_cut_mm = 4.0", "depth_of_cut_mm = 0", ["trial.depth_of_cut_mm is 0", "millimetres"]),
        ("depth_of_cut_mm = 4.0", "depth_of_cut_mm = 4000", ["is 4000", "millimetres"]),
        ("spindle_rpm = 18000", "spindle_rpm = 0", ["trial.spindle_rpm is 0"]),
        ("feed_mm_per_min = 3600", "feed_mm_per_min = 1979-05-27", ["trial.feed_mm_per_min is 1979-05-27"]),
        ('name = "Birch drawer fronts"', 'name = ""', ['trial.name is ""']),
        ("um_per_px = 3.487", "um_per_px = 3000", ["scale.um_per_px (bench) is 3000", "microns per pixel"]),
        ("um_per_px = 3.487", "um_per_px = 0.003487", ["scale.um_per_px", "0.0035 mm is 3.5"]),
        ("u_um_per_px = 0.004", "u_um_per_px = 4", ["not below um_per_px"]),
        ("u_um_per_px = 0.004", "", ["scale (bench) has um_per_px alone", "give either graticule"]),
        ("um_per_px = 3.487\nu_um_per_px = 0.004", "", ["scale (bench) has no scale", "graticule"]),
        (
            "um_per_px = 3.487\nu_um_per_px = 0.004",
            'graticule = "photos/graticule.png"',
            ["has graticule alone"],
        ),
        (
            "um_per_px = 3.487\nu_um_per_px = 0.004",
            'graticule = "photos/graticule.png"\ndivision_um = 0.1',
            ["scale.division_um (bench) is 0.1", "0.1 mm is 100"],
        ),
        (
            "um_per_px = 3.487",
            'um_per_px = 3.487\ngraticule = "photos/graticule.png"\ndivision_um = 100',
            ["division_um and graticule and u_um_per_px and um_per_px together"],
        ),
        (
            "um_per_px = 3.487\nu_um_per_px = 0.004",
            'graticule = "photos/grid.png"\ndivision_um = 100',
            ["scale.graticule (bench)", "not there", "photos/grid.png)"],
        ),
        ("u_um_per_px = 0.004", "u_um_per_px = 0.004\nring_angle_deg = 95", ["ring_angle_deg (bench) is 95"]),
        ("u_um_per_px = 0.004", "u_um_per_px = 0.004\nu_ring_angle_deg = 3", ["without ring_angle_deg"]),
        ("flute = 1", "flute = 3", ["photo.flute (photos/A-000-1.jpg) is 3", 'bit "A" has flutes 1 to 2']),
        ("flute = 1", "flute = 0", ["photo.flute", "is 0;"]),
        ("parts = 0", "parts = -1", ["photo.parts", "is -1"]),
        ("parts = 0", "parts = 1.5", ["photo.parts", "is 1.5"]),
        ('view = "relief"', 'view = "top"', ["photo.view", '"relief", "rake", "profile" or "part"']),
        ('bit = "A"', 'bit = "a"', ['is "a"', 'did you mean "A"?']),
        ('scale = "bench"', 'scale = "bench 60x"', ["photo.scale", 'did you mean "bench"?']),
        ("photos/A-000-1.jpg", "photos/a-000-1.JPG", ["looked for", 'did you mean "A-000-1.jpg"?']),
        ("photos/A-000-1.jpg", "photo/A-000-1.jpg", ["there is no folder", "folder of the trial file"]),
        ("photos/A-000-1.jpg", "photos", ["which is a folder"]),
        ('"photos/A-000-1.jpg"', r"'photos\A-000-1.jpg'", ["write / between folders"]),
        ("parts = 0", 'parts = 0\nused_side = "end"', ["photo.used_side", "edge_near"]),
        ("parts = 0", "parts = 0\nedge_near = [[1, 2]]", ["photo.edge_near", "two or more points"]),
        ("parts = 0", "parts = 0\nedge_near = [[1, 2], [1, 2]]", ["all its points are the same"]),
        ("parts = 0", "parts = 0\nedge_near = [[1, 2], [3, nan]]", ["photo.edge_near"]),
        ("parts = 0", "parts = 0\nedge_near = [[1, 2, 3], [3, 4, 5]]", ["photo.edge_near"]),
        ("parts = 0", 'parts = 0\nedge_near = [[1, 2], [3, 4]]\nused_side = "left"', ['"start" or "end"']),
        ("parts = 0", "parts = 0\nview_tilt_deg = 90", ["photo.view_tilt_deg", "below 90"]),
        ("parts = 0", "parts = 0\nu_um_per_px = 0.1", ["u_um_per_px without um_per_px"]),
        ("parts = 0", 'parts = 0\npath = "x"', ["photo.path", "is not a key of [[photo]]"]),
        ("[[scale]]", "[life]\nedge_radius_um = 0.04\n[[scale]]", ["life.edge_radius_um is 0.04", "microns"]),
        ("[[scale]]", "[life]\ncoating_loss = 80\n[[scale]]", ["life.coating_loss is 80", "80 % is 0.8"]),
        ("[[scale]]", "[life]\nedge_radius = 40\n[[scale]]", ['did you mean "edge_radius_um"?']),
        ("[[scale]]", "[life]\nu_coating_loss = 0.1\n[[scale]]", ["u_coating_loss without coating_loss"]),
        ("[[scale]]", "[cost]\nrate_per_hour = 40\n[[scale]]", ["without change_over_minutes"]),
        ("[[scale]]", "[cost]\nparts_per_year = 0\n[[scale]]", ["cost.parts_per_year is 0", "above 0"]),
        ("price = 15", "price = 15\nregrinds = 2", ["regrinds without regrind_price"]),
        ("price = 15", "price = 15\nregrinds = 1.5\nregrind_price = 4", ["bit.regrinds (A) is 1.5"]),
        ("price = 15", "price = 15\nresale = 16", ["resale = 16, which is above price = 15"]),
        ("price = 15", "price = 15\nparts_per_year = 9", ["belongs in [cost]"]),
        ("[[scale]]", "[scale]", ["[scale] stands in single brackets; write [[scale]]"]),
        ("[trial]", "[[trial]]", ["[[trial]] stands in double brackets; write [trial], once"]),
        ("[trial]", "[lives]\n[trial]", ["lives is not a table", "did you mean [life]?"]),
        ("[trial]", "price = 3\n[trial]", ["price is not a table", "it belongs in [[bit]]"]),
        ("[trial]", "life = 3\n[trial]", ["life is 3; write it as a table under [life]"]),
    ],
)
def test_a_wrong_value_is_one_line_with_line_key_value_and_cure(folder, old, new, says):
    text = TRIAL.replace(old, new, 1)
    line = only_mistake(folder, text)
    for part in says:
        assert part in line
    assert re.search(r"trial\.toml, line \d+: ", line)


@pytest.mark.parametrize("key", ["name", "coating", "bit", "flute", "parts", "file"])
def test_a_required_key_that_is_missing_is_named_with_its_table(folder, key):
    text = re.sub(rf"^{key} = .*\n", "", TRIAL, count=1, flags=re.MULTILINE)
    says = [line for line in mistakes(folder, text) if f".{key}" in line and "is missing; give" in line]
    assert len(says) == 1
    table = says[0].split(": ")[1].split(".")[0]
    header = f"[{table}]" if table == "trial" else f"[[{table}]]"
    assert f"line {line_of(text, header)}:" in says[0]


@pytest.mark.parametrize(
    ("key", "typo"),
    [
        ("wedge_angle_deg", "wedge_angel_deg"),
        ("diameter_mm", "diameter"),
        ("price", "prise"),
        ("spindle_rpm", "spindel_rpm"),
        ("coating", "coatings"),
    ],
)
def test_a_typo_is_one_mistake_that_names_the_nearest_key(folder, key, typo):
    text = TRIAL.replace(f"{key} =", f"{typo} =", 1)
    line = only_mistake(folder, text)
    assert f"line {line_of(text, typo)}:" in line
    assert f".{typo}" in line
    assert f'did you mean "{key}"?' in line


@pytest.mark.parametrize(
    "old", ["price = 15", "flutes = 2", "um_per_px = 3.487", "parts = 0", 'view = "relief"']
)
def test_the_line_named_is_the_line_of_the_key(folder, old):
    key = old.split(" = ")[0]
    text = "# a remark\n\n" + TRIAL.replace(old, f"{key} = 'x'", 1)
    assert f"trial.toml, line {line_of(text, chr(10) + key) + 1}: " in only_mistake(folder, text)


def test_lines_are_right_after_arrays_and_text_that_look_like_tables(folder):
    text = TRIAL.replace(
        "parts = 0",
        "edge_near = [\n  [10, 20],\n  [30,\n   40]\n  ]\nparts = 0",
    ).replace('"15 mm birch plywood"', '"""\n[[bit]]\nprice = 3\n"""')
    assert len(load(folder, text).bits) == 1
    wrong = text.replace('scale = "bench"', 'scale = "x"')
    assert f"line {line_of(wrong, 'scale = ' + chr(34) + 'x')}:" in only_mistake(folder, wrong)


def test_photos_given_as_inline_tables_are_checked_too(folder):
    head, photo = TRIAL.split("[[photo]]")
    inline = ", ".join(photo.strip().splitlines()).replace("flute = 1", "flute = 7")
    line = only_mistake(folder, f"photo = [{{{inline}}}]\n" + head)
    assert "line 1: photo.flute (photos/A-000-1.jpg) is 7" in line


# --- All mistakes at once


def test_every_mistake_is_said_at_once_in_the_order_of_the_file(folder):
    text = (
        TRIAL.replace("spindle_rpm = 18000", "spindle_rpm = 0")
        .replace("price = 15", "price = -1")
        .replace("wedge_angle_deg", "wedge_angle")
        .replace("u_um_per_px = 0.004\n", "")
        .replace("A-000-1.jpg", "A-000-9.jpg")
        .replace("flute = 1", "flute = 9")
    )
    text += photo(folder, "B", 1, -4)
    lines = mistakes(folder, text)
    numbers = [int(re.search(r", line (\d+):", line)[1]) for line in lines]
    assert numbers == sorted(numbers)
    for part in [
        "trial.spindle_rpm is 0",
        "has um_per_px alone",
        "bit.price (A) is -1",
        'did you mean "wedge_angle_deg"?',
        "photo.flute (photos/A-000-9.jpg) is 9",
        "looked for",
        'photo.bit (photos/B--4-1.jpg) is "B"',
        "photo.parts (photos/B--4-1.jpg) is -4",
    ]:
        assert sum(part in line for line in lines) == 1, part
    assert len(lines) == 8


def test_every_line_that_is_not_toml_is_said_at_once(folder):
    text = (
        TRIAL.replace("price = 15", "price = 15,50")
        .replace("parts = 0", "parts = 000")
        .replace('"ZrN"', "ZrN")
        .replace("photos/A", r"photos\A")
        .replace("flutes = 2", "flutes =")
        .replace("spindle_rpm = 18000", "spindle_rpm: 18000")
        .replace('"Birch drawer fronts"', "“Birch drawer fronts”")
        .replace("diameter_mm = 6.35", "diameter_mm = 6.35\ndiameter_mm = 8")
        .replace('view = "relief"', 'view = "relief')
    )
    lines = mistakes(folder, text)
    for key, cure in [
        ("name = “", "straight quotes"),
        ("spindle_rpm:", "key = value"),
        ("price = 15,50", "decimals with a point"),
        ("flutes =", "give a value"),
        ("diameter_mm = 8", "given twice"),
        ("coating = ZrN", "text in quotes"),
        ("parts = 000", "without leading zeros"),
        ('view = "relief\n', "close the quotes"),
        ("file =", "write / in file paths"),
    ]:
        (said,) = [line for line in lines if cure in line]
        assert f"line {line_of(text, key)}: " in said
    assert len(lines) == 9


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[trial]\nname = [1,\n2,\n[[bit]]\nx = 2\n", "line 4: not TOML"),
        ('[trial]\nname = """never\nclosed\n', "line 2: not TOML (Unterminated string)"),
        ("[trial]\nname = 3\n[trial]\nworkpiece = 4\n", "line 3: trial is given twice (first on line 1)"),
        ("x = 1\n[x]\ny = 2\n", "x is given twice (first on line 1)"),
        ("x = " + "[" * 5000, "line 1: not TOML"),
        ("x = " + "9" * 5000, "line 1: not TOML"),
    ],
)
def test_a_file_that_is_no_toml_names_the_line(folder, text, says):
    assert says in mistakes(folder, text)[0]


# --- Whole tables and files


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[trial]\n" + TRIAL.split("[trial]")[1].split("[[")[0], ["no [[scale]]", "no [[bit]]", "no photo"]),
        (TRIAL[TRIAL.index("[[scale]]") :], ["there is no [trial]; give name"]),
        (TRIAL.split("[[photo]]")[0], ["there is no photo"]),
        (TRIAL.split("[[photo]]")[0] + "\n[other]\n", ["there is no photo", "other is not a table"]),
        ("# nothing but a remark\n", ["no [trial]", "no [[scale]]", "no [[bit]]", "no photo"]),
        ("bit = []\nphoto = []\n" + TRIAL.split("[[bit]]")[0], ["there is no [[bit]]", "there is no photo"]),
    ],
)
def test_what_is_missing_as_a_whole_is_said(folder, text, says):
    lines = mistakes(folder, text)
    for part in says:
        assert sum(part in line for line in lines) == 1
    assert len(lines) == len(says)


def test_a_bit_that_no_photo_shows_is_a_mistake(folder):
    second = "[[bit]]" + TRIAL.split("[[photo]]")[0].split("[[bit]]")[1].replace('"A"', '"B"')
    text = TRIAL + second
    line = only_mistake(folder, text)
    assert f"line {line_of(text, '[[bit]]' + second[7:])}: bit (B) has no photo" in line


@pytest.mark.parametrize(
    "photos",
    [
        "",
        '[photos]\npattern = "none/{bit}/{parts}/{flute}.jpg"\nview = "relief"\nscale = "bench"\n',
        "[[photo]]" + TRIAL.split("[[photo]]")[1],
    ],
)
def test_photos_may_be_yet_to_come_where_that_is_said(folder, photos):
    head = TRIAL.split("[[photo]]")[0]
    second = "[[bit]]" + head.split("[[bit]]")[1].replace('"A"', '"B"')
    path = folder / "trial.toml"
    path.write_text(head + second + "\n" + photos)
    with pytest.raises(TrialError):
        load_trial(path)
    trial = load_trial(path, photos_to_come=True)
    assert [bit.name for bit in trial.bits] == ["A", "B"]
    assert len(trial.photos) == photos.count("[[photo]]")


def test_names_and_photos_may_stand_once_only(folder):
    again = TRIAL[TRIAL.index("[[scale]]") :]
    text = TRIAL + again
    lines = mistakes(folder, text)
    assert len(lines) == 3
    assert (
        f'scale.name is "bench", already the name on line {line_of(text, "name = " + chr(34) + "bench")}'
        in lines[0]
    )
    assert 'bit.name is "A", already' in lines[1]
    assert (
        f'bit "A", flute 1, parts 0, view relief (the first: line {line_of(text, "[[photo]]")})' in lines[2]
    )


def test_one_file_stands_for_one_photo(folder):
    """However its path is written; and the picture of the graticule is none of a flute."""
    (folder / "photos/A-50-1.jpg").touch()
    again = photo(folder, "A", 1, 50).replace("photos/A-50-1.jpg", "photos/../photos/A-000-1.jpg")
    text = TRIAL + again + photo(folder, "A", 2, 0).replace("A-0-2.jpg", "graticule.png")
    text = text.replace(
        "um_per_px = 3.487\nu_um_per_px = 0.004", 'graticule = "photos/graticule.png"\ndivision_um = 100'
    )
    second, graticule = mistakes(folder, text)
    first_line, line = line_of(text, "photos/A-000-1.jpg"), line_of(text, "photos/../photos")
    assert f"line {line}: photo.file is" in second
    assert f"already the file on line {first_line}; one picture shows one flute at one checkpoint" in second
    assert "photos/graticule.png" in graticule
    assert f"the graticule on line {line_of(text, 'graticule = ')}; name the photo of the flute" in graticule


def test_the_same_flute_in_another_view_is_no_second_photo(folder):
    text = TRIAL + photo(folder, "A", 1, 0).replace("relief", "profile")
    assert len(load(folder, text).photos) == 2


def test_a_used_side_may_name_the_end_of_the_new_state_polyline(folder):
    text = TRIAL.replace("parts = 0", "parts = 0\nedge_near = [[1, 2], [300, 4]]")
    text += photo(folder, "A", 1, 50) + 'used_side = "start"\n'
    assert load(folder, text).photos[1].used_side == "start"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "the file is empty"),
        (b" \n\n", "the file is empty"),
        ("[trial]\nname = 'größer'\n".encode("latin-1"), "line 2: not text in UTF-8; save the file as UTF-8"),
        (TRIAL.encode("utf-16"), "not text in UTF-8"),
        (TRIAL.encode("utf-16-le"), "line 1: not text in UTF-8; save the file as UTF-8"),
        (TRIAL.encode("utf-16-be"), "line 1: not text in UTF-8; save the file as UTF-8"),
        (
            TRIAL.replace("\n", "\r").encode(),
            "its lines end as those of a very old Mac; save the file with line ends",
        ),
        (b"\xff\xd8\xff\xe0 a photo", "not text in UTF-8"),
        (b"\xff\xd8\xff\xe0\x00\x10JFIF\x00", "not text, so no trial file; name the trial file itself"),
        (b"[trial]\nname = 'a\x00b'\n", "not TOML"),
    ],
)
def test_a_file_that_is_no_text_is_refused(tmp_path, content, says):
    path = tmp_path / "trial.toml"
    path.write_bytes(content)
    with pytest.raises(TrialError, match=re.escape(says)) as refusal:
        load_trial(path)
    assert str(path) in str(refusal.value)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("[" + ".".join("a" * 200) + "]", "More than 100 names joined by points"),
        (" . ".join("a" * 200) + " = 1", "More than 100 names joined by points"),
        ("x = {" + ".".join(["'a'"] * 200) + " = 1}", "More than 100 names joined by points"),
        ("x = " + "[" * 5000 + "]" * 5000, "Brackets too deep within brackets"),
        ("x = " + "{a=" * 5000 + "1" + "}" * 5000, "Brackets too deep within brackets"),
        ("x = " + "9" * 5000, "A number with too many digits"),
    ],
)
def test_what_would_take_all_memory_is_refused_in_words_of_the_file(folder, line, says):
    with pytest.raises(TrialError, match=rf"line 1: not TOML \({says}\).*; (close|leave|give)") as refusal:
        load(folder, f"{line}\n{TRIAL}")
    assert not re.search("recursion|sys|limit", str(refusal.value))


def test_keys_of_many_names_take_little_memory(folder):
    """Of 20,000 in one key each was kept as a table within all before it: gigabytes."""
    tracemalloc.start()
    try:
        with pytest.raises(TrialError):
            load(folder, f"[{'.'.join(['a'] * 20_000)}]\n{TRIAL}")
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()


def test_a_text_with_many_points_is_no_key(folder):
    remark = f'name = "Trial {"a.b. c" * 200}"'
    assert "a.b. c" in load(folder, re.sub(r'name = "[^"]*"', remark, TRIAL, count=1)).name


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("trail.toml", 'did you mean "trial.toml"?'),
        ("nowhere/trial.toml", "there is no folder"),
        ("photos", "the folder holds no trial.toml"),
        ("other.toml/trial.toml", "there is no folder"),
    ],
)
def test_a_trial_file_that_is_not_there_is_said(folder, name, says):
    load(folder, TRIAL)
    (folder / "other.toml").touch()
    with pytest.raises(TrialError, match=re.escape(says)):
        load_trial(folder / name)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_a_trial_file_that_may_not_be_read_is_said(folder):
    load(folder, TRIAL)
    (folder / "trial.toml").chmod(0)
    with pytest.raises(TrialError, match="cannot be read"):
        load_trial(folder / "trial.toml")


def test_a_trial_file_that_fails_to_read_is_said(folder, monkeypatch):
    def refuse(path: Path, most_bytes: int) -> bytes:
        raise PermissionError(13, "Permission denied")

    load(folder, TRIAL)
    monkeypatch.setattr(reading, "read_file", refuse)
    with pytest.raises(TrialError, match=r"trial\.toml: cannot be read \(Permission denied\)"):
        load_trial(folder / "trial.toml")


# --- Photos found by a pattern


def put(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()


def test_a_pattern_finds_what_a_list_would_say(folder):
    put(
        folder, *(f"photos/A/{parts}/flute{flute}.jpg" for parts in ("000", "20", "0100") for flute in (1, 2))
    )
    put(folder, "photos/A/000/._flute1.jpg", "photos/A/notes.txt", "photos/A/000/flute1.txt")
    trial = load(folder, PATTERN)
    assert [(p.bit, p.flute, p.parts, p.file) for p in trial.photos] == [
        ("A", 1, 0, "photos/A/000/flute1.jpg"),
        ("A", 1, 20, "photos/A/20/flute1.jpg"),
        ("A", 1, 100, "photos/A/0100/flute1.jpg"),
        ("A", 2, 0, "photos/A/000/flute2.jpg"),
        ("A", 2, 20, "photos/A/20/flute2.jpg"),
        ("A", 2, 100, "photos/A/0100/flute2.jpg"),
    ]
    head = TRIAL.split("[[photo]]")[0]
    for parts, name in [(0, "000"), (20, "20"), (100, "0100")]:
        for flute in (1, 2):
            head += PHOTO.format(bit="A", flute=flute, parts=parts).replace(
                f"photos/A-{parts}-{flute}", f"photos/A/{name}/flute{flute}"
            )
    assert load(folder, head).photos == trial.photos


def test_a_pattern_finds_the_files_a_camera_names_in_capitals(folder):
    put(folder, "photos/A/0/flute1.jpg", "photos/A/20/FLUTE1.JPG")
    assert [p.parts for p in load(folder, PATTERN).photos] == [0, 20]


def test_bit_names_may_hold_what_stands_between_the_placeholders(folder):
    second = "[[bit]]" + PATTERN.split("[photos]")[0].split("[[bit]]")[1].replace('"A"', '"A-1 [x]"')
    text = PATTERN.replace("[photos]", second + "\n[photos]").replace(
        "{bit}/{parts}/flute{flute}", "{bit}-{parts}-{flute}"
    )
    put(folder, "photos/A-000-1.jpg", "photos/A-1 [x]-000-2.jpg")
    assert [(p.bit, p.flute) for p in load(folder, text).photos] == [("A", 1), ("A-1 [x]", 2)]


@pytest.mark.parametrize("ending", ["jpeg", "JPG", "png", "TIF", "webp"])
def test_a_pattern_finds_any_usual_picture(folder, ending):
    put(folder, "photos/A/0/flute1.jpg", f"photos/A/20/flute1.{ending}", "photos/A/30/flute1.txt")
    assert [photo.parts for photo in load(folder, PATTERN).photos] == [0, 20]


def test_two_pictures_of_one_place_under_a_pattern(folder):
    put(folder, "photos/A/0/flute1.jpg", "photos/A/0/flute1.jpeg")
    assert "is a second one of bit" in only_mistake(folder, PATTERN)


def test_a_pattern_without_a_view_shows_the_usual_one(folder):
    put(folder, "photos/A/0/flute1.jpg")
    assert [photo.view for photo in load(folder, PATTERN.replace('view = "relief"\n', "")).photos] == [
        "relief"
    ]


def test_a_pattern_may_hold_the_view_and_repeat_a_placeholder(folder):
    put(folder, "photos/A/A-0-1-relief.png", "photos/A/A-0-1-profile.png")
    text = PATTERN.replace('view = "relief"\n', "view_tilt_deg = 2\n").replace(
        "{bit}/{parts}/flute{flute}.jpg", "{bit}/{bit}-{parts}-{flute}-{view}.png"
    )
    photos = load(folder, text).photos
    assert [(p.view, p.view_tilt_deg, p.given("u_view_tilt_deg")) for p in photos] == [
        ("profile", 2, False),
        ("relief", 2, False),
    ]
    put(folder, "photos/A/B-0-1-relief.png")
    assert "A/B-0-1-relief.png, whose name does not fit" in only_mistake(folder, text)


def test_a_pattern_may_lead_out_of_the_folder(tmp_path):
    put(tmp_path, "camera [1]/A/000/flute1.jpg")
    (tmp_path / "trial {x}").mkdir()
    for start in ("..", tmp_path.as_posix()):
        text = PATTERN.replace("photos/{bit}", f"{start}/camera [1]/{{bit}}")
        (photo,) = load(tmp_path / "trial {x}", text).photos
        assert photo.path == tmp_path.resolve() / "camera [1]/A/000/flute1.jpg"


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ([], ["fits no file in", "/photos;"]),
        (["photos/B/0/flute1.jpg"], ['photos/B/0/flute1.jpg, whose bit is "B"', "no [[bit]]"]),
        (["photos/a/0/flute1.jpg"], ['photos/a/0/flute1.jpg, whose bit is "a"', 'did you mean "A"?']),
        (["photos/A/0/flute3.jpg"], ["photos/A/0/flute3.jpg, whose flute is 3", "flutes 1 to 2"]),
        (["photos/A/0/flute0.jpg"], ["photos/A/0/flute0.jpg, whose flute is 0"]),
        (["photos/A/new/flute1.jpg"], ["photos/A/new/flute1.jpg, whose name does not fit", "whole numbers"]),
        (["photos/A/0/flute1 (copy).jpg"], ["flute1 (copy).jpg, whose name does not fit"]),
        (
            ["photos/A/00/flute1.jpg"],
            ["photos/A/00/flute1.jpg, whose file is a second one", "photos/A/0/flute1.jpg)"],
        ),
    ],
)
def test_files_that_do_not_fit_the_pattern_are_named(folder, files, says):
    put(folder, *files)
    if files:
        put(folder, "photos/A/0/flute1.jpg")
    line = only_mistake(folder, PATTERN)
    for part in [*says, f"line {line_of(PATTERN, 'pattern =')}:"]:
        assert part in line


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("/{parts}", "", "has no {parts}"),
        ("{parts}", "{part}", "has {part} and has no {parts}"),
        ("{parts}/", "{parts}", "fits no file"),
        ("flute{flute}", "flute", "has no {flute}"),
        ("flute{flute}", "flute{flute", "a brace without its partner"),
        ("/{parts}/flute{flute}", "/{parts}{flute}", "two placeholders with nothing between them"),
        ("flute{flute}", "{view}-{flute}", "has {view} although view is given"),
        ('"photos/{bit}/{parts}/flute{flute}.jpg"', r"'photos\{bit}\{parts}\{flute}.jpg'", "where / belongs"),
        (
            'scale = "bench"',
            'scale = "bank"',
            'photos.scale is "bank", the name of no [[scale]]; give a scale named "bench"',
        ),
        ("[photos]", "[[photos]]", "write [photos], once"),
        ("pattern =", "patern =", 'did you mean "pattern"?'),
        ('"photos/{bit}/{parts}/flute{flute}.jpg"', "3", "photos.pattern is 3"),
        ('view = "relief"', 'view = "side"', "photos.view"),
        ('view = "relief"', 'view = "relief"\nedge_near = [[1, 2], [3, 4]]', "belongs in [[photo]]"),
    ],
)
def test_a_wrong_pattern_is_said(folder, old, new, says):
    put(folder, "photos/A/0/flute1.jpg")
    line = only_mistake(folder, PATTERN.replace(old, new))
    assert says in line


# --- Photos listed beside a pattern


def own(**keys):
    return "\n[[photo]]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items())


def at(trial):
    return [(p.bit, p.flute, p.parts, p.file, p.used_side) for p in trial.photos]


EDGE = "[[10, 20], [90, 30]]"


@pytest.mark.parametrize(
    "named",
    [{"file": '"photos/A/20/flute1.jpg"'}, {"bit": '"A"', "flute": 1, "parts": 20}],
    ids=["by its file", "by its place"],
)
def test_a_photo_that_was_found_is_changed(folder, named):
    put(folder, "photos/A/0/flute1.jpg", "photos/A/20/flute1.jpg")
    trial = load(folder, PATTERN + own(**named, edge_near=EDGE, used_side='"end"'))
    assert at(trial) == [
        ("A", 1, 0, "photos/A/0/flute1.jpg", None),
        ("A", 1, 20, "photos/A/20/flute1.jpg", "end"),
    ]
    assert trial.photos[1].view_tilt_deg == 0


def test_what_the_pattern_says_of_all_holds_for_those_beside_it(folder):
    put(folder, "photos/A/0/flute1.jpg", "photos/A/20/flute1.jpg", "IMG_0417.jpg")
    text = PATTERN.replace('view = "relief"', 'view = "rake"\nview_tilt_deg = 3')
    text += own(bit='"A"', flute=1, parts=20, view_tilt_deg=5)
    text += own(bit='"A"', flute=2, parts=20, file='"IMG_0417.jpg"')
    photos = load(folder, text).photos
    assert [(p.parts, p.flute, p.view, p.view_tilt_deg) for p in photos] == [
        (0, 1, "rake", 3),
        (20, 1, "rake", 5),
        (20, 2, "rake", 3),
    ]


def test_another_file_takes_the_place_of_the_one_found(folder):
    put(folder, "photos/A/0/flute1.jpg", "photos/A/20/flute1.jpg", "again.jpg")
    trial = load(folder, PATTERN + own(bit='"A"', flute=1, parts=20, file='"again.jpg"'))
    assert [row[3] for row in at(trial)] == ["photos/A/0/flute1.jpg", "again.jpg"]


def test_a_file_under_a_wrong_name_goes_where_its_entry_says(folder):
    put(folder, "photos/A/0/flute1.jpg", "photos/A/20/flute1.jpg", "photos/A/new/flute2.jpg")
    text = PATTERN + own(bit='"A"', flute=2, parts=20, file='"photos/A/20/flute1.jpg"')
    text += own(bit='"A"', flute=2, parts=0, file='"photos/A/new/flute2.jpg"')
    assert at(load(folder, text)) == [
        ("A", 1, 0, "photos/A/0/flute1.jpg", None),
        ("A", 2, 0, "photos/A/new/flute2.jpg", None),
        ("A", 2, 20, "photos/A/20/flute1.jpg", None),
    ]


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"bit": '"A"', "flute": 1, "parts": 70}, "photo.file is missing"),
        ({"bit": '"A"', "flute": 3, "parts": 0}, "has flutes 1 to 2"),
        ({"file": '"photos/A/0/flute2.jpg"'}, "which is not there"),
    ],
)
def test_an_entry_beside_a_pattern_that_means_nothing_is_said_with_its_line(folder, keys, says):
    put(folder, "photos/A/0/flute1.jpg")
    text = PATTERN + own(**keys)
    lines = mistakes(folder, text)
    assert any(says in line for line in lines)
    assert all(int(re.search(r"line (\d+):", line)[1]) >= line_of(text, "[[photo]]") for line in lines)


def test_pictures_that_nothing_means_are_named(folder):
    (folder / "photos/graticule.png").rename(folder / "photos/ruled.png")
    (folder / "photos/A-000-1.jpg").unlink()
    put(folder, "photos/A/0/flute1.jpg", "photos/A/20/flut1.jpg", "photos/IMG_1.HEIC", "photos/pin.jpg")
    put(folder, "photos/.hidden.jpg", "photos/A/results/sheet.png", "photos/notes.txt")
    text = PATTERN.replace(
        "um_per_px = 3.487\nu_um_per_px = 0.004", 'graticule = "photos/ruled.png"\ndivision_um = 100'
    )
    trial = load(folder, text + "# the pin is photos/pin.jpg\n")
    assert trial.strays == ("photos/A/20/flut1.jpg", "photos/IMG_1.HEIC")
    assert stray_lines(trial)[0].startswith("photos/A/20/flut1.jpg, photos/IMG_1.HEIC: not in the trial")
    assert load(folder, TRIAL.replace("photos/A-000-1.jpg", "photos/A/0/flute1.jpg")).strays == ()


# --- Names that the disk spells otherwise


MUEHLE = "M\u00fchle", "Mu\u0308hle"  # Unicode Standard Annex 15: ü, and u with a combining diaeresis


@pytest.mark.parametrize("in_file", MUEHLE)
@pytest.mark.parametrize("on_disk", MUEHLE)
def test_decomposed_umlauts_are_the_same_name(folder, in_file, on_disk):
    put(folder, f"Tra\u0308ger/{on_disk}/0/flute1.jpg")
    text = PATTERN.replace('name = "A"', f'name = "{in_file}"').replace('"photos/', '"Tr\u00e4ger/')
    listed = TRIAL.replace('"A"', f'"{in_file}"').replace(
        "photos/A-000-1.jpg", f"Tr\u00e4ger/{in_file}/0/flute1.jpg"
    )
    for said in (text, listed):
        (photo,) = load(folder, said).photos
        assert (photo.bit, photo.parts, photo.path.is_file()) == (MUEHLE[0], 0, True)


def test_a_decomposed_pattern_finds_composed_names(folder):
    put(folder, "photos/Pru\u0308fung-A-0-1.jpg", "photos/Pr\u00fcfung-A-20-1.jpg")
    text = PATTERN.replace("{bit}/{parts}/flute{flute}", "Pr\u00fcfung-{bit}-{parts}-{flute}")
    trial = load(folder, text)
    assert [p.parts for p in trial.photos] == [0, 20]
    assert all(p.path.is_file() for p in trial.photos)


def test_a_sign_of_any_script_may_stand_before_a_placeholder(folder):
    put(folder, "photos/A/0/\u5200\u52031.jpg", "photos/A/20/\u5200\u52031.jpg")
    trial = load(folder, PATTERN.replace("flute{flute}", "\u5200\u5203{flute}"))
    assert [(p.parts, p.flute) for p in trial.photos] == [(0, 1), (20, 1)]


def test_a_large_trial_is_read(folder):
    text = TRIAL.replace("flutes = 2", "flutes = 4").split("[[photo]]")[0]
    text += "".join(photo(folder, "A", n % 4 + 1, n // 4) for n in range(2000))
    trial = load(folder, text)
    assert len(trial.photos) == len(trial.lines) == 2000
    lines = text.splitlines()
    assert all(lines[line - 1] == f'file = "{file}"' for file, line in trial.lines)


def test_bits_of_one_kind_are_alike(tmp_path):
    path = fake.write_trial(tmp_path, bits=("Wren 1", "Wren 2"))
    both = re.sub(r'(name = "Wren .")', r'\1\nkind = "Wren"', path.read_text())
    path.write_text(both)
    assert [(bit.name, bit.make) for bit in load_trial(path).bits] == [("Wren 1", "Wren"), ("Wren 2", "Wren")]
    path.write_text(both.replace('coating = "ZrN"', 'coating = "TiN"', 1))
    with pytest.raises(TrialError, match='is ZrN, but of the same kind, "Wren", there is one with TiN'):
        load_trial(path)
