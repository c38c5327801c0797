"""A trial's rows to its outcome: the wear curve, life and cost per part of each bit, and which bit to stock."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import inf, isclose

import numpy as np
from numpy.typing import NDArray

from wearscope.economics.cost import Use
from wearscope.economics.curve import Array
from wearscope.economics.due import rounded_down
from wearscope.economics.kinds import KIND_SPREAD, next_lives, next_sudden, side_by_side
from wearscope.economics.life import known_range
from wearscope.economics.one_bit import SEED, Followed, Solve, answers, bit_outcome, gather, limit_error
from wearscope.economics.outcome import (
    Axis,
    BitOutcome,
    BreakEven,
    ByLimitsOfAll,
    Choice,
    NextCheckpoint,
    Outcome,
    Over,
    Verdict,
)
from wearscope.economics.prior import trial_prior
from wearscope.economics.ranking import (
    chances,
    cost_of_choosing_wrongly,
    expected_after,
    regrets,
    shown,
    value_of_checkpoint,
)
from wearscope.economics.readings import Readings, followed_on
from wearscope.errors import WearscopeError
from wearscope.log.records import Record
from wearscope.process.fairness import SAME, fair_trial
from wearscope.quantities.quantity import LIMITS
from wearscope.trial import Trial
from wearscope.trial.asking import LIFE_KEYS, require, stated

N_DRAWS = 4000
"""Of each bit: the 2.5 % ends of a range then scatter by a few per cent of its width from seed to seed."""
N_STRATA = 20
"""Places in its spread at which a limit that is not sure is held for all kinds of a trial."""
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


def outcome_of(
    trial: Trial,
    records: Sequence[Record],
    over: Over = "parts",
    n_draws: int = N_DRAWS,
    *,
    solve: Solve = answers,
) -> Outcome:
    """Wear curves, life and cost per part of a trial's bits, and which of them to stock.

    Parameters
    ----------
    trial : Trial
    records : sequence of Record
        The rows that hold now, as ``WearLog.current`` gives them.
    over : {"parts", "minutes", "metres"}
        What lives are told in. Inside the outcome they are in parts.
    n_draws : int
        Of each bit.
    solve : callable
        Who fits the wear curves; by default this process, one after the other.

    Returns
    -------
    Outcome

    Raises
    ------
    TrialError
        The trial file does not say how many flutes a bit has.
    WearscopeError
        `over` needs something that the trial file does not say.
    """
    require(trial, LIFE_KEYS, "the outcome")
    axis = axis_of(trial, over)
    scale = _scale_of(trial, records)
    found = _bits(trial, records, scale, n_draws, solve)
    kinds = [_kind(trial, kind, found, scale) for kind in dict.fromkeys(bit.make for bit in trial.bits)]
    kinds = _beside_each_other(trial, kinds, scale)
    ranked = [kind for kind in kinds if kind.priced]
    of_bit = {bit.bit: bit for kind in _with_chances(trial, kinds) for bit in kind}
    bits = tuple(of_bit[bit.name] for bit in trial.bits)
    wrong = checkpoint = None
    if len(ranked) > 1:
        wrong = 1000 * cost_of_choosing_wrongly(np.array([kind.costs for kind in ranked]))
        checkpoint = _next_checkpoint(trial, ranked, solve)
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
        _by_limits_of_all(trial, records, n_draws, solve) if len(ranked) > 1 else None,
        trial.life.bit_to_bit,
        SEED,
    )


def _by_limits_of_all(
    trial: Trial, records: Sequence[Record], n_draws: int, solve: Solve
) -> ByLimitsOfAll | None:
    faced = [set(followed_on(trial.life, bit)) for bit in trial.bits]
    unequal = faced[0].union(*faced) - faced[0].intersection(*faced)
    left_out = tuple(quantity for quantity in trial.life.limited if quantity in unequal)
    if not left_out or len(left_out) == len(trial.life.limited):
        return None
    keys = [LIMITS[quantity].key for quantity in left_out]
    none = dict.fromkeys([*keys, *(f"u_{key}" for key in keys)])
    alike = trial.model_copy(update={"life": trial.life.model_copy(update=none)})
    found = outcome_of(alike, records, n_draws=n_draws, solve=solve)
    if len(found.verdict.ranked) < 2:
        return None
    first = found.verdict.ranked[0]
    return ByLimitsOfAll(left_out, first, found.of_kind(first).chance)


def _scale_of(trial: Trial, records: Sequence[Record]) -> float:
    """Parts at the last checkpoint of the trial: what lives are measured by before anything is known of them."""
    names = {bit.name for bit in trial.bits}
    return float(max([row.parts for row in records if row.bit in names], default=0) or 1)


def _bits(
    trial: Trial, records: Sequence[Record], scale: float, n_draws: int, solve: Solve
) -> list[tuple[BitOutcome, tuple[Followed, ...]]]:
    """Each bit by itself, and the curves that this comes from."""
    rows: dict[str, list[Record]] = {}
    for row in records:
        rows.setdefault(row.bit, []).append(row)
    gathered = [
        gather(trial, bit, rows.get(bit.name, ()), trial.photos_of(bit.name), scale) for bit in trial.bits
    ]
    parts = _next_parts(found for each in gathered for found in each.found)
    asked = [each.questions(n_draws, parts) for each in gathered]
    given = iter(solve([question for each in asked for _, question in each]))
    followed = [tuple(Followed(found, question, next(given)) for found, question in each) for each in asked]
    return [
        (bit_outcome(trial, each, curves, n_draws), curves)
        for each, curves in zip(gathered, followed, strict=True)
    ]


def _next_parts(found: Iterable[Readings]) -> float:
    """One step further than the last checkpoint; 0 where there is none."""
    done = sorted({row.parts for one in found for row in one.records} | {0})
    return float(2 * done[-1] - done[-2]) if len(done) > 1 else 0.0


# --- The kinds


@dataclass(frozen=True)
class _Kind:
    """The bits of a kind. Draws are of the next one; `picked` says which draw of the others each goes with.

    `level` is the life of the kind that each draw comes from, by wear.
    """

    bits: tuple[BitOutcome, ...]
    followed: tuple[tuple[Followed, ...], ...]
    tried: tuple[int, ...]
    level: Array
    next_draws: Array
    picked: NDArray[np.int_]
    horizon: float

    @property
    def use(self) -> Use:
        return stated(self.bits[0].use)

    @property
    def priced(self) -> bool:
        of = self.bits[0].use
        return bool(self.tried) and of is not None and of.money > 0

    @property
    def costs(self) -> Array:
        return self.use.per_part(self.next_draws)


def _kind(
    trial: Trial, name: str, found: Sequence[tuple[BitOutcome, tuple[Followed, ...]]], scale: float
) -> _Kind:
    ours = [pair for pair in found if pair[0].kind == name]
    bits, followed = tuple(bit for bit, _ in ours), tuple(curves for _, curves in ours)
    tried = tuple(i for i, bit in enumerate(bits) if bit.life)
    if not tried:
        return _Kind(bits, followed, (), np.empty(0), np.empty(0), np.empty(0, int), 0.0)
    rng = np.random.default_rng([SEED, *f"{name}/kind".encode()])
    of_wear = np.array([bits[i].wear_draws for i in tried])
    draws, level, picked = next_lives(of_wear, trial.life.bit_to_bit, trial_prior(scale), rng)
    sudden = np.array([bits[i].sudden_draws for i in tried])[:, picked]
    cut = np.array([bits[i].parts_cut for i in tried])[:, None]
    draws = np.maximum(np.minimum(draws, next_sudden(sudden, cut, rng)), 1.0)
    return _Kind(bits, followed, tried, level, draws, picked, max(bits[i].horizon for i in tried))


def _beside_each_other(trial: Trial, kinds: Sequence[_Kind], scale: float) -> list[_Kind]:
    """The kinds with their draws put side by side, as they were tried in one trial."""
    tried = [kind for kind in kinds if kind.tried]
    if len(tried) < 2:
        return list(kinds)
    rng = np.random.default_rng([SEED, *b"trial"])
    levels, strata = np.array([kind.level for kind in tried]), _strata(trial, tried)
    dealt = iter(side_by_side(levels, strata, trial_prior(scale), rng))
    return [_dealt(kind, next(dealt)) if kind.tried else kind for kind in kinds]


def _strata(trial: Trial, tried: Sequence[_Kind]) -> NDArray[np.int_]:
    """In which twentieth of its spread the limit lies that most lives end by, for each draw, shape (K, N)."""
    n = tried[0].level.size
    ends: dict[str, float] = {}
    for bit in (bit for kind in tried for bit in kind.bits):
        for quantity, share in bit.ended_by.items():
            ends[quantity] = ends.get(quantity, 0.0) + share
    unsure = [quantity for quantity in ends if trial.life.u_of(quantity) > 0]
    if not unsure:
        return np.zeros((len(tried), n), int)
    rank = np.argsort(np.argsort(limit_error(max(unsure, key=lambda quantity: ends[quantity]), n)))
    return np.array([(rank * N_STRATA // n)[kind.picked] for kind in tried])


def _dealt(kind: _Kind, which: NDArray[np.int_]) -> _Kind:
    return replace(
        kind, level=kind.level[which], next_draws=kind.next_draws[which], picked=kind.picked[which]
    )


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
    at_horizon = kind.use.money / (kind.use.lives * kind.horizon) if kind.priced else 0.0
    return tuple(
        replace(
            bit,
            n_tried=len(kind.tried),
            next_life=known,
            change_at=change_at,
            cost=known_range(kind.costs, least=at_horizon) if kind.priced else None,
            cost_at_horizon=at_horizon,
            next_draws=kind.next_draws,
            cost_draws=kind.costs if kind.priced else np.empty(0),
        )
        for bit in kind.bits
    )


def _beforehand(trial: Trial, ranked: Sequence[_Kind]) -> Array:
    """Costs by the prior of a life and the prices alone, shape (B, N)."""
    rng = np.random.default_rng([SEED, *b"beforehand"])
    # all costs go with what the lives of a trial have in common, so that it does not matter
    spread = np.hypot(KIND_SPREAD, trial.life.bit_to_bit)
    drawn = np.exp(spread * rng.standard_normal((len(ranked), ranked[0].level.size)))
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
            stated(bit.use).break_even_life(target),
            stated(bit.use).break_even_price(
                stated(bit.price), min(float(np.median(bit.next_draws)), bit.horizon), target
            ),
        )
        for bit in others
    )


def _next_checkpoint(trial: Trial, ranked: Sequence[_Kind], solve: Solve) -> NextCheckpoint | None:
    """One step further than the last checkpoint, but not beyond what every bit that still cuts is sure to last."""
    found = [one.found for kind in ranked for followed in kind.followed for one in followed]
    done = max((row.parts for one in found for row in one.records), default=0)
    after, cut_on = [], []
    going_of = [
        [i for i in kind.tried if kind.followed[i] and _sure_to_last(kind.bits[i]) > done] for kind in ranked
    ]
    sure = [_sure_to_last(kind.bits[i]) for kind, going in zip(ranked, going_of, strict=True) for i in going]
    parts = min([_next_parts(found), *sure])
    for kind, going in zip(ranked, going_of, strict=True):
        if not going:
            after.append(np.full(1, kind.costs.mean()))
            continue
        cut_on += [kind.bits[i].bit for i in going]
        rng = np.random.default_rng([SEED, *f"{kind.bits[0].kind}/next".encode()])
        looked_at = [one for i in going for one in kind.followed[i]]
        seen = np.array([each[kind.picked] for each in _seen_at(parts, looked_at, solve)])
        u = np.array([one.found.records[-1].std_uncertainty for one in looked_at], float)
        after.append(expected_after(kind.costs, seen, u, rng))
    if not cut_on:
        return None
    per_part = value_of_checkpoint(np.array(np.broadcast_arrays(*after)))
    year = trial.cost.parts_per_year
    return NextCheckpoint(parts, tuple(cut_on), 1000 * per_part, None if year is None else year * per_part)


def _seen_at(parts: float, followed: Sequence[Followed], solve: Solve) -> list[Array]:
    """What each draw's worst flute shows then; asked once more where that is not what was asked at first."""
    other = [replace(one.asked, next_parts=parts) for one in followed if one.asked.next_parts != parts]
    given = iter(solve(other) if other else ())
    return [
        one.answer.next_seen if one.asked.next_parts == parts else next(given).next_seen for one in followed
    ]


def _sure_to_last(bit: BitOutcome) -> float:
    """Parts after which it is to be changed; without end where wear is nowhere near a limit."""
    return rounded_down(bit.at_least) if bit.at_least < bit.horizon else inf
