"""What a doubtful edge does to the rows that rest on it, and to what is said of the photo."""

from __future__ import annotations

import numpy as np
import pytest
import skimage.data
from pictures import Flute, measured, rows, save_light, write_trial

from wearscope.imaging import edge_verdict
from wearscope.imaging.edge_verdict import FoundEdge
from wearscope.pipeline import sources
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
    ("disputed", "code"), [("100.png", "edge-disputed"), ("000.png", "new-state-edge-doubtful")]
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


@pytest.mark.parametrize("name", ["coffee", "astronaut", "chelsea", "camera", "rocket"])
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
