"""A run of the program in a process of its own, which imports no test."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path


def a_run(told: Path, arguments: Sequence[object]) -> None:
    """Be a command of the program with `fake_photos.inspector`, in a session of its own; what it says is kept."""
    import fake_photos as fake

    from wearscope import cli
    from wearscope.pipeline import run

    os.setsid()
    with told.open("wb") as file:
        for output in (1, 2):
            os.dup2(file.fileno(), output)
    run.measure_trial = partial(run.measure_trial, inspector=fake.inspector)
    sys.exit(cli.main([str(argument) for argument in arguments]))
