"""From the rows of a wear log to the verdict."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial

import decided
import fake_photos as fake
import numpy as np
import pytest
from decided import TRUTH, named, rows_of
from seldom import seldom

from wearscope.economics.decision import outcome_of
from wearscope.economics.due import when_due
from wearscope.errors import WearscopeError
from wearscope.quantities.reasons import reason
from wearscope.report.cost_bars import draw_costs
from wearscope.report.curves import draw_curves
from wearscope.report.decision_files import outcome_document
from wearscope.report.decision_words import bit_sentences, remarks, trial_sentences, verdict_text, why_no_life


@pytest.fixture(scope="module")
def trial():
    return decided.sample_trial()


@pytest.fixture(scope="module")
def outcome(trial):
    return outcome_of(trial, rows_of(trial))


# For words, choices and equal outcomes, which do not hang on how many draws there are
in_short = partial(outcome_of, n_draws=500, solve=decided.remembered)


@pytest.fixture(scope="module")
def outcome_in_short():
    return decided.outcome_in_short()


def limited(trial, **life):
    return trial.model_copy(update={"life": type(trial.life)(**life)})


def alone(trial, name, **life):
    """One bit of the trial; nothing is asked of the others."""
    return limited(trial, **life).model_copy(update={"bits": (trial.bit(name),)})


# --- The sample trial


def true_life(quantity, bit, limit):
    """Parts at which the worst flute reaches the limit, on straight lines through its truth at 0, 150 and 300."""
    lives = []
    for flute in (1, 2):
        worn = [photo[quantity] for photo in TRUTH.values() if (photo["bit"], photo["flute"]) == (bit, flute)]
        for i in (0, 1):
            if worn[i] < limit <= worn[i + 1] or i == 1:
                lives.append(150 * (i + (limit - worn[i]) / (worn[i + 1] - worn[i])))
                break
    return min(lives)


def test_the_sample_trials_lives_are_the_true_ones(outcome):
    wren, plover, heron = (named(outcome, name) for name in ("Wren", "Plover", "Heron"))
    assert wren.life.low95 < true_life("r_used_um", "Wren", 40) < wren.life.high95
    assert plover.life.low95 < true_life("coating_loss_100um_used", "Plover", 0.8) < plover.life.high95
    assert heron.at_least < true_life("r_used_um", "Heron", 40)
    assert heron.life.high95 is None
    assert heron.horizon == 600
    assert plover.ended_by["coating_loss"] > 5 * plover.ended_by["edge_radius"]


def test_verdict_first_and_in_plain_words(outcome):
    # Wren is worn out after 275 parts; Heron must last 3.3 times as long to be as cheap, and a straight line says 3.7,
    # but wear may quicken, and bits for one job seldom differ by so much: neither is sure
    assert re.match(
        r"Wren is probably the cheapest per part, with \d+ % chance: [\d.]+ to [\d.]+ c against at most [\d.]+ c \(Heron\)",
        verdict_text(outcome),
    )
    assert 0.5 < named(outcome, "Wren").chance < 0.8
    assert sum(bit.chance for bit in outcome.bits) == pytest.approx(1)
    assert named(outcome, "Plover").chance < 0.1
    said = " ".join(trial_sentences(outcome))
    assert "Heron would cost as little per part as Wren if it lasted " in said
    # Plover is sure of hardly more than the 300 parts that it has cut, Heron of about one step more
    assert outcome.next_checkpoint.bits == ("Heron",)
    assert 400 < outcome.next_checkpoint.parts <= 450
    assert f"photograph after {outcome.next_checkpoint.parts:.0f} parts is worth " in said
    assert 0 < outcome.next_checkpoint.money_per_1000_parts < outcome.wrong_choice_per_1000_parts
    assert outcome.next_checkpoint.money_per_year == pytest.approx(
        12 * outcome.next_checkpoint.money_per_1000_parts
    )


def test_cost_is_money_over_life(outcome):
    wren = named(outcome, "Wren")
    assert wren.use.money == pytest.approx(9.5 + 5 / 60 * 45)
    # ends of a range are draws, and of so many the one or the next: which, hangs on how their number is rounded
    lives = np.unique(wren.next_draws)
    at = np.searchsorted(lives, wren.next_life.high95)
    assert wren.cost.low95 in [pytest.approx(wren.use.money / life, rel=1e-9) for life in lives[at : at + 2]]
    assert named(outcome, "Heron").cost.low95 is None  # it would need a life beyond the horizon
    for pair in outcome.break_even:
        bit = named(outcome, pair.bit)
        assert bit.use.per_part(np.array(pair.life_parts)) == pytest.approx(np.median(wren.cost_draws))


def test_the_same_rows_give_the_same_outcome_and_bits_do_not_touch_each_other(trial, outcome_in_short):
    rows = rows_of(trial)
    assert outcome_document(outcome_of(trial, rows, n_draws=500)) == outcome_document(outcome_in_short)
    without = trial.model_copy(update={"bits": trial.bits[1:]})
    assert named(in_short(without, rows), "Heron").life == named(outcome_in_short, "Heron").life


def test_told_in_minutes_and_metres(trial, outcome_in_short):
    told = in_short(trial, rows_of(trial), "minutes")
    assert named(told, "Wren").life == named(outcome_in_short, "Wren").life
    parts, minutes = (
        float(re.search(r"lasts (\d+) ", bit_sentences(named(one, "Wren"), one)[0])[1])
        for one in (outcome_in_short, told)
    )
    assert minutes == pytest.approx(2.0 * parts, rel=0.05)
    silent = trial.model_copy(update={"cut_length_m_per_part": None, "program": None, "program_path": None})
    with pytest.raises(WearscopeError, match=r"no trial\.cut_length_m_per_part; give it"):
        outcome_of(silent, rows_of(trial), "metres")


def test_metres_are_those_of_the_program(trial, tmp_path):
    by_hand = tmp_path / "line.nc"
    by_hand.write_text("G21 G90 G0 X0 Y0 Z0\nG1 X1500 F3600\n")
    programmed = trial.model_copy(update={"program_path": by_hand})
    assert programmed.cut_length_m_per_part == 2.4
    assert in_short(programmed, rows_of(trial), "metres").axis.factor == pytest.approx(1.5)
    own = trial.bits[0].model_copy(update={"program_path": by_hand})
    with pytest.raises(WearscopeError, match="different lengths per part; leave out --over metres"):
        in_short(trial.model_copy(update={"bits": (own, *trial.bits[1:])}), rows_of(trial), "metres")


def test_a_limit_that_is_not_sure_is_the_same_for_all_bits(trial):
    """Two bits of one price, the second wearing a tenth slower: wherever the limit lies, the second lasts longer."""
    photo = next(photo for photo in trial.photos if (photo.bit, photo.flute) == ("Wren", 1) and photo.parts)
    # looked at often, so that there is little doubt of when the limit was passed
    entries = [photo.model_copy(update={"parts": parts}) for parts in range(30, 301, 30)]
    wren = trial.bits[0].model_copy(update={"flutes": 1, "r_unused_um": 6.0, "u_r_unused_um": 0.01})
    other = wren.model_copy(update={"name": "Wagtail"})
    rows = [
        fake.row(entry, "edge_radius", "used", 6 + rate * entry.parts, "um", std_uncertainty=0.1, low95=0.0, high95=90.0)
        for rate, bit in ((0.1, "Wren"), (0.09, "Wagtail"))
        for entry in [entry.model_copy(update={"bit": bit}) for entry in entries]
    ]  # fmt: skip
    two = limited(trial, edge_radius_um=34.0, u_edge_radius_um=3.0, bit_to_bit=0.01).model_copy(
        update={"bits": (wren, other)}
    )
    found = outcome_of(two, rows)
    assert named(found, "Wagtail").chance > 0.95
    assert named(found, "Wagtail").life.high95 / named(found, "Wagtail").life.low95 > 1.3


# --- What the rows are worth


def after_300(trial, status):
    """Wear of Wren and Heron alike, 12 µm half way; then 60 µm on both flutes of Wren, or no number."""
    two = limited(trial, edge_radius_um=40).model_copy(update={"bits": (trial.bits[0], trial.bits[2])})
    rows = []
    for entry in two.photos:
        if entry.parts and entry.bit != "Plover":
            worn = entry.bit == "Wren" and entry.parts == 300
            value = 60.0 if worn else 6 + entry.parts / 25
            if worn and status == "refused":
                continue
            said = {"status": status if worn else "ok", "std_uncertainty": 2.0}
            rows.append(fake.row(entry, "edge_radius", "used", value, **said))
    return in_short(two, rows)


@pytest.fixture(scope="module")
def by_status(trial):
    return {status: after_300(trial, status) for status in ("ok", "doubtful", "refused")}


def test_a_doubtful_row_says_that_a_bit_is_worn(by_status):
    sure, doubtful, refused = (named(by_status[status], "Wren") for status in ("ok", "doubtful", "refused"))
    assert sure.life.high95 < 300
    assert doubtful.life.median < 300
    assert doubtful.life.high95 is None or doubtful.life.high95 > sure.life.high95
    assert refused.life.median is None or refused.life.median > 300
    assert any(
        "2 doubtful rows are of the edge radius, and count less; read their notes." in x
        for x in remarks(doubtful)
    )


def test_a_checkpoint_without_a_number_is_said(by_status):
    refused = named(by_status["refused"], "Wren")
    assert refused.evidence[0].missing == (300,)
    assert any(x.startswith("Not every photo after 300 parts gave the edge radius") for x in remarks(refused))
    assert named(by_status["ok"], "Wren").evidence[0].missing == ()


def test_nobody_is_asked_to_photograph_a_bit_after_it_is_to_be_changed(trial):
    nearer = limited(trial, edge_radius_um=32)  # Heron may reach it within one step of 150 parts more
    outcome = in_short(nearer, rows_of(trial))
    due = {one.bit: one for one in when_due(nearer, outcome)}
    checkpoint = outcome.next_checkpoint
    assert checkpoint.bits == ("Heron",)
    assert not due["Heron"].now
    assert 300 < checkpoint.parts == due["Heron"].change_at < 440


def test_the_ranking_is_told_without_a_limit_that_some_bits_cannot_reach(trial, outcome_in_short):
    alike = outcome_in_short.by_limits_of_all
    assert alike.left_out == ("coating_loss",)
    alone = in_short(limited(trial, edge_radius_um=40), rows_of(trial))
    assert (alike.first, alike.chance) == (alone.verdict.ranked[0], named(alone, alike.first).chance)
    assert alone.by_limits_of_all is None  # every bit can reach it
    (said,) = [line for line in trial_sentences(outcome_in_short) if line.startswith("Without the limit of")]
    assert re.match(r"Without the limit of coating loss, which not all bits can reach, ", said)


# --- Chips and breaks


def with_chips(trial, depth_um, status="ok", quantity="chip_depth_max", **more):
    """The sample's rows, and on Wren's first flute a chip after 300 parts where there was none after 150."""
    rows = rows_of(trial)
    zone = "used" if quantity == "chip_depth_max" else "difference"
    for entry in trial.photos:
        if (entry.bit, entry.flute) == ("Wren", 1) and entry.parts:
            rows.append(fake.row(entry, "chip_depth_max", "used", 0.0, std_uncertainty=1.0))
        if (entry.bit, entry.flute, entry.parts) == ("Wren", 1, 300):
            rows[-1] = fake.row(entry, quantity, zone, depth_um, std_uncertainty=3.0, status=status, **more)
    return rows


def test_a_chip_deeper_than_the_limit_is_the_end(trial, outcome_in_short):
    wren = named(outcome_of(alone(trial, "Wren", edge_radius_um=200), with_chips(trial, 90.0)), "Wren")
    assert 150 < wren.life.low95 < wren.life.high95 < 300
    assert wren.life.median == pytest.approx(225, rel=0.03)  # at any time between the two looks
    assert wren.ended_by["chip_depth_max"] > 0.95
    assert any(
        "has a chip of 90 µm after 300 parts: at 50 µm" in x for x in bit_sentences(wren, outcome_in_short)
    )
    off = in_short(
        alone(trial, "Wren", edge_radius_um=200, chip_depth_max_um=5000.0), with_chips(trial, 90.0)
    )
    shallow = in_short(alone(trial, "Wren", edge_radius_um=200), with_chips(trial, 20.0))
    for found in (off, shallow):
        assert named(found, "Wren").endings == ()
        assert named(found, "Wren").life.median is None


def test_a_doubtful_chip_or_break_counts_half(trial):
    to_200 = alone(trial, "Wren", edge_radius_um=200)
    for rows in (
        with_chips(trial, 90.0, "doubtful"),
        with_chips(trial, 90.0, "doubtful", "edge_recession", reasons="no-lamp-mirrored"),
    ):
        found = outcome_of(to_200, rows)
        wren = named(found, "Wren")
        assert np.mean(wren.life_draws < 300) == pytest.approx(0.5, abs=0.05)
        assert any("look at it" in x for x in bit_sentences(wren, found))
    bright = with_chips(trial, 90.0, "doubtful", "edge_recession", reasons="edge-bent")
    assert named(in_short(to_200, bright), "Wren").endings == ()


def test_a_chip_tells_of_the_end_without_any_curve(trial):
    rows = [row for row in with_chips(trial, 90.0) if row.bit != "Wren" or row.quantity != "edge_radius"]
    wren = named(outcome_of(alone(trial, "Wren", edge_radius_um=40), rows), "Wren")
    assert wren.why_not is None
    assert 150 < wren.life.low95 < wren.life.high95 < 300


def test_rows_below_detection_count_with_their_uncertainty(trial):
    rows = rows_of(trial)
    said = [
        replace(row, status="below_detection") if row.bit == "Heron" and row.zone == "used" else row
        for row in rows
    ]
    heron = trial.model_copy(update={"bits": (trial.bit("Heron"),)})
    assert named(in_short(heron, said), "Heron").life == named(in_short(heron, rows), "Heron").life
    without = [row for row in said if row.status == "ok"]
    assert named(in_short(heron, without), "Heron").life is None


def test_a_flute_without_a_photo_is_spoken_of(trial):
    rows = [row for row in rows_of(trial) if (row.bit, row.flute) != ("Wren", 2)]
    one = trial.model_copy(update={"bits": trial.bits[:1]})
    wren = named(outcome_of(one, rows), "Wren")
    assert any("of flute 2 is not measured" in remark for remark in remarks(wren))
    whole = named(outcome_of(one, rows_of(trial)), "Wren")
    assert wren.life.low95 < whole.life.low95 - 10


def test_each_face_loses_its_own_coating(trial):
    """The rake face twice as fast: the bit is worn out when that one is, as if the other had not been looked at."""
    relief = [row for row in rows_of(trial) if row.bit == "Heron" and row.quantity == "coating_loss"]
    rake = [
        replace(row, view="rake", value=2 * row.value, low95=2 * row.low95, high95=2 * row.high95)
        for row in relief
    ]
    heron = alone(trial, "Heron", coating_loss=0.4)
    both, rake_only = (named(outcome_of(heron, rows), "Heron") for rows in (relief + rake, rake))
    assert both.curves[0].scatter < 0.05  # faces that differ are no scatter, as 0.2 beside 0.4 would be
    assert both.life.median == pytest.approx(rake_only.life.median, rel=0.05)
    assert not any("not measured" in remark for remark in remarks(both))


def test_the_order_of_the_log_does_not_matter(trial, outcome_in_short):
    shuffled = [rows_of(trial)[i] for i in np.random.default_rng(5).permutation(len(rows_of(trial)))]
    found = in_short(trial, shuffled)
    assert found.verdict == outcome_in_short.verdict
    assert outcome_document(found)["next_checkpoint"] == outcome_document(outcome_in_short)["next_checkpoint"]


def test_a_new_edge_in_profile_says_where_its_radius_starts(trial):
    rows = [row for row in rows_of(trial) if row.bit == "Heron" and row.quantity == "edge_radius"]
    rows = [
        replace(row, view="profile", zone="whole") for row in rows if row.zone == "used" or row.parts == 0
    ]
    worn = [row for row in rows if row.parts]
    unknown = tuple(bit.model_copy(update={"r_unused_um": None}) for bit in trial.bits)
    to_40 = limited(trial, edge_radius_um=40).model_copy(update={"bits": unknown})
    with_new, without = (outcome_of(to_40, some) for some in (rows, worn))
    spans = [band[0].high95[0] - band[0].low95[0] for band in ([c.worst for c in named(o, "Heron").curves] for o in (with_new, without))]  # fmt: skip
    assert spans[0] < 0.8 * spans[1]


# --- When nothing can be said


@pytest.mark.parametrize(
    ("life", "rows", "says"),
    [
        ({}, lambda row: True, ["no limit is stated", "[life]"]),
        (
            {"edge_radius_um": 40},
            lambda row: not row.parts,
            ["no edge radius was measured", "wearscope measure"],
        ),
        ({"edge_radius_um": 40, "wear_land_um": 100}, lambda row: True, ["no wear land, mean was measured"]),
        ({"edge_radius_um": 4}, lambda row: True, ["radius when new is", "raise edge_radius_um"]),
    ],
)
def test_what_is_missing_is_named_with_the_cure(trial, life, rows, says):
    found = in_short(limited(trial, **life), [row for row in rows_of(trial) if rows(row)])
    assert verdict_text(found).startswith("Nothing can be said")
    assert found.verdict.choice == "nothing-known"
    assert found.next_checkpoint is None
    for bit in found.bits:
        assert bit.life is None
        for part in says:
            assert part in why_no_life(bit.why_not)


def test_an_uncoated_bit_is_not_ended_by_its_coating(trial):
    found = in_short(limited(trial, coating_loss=0.8), rows_of(trial))
    wren = named(found, "Wren")
    assert wren.why_not == reason("no-coating-to-end-its-life")
    assert "no coating" in why_no_life(wren.why_not)
    assert (wren.not_faced, named(found, "Plover").not_faced) == (("coating_loss",), ())
    assert [curve.quantity for curve in wren.curves] == ["edge_radius"]  # followed all the same
    assert verdict_text(found).endswith("Nothing can be said yet of Wren.")
    assert named(found, "Plover").chance is not None


def test_refused_rows_lead_back_to_their_notes(trial):
    rows = [
        replace(row, status="refused", value=None, std_uncertainty=None, low95=None, high95=None) for row in rows_of(trial)
    ]  # fmt: skip
    assert "refused); do what the notes" in why_no_life(named(in_short(trial, rows), "Wren").why_not)


def test_bits_that_lack_the_same_are_named_together(trial):
    found = in_short(limited(trial), rows_of(trial))
    (sentence,) = trial_sentences(found)
    assert sentence.startswith("Wren, Plover and Heron: no limit is stated; say in [life]")
    assert draw_curves(found) is not None  # the wear so far can be drawn all the same


def test_a_single_bit_is_not_ranked(trial):
    alone = trial.model_copy(update={"bits": trial.bits[:1]})
    found = in_short(alone, rows_of(trial))
    assert re.fullmatch(r"Wren costs [\d.]+ to [\d.]+ c per part\.", verdict_text(found))
    assert named(found, "Wren").chance is None


@pytest.mark.parametrize("ratio", [seldom(1.2), 3.0, seldom(5.0)])
def test_where_no_wear_is_seen_the_price_list_does_not_decide(trial, ratio):
    """Two bits that wear by less than can be seen: the cheaper one has no photograph that speaks for it."""
    wren = trial.bits[0].model_copy(update={"r_unused_um": 6.0, "u_r_unused_um": 1.0})
    dear = wren.model_copy(update={"name": "Wagtail", "price": ratio * wren.price})
    two = limited(trial, edge_radius_um=40).model_copy(
        update={"bits": (wren, dear), "cost": type(trial.cost)()}
    )
    entries = [photo for photo in trial.photos if photo.bit == "Wren" and photo.parts]
    rows = [
        fake.row(entry.model_copy(update={"bit": name}), "edge_radius", "used", 6.3, std_uncertainty=1.0)
        for entry in entries
        for name in ("Wren", "Wagtail")
    ]
    found = outcome_of(two, rows)
    assert found.verdict.choice == "not-shown"
    assert [bit.chance for bit in found.bits] == [None, None]
    assert "the prices say more of it than the photographs; photograph again after 450 parts" in verdict_text(
        found
    )


# --- Kinds


def two_of_a_kind(trial, parts_of_life, **life):
    """Wren 1 and Wren 2, each on a straight line to its own life, measured well."""
    bits = tuple(
        trial.bits[0].model_copy(
            update={
                "name": f"Wren {i + 1}",
                "kind": "Wren",
                "flutes": 1,
                "r_unused_um": 6.0,
                "u_r_unused_um": 0.1,
            }
        )
        for i in range(len(parts_of_life))
    )
    entries = [photo for photo in trial.photos if (photo.bit, photo.flute) == ("Wren", 1) and photo.parts]
    rows = [
        fake.row(
            entry.model_copy(update={"bit": bit.name}), "edge_radius", "used", 6 + 34 * entry.parts / end, std_uncertainty=0.2
        )
        for bit, end in zip(bits, parts_of_life, strict=True)
        for entry in entries
    ]  # fmt: skip
    return outcome_of(limited(trial, edge_radius_um=40, **life).model_copy(update={"bits": bits}), rows)


def spread(draws):
    low, high = np.quantile(np.log(draws), [0.16, 0.84])
    return (high - low) / 2


def test_the_next_bit_of_a_kind_scatters_as_stated_where_one_was_tried(trial):
    # the one that was tried differs from its kind, and so does the next: √2 · 0.2
    for stated in (0.1, 0.2):
        (wren,) = two_of_a_kind(trial, (280.0,), bit_to_bit=stated).bits
        assert spread(wren.next_draws) == pytest.approx(np.sqrt(2) * stated, rel=0.12)
        assert np.mean(wren.next_draws >= wren.change_at) == pytest.approx(0.95, abs=0.003)


def test_scatter_is_estimated_where_more_were_tried(trial):
    alike, apart = two_of_a_kind(trial, (270.0, 280.0, 290.0)), two_of_a_kind(trial, (160.0, 230.0, 290.0))
    assert [bit.n_tried for bit in alike.bits] == [3, 3, 3]
    assert spread(alike.bits[0].next_draws) < 0.2 < spread(apart.bits[0].next_draws)
    assert alike.verdict.silent == ()
    assert alike.verdict.ranked == ("Wren",)
    assert len({bit.change_at for bit in apart.bits}) == 1
    assert "The next Wren you buy lasts " in " ".join(bit_sentences(alike.bits[0], alike))


def test_bits_without_a_price_have_a_life_and_no_cost(trial):
    free = [bit.model_copy(update={"price": 0.0, "regrinds": 0, "regrind_price": 0.0, "resale": 0.0}) for bit in trial.bits]  # fmt: skip
    unpriced = trial.model_copy(update={"bits": tuple(free), "cost": type(trial.cost)()})
    found = in_short(unpriced, rows_of(trial))
    assert "no bit costs anything to use up by the trial file; give its price" in verdict_text(found)
    wren = named(found, "Wren")
    assert wren.life is not None
    assert (wren.cost, wren.chance, found.next_checkpoint, found.wrong_choice_per_1000_parts) == (None,) * 4
    assert any("give its price" in sentence for sentence in bit_sentences(wren, found))
    assert draw_costs(found) is None
    one_free = unpriced.model_copy(update={"bits": (free[0], *trial.bits[1:])})
    assert verdict_text(in_short(one_free, rows_of(trial))).endswith("Nothing can be said yet of Wren.")


@pytest.mark.parametrize("ratio", [seldom(1.2), 3.0, seldom(5.0)])
def test_where_no_wear_is_seen_no_sum_is_told_that_the_prices_alone_make(trial, ratio):
    """The verdict says to photograph again: nothing beside it may say that this is worth nothing."""
    kept = [bit.model_copy(update={"price": price, "regrinds": 0, "regrind_price": 0.0, "resale": 0.0}) for bit, price in zip(trial.bits[:2], (10.0, 10.0 * ratio), strict=True)]  # fmt: skip
    photos = tuple(photo for photo in trial.photos if photo.bit in {bit.name for bit in kept})
    two = limited(trial, edge_radius_um=40).model_copy(update={"bits": tuple(kept), "photos": photos})
    rows = [
        fake.row(photo, "edge_radius", "used" if photo.parts else "unused", 6.2, "um", std_uncertainty=1.0)
        for photo in photos
    ]
    found = outcome_of(two, rows)
    assert found.verdict.choice == "not-shown"
    assert "photograph again after 450 parts" in verdict_text(found)
    said = " ".join(trial_sentences(found))
    assert "To cut on with Wren and Plover and photograph after 450 parts tells more" in said
    assert "is not expected to change the choice" not in said
    assert "Expected extra cost" not in said
    assert "is expected to cost" not in said
    assert all(bit.chance is None for bit in found.bits)


def test_a_price_that_nobody_gave_is_asked_for_and_lives_are_told(trial):
    """Changes of the bit cost money all the same: that is no price of the bit, and must not rank it."""
    costly = type(trial.cost)(change_over_minutes=6, rate_per_hour=50)
    bits = [bit.model_copy(update={"price": None, "regrinds": 0, "regrind_price": 0.0, "resale": 0.0}) for bit in trial.bits]  # fmt: skip
    unpriced = trial.model_copy(update={"bits": tuple(bits), "cost": costly})
    found, priced = in_short(unpriced, rows_of(trial)), decided.outcome_in_short()
    assert found.verdict.choice == "no-price"
    said = verdict_text(found)
    assert "no price of Wren, Plover and Heron" in said
    assert "no cost per part and not which bit is the cheapest" in said
    for bit in found.bits:
        with_price = named(priced, bit.bit)
        assert (bit.life, bit.next_life, bit.change_at) == (
            with_price.life,
            with_price.next_life,
            with_price.change_at,
        )
        assert (bit.price, bit.use, bit.cost, bit.regret, bit.chance) == (None,) * 5
        assert any("gives no price of it" in line for line in bit_sentences(bit, found))
    assert draw_costs(found) is None
    one = trial.model_copy(update={"bits": (bits[0], *trial.bits[1:])})
    mixed = in_short(one, rows_of(trial))
    assert set(mixed.verdict.ranked) == {"Plover", "Heron"}
    assert (
        "The trial file gives no price of Wren: with price in its [[bit]] it is compared too."
        in verdict_text(mixed)
    )
    assert "Nothing can be said yet" not in verdict_text(mixed)


def test_what_is_as_cheap_already_is_not_told_to_last_longer(trial):
    twin = trial.bits[0].model_copy(update={"name": "Wagtail"})
    rows = rows_of(trial)
    rows += [replace(row, bit="Wagtail") for row in rows if row.bit == "Wren"]
    found = in_short(trial.model_copy(update={"bits": (trial.bits[0], twin)}), rows)
    (pair,) = found.break_even
    prices = {bit.bit: bit.price for bit in found.bits}
    told = any("would cost as little" in sentence for sentence in trial_sentences(found))
    assert told == (pair.price < prices[pair.bit])
