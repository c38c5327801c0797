"""The bench in a real viewer, and a small trial to put on it."""

from __future__ import annotations

import faulthandler
import gc
import signal
import sys

import pytest
from flutes import NEW, WORN
from pictures import CARD, Flute, write_trial

from wearscope.trial import load_trial

LIMIT_S = 480  # of a test, on a busy machine too: the waits within it end sooner


@pytest.fixture(autouse=True)
def bounded(request):
    """No test hangs, whatever it waits for: it fails, and where each thread stands is printed."""

    def over(_signal, _frame):
        faulthandler.dump_traceback(file=sys.__stderr__, all_threads=True)
        pytest.fail(f"{request.node.name} hung: it was not over after {LIMIT_S} s")

    if not hasattr(signal, "SIGALRM"):  # elsewhere than on POSIX the waits are all there is
        yield
        return
    before = signal.signal(signal.SIGALRM, over)
    signal.alarm(LIMIT_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@pytest.fixture(scope="session")
def imported():
    """All that a window needs, put aside once: whenever a layer goes, napari has every object there is looked through."""
    import napari.window
    import wearscope_napari.bench  # noqa: F401

    assert napari.window.Window
    gc.collect()
    gc.freeze()


@pytest.fixture
def plotted():
    """The plots as they are drawn, for a test that looks at one."""


@pytest.fixture
def plain(imported, request, monkeypatch):
    """Plots as they are until there is time to draw them, plain paper: drawn, they take a test's sixth part."""
    from wearscope_napari.plot import Plot

    def renew(plot):
        plot._stale = True
        plot.update()

    if "plotted" not in request.fixturenames:
        monkeypatch.setattr(Plot, "renew", renew)


@pytest.fixture
def viewer(plain, make_napari_viewer):
    return make_napari_viewer()


def at_the_bench(viewer):
    from hands import Hands
    from wearscope_napari.contributions import open_bench

    return Hands(open_bench(viewer))


class Windows:
    """Windows for many tests, as for many trials of a day: each opens its own where the one before was."""

    def __init__(self):
        self._persons = {}
        self._patch = pytest.MonkeyPatch()

    def hands(self, who):
        """The person at the bench of one window."""
        if not self._persons:
            self._open()
        return self._persons[who]

    def _open(self):
        """Both at once: napari's own fixture has what is done once in a process done again for each window after it."""
        import napari
        from napari._qt._qapp_model.qactions import init_qactions
        from napari.plugins import _initialize_plugins

        self._patch.setattr("napari._qt.threads.status_checker.StatusChecker.start", lambda _: None)
        for once in (_initialize_plugins, init_qactions):
            once.cache_clear()
        for who in ("second", "first"):
            self._persons[who] = at_the_bench(napari.Viewer(show=False))
        gc.collect()
        gc.freeze()

    def leave(self, who):
        """Leave the bench as it is in a new window, but for the trial on it, which the next one takes the place of."""
        from wearscope_napari import capture, state

        person, bench = self._persons[who], self._persons[who].bench
        assert not bench.state.work._closing, "a test that ends the bench asks for a `viewer` of its own"
        bench.live.finish_camera()
        bench.capture.finish()
        person.wait(lambda: bench.live.looking._waiting == 0 and not bench.live._judging)
        person.idle()
        bench.state._looking.stop()
        bench.state._looking.setInterval(state.LOOK_EVERY_MS)
        bench.capture._timer.setInterval(capture.LOOK_EVERY_MS)
        bench.state.session = bench.state.shown = bench.state.entry = None
        bench.compare.blink.setChecked(False)
        bench.compare.over.setChecked(False)
        for field in (
            bench.hand.distance,
            bench.hand.pitch,
            bench.live.pitch,
            bench.live.pin,
            bench.capture.parts,
        ):
            field.setValue(0)
        bench.capture.view.setCurrentIndex(0)
        bench.live.by_itself.setChecked(True)
        for text in (bench.who, bench.status, bench.capture.verdict):
            text.clear()
        bench.pages.setCurrentIndex(0)

    def close(self):
        """Close those that are open."""
        for person in self._persons.values():
            person.bench.finish()
            person.bench.viewer.close()
        self._patch.undo()


@pytest.fixture(scope="session")
def windows(imported, qapp):
    """The windows of the tests whose module says ``ONE_WINDOW = True``."""
    windows = Windows()
    yield windows
    windows.close()


@pytest.fixture
def beside(imported):
    """Have napari's own fixture not take the windows above for what a test has forgotten."""
    from napari._qt.qt_viewer import QtViewer

    QtViewer._instances.clear()


@pytest.fixture
def make_napari_viewer(beside, make_napari_viewer):
    """A window of a test's own."""
    return make_napari_viewer


def seated(request, who, make):
    """A person at the bench of a window that is there already, or of a new one."""
    if getattr(request.module, "ONE_WINDOW", False) and "viewer" not in request.fixturenames:
        windows = request.getfixturevalue("windows")
        yield windows.hands(who)
        windows.leave(who)
        return
    person = at_the_bench(make())
    yield person
    person.bench.finish()


@pytest.fixture
def hands(plain, request):
    """A person at the bench."""
    yield from seated(request, "first", lambda: request.getfixturevalue("viewer"))


@pytest.fixture
def second_hands(plain, request):
    """Another one, in a window of their own."""
    yield from seated(request, "second", lambda: request.getfixturevalue("make_napari_viewer")())


@pytest.fixture(scope="session")
def pair_files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("photos")
    grey = Flute(shape=(420, 900), background=CARD, face=CARD, marks=0.0)  # nothing in it
    return {
        0: NEW.save(folder / "0.png").read_bytes(),
        100: WORN.save(folder / "100.png").read_bytes(),
        200: grey.save(folder / "200.png").read_bytes(),
    }


@pytest.fixture
def folder(tmp_path, pair_files):
    """A trial of one flute: new, worn, and a third photo that shows nothing."""
    paths = {}
    for parts, content in pair_files.items():
        paths[parts] = tmp_path / f"{parts}.png"
        paths[parts].write_bytes(content)
    write_trial(tmp_path, paths)
    return tmp_path


@pytest.fixture
def trial(folder):
    return load_trial(folder)
