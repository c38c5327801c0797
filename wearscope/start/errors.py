"""What can be wrong with a folder of pictures that is to become a trial."""

from __future__ import annotations

from wearscope.errors import WearscopeError


class StartError(WearscopeError):
    """Pictures that do not make a trial as they are."""

    exit_code = 2
