"""Rows for tests of the wear log."""

from __future__ import annotations

from dataclasses import replace

from wearscope.log.logged import LoggedInspection
from wearscope.log.notes import GRADES, Note
from wearscope.log.records import Record


def inspection(**changed) -> LoggedInspection:
    made = LoggedInspection(
        trial="Birch drawer fronts",
        bit="A",
        flute=1,
        parts=40,
        view="relief",
        photo="photos/A-040-1.jpg",
        photo_sha256="ab" * 32,
        refusal="",
        wearscope_version="0.1.0",
        inspected_at="2026-01-05T08:00:00+00:00",
    )
    return replace(made, **changed)


def record(**changed) -> Record:
    row = Record(
        bit="A",
        flute=1,
        parts=40,
        view="relief",
        quantity="edge_recession",
        zone="difference",
        value=18.6,
        unit="um",
        std_uncertainty=0.7,
        low95=17.2,
        high95=20.0,
        status="ok",
        note="",
        method="profile+model",
        photo="photos/A-040-1.jpg",
        photo_sha256="ab" * 32,
        scale="bench 60x",
        um_per_px=3.487,
        wearscope_version="0.1.0",
        measured_at="2026-01-05T08:00:00+00:00",
    )
    return replace(row, **changed)


RADIUS = record(quantity="edge_radius", zone="used", value=31.4)


def a_note(**changed) -> Note:
    made = Note(
        trial="Birch drawer fronts",
        bit="A",
        flute=0,
        parts=40,
        kind="sound",
        quantity="sound_level",
        value=82.1,
        unit="dB(A)",
        std_uncertainty=1.0,
        text="read off a meter",
        file="",
        file_sha256="",
        noted_by="Ann",
        wearscope_version="0.1.0",
        noted_at="2026-01-05T08:00:00+00:00",
    )
    return replace(made, **changed)


GRADE = a_note(
    kind="grade", quantity="cut_grade", value=3.0, unit="grade", std_uncertainty=None, text=GRADES[3]
)
REMARK = a_note(kind="remark", quantity="", value=None, unit="", std_uncertainty=None, text="smells hot")
