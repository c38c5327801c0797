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

    if "plotted" not in request.fixturenames:
        monkeypatch.setattr(Plot, "_catch_up", lambda self: None)


@pytest.fixture
def viewer(plain, make_napari_viewer):
    return make_napari_viewer()


def at_the_bench(viewer):
    from hands import Hands
    from wearscope_napari.contributions import open_bench

    return Hands(open_bench(viewer))


@pytest.fixture
def hands(viewer):
    person = at_the_bench(viewer)
    yield person
    person.bench.finish()


@pytest.fixture
def second_hands(plain, make_napari_viewer):
    person = at_the_bench(make_napari_viewer())
    yield person
    person.bench.finish()


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
