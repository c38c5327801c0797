"""Corrections by hand in the wear log."""

from __future__ import annotations

import multiprocessing
import sqlite3
from dataclasses import replace

import pytest
from correcting import PLACE, add_many, say
from sqlalchemy import text

from wearscope.errors import LogError
from wearscope.log.corrections import ChangedMeanwhileError, CorrectionLog, changes, logged, standing
from wearscope.log.wear_log import WearLog
from wearscope.trial.correction import Correction, DrawnEdge, HandScale

FULL = Correction(
    edge=DrawnEdge(((1.5, 2.0), (30.0, 4.0)), "left"),
    transition_px=(12.25, 3.0),
    used_towards_px=((0.0, 0.0), (1.0, 0.5)),
    ignored_px=(((0.0, 0.0), (5.0, 0.0), (5.0, 5.0)),),
    scale=HandScale(3.5, 0.01, "two points 1000 µm apart, set by hand"),
)


def test_everything_comes_back_as_it_was_said(tmp_path):
    with CorrectionLog(tmp_path / "log.sqlite") as log:
        say(log, Correction(), FULL)
    with CorrectionLog(tmp_path / "log.sqlite") as log:
        assert log.current("Birch") == {"a" * 64: FULL}
        assert log.current("Oak") == {}
        assert {row.by for row in log.history("Birch")} == {"Ada"}
        assert all(row.at.endswith("+00:00") for row in log.history("Birch"))


def test_taking_back_is_said_too_and_nothing_is_lost(tmp_path):
    with CorrectionLog(tmp_path / "log.sqlite") as log:
        say(log, Correction(), Correction(transition_px=(1.0, 2.0)))
        say(log, Correction(transition_px=(1.0, 2.0)), Correction(), by="Grace")
        assert log.current("Birch") == {}
        assert [(row.kind, row.value, row.by) for row in log.history("Birch", "a" * 64)] == [
            ("transition_px", "[1.0, 2.0]", "Ada"),
            ("transition_px", None, "Grace"),
        ]


def test_no_change_says_nothing():
    assert changes(FULL, FULL) == {}


def test_a_log_without_corrections_is_read_and_extended(tmp_path):
    """As written before there were corrections; and one with them stays a wear log."""
    path = tmp_path / "log.sqlite"
    with WearLog(path) as log:
        from wearscope.log import database

        with database.writing(log._engine, log.place) as connection:
            assert connection.execute(text("select count(*) from measurement")).scalar_one() == 0
    with CorrectionLog(path) as log:
        assert log.current("Birch") == {}
        say(log, Correction(), FULL)
    with WearLog(path) as log:
        assert log.current() == []


def test_a_kind_of_a_later_version_is_not_passed_over(tmp_path):
    with CorrectionLog(tmp_path / "log.sqlite") as log:
        log.append(logged(PLACE, "a" * 64, {"resharpened": "true"}, "Ada"))
        with pytest.raises(LogError, match=r"resharpened.*update"):
            log.current("Birch")


def test_a_spoilt_value_is_named(tmp_path):
    path = tmp_path / "log.sqlite"
    with CorrectionLog(path) as log:
        say(log, Correction(), FULL)
        connection = sqlite3.connect(path)
        connection.execute("update correction set value = '[1' where kind = 'transition_px'")
        connection.commit()
        connection.close()
        with pytest.raises(LogError, match=r"log\.sqlite"):
            log.current("Birch")


@pytest.mark.statistics
def test_two_programs_write_at_once(tmp_path):
    path = tmp_path / "log.sqlite"
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=add_many, args=(path, who)) for who in ("Ada", "Grace")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(120)
        assert writer.exitcode == 0
    with CorrectionLog(path) as log:
        rows = log.history("Birch")
    assert len(rows) == 40
    for who in ("Ada", "Grace"):
        assert [row.value for row in rows if row.by == who] == [f"[{k:.1f}, 0.0]" for k in range(20)]
    assert sqlite3.connect(path).execute("pragma integrity_check").fetchone() == ("ok",)


def test_what_someone_else_said_meanwhile_is_not_overwritten(tmp_path):
    with CorrectionLog(tmp_path / "log.sqlite") as ours, CorrectionLog(tmp_path / "log.sqlite") as theirs:
        seen = len(ours.history("Birch", "a" * 64))
        say(theirs, Correction(), Correction(transition_px=(1.0, 2.0)), by="Grace")
        rows = logged(PLACE, "a" * 64, changes(Correction(), Correction(transition_px=(9.0, 9.0))), "Ada")
        with pytest.raises(ChangedMeanwhileError, match="Grace"):
            ours.append(rows, seen=seen)
        assert ours.current("Birch")["a" * 64].transition_px == (1.0, 2.0)
        ours.append(rows, seen=1)
        assert ours.current("Birch")["a" * 64].transition_px == (9.0, 9.0)


def test_what_stands_is_what_was_not_taken_back(tmp_path):
    """Worked by hand, after the last of: a set, b set, a moved, a moved back, b taken back, a taken back."""
    a1, a2 = Correction(transition_px=(1.0, 2.0)), Correction(transition_px=(3.0, 4.0))
    patch = (((0.0, 0.0), (5.0, 0.0), (5.0, 5.0)),)
    with_b = [replace(a, ignored_px=patch) for a in (a1, a2)]
    way = [Correction(), a1, with_b[0], with_b[1], with_b[0], a1, Correction()]
    expected = [["transition_px"], ["transition_px", "ignored_px"]]
    expected += [["transition_px", "ignored_px", "transition_px"], expected[1], expected[0], []]
    with CorrectionLog(tmp_path / "wear-log.sqlite") as log:
        assert log.last_step("Birch", "a" * 64) is None
        for before, after, kinds in zip(way[:-1], way[1:], expected, strict=True):
            say(log, before, after)
            assert [kind for kind, _ in standing(log.history("Birch", "a" * 64))] == kinds
            last = log.last_step("Birch", "a" * 64)
            if kinds:
                assert last is not None
                assert last[1] == after
                assert changes(last[0], after).keys() == {kinds[-1]}
            else:
                assert last is None
