"""Run the command line with ``python -m wearscope``."""

from __future__ import annotations

import sys

from wearscope.cli import main

if __name__ == "__main__":
    sys.exit(main())
