"""A trial whose photo files hold words in place of pictures, and an inspector that does what they say.

It lets the tests make any photo refuse, fail, hang or kill its process, in whichever process it lands.
"""

from __future__ import annotations

import hashlib
import os
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from wearscope.light.strip import UNUSED, USED, EdgeView, Strip
from wearscope.log.records import Record
from wearscope.metrology.uncertainty import Input, linear
from wearscope.pipeline.inspection import EdgeDrawing, Inspection
from wearscope.pipeline.judgement import Judgement
from wearscope.trial import load_trial

TRIAL = """
[trial]
name = "Birch drawer fronts"
workpiece = "15 mm birch plywood"
depth_of_cut_mm = 4.0
spindle_rpm = 18000
feed_mm_per_min = 3600

[[scale]]
name = "bench 60x"
um_per_px = 3.5
u_um_per_px = 0.01
"""

BIT = """
[[bit]]
name = "{name}"
price = 15.0
flutes = 2
diameter_mm = 6.35
wedge_angle_deg = 60
coating = "ZrN"
"""

PHOTO = """
[[photo]]
bit = "{bit}"
flute = {flute}
parts = {parts}
view = "relief"
file = "photos/{bit}-{parts}-{flute}.jpg"
scale = "bench 60x"
"""

JARGON = r"\b(sigma|posterior|prior|confidence|standard (uncertainty|deviation)|interval|saturating|power law|median|variance)\b"
"""Of statistics, which nobody is told without having asked."""


def write_trial(folder: Path, bits=("A10", "A2"), flutes=(1, 2), parts=(0, 40, 120)) -> Path:
    """Trial file with a photo of every bit, flute and checkpoint; each is measured unless told otherwise."""
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    text = TRIAL + "".join(BIT.format(name=name) for name in bits)
    for bit in bits:
        for flute in flutes:
            for n in parts:
                text += PHOTO.format(bit=bit, flute=flute, parts=n)
                tell(folder, bit, n, flute, f"photo {bit} {n} {flute}")
    (folder / "trial.toml").write_text(text)
    return folder / "trial.toml"


def tell(folder: Path, bit: str, parts: int, flute: int, word: str) -> Path:
    photo = folder / "photos" / f"{bit}-{parts}-{flute}.jpg"
    photo.write_text(word)
    return photo


def a_trial(folder: Path, **what):
    return load_trial(write_trial(folder, **what))


def row(entry, quantity, zone, value, unit="um", **changed) -> Record:
    refused = value is None
    std = None if refused else 0.05 * abs(value) + 0.1
    fields = {
        "bit": entry.bit,
        "flute": entry.flute,
        "parts": entry.parts,
        "view": entry.view,
        "quantity": quantity,
        "zone": zone,
        "value": value,
        "unit": unit,
        "std_uncertainty": std,
        "low95": None if refused else value - 2 * std,
        "high95": None if refused else value + 2 * std,
        "status": "refused" if refused else "ok",
        "note": "",
        "method": "words",
        "photo": entry.file,
        "photo_sha256": hashlib.sha256(entry.path.read_bytes()).hexdigest(),
        "scale": entry.scale,
        "um_per_px": 3.5,
        "wearscope_version": "0.1.0",
        "measured_at": f"2026-01-05T08:00:00.{time.monotonic_ns() % 10**6:06d}+00:00",
    }
    return Record(**(fields | changed))


def an_edge() -> EdgeView:
    s_um, d_um = np.arange(0.0, 3000.0, 5.0), np.arange(-60.0, 240.0, 5.0)
    light = np.full((d_um.size, s_um.size, 3), 0.02, np.float32)
    light[d_um > 0] = 0.4
    zone = np.where(s_um < 1300, UNUSED, np.where(s_um > 1700, USED, 0)).astype(np.int8)
    edge = np.where(s_um < 1500, 0.0, 20.0)
    return EdgeView(
        Strip(light, s_um, d_um, 3.5), edge, zone, edge, np.zeros(light.shape[:2], bool), (), 1500.0, 20.0
    )


def inspector(trial, entry, scales) -> Inspection:
    """Do what the photo says."""
    word = entry.path.read_text()
    now = None
    if word.startswith("seconds"):
        time.sleep(float(word.split()[1]))
    if word == "refuse":
        line = f"{entry.path.name}: blurred; focus on the edge and take it again"
        return Inspection(entry, (), line, refusal_code="out-of-focus")
    if word == "crash":
        raise RuntimeError("no such\nluck")
    if word == "die":
        os._exit(3)
    if word == "die once" and not (died := entry.path.with_suffix(".died")).exists():
        died.touch()
        os.kill(os.getpid(), 9)
    if word == "interrupt":
        raise KeyboardInterrupt
    if word.startswith("sheet"):
        now = an_edge()
    worn = float(word.split()[1]) if word.startswith("worn") else entry.parts / 3
    if word == "nan":
        worn = float("nan")
    rows = [row(entry, "sharpness", "whole", 4.2)]
    if entry.parts:
        rows += [
            row(entry, "edge_recession", "difference", worn),
            row(entry, "edge_radius", "used", None, note="the bright line is not to be seen"),
            row(entry, "coating_loss", "used", 0.31, unit="1", status="doubtful", note="glare"),
        ]
    if word == "blind":
        nothing = {"value": None, "std_uncertainty": None, "low95": None, "high95": None, "status": "refused"}
        rows[1:] = [replace(one, note="glare; turn the lamp down", **nothing) for one in rows[1:]]
    if word == "broken sheet":
        now = EdgeView(None, None, None, None, None, (), None, None)
    made = Inspection(
        entry, tuple(rows), "", ("glare",) if word == "glare" else (), now and EdgeDrawing(now, None)
    )
    return replace(
        made,
        budgets={("edge_recession", "difference"): recession_budget(worn)}
        if entry.parts and word != "nan"
        else {},
    )


def recession_budget(worn):
    """What the uncertainty of a recession is made of: 0.8 by the scale, the rest by the light, in two parts."""
    std = 0.05 * abs(worn) + 0.1
    pair = [
        Input("light across the edge", 0.0, std * 0.3 * 2**0.5, of=(zone,)) for zone in ("used", "unused")
    ]
    scale = Input("scale", 1.0, 0.01)
    return linear(worn, [(80.0 * std, scale), *((1.0, each) for each in pair)])


def judge(trial, entry, scales) -> Judgement:
    word = entry.path.read_text()
    if word == "crash":
        raise RuntimeError("no luck")
    if word == "refuse":
        remarks = (f"{entry.path}: blurred; focus on the edge and take it again",)
        return Judgement(entry, "refused", remarks, None, None, None, "")
    if word == "glare":
        remarks = ("12 % is glare; move the lamp",)
        return Judgement(entry, "doubtful", remarks, 4.2, 0.12, 0.8, "bright")
    return Judgement(entry, "fit", (), 4.2, 0.001, 0.8, "dark")


def made_by(what, seconds):
    """A call that takes its time: what was asked, and the process that made it."""
    time.sleep(seconds)
    return what, os.getpid()
