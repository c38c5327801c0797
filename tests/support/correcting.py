"""Corrections put into a log: in a module that a process of its own can import."""

from __future__ import annotations

from wearscope.log.corrections import CorrectionLog, changes, logged
from wearscope.trial.correction import Correction

PLACE = {"trial": "Birch", "bit": "Dunlin", "flute": 1, "parts": 100, "view": "relief"}


def say(log, before, after, sha256="a" * 64, by="Ada"):
    log.append(logged(PLACE, sha256, changes(before, after), by))


def add_many(path, who):
    with CorrectionLog(path) as log:
        for k in range(20):
            say(log, Correction(), Correction(transition_px=(float(k), 0.0)), by=who)
