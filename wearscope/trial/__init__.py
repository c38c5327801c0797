"""What is tested: the trial file, its bits, photos, scales and life limits."""

from __future__ import annotations

from wearscope.trial.model import Bit, Cost, Life, PhotoEntry, ScaleEntry, Trial, View
from wearscope.trial.reading import load_trial

__all__ = ["Bit", "Cost", "Life", "PhotoEntry", "ScaleEntry", "Trial", "View", "load_trial"]
