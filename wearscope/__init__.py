"""wearscope: wear of router-bit flutes, in microns, from microscope photographs.

What a script needs, each imported when it is first used::

    import wearscope

    trial = wearscope.load_trial("trial.toml")
    result = wearscope.measure(trial)
    outcome = wearscope.decide(trial, result.records)
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from wearscope.version import __version__

if TYPE_CHECKING:
    from wearscope.economics.outcome import Outcome
    from wearscope.errors import LogError, PhotoRefused, TrialError, WearscopeError
    from wearscope.log.records import Record
    from wearscope.pipeline.photo_result import PhotoResult
    from wearscope.pipeline.results import BatchResult
    from wearscope.pipeline.scripting import decide, measure
    from wearscope.samples import copy_sample_trial
    from wearscope.trial.entries import Bit, PhotoEntry
    from wearscope.trial.model import Trial
    from wearscope.trial.reading import load_trial

_HOMES = {
    "BatchResult": "wearscope.pipeline.results",
    "Bit": "wearscope.trial.entries",
    "LogError": "wearscope.errors",
    "Outcome": "wearscope.economics.outcome",
    "PhotoEntry": "wearscope.trial.entries",
    "PhotoRefused": "wearscope.errors",
    "PhotoResult": "wearscope.pipeline.photo_result",
    "Record": "wearscope.log.records",
    "Trial": "wearscope.trial.model",
    "TrialError": "wearscope.errors",
    "WearscopeError": "wearscope.errors",
    "copy_sample_trial": "wearscope.samples",
    "decide": "wearscope.pipeline.scripting",
    "load_trial": "wearscope.trial.reading",
    "measure": "wearscope.pipeline.scripting",
}

__all__ = [
    "BatchResult",
    "Bit",
    "LogError",
    "Outcome",
    "PhotoEntry",
    "PhotoRefused",
    "PhotoResult",
    "Record",
    "Trial",
    "TrialError",
    "WearscopeError",
    "__version__",
    "copy_sample_trial",
    "decide",
    "load_trial",
    "measure",
]


def __getattr__(name: str) -> object:
    """Import a public name when it is first used, so that importing wearscope itself stays light."""
    if name not in _HOMES:
        raise AttributeError(f"module 'wearscope' has no attribute {name!r}")
    thing = globals()[name] = getattr(import_module(_HOMES[name]), name)
    return thing


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
