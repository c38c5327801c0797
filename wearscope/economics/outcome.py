"""What a trial comes to: wear, life and cost of each bit, and which is the cheapest; numbers and codes, no words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from wearscope.economics.cost import Use
from wearscope.economics.curve import Array
from wearscope.economics.ends import Ending
from wearscope.economics.life import Range
from wearscope.economics.readings import Limit
from wearscope.log.records import Record
from wearscope.quantities.reasons import Reason

Over = Literal["parts", "minutes", "metres"]
Choice = Literal[
    "cheapest",
    "probably-cheapest",
    "undecided",
    "not-shown",
    "one-bit",
    "no-price",
    "nothing-known",
]


@dataclass(frozen=True)
class Band:
    """What a curve may be at each place of a grid: its median, and the 50 % and 95 % ranges; shape (T,) each.

    Attributes
    ----------
    low95, low50, median, high50, high95 : ndarray, shape (T,)
    """

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

    @property
    def n_checkpoints(self) -> int:
        """At how many numbers of parts there is a point."""
        return len({row.parts for row in self.readings})


@dataclass(frozen=True)
class Evidence:
    """What of a quantity counts less for a bit, or could not be used.

    Attributes
    ----------
    quantity : str
        As in ``measurements.csv``.
    n_doubtful, n_refused : int
        Rows that count less, and that say nothing.
    missing : tuple of int
        Parts at which a flute was photographed, but no photo of it gave a usable row.
    unmeasured : tuple of int
        Flutes without a usable row where others have one; they are taken to wear like those.
    """

    quantity: str
    n_doubtful: int
    n_refused: int
    unmeasured: tuple[int, ...]
    missing: tuple[int, ...] = ()


@dataclass(frozen=True)
class BitOutcome:
    """What the trial says of one bit.

    Attributes
    ----------
    bit : str
    price : float or None
        None if the trial file does not give it.
    use : Use or None
        What using it up costs; None without a price.
    coated : bool
        Whether it has a coating that can be lost.
    parts_cut, horizon : float
        Parts at its last checkpoint that could be used, and parts beyond which no life is stated. 0 where nothing
        was measured.
    curves : tuple of QuantityCurve
    evidence : tuple of Evidence
        For each quantity that is followed on it.
    not_faced : tuple of str
        Quantities that are followed in the trial, but cannot end the life of this bit.
    life, life_of_mean : Range or None
        Parts until its worst flute, or the mean of its flutes, reaches the first limit; ends at or beyond the
        horizon are None. None as a whole if nothing can be said, for the reason in `why_not`.
    at_least : float
        Parts that it lasts with 97.5 % probability, at most the horizon.
    endings : tuple of Ending
        Chips and breaks that end its life.
    kind : str
        What a buyer asks for: its kind, else its own name. What follows is about the next one of it, and the same for
        all bits of a kind.
    n_tried : int
        Bits of the kind that have a life.
    next_life : Range or None
        As `life`.
    change_at : float
        Parts that 95 % of the next ones last, at most the horizon.
    ended_by : dict of str to float
        How often each quantity is the one that ends its life.
    cost : Range or None
        Money per part; low ends that need a life beyond the horizon are None. None as a whole without a life or a
        price, and for a bit that costs nothing to use up.
    cost_at_horizon : float
        Money per part if it lasts just to the horizon; 0 without a price.
    regret : float or None
        Money per part that choosing it is expected to cost more than always knowing the cheapest.
    chance, chance_beforehand : float or None
        Probability that it is the cheapest, None where that is not for the photographs to say
        (`wearscope.economics.ranking.shown`); and what it was by the price list alone.
    why_not : Reason or None
        Why there is no life; None if there is one.
    wear_draws, sudden_draws : ndarray, shape (N,)
        Parts until wear, and until a chip or a break, ends its life; equally likely, infinite where nothing did.
    next_draws, cost_draws : ndarray, shape (N,)
        Life and money per part of the next one. All are empty without a life.
    """

    bit: str
    price: float | None
    use: Use | None
    coated: bool
    parts_cut: float
    horizon: float
    curves: tuple[QuantityCurve, ...]
    evidence: tuple[Evidence, ...] = ()
    not_faced: tuple[str, ...] = ()
    life: Range | None = None
    life_of_mean: Range | None = None
    at_least: float = 0.0
    endings: tuple[Ending, ...] = ()
    kind: str = ""
    n_tried: int = 1
    next_life: Range | None = None
    change_at: float = 0.0
    ended_by: dict[str, float] = field(default_factory=dict)
    cost: Range | None = None
    cost_at_horizon: float = 0.0
    regret: float | None = None
    chance: float | None = None
    chance_beforehand: float | None = None
    why_not: Reason | None = None
    wear_draws: Array = field(default_factory=lambda: np.empty(0))
    sudden_draws: Array = field(default_factory=lambda: np.empty(0))
    next_draws: Array = field(default_factory=lambda: np.empty(0))
    cost_draws: Array = field(default_factory=lambda: np.empty(0))

    @property
    def life_draws(self) -> Array:
        """Draws of its life, shape (N,), in parts."""
        return np.minimum(self.wear_draws, self.sudden_draws)


@dataclass(frozen=True)
class Verdict:
    """Which bit to stock.

    Attributes
    ----------
    choice : str
        What can be said; of the first of `ranked` where it is about one kind.
    ranked : tuple of str
        Kinds of bit with a cost, that of the lowest expected cost first.
    silent : tuple of str
        Kinds without a cost.
    """

    choice: Choice
    ranked: tuple[str, ...]
    silent: tuple[str, ...]


@dataclass(frozen=True)
class ByLimitsOfAll:
    """What the verdict would be without the limits that some bits cannot reach, such as that of a coating.

    Attributes
    ----------
    left_out : tuple of str
        Quantities that end the life of some bits only.
    first : str
        The kind of the lowest expected cost.
    chance : float or None
        Probability that it is the cheapest; None where that is not for the photographs to say.
    """

    left_out: tuple[str, ...]
    first: str
    chance: float | None


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
    """What lives are told in.

    Attributes
    ----------
    over : {"parts", "minutes", "metres"}
    factor : float
        Times a number of parts gives a number of `unit`.
    unit : {"parts", "min", "m"}
    """

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
    verdict : Verdict
    wrong_choice_per_1000_parts : float or None
        Money expected to be lost by taking the bit that looks cheapest now.
    next_checkpoint : NextCheckpoint or None
    break_even : tuple of BreakEven
        Each other kind against the first of the verdict.
    by_limits_of_all : ByLimitsOfAll or None
        None where all bits face the same limits, or some face no other.
    bit_to_bit : float
        How much the lives of bits of a kind are taken to differ where only one was tried, as a share.
    seed : int
        All draws start from it.
    """

    trial: str
    currency: str
    axis: Axis
    bits: tuple[BitOutcome, ...]
    verdict: Verdict
    wrong_choice_per_1000_parts: float | None
    next_checkpoint: NextCheckpoint | None
    break_even: tuple[BreakEven, ...]
    by_limits_of_all: ByLimitsOfAll | None
    bit_to_bit: float
    seed: int

    def of_kind(self, kind: str) -> BitOutcome:
        """What the trial says of the next bit of a kind: the first bit of it that has a life, else the first.

        Parameters
        ----------
        kind : str

        Returns
        -------
        BitOutcome

        Raises
        ------
        KeyError
            There is no such kind.
        """
        ours = [bit for bit in self.bits if (bit.kind or bit.bit) == kind]
        if not ours:
            raise KeyError(kind)
        return next((bit for bit in ours if bit.life), ours[0])

    def bit(self, name: str) -> BitOutcome:
        """What the trial says of one bit.

        Parameters
        ----------
        name : str

        Returns
        -------
        BitOutcome

        Raises
        ------
        KeyError
            There is no such bit.
        """
        return {bit.bit: bit for bit in self.bits}[name]
