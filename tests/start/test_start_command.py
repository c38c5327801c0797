"""wearscope start, as one types it: from a camera's folder to a trial file."""

from __future__ import annotations

import tomllib
from datetime import datetime, timedelta

import pytest
from PIL import Image

from wearscope.cli import starting
from wearscope.samples import sample_trial_folder
from wearscope.start.scaling import ring_of_folder, scale_of_folder
from wearscope.start.seen import Seen
from wearscope.start.series import marks_of as real_marks
from wearscope.start.taken import DATE_TIME_ORIGINAL, EXIF_IFD
from wearscope.trial import load_trial

SAMPLES = sample_trial_folder() / "photos"
ANSWERS = """
name = 'Drawers, "birch"'
division_um = 100
pin_diameter_mm = 1.5
bits = ["Wren", "Plover"]
parts = [0, 150]
coatings = ["none", "TiN"]
prices = [9.5, 24]
currency = "EUR"
edge_radius_um = 40
wedge_angles_deg = [60, 57]
"""
IN_ORDER = ["graticule", "pin", *(f"{bit}-{n}-{flute}" for bit in ("wren", "plover") for flute in (1, 2) for n in ("000", "150"))]  # fmt: skip


def as_a_camera_gives_them(folder, names):
    """Sample photos under a camera's names, each taken a minute after the one before."""
    folder.mkdir()
    for number, name in enumerate(names, start=12):
        exif = Image.Exif()
        when = datetime(2026, 3, 2, 9) + timedelta(minutes=number)
        exif.get_ifd(EXIF_IFD)[DATE_TIME_ORIGINAL] = when.strftime("%Y:%m:%d %H:%M:%S")
        block = exif.tobytes()
        jpeg = (SAMPLES / f"{name}.jpg").read_bytes()
        head = (
            b"\xff\xe1" + (len(block) + 2).to_bytes(2, "big") + block
        )  # an APP1 segment after SOI: EXIF 2.32, 4.5
        (folder / f"DSC_{number:04d}.JPG").write_bytes(jpeg[:2] + head + jpeg[2:])
    return folder


@pytest.fixture(scope="session")
def camera(tmp_path_factory):
    return as_a_camera_gives_them(tmp_path_factory.mktemp("camera") / "DCIM", IN_ORDER)


@pytest.fixture
def folder(camera, tmp_path, monkeypatch):
    """A camera's folder of its own; what its pictures show is taken from the names, to be quick."""
    copy = tmp_path / "DCIM"
    copy.mkdir()
    for path in camera.iterdir():
        (copy / path.name).write_bytes(path.read_bytes())
    (tmp_path / "answers.toml").write_text(ANSWERS, encoding="utf-8")
    kinds = {f"DSC_{number:04d}": name for number, name in enumerate(IN_ORDER, start=12)}

    def look(root, paths, progress=None):
        from wearscope.start.taken import taken

        shown = [kinds[path.stem] for path in paths]
        kind = [name if name in ("graticule", "pin") else "edge" for name in shown]
        return tuple(
            Seen(path.relative_to(root).as_posix(), path, taken(path), k, n_lines=54, pitch_px=29.26)
            for path, k in zip(paths, kind, strict=True)
        )

    def marks(pictures, scale):
        flute = [kinds[one.path.stem].split("-")[::2] for one in pictures]
        return lambda one, other: "same" if flute[one] == flute[other] else "other"

    monkeypatch.setattr("wearscope.start.seen.look", look)
    monkeypatch.setattr("wearscope.start.series.marks_of", marks)
    monkeypatch.setattr("wearscope.start.scaling.scale_of_folder", lambda *of: once(scale_of_folder, *of))
    monkeypatch.setattr("wearscope.start.scaling.ring_of_folder", lambda *of: once(ring_of_folder, *of))
    return copy


MEASURED = {}


def once(measure, *of):
    """Graticule and pin are the same in every copy of the folder."""
    if measure not in MEASURED:
        MEASURED[measure] = measure(*of)
    return MEASURED[measure]


def places(folder):
    return {(one.file, one.bit, one.flute, one.parts) for one in load_trial(folder).photos}


TRUTH = {
    (f"DSC_{number:04d}.JPG", name.split("-")[0].capitalize(), int(name[-1]), int(name.split("-")[1]))
    for number, name in enumerate(IN_ORDER, start=12)
    if "-" in name
}


def test_from_a_cameras_folder_to_a_trial_file(run, folder):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    code, out, err = run("start", folder, "--answers", folder.parent / "answers.toml")
    assert code == 0
    assert "Next: wearscope measure" in err
    assert "DSC_0014.JPG  Wren, flute 1, new" in out
    trial = load_trial(folder)
    assert places(folder) == TRUTH
    assert trial.name == 'Drawers, "birch"'
    assert [(bit.name, bit.price, bit.coating, bit.wedge_angle_deg) for bit in trial.bits] == [
        ("Wren", 9.5, "none", 60),
        ("Plover", 24, "TiN", 57),
    ]
    assert trial.scales[0].graticule == "DSC_0012.JPG"
    # truth.json of the sample photos: lamps 50° above the face, so 40° from the line of sight
    assert trial.scales[0].ring_angle_deg == pytest.approx(40, abs=2)
    assert trial.life.edge_radius_um == 40
    after = {path.name: path.read_bytes() for path in folder.iterdir()}
    text = after.pop("trial.toml").decode()
    assert after == before, "no picture is changed or renamed"
    remarks = [line for line in text.splitlines() if line.startswith("# ") and " = " in line]
    assert len(remarks) > 8, "what was not said stands there to be filled in"


def test_what_is_commented_out_is_a_trial_file_too(run, folder):
    """Each suggested line holds when its # is taken away."""
    run("start", folder, "--answers", folder.parent / "answers.toml")
    path = folder / "trial.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    document = tomllib.loads("\n".join(lines))
    opened = [line[2:] if line.startswith("# ") and " = " in line.split("#")[1] else line for line in lines]
    (path).write_text("\n".join(opened), encoding="utf-8")
    trial = load_trial(path)
    assert trial.workpiece == "15 mm birch plywood"
    assert {bit.max_rpm for bit in trial.bits} == {24000}
    assert tomllib.loads(path.read_text(encoding="utf-8")) != document


def test_a_trial_file_that_is_there_stays(run, folder):
    (folder / "trial.toml").write_text("mine")
    code, _, err = run("start", folder, "--answers", folder.parent / "answers.toml")
    assert code == 2
    assert "is there already and stays as it is" in err
    assert (folder / "trial.toml").read_text() == "mine"


def test_answers_that_are_missing_leave_nothing_behind(run, folder):
    (folder.parent / "answers.toml").write_text("division_um = 100\n")
    code, out, err = run("start", folder, "--answers", folder.parent / "answers.toml")
    assert (code, out) == (2, "")
    assert [line.split(" is missing")[0].split()[-1] for line in err.splitlines()] == [
        "bits",
        "parts",
        "coatings",
    ]
    assert not (folder / "trial.toml").exists()


def test_without_a_terminal_it_says_what_to_give(run, folder):
    code, _, err = run("start", folder)
    assert code == 2
    assert "give --answers FILE" in err


def test_asked_in_a_terminal(run, folder, monkeypatch):
    answers = iter(["Drawers", "wide", "100", "1,5", "Wren, Plover", "0 150", "none", "TiN", "9,50", "24", "EUR", "", "", "40", ""])  # fmt: skip
    asked = []

    def prompt(text, default="", **_):
        asked.append(text)
        return next(answers) or default

    monkeypatch.setattr(starting, "_has_terminal", lambda: True)
    monkeypatch.setattr(starting.typer, "prompt", prompt)
    monkeypatch.setattr(starting.typer, "confirm", lambda text, default, **_: default)
    code, _, err = run("start", folder)
    assert code == 0
    assert '"wide" will not do; give the graticule' in err
    assert places(folder) == TRUTH
    trial = load_trial(folder)
    assert [bit.price for bit in trial.bits] == [9.5, 24]
    assert not trial.bits[0].given("wedge_angle_deg")
    assert len(asked) < 16
    assert not any("flutes has" in text or "order" in text.split("?")[0].split()[2:4] for text in asked)


def test_nothing_is_renamed_without_a_yes(run, folder):
    code, out, err = run("start", folder, "--answers", folder.parent / "answers.toml", "--rename")
    assert code == 0
    assert "DSC_0014.JPG  ->  Wren-0000-1.jpg" in out
    assert "Nothing was renamed" in err
    assert places(folder) == TRUTH


def test_renamed_and_taken_back(run, folder):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    code, _, err = run("start", folder, "--answers", folder.parent / "answers.toml", "--rename", "--yes")
    assert code == 0
    assert "--undo-rename" in err
    names = {path.name for path in folder.iterdir()}
    assert {"graticule.jpg", "pin.jpg", "Wren-0150-2.jpg", "renamed.csv", "trial.toml"} <= names
    trial = load_trial(folder)
    assert len(trial.photos) == 8
    assert 'pattern = "{bit}-{parts}-{flute}.jpg"' in (folder / "trial.toml").read_text()
    for one in trial.photos:
        was = next(file for file, *place in TRUTH if tuple(place) == (one.bit, one.flute, one.parts))
        assert one.path.read_bytes() == before[was]
    assert run("start", folder, "--undo-rename")[0] == 0
    after = {path.name: path.read_bytes() for path in folder.iterdir()}
    after.pop("trial.toml")
    assert after == before
    code, _, err = run("start", folder, "--undo-rename")
    assert code == 2
    assert "there is no list of a renaming" in err


@pytest.mark.parametrize("spoilt", ["changed", "gone", "taken"])
def test_nothing_is_taken_back_where_a_picture_has_changed_or_a_name_is_taken(run, folder, spoilt):
    run("start", folder, "--answers", folder.parent / "answers.toml", "--rename", "--yes")
    photo = folder / "Plover-0150-1.jpg"
    if spoilt == "gone":
        photo.unlink()
    elif spoilt == "changed":
        photo.write_bytes(b"another")
    else:
        (folder / "DSC_0019.JPG").write_bytes(b"another")
    names = {path.name for path in folder.iterdir()}
    code, _, err = run("start", folder, "--undo-rename")
    assert code == 2
    assert "Plover-0150-1.jpg" in err
    assert {path.name for path in folder.iterdir()} == names


def test_a_name_that_is_taken_renames_nothing(run, folder):
    (folder / "Wren-0000-1.jpg").mkdir()
    code, _, err = run("start", folder, "--answers", folder.parent / "answers.toml", "--rename", "--yes")
    assert code == 2
    assert "would become Wren-0000-1.jpg, and there is one" in err
    assert not (folder / "renamed.csv").exists()
    assert (folder / "DSC_0014.JPG").is_file()


def test_a_folder_without_pictures(run, tmp_path):
    code, _, err = run("start", tmp_path, "--answers", "any.toml")
    assert code != 0
    assert "there is no picture in it; copy the photos from the camera into it" in err


@pytest.mark.statistics
def test_fifteen_camera_files_as_they_are(run, tmp_path):
    """Nothing stands in for looking: a graticule, a pin, twelve flutes and a picture that belongs elsewhere."""
    bits, parts = ("wren", "plover", "heron"), ("000", "300")
    names = ["graticule", "pin", *(f"{bit}-{n}-{flute}" for bit in bits for flute in (1, 2) for n in parts)]
    folder = as_a_camera_gives_them(tmp_path / "DCIM", names)
    Image.effect_noise((400, 300), 60).convert("RGB").save(folder / "DSC_0026.JPG")
    said = ANSWERS.replace('"Plover"]', '"Plover", "Heron"]').replace("150", "300")
    said = said.replace('"TiN"]', '"TiN", "VN"]').replace("24]", "24, 46]").replace("57]", "57, 55]")
    (tmp_path / "answers.toml").write_text(said)
    assert real_marks.__module__ == "wearscope.start.series"
    assert run("start", folder, "--answers", tmp_path / "answers.toml")[0] == 0
    truth = {
        (f"DSC_{number:04d}.JPG", name.split("-")[0].capitalize(), int(name[-1]), int(name.split("-")[1]))
        for number, name in enumerate(names, start=12)
        if "-" in name
    }
    assert places(folder) == truth


def in_a_terminal(monkeypatch, answers):
    """Answer what is asked in a terminal; the list of questions as they come."""
    left, asked = iter(answers), []

    def prompt(text, default="", **_):
        asked.append(text)
        return next(left) or default

    monkeypatch.setattr(starting, "_has_terminal", lambda: True)
    monkeypatch.setattr(starting.typer, "prompt", prompt)
    monkeypatch.setattr(starting.typer, "confirm", lambda text, default, **_: default)
    return asked


def test_a_bit_without_its_last_checkpoint_is_asked_about(run, folder, monkeypatch):
    """Beside a recording and a text, which are named and left alone."""
    for number in (19, 21):
        (folder / f"DSC_{number:04d}.JPG").unlink()
    (folder / "CLIP0003.MP4").write_bytes(b"\0" * 9)
    (folder / "notes.txt").write_text("hello")
    usual = ["Drawers", "100", "", "Wren, Plover", "0 150", "none", "", "", "", "", "", "", "40"]
    asked = in_a_terminal(monkeypatch, [*usual, "2", "", "", "0"])
    code, _, err = run("start", folder)
    assert code == 0
    assert "CLIP0003.MP4 and notes.txt" in err
    assert "wearscope frames" in err
    assert places(folder) == {one for one in TRUTH if one[0] not in ("DSC_0019.JPG", "DSC_0021.JPG")}
    assert "How many parts had Plover cut at each of its checkpoints?" in asked[-1]
    assert len(asked) == 17


def test_a_photo_that_was_not_taken_is_asked_about(run, folder, monkeypatch):
    (folder / "DSC_0019.JPG").unlink()
    usual = ["Drawers", "100", "", "Wren, Plover", "0 150", "none", "", "", "", "", "", "", "40"]
    asked = in_a_terminal(monkeypatch, [*usual, "2", "", "", "", "Plover, 1, 150"])
    assert run("start", folder)[0] == 0
    assert places(folder) == {one for one in TRUTH if one[0] != "DSC_0019.JPG"}
    assert "Which photos were not taken?" in asked[-1]


def test_a_picture_too_many_is_asked_about(run, folder, monkeypatch):
    said = (folder / "DSC_0021.JPG").read_bytes()
    (folder / "DSC_0022.JPG").write_bytes(said)
    kinds = {f"DSC_{number:04d}": name for number, name in enumerate([*IN_ORDER, "plover-150-2"], start=12)}

    def look(root, paths, progress=None):
        from wearscope.start.taken import taken

        return tuple(
            Seen(
                path.name,
                path,
                taken(path),
                "edge" if "-" in kinds[path.stem] else kinds[path.stem],
                54,
                29.26,
            )
            for path in paths
        )

    def marks(pictures, scales):
        flute = [kinds[one.path.stem].split("-")[::2] for one in pictures]
        return lambda one, other: "same" if flute[one] == flute[other] else "other"

    monkeypatch.setattr("wearscope.start.seen.look", look)
    monkeypatch.setattr("wearscope.start.series.marks_of", marks)
    usual = ["Drawers", "100", "", "Wren, Plover", "0 150", "none", "", "", "", "", "", "", "40"]
    asked = in_a_terminal(monkeypatch, [*usual, "2", "", "", "", "DSC_0022.JPG"])
    code, out, _ = run("start", folder)
    assert code == 0
    assert "Which pictures do not belong?" in asked[-1]
    assert "left out: as you say" in out
    assert places(folder) == TRUTH


@pytest.mark.statistics
def test_two_zooms_mixed_endings_and_a_missing_checkpoint_as_they_are(run, tmp_path, monkeypatch):
    """Nothing stands in for looking; the second zoom is the sample photos enlarged 1.25 times and cut to size.

    So one of its pixels is 3.418 / 1.25 µm by the renderer's truth. Answering takes the person who photographed them
    23 questions of 370 words and 76 typed signs: at 200 words and 120 signs a minute and 3 s to think of each, below
    4 minutes (rates: common practice, no source).
    """
    parts = ("000", "150", "300")
    names = ["graticule", "pin", *(f"wren-{n}-{flute}" for n in parts for flute in (1, 2))]
    names += [f"heron-{n}-{flute}" for n in parts[::2] for flute in (1, 2)]
    folder = as_a_camera_gives_them(tmp_path / "DCIM", names)
    closer = ["graticule", *(f"plover-{n}-{flute}" for n in parts[:2] for flute in (1, 2))]
    for number, name in enumerate(closer, start=12 + len(names)):
        photo = Image.open(SAMPLES / f"{name}.jpg")
        wide, high = photo.size
        large = photo.resize((wide * 5 // 4, high * 5 // 4), Image.Resampling.LANCZOS)
        cut = large.crop((wide // 8, high // 8, wide // 8 + wide, high // 8 + high))
        cut.save(folder / f"DSC_{number:04d}.{'png' if number % 2 else 'jpeg'}", quality=95)
    (folder / "DSC_0016 (1).JPG").write_bytes((folder / "DSC_0016.JPG").read_bytes())
    (folder / "CLIP0003.MP4").write_bytes(b"\0" * 9)
    answers = ["Drawers", "100", "", "1,5", "Wren, Heron, Plover", "0 150 300", "none", "VN", "TiN", "9,50", "46", "24", "EUR", "", "", "", "40", "2", "", "", "", "0 300", "0 150"]  # fmt: skip
    asked = in_a_terminal(monkeypatch, answers)
    code, out, _ = run("start", folder)
    assert code == 0
    assert len(asked) == 23
    assert sum(len(text.split()) for text in asked) < 400
    assert "DSC_0016 (1).JPG  left out: the same file as DSC_0016.JPG" in out
    assert "Zoom 2: One pixel is 2.734 microns" in out
    trial = load_trial(folder)
    truth = {
        (number, name.split("-")[0].capitalize(), int(name[-1]), int(name.split("-")[1]))
        for number, name in enumerate([*names, *closer], start=12)
        if "-" in name
    }
    assert {(int(one.file[4:8]), one.bit, one.flute, one.parts) for one in trial.photos} == truth
    assert {one.bit for one in trial.photos if one.scale == "zoom 2"} == {"Plover"}
    assert {one.bit for one in trial.photos if one.scale == "zoom 1"} == {"Wren", "Heron"}
    assert trial.scale("zoom 1").ring_angle_deg == pytest.approx(40, abs=2)  # truth.json of the sample photos
    assert trial.scale("zoom 2").ring_angle_deg is None
