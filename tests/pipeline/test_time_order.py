"""Photos in the wrong order are named, and no number of theirs is ok; those in the right order are left alone.

The truth is what was done to the photos: the files of two of them exchanged.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import fake_photos as fake
import numpy as np
import pytest
from measured import light_fit
from measured import measured as measured_strip_of
from pictures import write_trial
from reference_pairs import SHIPPED, pairs_in
from seldom import but_seldom, seldom

from wearscope.light.strip import UNUSED, USED, Strip
from wearscope.pipeline.face_order import own_step
from wearscope.pipeline.judgement import Judgement, OwnStep
from wearscope.pipeline.measured import measured as standing
from wearscope.pipeline.run import judge_trial, measure_trial
from wearscope.pipeline.sources import Memory, Sources, read_scales
from wearscope.pipeline.time_order import in_time, judged_in_time
from wearscope.quantities.reasons import reason, reasons_in
from wearscope.report.reason_words import note_of
from wearscope.report.time_words import time_lines
from wearscope.wear.recession import rounding_findings

SAMPLE = Path(__file__).parents[2] / "sample_images"
CUT_PX = 760, 420

# --- Rows that contradict each other


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    return fake.a_trial(tmp_path_factory.mktemp("trial"), bits=("A",), parts=(0, 40, 120))


def recession(trial, parts, value, u=1.0, flute=1, **changed):
    (entry,) = [photo for photo in trial.photos if (photo.parts, photo.flute) == (parts, flute)]
    changed = {"std_uncertainty": u, "detection_limit": 2.0} | changed
    return fake.row(entry, "edge_recession", "difference", value, **changed)


@pytest.mark.parametrize(
    ("before", "now", "contradict"),
    [
        ((20.0, 1.0), (15.7, 1.0), True),  # by 4.3, 3 times 1.414 is 4.24
        ((20.0, 1.0), (15.8, 1.0), False),
        ((20.0, 1.0), (25.0, 1.0), False),
        ((20.0, 3.0), (10.0, 1.0), True),  # by 10, 3 times 3.16 is 9.49
        ((20.0, 3.0), (11.0, 1.0), False),
        ((20.0, 1.0), (10.0, 4.0), False),
    ],
)
def test_wear_does_not_heal(trial, before, now, contradict):
    given = [recession(trial, 40, *before), recession(trial, 120, *now)]
    found = in_time(given)
    assert [row.status for row in found] == ["doubtful" if contradict else "ok"] * 2
    if not contradict:
        assert found == tuple(given)
        return
    first, last = ((reasons_in(row.reasons)[0], row.note) for row in found)
    values = {"quantity": "edge_recession", "unit": "um", "before": before[0], "now": now[0]}
    assert (first[0].code, dict(first[0].values)) == ("more-wear-than-later", {"parts": 120} | values)
    assert (last[0].code, dict(last[0].values)) == ("less-wear-than-before", {"parts": 40} | values)
    assert f"edge recession is {now[0]:.3g} um here and was {before[0]:.3g} um after 40 parts" in last[1]
    assert "look whether the files of these two photos are exchanged" in first[1]


def test_less_than_a_photo_can_show_is_no_contradiction(trial):
    given = [recession(trial, 40, 6.0, 0.1), recession(trial, 120, 3.0, 0.1)]
    assert [row.status for row in in_time(given)] == ["doubtful"] * 2
    assert in_time([given[0], replace(given[1], detection_limit=3.1)])[1].status == "ok"
    assert in_time([replace(given[0], detection_limit=3.1), given[1]])[1].status == "ok"


def test_all_numbers_of_wear_of_both_photos_are_doubtful_and_of_no_other(trial):
    pair = [recession(trial, 40, 30.0), recession(trial, 120, 10.0)]
    other = replace(recession(trial, 120, 1.0, flute=2), status="below_detection")
    entry = next(photo for photo in trial.photos if (photo.parts, photo.flute) == (120, 1))
    beside = [
        fake.row(entry, "sharpness", "whole", 4.2),
        fake.row(entry, "coating_loss", "used", 0.4, unit="1"),
        fake.row(entry, "edge_radius", "used", None, note="glare"),
        recession(trial, 40, 30.0, flute=2, view="rake"),
    ]
    found = in_time([*pair, other, *beside])
    assert [row.status for row in found] == ["doubtful"] * 2 + [
        "below_detection",
        "ok",
        "doubtful",
        "refused",
        "ok",
    ]
    assert found[5].note == "glare"


def test_a_doubtful_number_contradicts_nothing(trial):
    given = [recession(trial, 40, 30.0, status="doubtful"), recession(trial, 120, 10.0)]
    assert in_time(given) == tuple(given)


def test_a_radius_below_that_of_the_new_edge(trial):
    """The new-state photo has an unused edge alone: what a used one begins with."""
    new, later = (next(p for p in trial.photos if (p.parts, p.flute) == (parts, 1)) for parts in (0, 120))
    radius = {"std_uncertainty": 1.0, "detection_limit": 3.0}
    given = [
        fake.row(new, "edge_radius", "unused", 31.0, **radius),
        fake.row(later, "edge_radius", "used", 9.0, **radius),
    ]
    assert [row.status for row in in_time(given)] == ["doubtful"] * 2
    assert in_time([given[0], replace(given[1], value=33.0)])[0].status == "ok"


def test_a_photo_is_named_once(trial):
    given = [recession(trial, 40, 30.0), recession(trial, 120, 10.0)]
    assert time_lines(given) == []
    (line,) = time_lines([*in_time(given), *in_time(given)])
    assert line.startswith(
        "photos/A-120-1.jpg (A, flute 1, 120 parts, against photos/A-40-1.jpg): edge recession is 10"
    )


def test_steps_of_photos_that_were_only_judged(trial):
    def judged(*steps):
        entries = [photo for photo in trial.photos if photo.flute == 1]
        return judged_in_time(
            {
                entry: Judgement(entry, "fit", ("dark",), 4.0, 0.0, 0.5, "dark", step)
                for entry, step in zip(entries, steps, strict=True)
            }
        )

    right = judged(None, OwnStep(20.0, 1.0), OwnStep(40.0, 1.0)).values()
    assert [(each.verdict, each.remarks) for each in right] == [("fit", ("dark",))] * 3
    new, earlier, later = judged(None, OwnStep(40.0, 1.0), OwnStep(20.0, 1.0)).values()
    assert (new.verdict, earlier.verdict, later.verdict) == ("fit", "doubtful", "doubtful")
    assert "step in the edge line is 20 um here and was 40 um after 40 parts" in later.remarks[0]
    # one that shows no step may show another place
    assert [each.verdict for each in judged(None, OwnStep(40.0, 1.0), None).values()] == ["fit"] * 3
    assert [e.verdict for e in judged(None, OwnStep(40.0, 6.0), OwnStep(20.0, 6.0)).values()] == ["fit"] * 3


# --- Photos


def located(trial, entry):
    scales, _ = read_scales(trial)
    return Sources(scales, {}, Memory()).located(entry)


@pytest.mark.parametrize("pair", but_seldom(2, pairs_in(SHIPPED)), ids=lambda pair: pair.name)
def test_a_worn_flute_shows_it_by_itself_and_a_new_one_does_not(pair, tmp_path):
    """Path-traced pairs, whose truth says by how much the edge has moved."""
    paths = {parts: pair.photo(state) for parts, state in ((0, "new"), (100, "worn"))}
    coating = pair.truth["coating"] if pair.coated else "none"
    trial = write_trial(tmp_path, paths, um_per_px=pair.truth["new"]["um_per_px"], coating=coating)
    new, worn = (own_step(located(trial, entry), coated=pair.coated) for entry in trial.photos)
    assert new is None
    if pair.truth["worn"]["recession_um"] > 7.0:
        assert worn is not None
        assert worn.step_um > 3.0 * worn.u_step_um or pair.cluttered
    if not pair.worn:
        assert worn is None


def standing_out(out_um):
    """The row of recession where the silhouette of the used zone lies outside the new-state line by so much."""
    s_um, d_um = np.arange(0.0, 3000.0, 5.0), np.arange(-60.0, 240.0, 5.0)
    strip = Strip(np.full((d_um.size, s_um.size, 3), 0.4, np.float32), s_um, d_um, 5.0)
    labels = np.where(s_um < 1200.0, USED, np.where(s_um > 1800.0, UNUSED, 0)).astype(np.int8)
    used = light_fit(silhouette_um=-out_um, radius_um=5.0)
    unused = light_fit("unused", radius_um=5.0)
    strip = measured_strip_of(strip, labels, np.where(s_um < 1500.0, -out_um, 0.0), used=used, unused=unused)
    (row,) = (row for row in rounding_findings(strip, "light-fit") if row.quantity == "edge_recession")
    return row


def test_an_edge_that_stands_out_is_doubtful():
    """Wear only takes away: 20 um outside the new-state line is no wear, and not "none seen" either."""
    row = standing_out(20.0)
    assert (row.status, row.value) == ("doubtful", pytest.approx(-20.0))
    assert row.reasons[0] == reason("edge-stands-out", out_um=20.0)
    assert "the edge stands 20 um farther out than when new" in note_of(row.reasons)


@pytest.mark.parametrize(("times_u", "doubtful"), [(0.5, False), (2.3, False), (2.7, True), (3.1, True)])
def test_an_edge_stands_out_from_where_chance_does_not_explain_it(times_u, doubtful):
    """Below the detection limit already: farther out than 2.5 u a Gaussian lies once in 160 times."""
    # both silhouettes are uncertain by 0.5 um, the new-state line by 0.8 um
    out_um = times_u * np.sqrt(0.5**2 + 0.5**2 + 0.8**2)
    row = standing_out(out_um)
    assert out_um < row.detection_limit
    assert row.status == ("doubtful" if doubtful else "below_detection")
    assert row.reasons == ((reason("edge-stands-out", out_um=out_um),) if doubtful else ())


def sample(folder, *exchanged):
    """One flute of the sample trial, cut to what lies around its transition, two checkpoints' files exchanged."""
    truth = json.loads((SAMPLE / "truth.json").read_text())
    paths = {}
    for parts in (0, 150, 300):
        name = f"photos/wren-{parts:03}-1.jpg"
        left, top = (
            round(at - 0.5 * side)
            for at, side in zip(truth["photos"][name]["transition_px"], CUT_PX, strict=True)
        )
        cut = cv2.imread(str(SAMPLE / name))[top : top + CUT_PX[1], left : left + CUT_PX[0]]
        paths[parts] = folder / f"wren-{parts:03}-1.png"
        cv2.imwrite(str(paths[parts]), cut)
    if exchanged:
        one, other = exchanged
        paths[one], paths[other] = paths[other], paths[one]
    return write_trial(folder, paths, um_per_px=truth["graticule"]["um_per_px"], coating="none")


def of_wear(records):
    return [
        row
        for row in records
        if row.quantity in ("edge_recession", "edge_radius", "chip_depth_max", "wear_land")
    ]


@pytest.mark.parametrize(
    ("exchanged", "codes", "n_doubtful"),
    [
        seldom((), set(), 0),
        seldom((0, 300), {"new-state-shows-wear"}, 3),
        ((150, 300), {"less-wear-than-before", "more-wear-than-later"}, 2),
    ],
)
def test_exchanged_files(tmp_path, exchanged, codes, n_doubtful):
    trial = sample(tmp_path, *exchanged)
    verdicts = judge_trial(trial, jobs=1)
    assert sum(verdict.judgement.verdict == "doubtful" for verdict in verdicts) >= min(n_doubtful, 2)
    assert bool(exchanged) or all(verdict.judgement.verdict == "fit" for verdict in verdicts)

    result = measure_trial(trial, tmp_path, jobs=1)
    found = {why.code for row in result.records for why in reasons_in(row.reasons)}
    order = {"new-state-shows-wear", "less-wear-than-before", "more-wear-than-later", "edge-stands-out"}
    assert found & order == codes
    rows = of_wear(result.records)
    sure = {row.photo for row in rows if row.status in ("ok", "below_detection")}
    assert len({row.photo for row in rows} - sure) == n_doubtful
    assert len(sure) == 3 - n_doubtful
    assert {row.photo: row for photo in result.photos for row in photo.records}.keys() == {
        row.photo for row in result.records
    }
    assert sorted(result.records, key=str) == sorted(
        (row for photo in result.photos for row in photo.records), key=str
    )
    lines = time_lines(result.records)
    assert len(lines) == (1 if exchanged else 0)
    assert not exchanged or all(f"wren-{max(exchanged)}-1.png" in line for line in lines)
    if 150 in exchanged:  # the same again
        assert measure_trial(trial, tmp_path, jobs=1).records == result.records
    # and to whoever decides
    assert standing(trial, tmp_path).records == result.records
