"""How often the verdict is right, on simulated trials whose laws of wear nothing was tuned to.

    python tests/verdict_table.py [TRIALS] [SEED ...]

Two bits of different price are cut until a share of their life between 8 and 100 %, with two to four checkpoints. Each
wears by a law of its own; the bits of a kind differ by 20 %. What is said by `outcome_of` is compared with the life of
the bit that was tried, and with that of the next one of its kind. A share is told with how far counting so many
trials lets it scatter (one standard deviation). So many trials of each
seed; 1000 take six minutes of one idle processor.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")  # the arrays are small, and threads only wait for each other

import sys
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent / "support"))

import fake_photos as fake
from decided import SAMPLE

from wearscope.economics import decision
from wearscope.economics.outcome import BitOutcome
from wearscope.trial import load_trial

NEW_UM, LIMIT_UM, BIT_TO_BIT = 6.0, 40.0, 0.2
LAWS = ("line", "power", "root", "three-stage", "late", "steps")
SHARES = (0.08, 0.15, 0.3, 0.5, 0.75, 1.0)
RATIOS = (1.2, 3.0, 5.0)
BINS = (0.5, 0.6, 0.8, 0.95, 1.0)  # the chance of the other bit is what is left
DRAWS = 1500

Law = Callable[[np.ndarray], np.ndarray]


def a_law(name: str, r: np.random.Generator) -> Law:
    """Wear over the share of the life that is used up, in units of the limit: 1 is first reached at 1."""
    if name == "steps":
        at = np.sort(r.uniform(0, 1.6, r.integers(8, 20)))
        at[np.argmin(np.abs(at - 1))] = 1.0
        at, size = np.sort(at), r.exponential(size=at.size)
        total = size[at <= 1].sum()
        return lambda t: 0.999 * (size[:, None] * (at[:, None] <= t)).sum(axis=0) / total + 0.001 * t
    if name == "three-stage":
        share, settled, quick = r.uniform(0.1, 0.35), r.uniform(0.03, 0.12), r.uniform(0.1, 0.5)
        return lambda t: (
            share * (1 - np.exp(-t / settled)) / (1 - np.exp(-1 / settled))
            + (1 - share - quick) * t
            + quick * np.expm1(5 * t) / np.expm1(5)
        )
    if name == "late":
        onset, reached = r.uniform(0.5, 0.95), r.uniform(0.3, 0.8)
        return lambda t: np.where(
            t < onset, reached * t / onset, reached + (1 - reached) * (t - onset) / (1 - onset)
        )
    exponent = {"line": 1.0, "power": r.uniform(0.6, 1.8), "root": 0.5}[name]
    return lambda t: t**exponent


@dataclass(frozen=True)
class Said:
    """What was said of one bit, and what was true."""

    law: str
    share: float
    life: float
    next_life: float
    said: BitOutcome
    cheapest: bool
    first: bool
    choice: str
    regret: float


def a_trial(base, r: np.random.Generator) -> list[Said]:
    """Simulate one trial and ask for its outcome."""
    ratio, share = r.choice(RATIOS), r.choice(SHARES)
    of_kind = np.array([1.0, ratio ** r.choice([0.0, 1.0])]) * np.exp(0.5 * r.standard_normal(2))
    tried, bought = (of_kind * np.exp(BIT_TO_BIT * r.standard_normal(2)) for _ in range(2))
    unit = 300.0 / (share * np.sqrt(tried.prod()))  # the last photo is at 300 parts
    laws, flutes, n = r.choice(LAWS, 2), int(r.choice([1, 2])), int(r.integers(2, 5))
    bits, photos, rows = [], [], []
    for name, price, life, law in zip(
        ("Dunlin", "Curlew"), (10.0, 10.0 * ratio), unit * tried, laws, strict=True
    ):
        bits.append(
            base.bits[0].model_copy(
                update={
                    "name": name,
                    "price": price,
                    "flutes": flutes,
                    "r_unused_um": NEW_UM,
                    "u_r_unused_um": 1.0,
                }
            )
        )
        wear, slower = a_law(law, r), np.exp(-np.abs(0.2 * r.standard_normal(flutes)))
        slower[0] = 1.0
        new, shared = NEW_UM + r.standard_normal(), r.standard_normal()
        for parts in np.round(300 * np.arange(1, n + 1) / n).astype(int):
            worn = (LIMIT_UM - new) * slower * wear(np.full(flutes, parts / life))
            u = np.hypot(1.2, 0.05 * worn)
            read = new + worn + u * np.sqrt(0.5) * (shared + r.standard_normal(flutes))
            for flute in range(flutes):
                entry = base.photos[1].model_copy(
                    update={"bit": name, "flute": flute + 1, "parts": int(parts)}
                )
                photos.append(entry)
                rows.append(
                    fake.row(
                        entry,
                        "edge_radius",
                        "used",
                        float(read[flute]),
                        "um",
                        std_uncertainty=float(u[flute]),
                    )
                )
            if read.max() > 1.1 * LIMIT_UM:
                break  # nobody cuts on with a bit that is worn out
    limits = type(base.life)(edge_radius_um=LIMIT_UM)
    trial = base.model_copy(
        update={"bits": tuple(bits), "photos": tuple(photos), "life": limits, "cost": type(base.cost)()}
    )
    outcome = decision.outcome_of(trial, rows, n_draws=DRAWS)
    costs = np.array([10.0, 10.0 * ratio]) / (unit * bought)
    first = outcome.verdict.ranked[0]
    return [
        Said(
            law, share, life, next_life, bit, cost == costs.min(), bit.bit == first, outcome.verdict.choice,
            float(cost / costs.min() - 1),
        )
        for law, life, next_life, bit, cost in zip(
            laws, unit * tried, unit * bought, outcome.bits, costs, strict=True
        )
    ]  # fmt: skip


def _holds(known, horizon: float, true: float) -> bool:
    low = horizon if known.low95 is None else known.low95
    return low <= true and (known.high95 is None or true <= known.high95)


def table(n_trials: int, *seeds: int) -> str:
    """What was found, as Markdown."""
    base = load_trial(SAMPLE)
    each = [np.random.default_rng(seed) for seed in seeds]
    said = [one for r in each for _ in range(n_trials) for one in a_trial(base, r)]
    told = [one for one in said if one.said.chance is not None and one.said.chance >= 0.5]
    lines = [
        f"{n_trials} trials of each seed: {', '.join(map(str, seeds))}",
        "",
        "| chance said of the likelier bit | trials | mean said | true |",
        "|---|---|---|---|",
    ]
    for low, high in pairwise(BINS):
        ours = [one for one in told if low <= one.said.chance < high + (high == 1)]
        if ours:
            chance, true = (
                np.mean(x) for x in zip(*((one.said.chance, one.cheapest) for one in ours), strict=True)
            )
            by = np.sqrt(chance * (1 - chance) / len(ours))
            lines.append(f"| {low:.0%} to {high:.0%} | {len(ours)} | {chance:.1%} | {true:.1%} ± {by:.1%} |")
    lines += [
        "",
        "| verdict | trials | first is the cheapest | extra cost of the first |",
        "|---|---|---|---|",
    ]
    firsts = [one for one in said if one.first]
    for choice in dict.fromkeys(one.choice for one in firsts):
        ours = [one for one in firsts if one.choice == choice]
        right, lost = np.mean([one.cheapest for one in ours]), np.mean([one.regret for one in ours])
        lines.append(f"| {choice} | {len(ours)} | {right:.1%} | {lost:.1%} |")
    lines += ["", "| bits | number | life in its range | at least | next life in its range | change at |"]
    lines += ["|---|---|---|---|---|---|"]
    groups = {"all": said}
    groups |= {law: [one for one in said if one.law == law] for law in LAWS}
    groups |= {
        f"{law}, last photo at half of the life or later": [
            one for one in said if one.law == law and one.share >= 0.5
        ]
        for law in ("late", "steps")
    }
    groups |= {f"last photo at {share:.0%}": [one for one in said if one.share == share] for share in SHARES}
    for name, ours in groups.items():
        if ours:
            held = np.mean([_of(one) for one in ours], axis=0)
            lines.append(f"| {name} | {len(ours)} | " + " | ".join(f"{x:.1%}" for x in held) + " |")
    return "\n".join(lines)


def _of(one: Said) -> tuple[bool, bool, bool, bool]:
    bit = one.said
    return (
        _holds(bit.life, bit.horizon, one.life),
        one.life >= bit.at_least,
        _holds(bit.next_life, bit.horizon, one.next_life),
        one.next_life >= bit.change_at,
    )


if __name__ == "__main__":
    print(table(*(int(given) for given in [*sys.argv[1:], *("1000", "1")[max(0, len(sys.argv) - 1) :]])))
