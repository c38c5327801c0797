"""A trial's rows to its outcome: the wear curve, life and cost per part of each bit, and which bit to stock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isclose

import numpy as np
from numpy.typing import NDArray

from wearscope.economics.cost import use_of
from wearscope.economics.curve import Array, WearCurve, wear_curve
from wearscope.economics.life import BEYOND, HORIZON, QUANTILES, known_range, lives
from wearscope.economics.outcome import (
    Axis,
    Band,
    BitOutcome,
    BreakEven,
    Choice,
    Evidence,
    NextCheckpoint,
    Outcome,
    Over,
    QuantityCurve,
    Verdict,
)
from wearscope.economics.ranking import chances, cost_of_choosing_wrongly, expected_after, value_of_checkpoint
from wearscope.economics.readings import Limit, Readings, followed_on, limits_of, not_faced, readings
from wearscope.errors import WearscopeError
from wearscope.log.records import Record
from wearscope.process.fairness import SAME, fair_trial
from wearscope.quantities.reasons import Reason, reason
from wearscope.trial import Bit, Trial
from wearscope.trial.asking import COST_KEYS, require, stated

SEED = 20_240_229
"""All draws start from it and the bit's name, so that the same rows give the same outcome."""
N_DRAWS = 4000
"""Of each bit: the 2.5 % ends of a range then scatter by a few per cent of its width from seed to seed."""
N_GRID = 121
"""Places at which a curve is given."""
CLEAR, LIKELY = 0.8, 0.6
"""Chances from which a bit is called the cheapest, and probably the cheapest; chosen, no source."""


def axis_of(trial: Trial, over: Over) -> Axis:
    """What lives are told in.

    Parameters
    ----------
    trial : Trial
    over : {"parts", "minutes", "metres"}

    Returns
    -------
    Axis

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
    TrialError
        The trial file does not say what a bit costs, or how many flutes it has.
    WearscopeError
        `over` needs something that the trial file does not say.
    """
    require(trial, COST_KEYS, "the outcome")
    axis = axis_of(trial, over)
    found = [_bit_outcome(trial, bit, records) for bit in trial.bits]
    bits = _with_chances([outcome for outcome, _ in found])
    ranked = [bit for bit in bits if bit.cost]
    wrong = checkpoint = None
    if len(ranked) > 1:
        wrong = 1000 * cost_of_choosing_wrongly(np.array([bit.cost_draws for bit in ranked]))
        checkpoint = _next_checkpoint(trial, [pair for pair in found if pair[0].cost])
    return Outcome(
        trial.name,
        trial.currency or "",
        axis,
        bits,
        verdict_of(bits),
        wrong,
        checkpoint,
        _break_even(ranked),
        SEED,
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
    quantities = followed_on(trial.life, bit)
    limits = {limit.quantity: limit for limit in limits_of(trial.life, bit)}
    gathered = [readings(records, bit, quantity) for quantity in quantities]
    curves = [_follow(bit, found, limits.get(found.quantity)) for found in gathered if found.points]
    base = BitOutcome(
        bit.name,
        stated(bit.price),
        use_of(bit, trial.cost),
        bit.coated,
        max((one.curve.parts_cut for one in curves), default=0.0),
        HORIZON * min((one.curve.parts_cut for one in curves), default=0.0),
        tuple(_quantity_curve(one) for one in curves),
        tuple(_evidence(bit, found) for found in gathered),
        not_faced(trial.life, bit),
        why_not=_why_no_life(trial, limits, gathered),
    )
    return (base if base.why_not else _with_life(base, bit, curves)), curves


def _follow(bit: Bit, found: Readings, limit: Limit | None) -> _Followed:
    assert found.points is not None
    rng = np.random.default_rng([SEED, *f"{bit.name}/{found.quantity}".encode()])
    return _Followed(found, wear_curve(found.points, rng, N_DRAWS), limit, rng.permutation(N_DRAWS))


def _evidence(bit: Bit, found: Readings) -> Evidence:
    unmeasured = sorted(set(range(1, stated(bit.flutes) + 1)) - set(found.flutes)) if found.points else ()
    return Evidence(found.quantity, found.n_doubtful, found.n_refused, tuple(unmeasured))


def _why_no_life(trial: Trial, limits: dict[str, Limit], gathered: Sequence[Readings]) -> Reason | None:
    """Why a bit has no life; None if it has one."""
    file = trial.path.name
    if not limits:
        return (
            reason("no-coating-to-end-its-life")
            if trial.life.limited
            else reason("no-limit", trial_file=file)
        )
    for found in gathered:
        limit = limits[found.quantity]
        if found.points is not None and limit.value <= found.points.new:
            return reason(
                "limit-not-above-new",
                quantity=found.quantity,
                new=found.points.new,
                limit=limit.value,
                trial_file=file,
            )
    for found in gathered:
        if found.points is None and (found.n_doubtful or found.n_refused):
            return reason(
                "none-usable",
                quantity=found.quantity,
                n_doubtful=found.n_doubtful,
                n_refused=found.n_refused,
            )
        if found.points is None:
            return reason("none-measured", quantity=found.quantity)
    return None


def _with_life(base: BitOutcome, bit: Bit, followed: list[_Followed]) -> BitOutcome:
    worst, mean = [], []
    for one in followed:
        assert one.found.points is not None
        rng = np.random.default_rng([SEED, *f"{bit.name}/{one.found.quantity}/life".encode()])
        unseen = stated(bit.flutes) - len(set(one.found.flutes))
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
    parts = np.linspace(0.0, HORIZON * one.curve.parts_cut, N_GRID)
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
    )


def _band(values: Array) -> Band:
    return Band(*np.quantile(values, QUANTILES, axis=0))


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


def verdict_of(bits: Sequence[BitOutcome]) -> Verdict:
    """Which bit to stock.

    Parameters
    ----------
    bits : sequence of BitOutcome
        With their chances.

    Returns
    -------
    Verdict
    """
    ranked = sorted(
        (bit for bit in bits if bit.cost), key=lambda bit: (-(bit.chance or 0.0), bit.cost_draws.mean())
    )
    return Verdict(
        _choice(bits, ranked),
        tuple(bit.bit for bit in ranked),
        tuple(bit.bit for bit in bits if not bit.cost),
    )


def _choice(bits: Sequence[BitOutcome], ranked: Sequence[BitOutcome]) -> Choice:
    if not ranked:
        return "no-price" if any(bit.life for bit in bits) else "nothing-known"
    if len(ranked) == 1:
        return "one-bit"
    chance = ranked[0].chance or 0.0
    if max(ranked, key=lambda bit: bit.chance_by_horizon or 0.0) is not ranked[0]:
        return "cheapest-only-beyond-the-horizon"
    if chance < LIKELY:
        return "undecided"
    return "cheapest" if chance >= CLEAR else "probably-cheapest"


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
