"""A trial's rows to its outcome: the wear curve, life and cost per part of each bit, and which bit to stock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isclose

import numpy as np
from numpy.typing import NDArray

from wearscope.economics.cost import Use, use_of
from wearscope.economics.curve import Array, WearCurve, wear_curve
from wearscope.economics.ends import end_draws, endings
from wearscope.economics.kinds import next_lives, next_sudden
from wearscope.economics.life import HORIZON, QUANTILES, known_range, lives
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
from wearscope.economics.prior import LifePrior, trial_prior
from wearscope.economics.ranking import (
    chances,
    cost_of_choosing_wrongly,
    expected_after,
    regrets,
    shown,
    value_of_checkpoint,
)
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
CHANGE_SHARE = 0.05
"""Share of the next bits that may be worn out when it is time to change: 95 % still cut then."""


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
    scale = _scale_of(trial, records)
    found = [_bit_outcome(trial, bit, records, scale) for bit in trial.bits]
    kinds = [_kind(trial, kind, found, scale) for kind in dict.fromkeys(bit.make for bit in trial.bits)]
    ranked = [kind for kind in kinds if kind.priced]
    of_bit = {bit.bit: bit for kind in _with_chances(trial, kinds) for bit in kind}
    bits = tuple(of_bit[bit.name] for bit in trial.bits)
    wrong = checkpoint = None
    if len(ranked) > 1:
        wrong = 1000 * cost_of_choosing_wrongly(np.array([kind.costs for kind in ranked]))
        checkpoint = _next_checkpoint(trial, ranked)
    verdict = verdict_of(bits)
    return Outcome(
        trial.name,
        trial.currency or "",
        axis,
        bits,
        verdict,
        wrong,
        checkpoint,
        _break_even(bits, verdict),
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


def _scale_of(trial: Trial, records: Sequence[Record]) -> float:
    """Parts at the last checkpoint of the trial: what lives are measured by before anything is known of them."""
    names = {bit.name for bit in trial.bits}
    return float(max([row.parts for row in records if row.bit in names], default=0) or 1)


def _bit_outcome(
    trial: Trial, bit: Bit, records: Sequence[Record], scale: float
) -> tuple[BitOutcome, tuple[_Followed, ...]]:
    quantities = followed_on(trial.life, bit)
    limits = {limit.quantity: limit for limit in limits_of(trial.life, bit)}
    gathered = [readings(records, bit, quantity) for quantity in quantities]
    prior = trial_prior(scale, len(quantities))
    curves = tuple(
        _follow(bit, found, limits.get(found.quantity), prior) for found in gathered if found.points
    )
    ended = endings(records, trial.life, bit)
    base = BitOutcome(
        bit.name,
        stated(bit.price),
        use_of(bit, trial.cost),
        bit.coated,
        max([one.curve.parts_cut for one in curves] + [one.parts for one in ended], default=0.0),
        HORIZON
        * min((one.curve.parts_cut for one in curves), default=max((one.parts for one in ended), default=0)),
        tuple(_quantity_curve(one) for one in curves),
        tuple(_evidence(trial, bit, found) for found in gathered),
        not_faced(trial.life, bit),
        endings=ended,
        kind=bit.make,
        why_not=_why_no_life(trial, limits, gathered, known_otherwise=any(not one.doubtful for one in ended)),
    )
    alone = trial_prior(scale)
    return (base if base.why_not else _with_life(base, bit, curves, alone)), curves


def _follow(bit: Bit, found: Readings, limit: Limit | None, prior: LifePrior) -> _Followed:
    assert found.points is not None
    rng = np.random.default_rng([SEED, *f"{bit.name}/{found.quantity}".encode()])
    points = found.points
    # without a limit the life is one in name only: any wear beyond what was seen will do
    ends_at = limit.value if limit else 2.0 * float((points.value + points.u).max())
    if ends_at <= points.new:  # no life is told then
        ends_at = 2.0 * max(points.new, float((points.value + points.u).max()))
    curve = wear_curve(points, ends_at, prior, rng, N_DRAWS)
    return _Followed(found, curve, limit, rng.permutation(N_DRAWS))


def _evidence(trial: Trial, bit: Bit, found: Readings) -> Evidence:
    unmeasured = sorted(set(range(1, stated(bit.flutes) + 1)) - set(found.flutes)) if found.points else ()
    read = {(row.flute, row.parts) for row in found.records}
    photographed = {
        (photo.flute, photo.parts) for photo in trial.photos if photo.bit == bit.name and photo.parts
    }
    missing = sorted({parts for _, parts in photographed - read}) if found.points else ()
    return Evidence(found.quantity, found.n_doubtful, found.n_refused, tuple(unmeasured), tuple(missing))


def _why_no_life(
    trial: Trial, limits: dict[str, Limit], gathered: Sequence[Readings], *, known_otherwise: bool
) -> Reason | None:
    """Why a bit has no life; None if it has one. A chip or a break tells of its end without any curve."""
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
    if known_otherwise:
        return None
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


def _with_life(base: BitOutcome, bit: Bit, followed: Sequence[_Followed], prior: LifePrior) -> BitOutcome:
    worst, mean = [], []
    for one in followed:
        assert one.found.points is not None
        rng = np.random.default_rng([SEED, *f"{bit.name}/{one.found.quantity}/life".encode()])
        unseen = stated(bit.flutes) - len(set(one.found.flutes))
        of_worst, of_mean = lives(one.curve, one.found.points, one.limit_draws(), unseen, rng)
        worst.append(of_worst[one.order])
        mean.append(of_mean[one.order])
    rng = np.random.default_rng([SEED, *f"{bit.name}/ends".encode()])
    if not followed:  # nothing is known of its wear, but that it lasted to the chip
        worst = mean = [np.maximum(prior.life(rng.standard_normal(N_DRAWS)), base.parts_cut)]
    sudden = end_draws(base.endings, N_DRAWS, rng)
    of_wear = np.maximum(np.min(worst, axis=0), 1.0)  # a life of less than one part has no cost per part
    first = np.where(sudden < of_wear, len(worst), np.argmin(worst, axis=0))
    names = [one.found.quantity for one in followed] or [""]
    ended = {name: float(np.mean(first == i)) for i, name in enumerate(names) if name}
    if base.endings:
        last = base.endings[0].quantity
        ended[last] = ended.get(last, 0.0) + float(np.mean(first == len(worst)))
    known = known_range(np.minimum(of_wear, sudden), most=base.horizon)
    return replace(
        base,
        life=known,
        life_of_mean=known_range(np.minimum(np.min(mean, axis=0), sudden), most=base.horizon),
        at_least=base.horizon if known.low95 is None else known.low95,
        ended_by=ended,
        wear_draws=of_wear,
        sudden_draws=np.maximum(sudden, 1.0),
    )


def _quantity_curve(one: _Followed) -> QuantityCurve:
    parts = np.linspace(0.0, HORIZON * one.curve.parts_cut, N_GRID)
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
    )


def _band(values: Array) -> Band:
    return Band(*np.quantile(values, QUANTILES, axis=0))


# --- The kinds


@dataclass(frozen=True)
class _Kind:
    """The bits of a kind. Draws are of the next one; `picked` says which draw of the others each goes with."""

    bits: tuple[BitOutcome, ...]
    followed: tuple[tuple[_Followed, ...], ...]
    tried: tuple[int, ...]
    next_draws: Array
    picked: NDArray[np.int_]
    horizon: float

    @property
    def use(self) -> Use:
        return self.bits[0].use

    @property
    def priced(self) -> bool:
        return bool(self.tried) and self.use.money > 0

    @property
    def costs(self) -> Array:
        return self.use.per_part(self.next_draws)


def _kind(
    trial: Trial, name: str, found: Sequence[tuple[BitOutcome, tuple[_Followed, ...]]], scale: float
) -> _Kind:
    ours = [pair for pair in found if pair[0].kind == name]
    bits, followed = tuple(bit for bit, _ in ours), tuple(curves for _, curves in ours)
    tried = tuple(i for i, bit in enumerate(bits) if bit.life)
    if not tried:
        return _Kind(bits, followed, (), np.empty(0), np.empty(0, int), 0.0)
    rng = np.random.default_rng([SEED, *f"{name}/kind".encode()])
    of_wear = np.array([bits[i].wear_draws for i in tried])
    draws, picked = next_lives(of_wear, trial.life.bit_to_bit, trial_prior(scale), rng)
    sudden = np.array([bits[i].sudden_draws for i in tried])[:, picked]
    cut = np.array([bits[i].parts_cut for i in tried])[:, None]
    draws = np.maximum(np.minimum(draws, next_sudden(sudden, cut, rng)), 1.0)
    return _Kind(bits, followed, tried, draws, picked, max(bits[i].horizon for i in tried))


def _with_chances(trial: Trial, kinds: Sequence[_Kind]) -> list[tuple[BitOutcome, ...]]:
    """The bits of each kind, with what is said of the next one."""
    ranked = [kind for kind in kinds if kind.priced]
    told = [_with_next(kind) for kind in kinds]
    if len(ranked) < 2:
        return told
    costs = np.array([kind.costs for kind in ranked])
    beforehand = _beforehand(trial, ranked)
    numbers = zip(regrets(costs), chances(costs), chances(beforehand), strict=True)
    told_chance = shown(costs, beforehand)
    of = {
        kind.bits[0].kind: (float(regret), float(chance) if told_chance else None, float(before))
        for kind, (regret, chance, before) in zip(ranked, numbers, strict=True)
    }
    return [
        tuple(
            replace(bit, regret=of[bit.kind][0], chance=of[bit.kind][1], chance_beforehand=of[bit.kind][2])
            if bit.kind in of
            else bit
            for bit in bits
        )
        for bits in told
    ]


def _with_next(kind: _Kind) -> tuple[BitOutcome, ...]:
    if not kind.tried:
        return kind.bits
    known = known_range(kind.next_draws, most=kind.horizon)
    change_at = min(float(np.quantile(kind.next_draws, CHANGE_SHARE)), kind.horizon)
    at_horizon = kind.use.money / (kind.use.lives * kind.horizon)
    return tuple(
        replace(
            bit,
            n_tried=len(kind.tried),
            next_life=known,
            change_at=change_at,
            cost=known_range(kind.costs, least=at_horizon) if kind.priced else None,
            cost_at_horizon=at_horizon,
            next_draws=kind.next_draws,
            cost_draws=kind.costs,
        )
        for bit in kind.bits
    )


def _beforehand(trial: Trial, ranked: Sequence[_Kind]) -> Array:
    """Costs by the prior of a life and the prices alone, shape (B, N)."""
    rng = np.random.default_rng([SEED, *b"beforehand"])
    prior = trial_prior(1.0)  # all costs go with the scale, so that it does not matter
    z = rng.standard_normal((2, len(ranked), N_DRAWS))
    drawn = prior.life(z[0]) * np.exp(trial.life.bit_to_bit * z[1])
    return np.array([kind.use.per_part(life) for kind, life in zip(ranked, drawn, strict=True)])


def verdict_of(bits: Sequence[BitOutcome]) -> Verdict:
    """Which kind of bit to stock.

    Parameters
    ----------
    bits : sequence of BitOutcome
        With their chances, or with none of them.

    Returns
    -------
    Verdict
    """
    kinds: dict[str, BitOutcome] = {}
    for bit in bits:
        kind = bit.kind or bit.bit
        if kind not in kinds or not kinds[kind].cost:
            kinds[kind] = bit
    ranked = sorted(
        (kind for kind in kinds if kinds[kind].cost),
        key=lambda kind: (float(kinds[kind].cost_draws.mean()), -(kinds[kind].chance or 0.0)),
    )
    return Verdict(
        _choice(bits, [kinds[kind] for kind in ranked]),
        tuple(ranked),
        tuple(kind for kind in kinds if not kinds[kind].cost),
    )


def _choice(bits: Sequence[BitOutcome], ranked: Sequence[BitOutcome]) -> Choice:
    if not ranked:
        return "no-price" if any(bit.life for bit in bits) else "nothing-known"
    if len(ranked) == 1:
        return "one-bit"
    chance = ranked[0].chance
    if chance is None:
        return "not-shown"
    if chance < LIKELY:
        return "undecided"
    return "cheapest" if chance >= CLEAR else "probably-cheapest"


def _break_even(bits: Sequence[BitOutcome], verdict: Verdict) -> tuple[BreakEven, ...]:
    of = {bit.kind: bit for bit in reversed(bits)}
    ranked = [of[kind] for kind in verdict.ranked]
    if len(ranked) < 2:
        return ()
    best, *others = ranked
    target = float(np.median(np.maximum(best.cost_draws, best.cost_at_horizon)))
    if target <= 0:
        return ()
    return tuple(
        BreakEven(
            bit.kind,
            best.kind,
            bit.use.break_even_life(target),
            bit.use.break_even_price(bit.price, min(float(np.median(bit.next_draws)), bit.horizon), target),
        )
        for bit in others
    )


def _next_checkpoint(trial: Trial, ranked: Sequence[_Kind]) -> NextCheckpoint | None:
    """One step further than the last checkpoint, for the bits that are not worn out."""
    rows = [
        row for kind in ranked for followed in kind.followed for one in followed for row in one.found.records
    ]
    done = sorted({row.parts for row in rows} | {0})
    parts = float(2 * done[-1] - done[-2]) if len(done) > 1 else 0.0
    after, cut_on = [], []
    for kind in ranked:
        going = [i for i in kind.tried if kind.followed[i] and np.median(kind.bits[i].life_draws) > done[-1]]
        if not going:
            after.append(np.full(1, kind.costs.mean()))
            continue
        cut_on += [kind.bits[i].bit for i in going]
        rng = np.random.default_rng([SEED, *f"{kind.bits[0].kind}/next".encode()])
        looked_at = [one for i in going for one in kind.followed[i]]
        seen = np.array([one.seen_at(parts)[kind.picked] for one in looked_at])
        u = np.array([one.found.records[-1].std_uncertainty for one in looked_at], float)
        after.append(expected_after(kind.costs, seen, u, rng))
    if not cut_on:
        return None
    per_part = value_of_checkpoint(np.array(np.broadcast_arrays(*after)))
    year = trial.cost.parts_per_year
    return NextCheckpoint(parts, tuple(cut_on), 1000 * per_part, None if year is None else year * per_part)
