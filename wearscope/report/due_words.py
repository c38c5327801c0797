"""What is due now, in words: the same for every page that says so."""

from __future__ import annotations

from wearscope.economics.due import when_due
from wearscope.economics.outcome import Outcome
from wearscope.report.report_words import CAUTIONS
from wearscope.trial import Trial


def due_lines(trial: Trial, outcome: Outcome) -> tuple[str, ...]:
    """What must be done before anything else; how to do it safely (`CAUTIONS`) belongs beside it.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome

    Returns
    -------
    tuple of str
        A line for each bit that is due.
    """
    return tuple(
        f"CHANGE NOW: {due.bit} has cut {due.parts_so_far} parts; by its photos it may be worn out from "
        f"{due.change_at} parts on."
        for due in when_due(trial, outcome)
        if due.now
    )


def due_notice(trial: Trial, outcome: Outcome) -> tuple[str, ...]:
    """Give the same with the cautions after it, for where they stand nowhere else.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome

    Returns
    -------
    tuple of str
        Empty if no bit is due.
    """
    lines = due_lines(trial, outcome)
    return (*lines, *CAUTIONS) if lines else ()
