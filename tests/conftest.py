"""What holds for all tests."""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Callable, Iterator

import pytest
from hypothesis import settings

if "PYTEST_XDIST_WORKER" in os.environ:
    # As many processes as processors work already, and threads of small sums only wait for each other. To be said
    # before numpy is imported, to the processes that a test starts too.
    for library in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(library, "1")

gc.disable()  # until all tests are found: a third of the time to find them went into looking through what stays

settings.register_profile("busy machine", deadline=None)  # no test looks at a clock
settings.load_profile("busy machine")


def pytest_configure() -> None:
    # A shell that starts the tests in the background has them ignore Ctrl-C, and so every process they start.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.hookimpl(tryfirst=True)  # before pytest selects by marker
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "benchmark" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.benchmark)


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    gc.freeze()  # modules and tests live to the end, and no collection need look through them
    gc.enable()


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Run a command in this process: exit code, standard output, standard error."""
    from wearscope import cli

    def run(*arguments: object) -> tuple[int, str, str]:
        code = cli.main([str(argument) for argument in arguments])
        return code, *capsys.readouterr()

    return run


@pytest.fixture(scope="module")
def few_draws() -> Iterator[None]:
    """An eighth of the draws of lives, for tests that look at words and files and at no number of a life."""
    from wearscope.economics import decision

    usual = decision.outcome_of.__defaults__
    decision.outcome_of.__defaults__ = ("parts", decision.N_DRAWS // 8)
    yield
    decision.outcome_of.__defaults__ = usual


@pytest.fixture
def no_drawing(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """One small picture for all that a report draws and one empty page for its PDFs, which take seconds.

    For tests of commands that look at what is said and which files there are. A test that opens a PDF or a picture
    asks for `drawn` beside it; tests/test_cli_publishing.py and tests/report make whole reports.
    """
    if "drawn" in request.fixturenames:
        return
    from fpdf import FPDF

    from wearscope.pipeline import reporting
    from wearscope.report import curves, html, report

    small = curves.Pictures(
        png=b"\x89PNG\r\n\x1a\n", svg=b'<svg xmlns="http://www.w3.org/2000/svg" width="1" height="1"/>'
    )
    pdf = FPDF()
    pdf.add_page()
    page = bytes(pdf.output())
    monkeypatch.setattr(report, "pictures", lambda draw: small)
    monkeypatch.setattr(html, "rendered", lambda draw, suffix: getattr(small, suffix))
    monkeypatch.setattr(curves, "pictures", lambda draw: small)
    for name in ("report_pdf", "wall_sheet_pdf", "labels_pdf"):
        monkeypatch.setattr(reporting, name, lambda *_: page)


@pytest.fixture
def drawn() -> None:
    """The report as it is, in a module that leaves its drawings out."""
