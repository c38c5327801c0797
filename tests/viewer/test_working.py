"""Long work off the GUI thread, and what closing does to it."""

from __future__ import annotations

import sqlite3
import threading
import time

import numpy as np
import pytest
from flutes import WORN
from hands import Hands
from qtpy.QtCore import QTimer
from qtpy.QtWidgets import QApplication
from wearscope_napari import session as at_work
from wearscope_napari.work import Work

from wearscope.log.corrections import CorrectionLog
from wearscope.log.wear_log import WearLog
from wearscope.pipeline import inspect

ONE_WINDOW = True


def wait(until, seconds=60.0):
    end = time.monotonic() + seconds
    while not until():
        QApplication.processEvents()
        time.sleep(0.005)
        assert time.monotonic() < end


def test_measuring_leaves_the_gui_free(hands, folder, monkeypatch):
    """The photo takes half a second, in another thread; timers go on meanwhile."""
    threads, ticks = set(), []
    measure = at_work.inspect_photo

    def slow(*what):
        threads.add(threading.current_thread())
        time.sleep(0.5)
        return measure(*what)

    monkeypatch.setattr(at_work, "inspect_photo", slow)
    timer = QTimer()
    timer.setInterval(20)
    timer.timeout.connect(lambda: ticks.append(time.monotonic()))
    timer.start()
    hands.open(folder, 100)
    timer.stop()
    assert threading.main_thread() not in threads
    during = np.diff(ticks)
    assert len(during) > 15


def test_only_the_last_of_many_positions_is_measured(qapp):
    work, ran, done = Work(), [], []
    started, go = threading.Event(), threading.Event()

    def first():
        started.set()
        go.wait(30)

    work.do(first, lambda _: None, name="measure")
    assert started.wait(30)
    for n in range(5):
        work.do(lambda n=n: ran.append(n) or n, done.append, name="measure")
        work.do(lambda n=n: ran.append(f"saved {n}"), lambda _: None)
    go.set()
    wait(lambda: work._waiting == 0)
    assert ran == [*(f"saved {n}" for n in range(4)), 4, "saved 4"]
    assert done == [4]
    work.close()


def test_a_failure_is_said(qapp):
    work, said = Work(), []
    work.failed.connect(said.append)
    work.do(lambda: 1 / 0, lambda _: None)
    wait(lambda: said)
    assert "ZeroDivisionError" in said[0]
    work.close()


def test_all_are_measured_with_progress(hands, folder):
    hands.open(folder)
    seen = []
    hands.bench.run.progress.valueChanged.connect(seen.append)
    hands.bench.run.measure_all()
    assert hands.bench.run.stop.isEnabled()
    assert not hands.bench.run.all.isEnabled()
    hands.wait(lambda: not hands.bench.run.measuring, 240.0)
    hands.idle()
    assert 3 in seen
    assert (folder / "results" / "measurements.csv").is_file()
    assert (
        "after 200 parts" in (folder / "results" / "refused.csv").read_text()
        or "200.png" in (folder / "results" / "refused.csv").read_text()
    )
    states = [hands.bench.photos.item(row).text().split(":")[0] for row in range(3)]
    assert states[0] == "refused"
    assert "to measure" not in states


@pytest.mark.usefixtures("viewer")  # it listens to the bench to the end
def test_it_can_be_stopped_and_what_is_done_is_kept(hands, folder, monkeypatch):
    hands.open(folder)
    real = at_work.measure_trial
    monkeypatch.setattr(
        at_work,
        "measure_trial",
        lambda trial, out, jobs, progress: real(trial, out, jobs=1, progress=progress),
    )
    said = []
    say = hands.bench.state.say
    hands.bench.state.say = lambda line: (said.append(line), say(line))
    hands.bench.run.progress.valueChanged.connect(
        lambda done: hands.bench.run.stop.click() if done == 1 else None
    )
    hands.bench.run.measure_all()
    hands.wait(lambda: not hands.bench.run.measuring, 240.0)
    hands.idle()
    assert any(line.startswith("stopped") for line in said)
    with WearLog(folder / "wear-log.sqlite") as log:
        assert log.current(parts=0)


def _history(folder):
    with CorrectionLog(folder / "wear-log.sqlite") as log:
        return log.history("Step edges")


def test_closing_while_it_saves_loses_nothing(make_napari_viewer, folder, monkeypatch):
    """Saving is slow; the window is closed at once; the correction is on the disk."""
    from wearscope_napari.contributions import open_bench

    viewer = make_napari_viewer()
    hands = Hands(open_bench(viewer))
    hands.open(folder, 100)
    correct = at_work.Session.correct

    def slow(*what, **said):
        time.sleep(0.7)
        correct(*what, **said)

    monkeypatch.setattr(at_work.Session, "correct", slow)
    hands.bench.state.correct(transition_px=tuple(map(float, WORN.at_px(420.0))))
    assert not (folder / "wear-log.sqlite").exists() or not _history(folder)
    viewer.close()
    with CorrectionLog(folder / "wear-log.sqlite") as log:
        (row,) = log.history("Step edges")
    assert row.kind == "transition_px"
    assert sqlite3.connect(folder / "wear-log.sqlite").execute("pragma integrity_check").fetchone() == ("ok",)


def test_closing_while_it_measures_does_not_hang(make_napari_viewer, folder, monkeypatch):
    from wearscope_napari.contributions import open_bench

    viewer = make_napari_viewer()
    hands = Hands(open_bench(viewer))
    hands.open(folder)
    begun = threading.Event()
    real = inspect.inspect_photo

    def slow(*what):
        begun.set()
        time.sleep(0.3)
        return real(*what)

    monkeypatch.setattr(at_work, "inspect_photo", slow)
    hands.bench.state.session._looked_at = at_work.LookedAt()  # as if none had been read ahead
    for parts in (0, 100, 200):
        hands.bench.state.choose(next(p for p in hands.bench.state.session.trial.photos if p.parts == parts))
    hands.wait(begun.is_set, 60.0)
    start = time.monotonic()
    viewer.close()
    assert time.monotonic() - start < 30.0
    hands.bench.state.work._pool.shutdown()  # nothing is left that hangs


def test_a_window_that_stays_open_after_all_goes_on_working(hands, folder):
    """napari may ask, and the person may say no: what the close event has finished must not be the end."""
    from qtpy.QtGui import QCloseEvent

    hands.open(folder, 100)
    hands.bench.eventFilter(hands.bench._window(), QCloseEvent())
    shown = hands.bench.state.shown
    hands.bench.state.correct(transition_px=tuple(map(float, WORN.at_px(420.0))))
    hands.idle()
    assert hands.bench.state.shown is not shown
    assert hands.bench.state.shown.said.transition_px is not None


def test_a_log_that_cannot_be_written_is_said(hands, folder, monkeypatch):
    hands.open(folder, 100)
    lines = []
    hands.bench.state.work.failed.connect(lines.append)
    hands.bench.state.session.out_dir = folder / "gone"
    hands.bench.state.correct(transition_px=tuple(map(float, WORN.at_px(420.0))))
    hands.idle()
    assert lines
    assert "wear-log.sqlite" in lines[0]


@pytest.mark.usefixtures("viewer")  # it ends the bench
@pytest.mark.parametrize("times", [2])
def test_finishing_twice_is_harmless(hands, folder, times):
    hands.open(folder)
    for _ in range(times):
        hands.bench.finish()
