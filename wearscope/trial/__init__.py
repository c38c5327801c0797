"""What is tested: the trial file, its bits, photos, scales and life limits; and the file of a repeat study."""

from __future__ import annotations

from wearscope.trial.cost import Cost
from wearscope.trial.entries import Bit, PhotoEntry, ScaleEntry
from wearscope.trial.life import Life
from wearscope.trial.model import Trial
from wearscope.trial.reading import load_study, load_trial
from wearscope.trial.study import RepeatPhoto, Study

__all__ = [
    "Bit",
    "Cost",
    "Life",
    "PhotoEntry",
    "RepeatPhoto",
    "ScaleEntry",
    "Study",
    "Trial",
    "load_study",
    "load_trial",
]
