"""What is said of a trial's outcome in the terminal, in its order."""

from __future__ import annotations

from dataclasses import dataclass

from wearscope.economics.due import due_bits
from wearscope.economics.outcome import Outcome
from wearscope.report.decision_words import bit_sentences, trial_sentences, verdict_text
from wearscope.report.due_words import due_notice
from wearscope.report.short_names import short_names, with_short_names
from wearscope.trial import Trial


@dataclass(frozen=True)
class Spoken:
    """The outcome of a trial, in words.

    Attributes
    ----------
    due : tuple of str
        Which bits are to be changed now, and how safely: before all else.
    verdict : str
    bits : tuple of (str, tuple of str)
        What is to be said of each bit.
    to_do : tuple of str
    """

    due: tuple[str, ...]
    verdict: str
    bits: tuple[tuple[str, tuple[str, ...]], ...]
    to_do: tuple[str, ...]


def spoken(trial: Trial, outcome: Outcome) -> Spoken:
    """Say the outcome of a trial.

    Parameters
    ----------
    trial : Trial
    outcome : Outcome

    Returns
    -------
    Spoken
    """
    said = Spoken(
        tuple(due_notice(trial, outcome)),
        verdict_text(outcome),
        tuple((bit.bit, tuple(bit_sentences(bit, outcome))) for bit in outcome.bits),
        tuple(trial_sentences(outcome, due_bits(trial, outcome))),
    )
    return with_short_names(said, short_names(bit.bit for bit in outcome.bits))
