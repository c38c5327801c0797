"""What holds for all tests."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator

import pytest
from hypothesis import settings

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
