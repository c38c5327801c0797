"""A trial's rows to its outcome: the wear curve, life and cost per part of each bit, and which bit to stock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import isclose
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearscope.economics.cost import Use, use_of
from wearscope.economics.curve import Array, WearCurve, wear_curve
from wearscope.economics.life import BEYOND, HORIZON, Range, known_range, lives
from wearscope.economics.ranking import chances, cost_of_choosing_wrongly, expected_after, value_of_checkpoint
from wearscope.economics.readings import Limit, Readings, limits_of, readings
from wearscope.errors import WearscopeError
from wearscope.log.records import Record
from wearscope.process.fairness import SAME, fair_trial
from wearscope.report import decision_words as words
from wearscope.trial import Bit, Trial

Over = Literal["parts", "minutes", "metres"]

SEED = 20_240_229
"""All draws start from it and the bit's name, so that the same rows give the same outcome."""
N_DRAWS = 4000


@dataclass(frozen=True)
class Band:
    """What a curve may be at each place of a grid: its median, and the 50 % and 95 % ranges; shape (T,) each."""

    low95: Array
    low50: Array
    median: Array
    high50: Array
    high95: Array


@dataclass(frozen=True)
class QuantityCurve:
    """The wear curve of one quantity on one bit.

    Attributes
    ----------
    quantity, unit : str
        As in ``measurements.csv``.
    limit : Limit or None
    readings : tuple of Record
        The points, each with its uncertainty.
    parts : ndarray, shape (T,)
        Where `worst` and `mean` are given, from 0 to the horizon.
    worst, mean : Band
        Of the worst flute, and of the mean of the flutes, in `unit`.
    weights : dict of str to float
        Probability of each shape of curve.
    scatter : float
        Scatter of the points beyond their uncertainty (standard deviation, in `unit`).
    flute_ratio : float or None
        Wear of the worst flute over that of the least worn, median; None with a single flute measured.
    why : str
        Which shape was used, and why.
    """

    quantity: str
    unit: str
    limit: Limit | None
    readings: tuple[Record, ...]
    parts: Array
    worst: Band
    mean: Band
    weights: dict[str, float]
    scatter: float
    flute_ratio: float | None
    why: str


@dataclass(frozen=True)
class BitOutcome:
    """What the trial says of one bit.

    Attributes
    ----------
    bit : str
    price : float
    use : Use
        What using it up costs.
    coated : bool
        Whether it has a coating that can be lost.
    parts_cut, horizon : float
        Parts at its last checkpoint that could be used, and parts beyond which no life is stated. 0 where nothing
        was measured.
    curves : tuple of QuantityCurve
    life, life_of_mean : Range or None
        Parts until its worst flute, or the mean of its flutes, reaches the first limit; ends at or beyond the
        horizon are None. None as a whole if nothing can be said, for the reason in `why_not`.
    at_least : float
        Parts that it lasts with 97.5 % probability, at most the horizon.
    ended_by : dict of str to float
        How often each quantity is the one that ends its life.
    cost : Range or None
        Money per part; low ends that need a life beyond the horizon are None. None as a whole without a life, and for
        a bit that costs nothing to use up.
    cost_at_horizon : float
        Money per part if it lasts just to the horizon.
    chance, chance_by_horizon : float or None
        Probability that it is the cheapest: as the curves go on, and if no bit lasts beyond its horizon.
    why_not : str
        Why there is no life, and what to do; empty if there is one.
    remarks : tuple of str
    sentences : tuple of str
        The above in plain words.
    life_draws, cost_draws : ndarray, shape (N,)
        Equally likely, in parts (at most `BEYOND` times the parts cut) and in money per part. Empty without a life.
    """

    bit: str
    price: float
    use: Use
    coated: bool
    parts_cut: float
    horizon: float
    curves: tuple[QuantityCurve, ...]
    life: Range | None = None
    life_of_mean: Range | None = None
    at_least: float = 0.0
    ended_by: dict[str, float] = field(default_factory=dict)
    cost: Range | None = None
    cost_at_horizon: float = 0.0
    chance: float | None = None
    chance_by_horizon: float | None = None
    why_not: str = ""
    remarks: tuple[str, ...] = ()
    sentences: tuple[str, ...] = ()
    life_draws: Array = field(default_factory=lambda: np.empty(0))
    cost_draws: Array = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True)
class BreakEven:
    """What would make one bit as cheap per part as another, at the medians of both, no life beyond its horizon.

    Attributes
    ----------
    bit, other : str
    life_parts : float
        Parts that `bit` would have to last.
    price : float
        Price that `bit` would have to have.
    """

    bit: str
    other: str
    life_parts: float
    price: float


@dataclass(frozen=True)
class NextCheckpoint:
    """What one more checkpoint on all bits that still cut would be worth.

    Attributes
    ----------
    parts : float
    bits : tuple of str
        Those that would be cut on and photographed.
    money_per_1000_parts : float
        Expected saving, from choosing the right bit more often.
    money_per_year : float or None
        The same for the parts that the shop makes in a year, if stated.
    """

    parts: float
    bits: tuple[str, ...]
    money_per_1000_parts: float
    money_per_year: float | None


@dataclass(frozen=True)
class Axis:
    """What lives are told in: `factor` times the parts gives a number of `unit`."""

    over: Over
    factor: float
    unit: str


@dataclass(frozen=True)
class Outcome:
    """What a trial says, ready to be shown.

    Attributes
    ----------
    trial : str
    currency : str
        Empty if the trial file does not say.
    axis : Axis
    bits : tuple of BitOutcome
        In the order of the trial file.
    verdict : str
        Which bit to stock, in a sentence.
    sentences : tuple of str
        What else there is to say of the trial as a whole, such as what to do next.
    wrong_choice_per_1000_parts : float or None
        Money expected to be lost by taking the bit that looks cheapest now.
    next_checkpoint : NextCheckpoint or None
    break_even : tuple of BreakEven
        Each other bit against the one most likely the cheapest if none lasts beyond its horizon.
    seed : int
    """

    trial: str
    currency: str
    axis: Axis
    bits: tuple[BitOutcome, ...]
    verdict: str
    sentences: tuple[str, ...]
    wrong_choice_per_1000_parts: float | None
    next_checkpoint: NextCheckpoint | None
    break_even: tuple[BreakEven, ...]
    seed: int = SEED


def axis_of(trial: Trial, over: Over) -> Axis:
    """Give what lives are told in.

    Raises
    ------
    WearscopeError
        The trial file does not say how much of it one part takes, or it differs from bit to bit.
    """
    if over == "parts":
        return Axis(over, 1.0, "parts")
    if over == "minutes":
        factors, key, unit = {trial.minutes_per_part}, "minutes_per_part", "min"
    else:  # what the programs cut counts before what is stated
        factors = {bit.cut_length_m_per_part for bit in fair_trial(trial).bits}
        key, unit = "cut_length_m_per_part", "m"
    factor = max(factors, key=lambda length: length or 0.0)
    if factor is None or None in factors:
        raise WearscopeError(f"{trial.path} has no trial.{key}", f"give it, or leave out --over {over}")
    if not all(isclose(factor, length, rel_tol=SAME) for length in factors if length):
        raise WearscopeError(
            f"the programs of the bits in {trial.path} cut different lengths per part",
            f"leave out --over {over}",
        )
    return Axis(over, factor, unit)


def outcome_of(trial: Trial, records: Sequence[Record], over: Over = "parts") -> Outcome:
    """Wear curves, life and cost per part of a trial's bits, and which of them to stock.

    Parameters
    ----------
    trial : Trial
    records : sequence of Record
        The rows that hold now, as ``WearLog.current`` gives them.
    over : {"parts", "minutes", "metres"}
        What lives are told in. Inside the outcome they are in parts.

    Returns
    -------
    Outcome

    Raises
    ------
    WearscopeError
        `over` needs something that the trial file does not say.
    """
    axis = axis_of(trial, over)
    currency = trial.currency or ""
    found = [_bit_outcome(trial, bit, records) for bit in trial.bits]
    bits = _with_chances([outcome for outcome, _ in found])
    bits = tuple(replace(bit, sentences=words.bit_sentences(bit, axis, currency)) for bit in bits)
    ranked = [bit for bit in bits if bit.cost]
    wrong = checkpoint = None
    if len(ranked) > 1:
        wrong = 1000 * cost_of_choosing_wrongly(np.array([bit.cost_draws for bit in ranked]))
        checkpoint = _next_checkpoint(trial, [pair for pair in found if pair[0].cost])
    even = _break_even(ranked)
    return Outcome(
        trial.name,
        currency,
        axis,
        bits,
        words.verdict(bits, currency),
        words.trial_sentences(bits, even, wrong, checkpoint, axis, currency),
        wrong,
        checkpoint,
        even,
    )


# --- One bit


@dataclass(frozen=True)
class _Followed:
    """A quantity with its curve; `order` deals its draws out, so that they are independent of other draws."""

    found: Readings
    curve: WearCurve
    limit: Limit | None
    order: NDArray[np.int_]

    def limit_draws(self) -> Array:
        """What the limit may be, shape (N,): all bits share it, so that `order` puts the same ones side by side."""
        assert self.limit is not None
        rng = np.random.default_rng([SEED, *f"{self.found.quantity}/limit".encode()])
        draws = np.empty(N_DRAWS)
        draws[self.order] = self.limit.value + self.limit.u * rng.standard_normal(N_DRAWS)
        return draws

    def seen_at(self, parts: float) -> Array:
        """What each draw's worst flute shows after so many parts, shape (N,)."""
        seen: Array = self.curve.value_at(np.array([parts]), worst=True)[self.order, 0]
        return seen


def _bit_outcome(trial: Trial, bit: Bit, records: Sequence[Record]) -> tuple[BitOutcome, list[_Followed]]:
    use = use_of(bit, trial.cost)
    limits = limits_of(trial.life, bit)
    quantities = [limit.quantity for limit in limits] or ["edge_radius", "coating_loss"][: 1 + bit.coated]
    gathered = [readings(records, bit, quantity) for quantity in quantities]
    followed = []
    for found, limit in zip(gathered, limits or [None] * len(gathered), strict=True):
        if found.points is not None:
            rng = np.random.default_rng([SEED, *f"{bit.name}/{found.quantity}".encode()])
            curve = wear_curve(found.points, rng, N_DRAWS)
            followed.append(_Followed(found, curve, limit, rng.permutation(N_DRAWS)))
    parts_cut = max((one.curve.parts_cut for one in followed), default=0.0)
    base = BitOutcome(
        bit.name,
        bit.price,
        use,
        bit.coated,
        parts_cut,
        HORIZON * min((one.curve.parts_cut for one in followed), default=0.0),
        tuple(_quantity_curve(one) for one in followed),
        remarks=words.remarks(trial.life, bit, gathered),
    )
    if why_not := words.why_no_life(trial, bit, limits, gathered):
        return replace(base, why_not=why_not), followed
    return _with_life(base, bit, followed), followed


def _with_life(base: BitOutcome, bit: Bit, followed: list[_Followed]) -> BitOutcome:
    worst, mean = [], []
    for one in followed:
        assert one.found.points is not None
        rng = np.random.default_rng([SEED, *f"{bit.name}/{one.found.quantity}/life".encode()])
        unseen = bit.flutes - len(set(one.found.flutes))
        of_worst, of_mean = lives(one.curve, one.found.points, one.limit_draws(), unseen, rng)
        worst.append(of_worst[one.order])
        mean.append(of_mean[one.order])
    life = np.min(worst, axis=0)
    first = np.argmin(worst, axis=0)
    reached = np.isfinite(life)
    ended = {
        one.found.quantity: float(np.mean(first[reached] == i)) if reached.any() else 0.0
        for i, one in enumerate(followed)
    }
    known = known_range(life, most=base.horizon)
    draws = np.clip(life, 1.0, BEYOND * base.parts_cut)  # a life of less than one part has no cost per part
    costs = base.use.per_part(draws)
    at_horizon = base.use.money / (base.use.lives * base.horizon)
    priced = base.use.money > 0
    return replace(
        base,
        life=known,
        life_of_mean=known_range(np.min(mean, axis=0), most=base.horizon),
        at_least=base.horizon if known.low95 is None else known.low95,
        ended_by=ended,
        cost=known_range(costs, least=at_horizon) if priced else None,
        cost_at_horizon=at_horizon,
        life_draws=draws,
        cost_draws=costs,
    )


def _quantity_curve(one: _Followed) -> QuantityCurve:
    parts = np.linspace(0.0, HORIZON * one.curve.parts_cut, 121)
    wear = one.curve.wear
    ratio = float(np.median(wear.max(axis=1) / wear.min(axis=1))) if wear.shape[1] > 1 else None
    return QuantityCurve(
        one.found.quantity,
        one.found.unit,
        one.limit,
        one.found.records,
        parts,
        _band(one.curve.value_at(parts, worst=True)),
        _band(one.curve.value_at(parts, worst=False)),
        one.curve.weights,
        one.curve.scatter,
        ratio,
        words.why_this_curve(one.curve.weights, len({row.parts for row in one.found.records})),
    )


def _band(values: Array) -> Band:
    return Band(*np.quantile(values, [0.025, 0.25, 0.5, 0.75, 0.975], axis=0))


# --- All bits


def _with_chances(bits: list[BitOutcome]) -> tuple[BitOutcome, ...]:
    ranked = [bit for bit in bits if bit.cost]
    if len(ranked) < 2:
        return tuple(bits)
    as_they_go = chances(np.array([bit.cost_draws for bit in ranked]))
    by_horizon = chances(np.array([np.maximum(bit.cost_draws, bit.cost_at_horizon) for bit in ranked]))
    of = {bit.bit: (float(a), float(b)) for bit, a, b in zip(ranked, as_they_go, by_horizon, strict=True)}
    return tuple(
        replace(bit, chance=of[bit.bit][0], chance_by_horizon=of[bit.bit][1]) if bit.bit in of else bit
        for bit in bits
    )


def _break_even(ranked: Sequence[BitOutcome]) -> tuple[BreakEven, ...]:
    if len(ranked) < 2:
        return ()
    best = max(ranked, key=lambda bit: bit.chance_by_horizon or 0.0)
    target = float(np.median(np.maximum(best.cost_draws, best.cost_at_horizon)))
    if target <= 0:
        return ()
    return tuple(
        BreakEven(
            bit.bit,
            best.bit,
            bit.use.break_even_life(target),
            bit.use.break_even_price(bit.price, min(float(np.median(bit.life_draws)), bit.horizon), target),
        )
        for bit in ranked
        if bit is not best
    )


def _next_checkpoint(
    trial: Trial, ranked: Sequence[tuple[BitOutcome, list[_Followed]]]
) -> NextCheckpoint | None:
    """One step further than the last checkpoint, for the bits that are not worn out."""
    done = sorted({row.parts for _, followed in ranked for one in followed for row in one.found.records})
    parts = float(2 * done[-1] - (done[-2] if len(done) > 1 else 0))
    after, cut_on = [], []
    for bit, followed in ranked:
        if float(np.median(bit.life_draws)) <= done[-1]:
            after.append(np.full_like(bit.cost_draws[:1], bit.cost_draws.mean()))
            continue
        cut_on.append(bit.bit)
        rng = np.random.default_rng([SEED, *f"{bit.bit}/next".encode()])
        seen = np.array([one.seen_at(parts) for one in followed])
        u = np.array([one.found.records[-1].std_uncertainty for one in followed], float)
        after.append(expected_after(bit.cost_draws, seen, u, rng))
    if not cut_on:
        return None
    per_part = value_of_checkpoint(np.array(np.broadcast_arrays(*after)))
    year = trial.cost.parts_per_year
    return NextCheckpoint(parts, tuple(cut_on), 1000 * per_part, None if year is None else year * per_part)
