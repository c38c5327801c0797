"""Figures of many bits are drawn once, and again as soon as anything that they show is another."""

from __future__ import annotations

from dataclasses import replace

import fake_photos as fake
import numpy as np
import pytest
from matplotlib import rc_context

from wearscope.economics.decision import outcome_of
from wearscope.economics.readings import Limit
from wearscope.pipeline import kept_figures
from wearscope.pipeline.kept_figures import FOLDER_NAME, keeper
from wearscope.report.curves import drawn_of, kept_curves, pictures

BITS = ("Wren", "Robin", "Finch")
FILES = (b"one", b"", b"another")


@pytest.fixture(autouse=True)
def few_bits_are_kept_too(monkeypatch):
    monkeypatch.setattr(kept_figures, "WORTH_KEEPING", len(BITS))


@pytest.fixture(scope="module")
def outcome(tmp_path_factory):
    trial = fake.a_trial(tmp_path_factory.mktemp("trial"), bits=BITS, parts=(0, 100, 300))
    rows = [
        fake.row(photo, "edge_radius", "used", 6 + 0.05 * photo.parts, "um", std_uncertainty=0.5)
        for photo in trial.photos
        if photo.parts
    ]
    return outcome_of(trial, rows, n_draws=40)


@pytest.fixture
def asked(tmp_path):
    """What was drawn, and asking for it."""
    drawn = []

    def ask(what, form="page"):
        return tuple(keeper(tmp_path)(what, form, lambda: drawn.append(form) or FILES))

    return drawn, ask


def test_a_figure_is_drawn_once(outcome, asked, tmp_path):
    drawn, ask = asked
    what = drawn_of(outcome)
    assert ask(what) == ask(what) == FILES
    assert drawn == ["page"]
    ask(what, "narrow")
    assert len(drawn) == 2
    assert len(list((tmp_path / FOLDER_NAME).iterdir())) == 2


def test_whatever_it_shows_is_asked_for(outcome, asked, monkeypatch):
    drawn, ask = asked
    what = drawn_of(outcome)
    first, *others = what.bits
    (curve,) = first.curves
    row = curve.readings[0]

    def with_curve(**changes):
        return replace(what, bits=(replace(first, curves=(replace(curve, **changes),)), *others))

    nudged = replace(curve.worst, low95=np.nextafter(curve.worst.low95, 1e9))
    others_than = [
        what,
        with_curve(worst=nudged),
        with_curve(mean=nudged),
        with_curve(readings=(replace(row, std_uncertainty=row.std_uncertainty + 1e-12), *curve.readings[1:])),
        with_curve(readings=curve.readings[1:]),
        with_curve(limit=Limit("edge_radius", 40.0, 1.0)),
        replace(what, bits=(replace(first, parts_cut=first.parts_cut + 1e-9), *others)),
        replace(what, bits=(replace(first, bit="Wren 2"), *others)),
        replace(what, bits=(*others, first)),
        replace(what, tops=tuple((name, top + 1e-9) for name, top in what.tops)),
        replace(what, last_parts=what.last_parts + 1e-9),
        replace(what, axis=replace(what.axis, factor=2.0)),
    ]
    for each in others_than:
        ask(each)
    assert len(drawn) == len(others_than)
    monkeypatch.setattr(kept_figures, "_program", lambda: b"another")
    ask(what)
    assert len(drawn) == len(others_than) + 1
    with rc_context({"axes.linewidth": 3.0}):
        ask(what)
    assert len(drawn) == len(others_than) + 2


def test_only_what_it_shows_is_asked_for(outcome, asked):
    """A photo of another bit, which changes its life and no curve that is drawn."""
    drawn, ask = asked
    changed = replace(outcome, bits=tuple(replace(bit, life=None, cost=None) for bit in outcome.bits))
    ask(drawn_of(outcome))
    ask(drawn_of(changed, [bit.bit for bit in outcome.bits]))
    assert len(drawn) == 1


@pytest.mark.parametrize("damage", ["a byte", "cut off", "empty"])
def test_a_damaged_file_is_drawn_anew(outcome, asked, tmp_path, damage):
    drawn, ask = asked
    what = drawn_of(outcome)
    ask(what)
    (path,) = (tmp_path / FOLDER_NAME).iterdir()
    content = bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes({"cut off": content[:-3], "empty": b""}.get(damage, content))
    assert ask(what) == FILES
    assert ask(what) == FILES
    assert len(drawn) == 2


def test_figures_of_few_bits_and_none_at_all_are_not_kept(outcome, asked, tmp_path, monkeypatch):
    _, ask = asked
    monkeypatch.setattr(kept_figures, "WORTH_KEEPING", len(BITS) + 1)
    assert ask(drawn_of(outcome)) == FILES
    monkeypatch.setattr(kept_figures, "WORTH_KEEPING", 0)
    assert kept_curves(replace(outcome, bits=()), keeper(tmp_path), lambda: pictures(lambda: None)) is None
    assert kept_curves(outcome, keeper(tmp_path), lambda: pictures(lambda: None)) is None
    assert not (tmp_path / FOLDER_NAME).exists()


def test_the_oldest_goes(outcome, asked, tmp_path, monkeypatch):
    _, ask = asked
    monkeypatch.setattr(kept_figures, "MOST_KEPT", 3)
    for number in range(6):
        ask(replace(drawn_of(outcome), last_parts=float(number)))
    assert len(list((tmp_path / FOLDER_NAME).iterdir())) == 3
