"""How a command ends: what it leaves in memory goes with the process."""

from __future__ import annotations

import subprocess
import sys

COUNTED = (
    "import atexit, gc, sys; from wearscope.cli import main; "
    "atexit.register(lambda: print('set aside:', gc.get_freeze_count() > 1000)); "  # called last
    "sys.argv = ['wearscope', '--version']; sys.exit(main({arguments}))"
)


def test_a_command_looks_for_no_garbage_when_it_ends():
    """Among the rows of ten thousand photos that took a second."""
    done = subprocess.run(
        [sys.executable, "-c", COUNTED.format(arguments="")], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "set aside: True"


def test_whoever_calls_it_with_arguments_keeps_his_own_ways():
    code = COUNTED.format(arguments="['--version']")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "set aside: False"
