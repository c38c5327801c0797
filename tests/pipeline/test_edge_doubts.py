"""What a doubtful edge does to the rows that rest on it, and to what is said of the photo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import skimage.data
from pictures import Flute, measured, rows, save_light, write_trial
from seldom import but_seldom, seldom

from wearscope.imaging import edge_verdict
from wearscope.imaging.edge_verdict import FoundEdge
from wearscope.pipeline import face_view, sources
from wearscope.pipeline.inspect import judge_photo
from wearscope.pipeline.sources import read_scales
from wearscope.quantities.reasons import reason, reasons_in

NEW = Flute()
WORN = NEW.worn()


@pytest.fixture
def pair(tmp_path):
    return write_trial(tmp_path, {0: NEW.save(tmp_path / "000.png"), 100: WORN.save(tmp_path / "100.png")})


def doubting(monkeypatch, name):
    """Have the edge of one photo disputed."""

    def edge_line(prepared, *how):
        found = truly(prepared, *how)
        doubts = (reason("edge-disputed"),) if prepared.photo.path.name == name else ()
        return FoundEdge(found.line, doubts)

    truly = sources.edge_line
    monkeypatch.setattr(sources, "edge_line", edge_line)


@pytest.mark.parametrize(
    ("disputed", "code"), [("100.png", "edge-disputed"), seldom("000.png", "new-state-edge-doubtful")]
)
def test_no_row_of_a_doubtful_edge_is_ok(pair, monkeypatch, disputed, code):
    sure = rows(measured(pair, 100))
    assert sure["coating_loss", "used"].status == "ok"
    doubting(monkeypatch, disputed)
    found = rows(measured(pair, 100))
    assert {row.status for row in found.values()} <= {"doubtful", "refused"}
    loss = found["coating_loss", "used"]
    assert reasons_in(loss.reasons)[0].code == code
    assert loss.value == sure["coating_loss", "used"].value


def test_check_says_so(pair, monkeypatch):
    doubting(monkeypatch, "100.png")
    (entry,) = [photo for photo in pair.photos if photo.parts == 100]
    judged = judge_photo(pair, entry, read_scales(pair)[0])
    assert judged.verdict == "doubtful"
    assert "another line" in judged.remarks[0]


def worn_only(folder, flute, **entry):
    """Records of the flute's later photo beside that of its new state."""
    photos = {0: replace(NEW, shape=flute.shape, um_per_px=flute.um_per_px).save(folder / "000.png")}
    photos[100] = flute.save(folder / "100.png")
    trial = write_trial(folder, photos, um_per_px=flute.um_per_px, more={100: toml(**entry)})
    return rows(measured(trial, 100))


def toml(**entry):
    return "\n".join(f"{key} = {value}" for key, value in entry.items())


def codes(row):
    return [each.code for each in reasons_in(row.reasons)]


@pytest.mark.parametrize(
    ("um_per_px", "shape", "off_px", "doubtful"),
    [
        (3.5, (420, 900), 20.0, False),
        (3.5, (420, 900), 32.0, True),
        seldom(3.5, (420, 900), -60.0, True),
        seldom(1.3, (700, 1900), 20.0, False),
        seldom(1.3, (700, 1900), 32.0, True),
        seldom(1.3, (700, 1900), -70.0, True),
    ],
)
def test_an_edge_beside_the_points_that_were_marked_is_doubtful(tmp_path, um_per_px, shape, off_px, doubtful):
    # a photo finer than need be is looked at in blocks of its pixels, and spoken of in its own
    flute = replace(WORN, um_per_px=um_per_px, shape=shape)
    points = [flute.at_px(s_um, off_px * um_per_px).tolist() for s_um in (-900.0, 900.0)]
    found = worn_only(tmp_path, flute, edge_near=points)
    beside = {reasons_in(row.reasons)[0] for row in found.values() if "edge-beside-marks" in codes(row)}
    if not doubtful:
        assert not beside
        assert found["transition_x_px", "whole"].status == "ok"
    else:
        # all rows rest on the edge
        assert {row.status for row in found.values()} <= {"doubtful", "refused"}
        (said,) = beside
        assert dict(said.values)["off_px"] == pytest.approx(abs(off_px), abs=4.0)


@pytest.mark.parametrize(
    ("inside_um", "marked", "doubtful"),
    [seldom(25.0, False, False), (35.0, False, True), seldom(35.0, True, False)],
)
def test_an_edge_traced_inside_of_the_outermost_line_in_focus_is_doubtful(
    tmp_path, monkeypatch, inside_um, marked, doubtful
):
    best_land = face_view.best_land
    monkeypatch.setattr(face_view, "best_land", lambda *seen: replace(best_land(*seen), inside_um=inside_um))
    points = [WORN.at_px(s_um).tolist() for s_um in (-900.0, 900.0)]
    found = worn_only(tmp_path, WORN, **({"edge_near": points} if marked else {}))
    said = {row.status for row in found.values() if "edge-disputed" in codes(row)}
    assert said == ({"doubtful"} if doubtful else set())
    assert (found["transition_x_px", "whole"].status == "doubtful") is doubtful


@pytest.mark.parametrize(
    ("recession_um", "used_side", "leaps"),
    [(100.0, 1, False), (140.0, 1, True), seldom(200.0, -1, True), seldom(-140.0, 1, False)],
)
def test_a_line_that_leaps_by_more_than_an_edge_wears_is_doubtful(tmp_path, recession_um, used_side, leaps):
    # an edge is given up at a radius of 40 um, common practice, no source: at 60 degrees it has moved back by
    # 40 (1 / sin 30 - 1) = 40 um along the bisector, by less square to a face
    flute = NEW.worn(recession_um=recession_um, setback_um=60.0, used_side=used_side)
    found = worn_only(tmp_path, flute)
    place = found["transition_x_px", "whole"]
    said = [each for row in found.values() for each in reasons_in(row.reasons) if each.code == "edge-leaps"]
    assert bool(said) is leaps
    if leaps:
        assert place.value is not None
        assert {row.status for row in found.values()} <= {"doubtful", "refused"}
        assert dict(said[0].values)["moved_um"] == pytest.approx(recession_um, rel=0.05)


@pytest.mark.parametrize("name", but_seldom(1, ["coffee", "camera", "astronaut", "chelsea", "rocket"]))
def test_pictures_of_other_things_have_no_number_that_is_ok(tmp_path, name):
    """Pictures that come with scikit-image, declared new; one of them gave a radius of 10.1 ± 2.1 µm, `ok`."""
    codes = getattr(skimage.data, name)()
    codes = codes if codes.ndim == 3 else np.repeat(codes[..., None], 3, axis=2)
    save_light(np.power(codes / 255.0, 2.2), tmp_path / "000.png")
    inspection = measured(write_trial(tmp_path, {0: tmp_path / "000.png"}, coating="none"), 0)
    assert inspection.refusal or not [row for row in inspection.records if row.status == "ok"]


def test_limits_stand_in_order():
    """A line that the net alone is believed in must be plainer than what counts as a tool at all."""
    assert edge_verdict.NO_TOOL_EDGE < edge_verdict.TOOL_EDGE_SEEN
