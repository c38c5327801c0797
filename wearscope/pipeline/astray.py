"""What of a wear log has lost its place by a renaming, what it is called now, and moving it there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from wearscope.errors import LogError
from wearscope.files import checksum_of
from wearscope.log.astray import Astray
from wearscope.log.identity import IdentityLog, Orphan, Whose
from wearscope.log.logged import LoggedInspection
from wearscope.log.place import LogPlace
from wearscope.log.wear_log import WearLog
from wearscope.pipeline.standing import place_of
from wearscope.report.astray_words import astray_line
from wearscope.trial.model import Trial


class AstrayError(LogError):
    """A trial, bit or flute has another name than in the log, so that what stands there would be left behind."""


def astray_from(
    trial: Trial, place: LogPlace, checksum: Callable[[Path], str] = checksum_of
) -> tuple[Astray, ...]:
    """What of a wear log has lost its place.

    Parameters
    ----------
    trial : Trial
    place : LogPlace
    checksum : callable
        SHA-256 of a file's content; asked only if something has lost its place.

    Returns
    -------
    tuple of Astray
        Former names of the trial first, then bits, then flutes, then photos no longer listed.

    Raises
    ------
    LogError
        As of `WearLog`.
    """
    with WearLog(place) as log, IdentityLog(place) as identity:
        listed = frozenset(map(place_of, trial.photos))
        orphans = identity.orphans(trial.name, listed)
        former = identity.former_names(trial.name, trial.path)
        if not orphans and not former:
            return ()
        here = _Here(trial, identity, cache(checksum))
        found = [
            here.trial_of(Whose(name), identity.orphans(name, ()), log.inspections(trial=name))
            for name in former
        ]
        made = log.inspections(trial=trial.name)
        for whose, places in _grouped(trial, orphans).items():
            found.append(here.part_of(whose, tuple(places), [one for one in made if _within(whose, one)]))
    return tuple(one for one in found if not (one.known and one.only_notes))


@dataclass(frozen=True)
class _Here:
    """A trial as it is now, to find in it what rows of another name belong to."""

    trial: Trial
    identity: IdentityLog
    checksum: Callable[[Path], str]

    def trial_of(self, whose: Whose, places: Sequence[Orphan], made: Iterable[LoggedInspection]) -> Astray:
        """Rows under a former name of the trial."""
        measured = {one.photo_sha256 for one in made}
        same = any(self.checksum(entry.path) in measured for entry in self.trial.photos)
        now = Whose(self.trial.name)
        return Astray(whose, tuple(places), now, same, not self.identity.holds(now))

    def part_of(self, whose: Whose, places: tuple[Orphan, ...], made: Iterable[LoggedInspection]) -> Astray:
        """Rows under a bit or flute of the trial."""
        measured = {one.photo_sha256 for one in made}
        alike = Counter(
            self.like(whose, entry.bit, entry.flute)
            for entry in self.trial.photos
            if (whose.flute is None or entry.bit == whose.bit) and self.checksum(entry.path) in measured
        )
        alike.pop(whose, None)  # a photo of the same flute at another checkpoint
        if alike:
            now = alike.most_common(1)[0][0]
            return Astray(whose, places, now, True, not self.identity.holds(now))
        if self.known(whose):
            return Astray(whose, places, known=True)
        unused = [one for one in self.listed_like(whose) if not self.identity.holds(one)]
        return Astray(whose, places, unused[0] if len(unused) == 1 else None)

    def like(self, whose: Whose, bit: str, flute: int) -> Whose:
        """Name of another bit, or of another flute, as `whose` is that of a bit or flute."""
        return Whose(whose.trial, bit, None if whose.flute is None else flute)

    def known(self, whose: Whose) -> bool:
        """Whether the trial file has a bit, or a flute, photographed or not."""
        bits = {bit.name: bit for bit in self.trial.bits}
        if whose.bit not in bits or whose.flute is None:
            return whose.bit in bits
        bit = bits[whose.bit]
        return (bit.flutes is not None and whose.flute <= bit.flutes) or any(
            (entry.bit, entry.flute) == (whose.bit, whose.flute) for entry in self.trial.photos
        )

    def listed_like(self, whose: Whose) -> list[Whose]:
        """Bits of the trial file, or flutes of one bit of which it lists photos."""
        if whose.flute is None:
            return [Whose(self.trial.name, bit.name) for bit in self.trial.bits]
        flutes = dict.fromkeys(entry.flute for entry in self.trial.photos if entry.bit == whose.bit)
        return [Whose(self.trial.name, whose.bit, flute) for flute in flutes]


def _grouped(trial: Trial, orphans: Iterable[Orphan]) -> Mapping[Whose, list[Orphan]]:
    """By bit where the trial file has no such bit, else by flute; a bit that is known itself comes last."""
    bits = {bit.name for bit in trial.bits}
    found: dict[Whose, list[Orphan]] = {}
    for orphan in orphans:
        bit, flute = orphan.whose.bit, orphan.whose.flute
        whole = bit not in bits or not flute
        found.setdefault(Whose(trial.name, bit) if whole else orphan.whose, []).append(orphan)
    return dict(sorted(found.items(), key=lambda one: (one[0].bit in bits, one[0].flute is None)))


def _within(whose: Whose, made: LoggedInspection) -> bool:
    return all(getattr(made, name) == value for name, value in whose.columns.items())


def astray_lines(trial: Trial, place: LogPlace, found: Iterable[Astray]) -> list[str]:
    """Say what is out of sight by a renaming, and what brings it back.

    Parameters
    ----------
    trial : Trial
    place : LogPlace
    found : iterable of Astray

    Returns
    -------
    list of str
        One line each; what is nothing to worry about is left out.
    """
    return [astray_line(one, trial, place.folder) for one in found if one.worth_saying]


def require_nothing_renamed(trial: Trial, place: LogPlace, found: Iterable[Astray]) -> None:
    """Make sure that nothing of the log would be left behind under an old name.

    Parameters
    ----------
    trial : Trial
    place : LogPlace
    found : iterable of Astray

    Raises
    ------
    AstrayError
        A trial, bit or flute has another name now, of which the very photos tell.
    """
    lines = [astray_line(one, trial, place.folder) for one in found if one.renamed]
    if lines:
        what, _, cure = lines[0].partition("; ")
        raise AstrayError(what, "; ".join([cure, *lines[1:]]))
