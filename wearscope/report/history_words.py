"""What a shop has tried so far, over all its trials: in the terminal and on paper."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial

from wearscope.report.curves import rendered
from wearscope.report.history_curves import TriedCurve, draw_side_by_side
from wearscope.report.pages import Pages
from wearscope.report.words import SURE


@dataclass(frozen=True)
class TriedBit:
    """One bit of one trial.

    Attributes
    ----------
    kind : str
        Its make.
    bit, trial : str
    workpiece : str
        What was cut; empty if the trial does not say.
    last_measured : str
        Day, ISO 8601.
    parts_cut : int
    life, cost, using_up : str
        In words.
    curves : tuple of TriedCurve
    """

    kind: str
    bit: str
    trial: str
    workpiece: str
    last_measured: str
    parts_cut: int
    life: str
    cost: str
    using_up: str
    curves: tuple[TriedCurve, ...] = ()


@dataclass(frozen=True)
class History:
    """All trials below a folder.

    Attributes
    ----------
    bits : tuple of TriedBit
        Those of one kind beside each other.
    verdicts : tuple of (str, str)
        Of each trial: its name, and what was learnt.
    left_out : tuple of str
        Trials whose numbers are not told, each with the reason and the cure.
    not_seen : tuple of str
        Trials of which nothing was found to tell, with what may be behind that.
    """

    bits: tuple[TriedBit, ...]
    verdicts: tuple[tuple[str, str], ...]
    left_out: tuple[str, ...]
    not_seen: tuple[str, ...] = ()


HEADS = ("Kind", "Trial", "In", "Measured", "Parts", f"Lasts {SURE}", f"Cost per part {SURE}", "Using it up")


def history_rows(bits: Iterable[TriedBit]) -> list[tuple[str, ...]]:
    """Say what became of each bit, a row for each; the kind is said once.

    Parameters
    ----------
    bits : iterable of TriedBit

    Returns
    -------
    list of tuple of str
        As `HEADS`.
    """
    rows: list[tuple[str, ...]] = []
    before = ""
    for one in bits:
        kind = "" if one.kind == before else one.kind
        before = one.kind
        trial = one.trial if one.bit == one.kind else f"{one.trial}: {one.bit}"
        about = (
            one.workpiece or "–",
            one.last_measured,
            str(one.parts_cut),
            one.life,
            one.cost,
            one.using_up,
        )
        rows.append((kind, trial, *about))
    return rows


def side_by_side(bits: Sequence[TriedBit]) -> list[tuple[str, list[TriedBit]]]:
    """Kinds that were tried in more than one trial, each with its bits.

    Parameters
    ----------
    bits : sequence of TriedBit

    Returns
    -------
    list of (str, list of TriedBit)
    """
    kinds: dict[str, list[TriedBit]] = {}
    for one in bits:
        kinds.setdefault(one.kind, []).append(one)
    return [(kind, each) for kind, each in kinds.items() if len({one.trial for one in each}) > 1]


def legend_text(one: TriedBit) -> str:
    """What a bit is called beside the others of its kind.

    Parameters
    ----------
    one : TriedBit

    Returns
    -------
    str
    """
    said = f"{one.trial}, {one.bit}" if one.bit != one.kind else one.trial
    return f"{said} ({one.workpiece})" if one.workpiece else said


def several_trials(bits: Sequence[TriedBit]) -> list[str]:
    """Say which kinds were tried more than once, and what to look at before comparing.

    Parameters
    ----------
    bits : sequence of TriedBit

    Returns
    -------
    list of str
    """
    trials: dict[str, dict[str, str]] = {}
    for one in bits:
        trials.setdefault(one.kind, {})[one.trial] = one.workpiece
    said = []
    for kind, tried in trials.items():
        if len(tried) < 2:
            continue
        line = f"{kind} was tried {len(tried)} times: {', '.join(tried)}."
        if len(set(tried.values())) > 1:
            line += " The materials differ, so do not compare these lives."
        said.append(line)
    return said


def history_pdf(history: History, title: str, day: str) -> bytes:
    """Print the history, A4 across.

    Parameters
    ----------
    history : History
    title : str
    day : str
        When it was made.

    Returns
    -------
    bytes
    """
    pages = Pages(title, f"{title} · made {day} with wearscope", "landscape")
    pages.add_page()
    pages.heading(title)
    pages.heading("What each bit came to", 1)
    pages.rows(HEADS, history_rows(history.bits), (2.2, 3.2, 2.6, 1.8, 1.4, 3.6, 2.6, 1.6), size=8.5)
    for line in several_trials(history.bits):
        pages.say(line)
    for kind, each in side_by_side(history.bits):
        pages.heading(f"{kind}, side by side", 1, room_mm=120)
        picture = rendered(
            partial(draw_side_by_side, [(legend_text(one), one.curves) for one in each]), "png"
        )
        if picture is not None:
            lives = "; ".join(f"{legend_text(one)}: {one.life}" for one in each)
            pages.picture(picture, f"Wear of {kind} over the parts cut. {lives}", width_mm=250, height_mm=130)
        rows = [(legend_text(one), one.life, one.cost, one.using_up) for one in each]
        pages.rows(
            ("Trial", f"Lasts {SURE}", f"Cost per part {SURE}", "Using it up"), rows, (4, 3, 3, 2), size=8.5
        )
    pages.heading("What was learnt", 1)
    for trial, verdict in history.verdicts:
        pages.say(trial, bold=True)
        pages.say(verdict)
    if history.left_out or history.not_seen:
        pages.heading("Not told here", 1)
        pages.items([*history.left_out, *history.not_seen])
    return bytes(pages.output())
