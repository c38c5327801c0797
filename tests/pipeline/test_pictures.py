"""One picture at two places of a trial: no number is made of either, and the others are measured."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import fake_photos as fake
import numpy as np
import pytest
from pictures import CARD, TRIAL, Flute
from seldom import but_seldom, seldom

from wearscope.log.wear_log import WearLog
from wearscope.pipeline import pictures as pictures_module
from wearscope.pipeline.measured import measured as standing
from wearscope.pipeline.pictures import LIKENESSES_NAME, Likenesses, likenesses_in, look_again, look_at
from wearscope.pipeline.run import judge_trial, measure_trial
from wearscope.pipeline.scripting import measure
from wearscope.trial import load_trial

PLUGINS = Path(__file__).parents[2] / "plugins"

PHOTO = """
[[photo]]
bit = "Dunlin"
flute = {flute}
parts = {parts}
view = "relief"
file = "{file}"
scale = "bench"
"""

FLUTE = Flute(shape=(300, 640), background=CARD)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory):
    """Two flutes, new, half-way and at the end: by place, the bytes of an honest photo."""
    folder = tmp_path_factory.mktemp("pictures")
    found = {}
    for flute in (1, 2):
        new = replace(FLUTE, marks_seed=flute, seed=10 * flute)
        for parts, recession_um in ((0, 0.0), (50, 12.0), (100, 20.0)):
            shot = new if parts == 0 else new.worn(recession_um=recession_um, seed=10 * flute + parts)
            found[flute, parts] = shot.save(folder / f"{flute}-{parts}.png").read_bytes()
    return found


@pytest.fixture
def folder(tmp_path, pictures):
    text = TRIAL.format(um_per_px=3.5, u_um_per_px=0.002, wedge_angle_deg=60, coating="none")
    text = text.replace("flutes = 1", "flutes = 2")
    for (flute, parts), content in pictures.items():
        text += PHOTO.format(flute=flute, parts=parts, file=f"{flute}-{parts}.png")
        (tmp_path / f"{flute}-{parts}.png").write_bytes(content)
    (tmp_path / "trial.toml").write_text(text)
    return tmp_path


def copied(folder: Path, one: str, other: str) -> None:
    """Save the one again in place of the other."""
    picture = cv2.imread(str(folder / one))
    assert cv2.imwrite(str(folder / other), picture, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    assert (folder / one).read_bytes() != (folder / other).read_bytes()


def line_of(folder: Path, file: str) -> int:
    text = (folder / "trial.toml").read_text()
    return text[: text.index(f'file = "{file}"')].count("\n") + 1


class Calls:
    """The fake inspector, where every photo can be measured; it keeps count."""

    def __init__(self):
        self.files = []

    def __call__(self, trial, entry, scales):
        self.files.append(entry.file)
        # a photo that gave a number is measured again where it has no sheet, which the fake never draws
        rows = [fake.row(entry, "sharpness", "whole", 4.2 if entry.parts else None)]
        return fake.Inspection(entry, tuple(rows), photo_sha256=rows[0].photo_sha256)


def run(folder, **options):
    calls = Calls()
    result = measure_trial(load_trial(folder), folder, jobs=1, inspector=calls, **options)
    return calls.files, result


ALL = ["1-0.png", "1-50.png", "1-100.png", "2-0.png", "2-50.png", "2-100.png"]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        seldom("1-50.png", "1-100.png"),
        ("1-50.png", "2-50.png"),
        ("1-0.png", "1-100.png"),
        seldom("1-0.png", "2-0.png"),
    ],
)
def test_neither_is_measured_and_the_others_are(folder, one, other):
    copied(folder, one, other)
    files, result = run(folder)
    assert sorted(files) == sorted(set(ALL) - {one, other})
    refusals = {photo.entry.file: photo for photo in result.refusals}
    assert set(refusals) == {one, other}
    for this, that in ((one, other), (other, one)):
        said = refusals[this].refusal
        assert said.startswith(
            f"{this} (Dunlin, flute {this[0]}, {this[2:-4]} parts, line {line_of(folder, this)} of"
        )
        assert f"is the same picture as {that} (Dunlin, flute {that[0]}, {that[2:-4]} parts, " in said
        assert f"line {line_of(folder, that)} of trial.toml), so none is measured; " in said
        assert said.endswith("give each other one a photo of its own")
        assert refusals[this].refusal_code == "same-picture"
    with WearLog(result.wear_log) as log:
        kept = {(made.photo, made.refusal_code) for made in log.inspections(trial="Step edges")}
    assert {(one, "same-picture"), (other, "same-picture")} < kept
    verdicts = judge_trial(load_trial(folder), jobs=1, judge=fake_judge)
    assert {verdict.entry.file: verdict.refusal for verdict in verdicts if verdict.refusal} == {
        file: photo.refusal for file, photo in refusals.items()
    }


def fake_judge(trial, entry, scales):
    return fake.Judgement(entry, "fit", (), 4.2, 0.0, 0.8, "bright")


def test_an_honest_trial_is_measured_whole(folder):
    files, result = run(folder)
    assert sorted(files) == sorted(ALL)
    assert result.refusals == ()


def test_a_copy_of_a_measured_photo_takes_its_numbers_back(folder, pictures):
    """And they come back with the right photo, without a word to say."""
    run(folder)
    copied(folder, "1-50.png", "2-50.png")
    found = standing(load_trial(folder), folder)
    behind = {entry.file: each.changed for entry, each in found.standing.items() if each.state != "measured"}
    assert set(behind) == {"1-50.png", "2-50.png"}
    assert behind["1-50.png"] == ("same_picture_as",)
    assert "whether another place of the trial holds the same picture" in " ".join(found.behind)
    assert {row.photo for row in found.records} == set(ALL) - {"1-50.png", "2-50.png"}

    files, result = run(folder)
    assert files == []
    assert {row.photo for row in result.records} == set(ALL) - {"1-50.png", "2-50.png"}
    files, result = run(folder)
    assert files == []
    assert len(result.refusals) == 2
    assert standing(load_trial(folder), folder).behind == []

    (folder / "2-50.png").write_bytes(pictures[2, 50])
    files, result = run(folder)
    assert sorted(files) == ["1-50.png", "2-50.png"]
    assert {row.photo for row in result.records} == set(ALL)
    assert run(folder)[0] == []


def test_a_copy_that_leaves_the_trial_is_forgotten(folder):
    copied(folder, "1-50.png", "2-50.png")
    run(folder)
    text = (folder / "trial.toml").read_text()
    entry = PHOTO.format(flute=2, parts=50, file="2-50.png")
    (folder / "trial.toml").write_text(text.replace(entry, ""))
    files, result = run(folder)
    assert files == ["1-50.png"]
    assert result.refusals == ()


def test_a_later_photo_is_not_compared_with_a_copy(folder):
    """A new-state photo that may be another flute's is no new-state photo."""
    copied(folder, "1-0.png", "2-0.png")
    trial = load_trial(folder)
    (entry,) = [entry for entry in trial.photos if (entry.flute, entry.parts) == (1, 50)]
    result = measure(trial, entry, out_dir=folder)
    assert result.records
    assert any("the new-state photo cannot be used (1-0.png" in line for line in result.warnings)
    assert not any("new-state" in row.method for row in result.records)
    (new,) = [entry for entry in trial.photos if (entry.flute, entry.parts) == (1, 0)]
    assert measure(trial, new, out_dir=folder).refusal_code == "same-picture"


def test_the_graticule_is_no_flute(folder):
    (folder / "ruler.png").write_bytes((folder / "1-50.png").read_bytes())
    text = (folder / "trial.toml").read_text()
    text = text.replace("um_per_px = 3.5\nu_um_per_px = 0.002", 'graticule = "ruler.png"\ndivision_um = 100')
    (folder / "trial.toml").write_text(text)
    found = look_at(load_trial(folder))
    ((entry, others),) = found.also_at.items()
    assert (entry.file, others) == ("1-50.png", ("bench",))
    (problem,) = pictures_module.same_as_others(load_trial(folder), found).values()
    assert 'as ruler.png (the graticule of scale "bench")' in str(problem)
    assert str(problem).endswith("; name the photo of the flute")


def test_three_of_one_picture_are_named_together(folder):
    copied(folder, "1-50.png", "1-100.png")
    (folder / "2-100.png").write_bytes((folder / "1-50.png").read_bytes())
    trial = load_trial(folder)
    found = look_at(trial)
    assert {
        entry.file: sorted(other.file for other in others) for entry, others in found.also_at.items()
    } == {
        "1-50.png": ["1-100.png", "2-100.png"],
        "1-100.png": ["1-50.png", "2-100.png"],
        "2-100.png": ["1-100.png", "1-50.png"],
    }


def test_files_that_are_no_pictures_are_left_to_whoever_reads_them(folder):
    for file in ("1-50.png", "2-50.png"):
        (folder / file).write_text("no picture")
    assert look_at(load_trial(folder)).also_at == {}
    (folder / "1-50.png").unlink()
    found = look_at(replace_missing(load_trial, folder))
    assert found.also_at == {}


def replace_missing(load, folder):
    (folder / "1-50.png").write_text("x")
    trial = load(folder)
    (folder / "1-50.png").unlink()
    return trial


# --- What is kept for the next time


def test_each_file_is_read_once_and_decoded_once_ever(folder, monkeypatch):
    decoded, read = [], []
    real_photo, real_content = pictures_module.photo_of, pictures_module.content_of
    monkeypatch.setattr(
        pictures_module,
        "photo_of",
        lambda path, content: decoded.append(path.name) or real_photo(path, content),
    )
    monkeypatch.setattr(
        pictures_module, "content_of", lambda path: read.append(path.name) or real_content(path)
    )
    trial = load_trial(folder)
    (folder / "results").mkdir()
    look_again(trial, folder / "results", keep=True)
    assert sorted(decoded) == sorted(read) == sorted(ALL)
    look_again(trial, folder / "results", keep=True)
    assert len(decoded) == 6
    assert len(read) == 12
    copied(folder, "1-50.png", "2-50.png")
    assert len(look_again(trial, folder / "results", keep=False).also_at) == 2
    assert decoded[6:] == ["2-50.png"]


def test_what_is_kept_is_what_was_found(folder):
    copied(folder, "1-50.png", "2-50.png")
    trial, known = load_trial(folder), Likenesses()
    found = look_at(trial, known)
    (folder / "results").mkdir()
    pictures_module.keep_likenesses(folder / "results", known)
    kept = likenesses_in(folder / "results")
    told = [
        {c: (each.blocks.tobytes(), each.grain.tobytes(), each.shape) for c, each in of.by_sha256.items()}
        for of in (kept, known)
    ]
    assert told[0] == told[1]
    assert kept.same == known.same
    assert list(kept.same.values()) == [True]
    assert kept.first == known.first
    assert look_at(trial, kept).also_at == found.also_at


def test_the_same_pictures_are_not_compared_again(folder, monkeypatch):
    copied(folder, "1-50.png", "2-50.png")
    trial, results = load_trial(folder), folder / "results"
    results.mkdir()
    found, asked = look_again(trial, results, keep=True), []
    really = pictures_module.first_of_same
    monkeypatch.setattr(pictures_module, "first_of_same", lambda *of: asked.append(1) or really(*of))
    assert look_again(trial, results, keep=False).also_at == found.also_at
    assert asked == []
    copied(folder, "1-0.png", "2-0.png")
    assert len(look_again(trial, results, keep=False).also_at) == 4
    assert asked == [1]
    monkeypatch.setattr(pictures_module, "__version__", "another")
    look_again(trial, results, keep=False)
    assert asked == [1, 1], "what another version found is found anew"


def test_likenesses_are_unpacked_only_for_a_new_picture(folder, monkeypatch):
    trial, results = load_trial(folder), folder / "results"
    results.mkdir()
    found = look_again(trial, results, keep=True)
    asked, really = [], pictures_module._Packed.__getitem__
    monkeypatch.setattr(
        pictures_module._Packed, "__getitem__", lambda *of: asked.append(of[1]) or really(*of)
    )
    assert look_again(trial, results, keep=True).checksums == found.checksums
    assert asked == []
    copied(folder, "1-50.png", "2-50.png")
    assert len(look_again(trial, results, keep=True).also_at) == 2
    assert len(asked) == 5


@pytest.mark.parametrize("name", ["blocks", "grain", "shapes"])
def test_likenesses_that_cannot_be_unpacked_are_made_anew(folder, name):
    """They are found damaged only once a picture is new."""
    trial, results = load_trial(folder), folder / "results"
    results.mkdir()
    look_again(trial, results, keep=True)
    with np.load(results / LIKENESSES_NAME) as kept:
        arrays = dict(kept)
    np.savez_compressed(results / LIKENESSES_NAME, **arrays | {name: arrays[name][:-1]})
    copied(folder, "1-50.png", "2-50.png")
    assert len(look_again(trial, results, keep=True).also_at) == 2
    with np.load(results / LIKENESSES_NAME) as kept:
        assert len(kept[name]) == len(kept["sha256"]) == 6


@pytest.mark.parametrize("damage", but_seldom(2, ["cut off", "another form", "a byte", "words"]))
def test_a_damaged_file_is_made_anew(folder, damage):
    copied(folder, "1-50.png", "2-50.png")
    trial, results = load_trial(folder), folder / "results"
    results.mkdir()
    found = look_again(trial, results, keep=True)
    path = results / LIKENESSES_NAME
    content = bytearray(path.read_bytes())
    if damage == "cut off":
        path.write_bytes(content[: len(content) // 2])
    elif damage == "a byte":
        content[len(content) // 3] ^= 0x55
        path.write_bytes(content)
    elif damage == "words":
        path.write_text("words")
    else:
        np.savez(path, seen=np.zeros((2, 8, 8), np.uint8), sha256=["a", "b"], pairs=np.zeros((0, 2)), same=[])
    assert look_again(trial, results, keep=True).also_at == found.also_at
    assert len(likenesses_in(results).by_sha256) == 6


# --- At the bench, without a window


@pytest.fixture
def bench(monkeypatch):
    if not PLUGINS.is_dir():
        pytest.skip("not a checkout")
    monkeypatch.setattr(sys, "path", [*sys.path, str(PLUGINS)])


@pytest.mark.statistics
@pytest.mark.usefixtures("bench")
def test_the_bench_measures_neither(folder):
    from wearscope_napari.session import Session

    copied(folder, "1-50.png", "2-50.png")
    session = Session(load_trial(folder), folder, who="Ada")
    session.read_states()
    (entry,) = [entry for entry in session.trial.photos if entry.file == "2-50.png"]
    shown = session.measure(entry)
    assert shown.inspection.records == ()
    assert shown.inspection.refusal.startswith("2-50.png (Dunlin, flute 2, 50 parts, line ")
    assert shown.photo is not None, "it is shown all the same"
    assert shown.inspection.photo_sha256 == shown.photo.sha256
    assert session.queue()[0].state == "refused"
    cv2.imwrite(
        str(folder / "2-50.png"), (FLUTE.worn(marks_seed=2, seed=77).light()[..., ::-1] * 255).astype("u1")
    )
    again = session.measure(entry)
    assert again.inspection.refusal == ""


@pytest.mark.usefixtures("bench")
def test_a_new_picture_that_is_an_old_one_is_not_filed(folder, tmp_path):
    from wearscope.live.filing import Place, judge

    trial = load_trial(folder)
    picture = tmp_path / "IMG_7.png"
    picture.write_bytes((folder / "1-50.png").read_bytes())
    verdict = judge(trial, picture, Place("Dunlin", 1, 150, "relief", "bench"), {})
    assert not verdict.fit
    assert "IMG_7.png (Dunlin, flute 1, 150 parts) is the same picture as 1-50.png" in verdict.lines[0]
