"""A repeat study: its photos measured, every single value written, and each quantity judged."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import astuple, dataclass, replace
from pathlib import Path

import numpy as np

from wearscope.log.csv_lines import COLUMNS
from wearscope.log.export import write_table
from wearscope.log.order import in_order
from wearscope.log.records import Record
from wearscope.metrology.repeatability import study_by_anova, study_by_ranges
from wearscope.metrology.repeated import Flute, RepeatedQuantity
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.one_photo import Inspector
from wearscope.pipeline.photo_result import PhotoResult
from wearscope.pipeline.pool import Jobs
from wearscope.pipeline.results import require_writable
from wearscope.pipeline.run import inspect_beside
from wearscope.quantities.quantity import Zone, quantity_of
from wearscope.trial import PhotoEntry, RepeatPhoto, Study


@dataclass(frozen=True)
class StudyResult:
    """What came of a repeat study.

    Attributes
    ----------
    photos : tuple of PhotoResult
        In the order of the study.
    quantities : tuple of RepeatedQuantity
    unanswered : tuple of str
        One line for each quantity of which the values say nothing.
    table : Path
        File with every single value.
    """

    photos: tuple[PhotoResult, ...]
    quantities: tuple[RepeatedQuantity, ...]
    unanswered: tuple[str, ...]
    table: Path

    @property
    def refusals(self) -> tuple[PhotoResult, ...]:
        """Photos that were not measured."""
        return tuple(photo for photo in self.photos if photo.refusal)


def measure_study(
    study: Study,
    out_dir: Path,
    *,
    quantity: str | None = None,
    jobs: Jobs = None,
    progress: Callable[[int, int, PhotoEntry], None] | None = None,
    inspector: Inspector = inspect_photo,
) -> StudyResult:
    """Measure every photo of a study and find how well they agree.

    Writes ``results/repeat-study.csv``; the wear log is left alone.

    Parameters
    ----------
    study : Study
    out_dir : Path
        Where ``results/`` goes; made if it is not there.
    quantity : str, optional
        The one to study; by default all that tell of wear.
    jobs, progress, inspector
        As in `wearscope.pipeline.run.measure_trial`.

    Returns
    -------
    StudyResult

    Raises
    ------
    WearscopeError
        `out_dir` cannot be written.
    KeyboardInterrupt
        Interrupted; the table holds the photos that were finished.
    """
    table = out_dir / "results" / "repeat-study.csv"
    require_writable([table.parent], [table])
    done: dict[PhotoEntry, PhotoResult] = {}
    try:
        with closing(inspect_beside(study.of, study.photos, jobs=jobs, inspector=inspector)) as results:
            for result in results:
                done[result.entry] = result
                if progress:
                    progress(len(done), len(study.photos), result.entry)
    finally:
        photos = _each_anew({entry: done[entry] for entry in study.photos if entry in done})
        _write(table, photos)
    studied: list[RepeatedQuantity] = []
    unanswered: list[str] = []
    for name, zone in _quantities(photos, quantity):
        try:
            studied.append(_studied(photos, name, zone))
        except ValueError as problem:
            unanswered.append(f"{name} ({zone}): {problem}")
    return StudyResult(tuple(photos.values()), tuple(studied), tuple(unanswered), table)


def _each_anew(photos: Mapping[RepeatPhoto, PhotoResult]) -> dict[RepeatPhoto, PhotoResult]:
    """Refuse every picture that has been there before under another name."""
    first: dict[str, str] = {}
    kept = {}
    for entry, photo in photos.items():
        before = first.setdefault(photo.photo_sha256, entry.file)
        if photo.photo_sha256 and before != entry.file:
            cure = "put the bit down, set it up again and take a new photo"
            photo = replace(photo, records=(), refusal=f"{entry.file} is a copy of {before}; {cure}")
        kept[entry] = photo
    return kept


def _quantities(photos: Mapping[RepeatPhoto, PhotoResult], wanted: str | None) -> list[tuple[str, Zone]]:
    """Quantities and zones measured, in the usual order."""
    rows = [record for photo in photos.values() for record in photo.records]
    anywhere = in_order(replace(row, bit="", flute=0, parts=0, view="") for row in rows)
    return list(
        dict.fromkeys(
            (row.quantity, row.zone)
            for row in anywhere
            if (row.quantity == wanted if wanted else not quantity_of(row.quantity).of_the_photo)
        )
    )


def _studied(photos: Mapping[RepeatPhoto, PhotoResult], quantity: str, zone: Zone) -> RepeatedQuantity:
    """Lay the values out by flute, person and repeat, and study them; ValueError if they say nothing."""
    rows: dict[Flute, dict[str, list[Record]]] = {}
    for entry, photo in photos.items():
        for record in photo.records:
            if (record.quantity, record.zone) == (quantity, zone) and record.value is not None:
                flute = Flute(entry.bit, entry.flute, entry.parts, entry.view)
                rows.setdefault(flute, {}).setdefault(entry.taken_by, []).append(record)
    people = tuple(dict.fromkeys(person for by_person in rows.values() for person in by_person))
    kept = [record for by_person in rows.values() for records in by_person.values() for record in records]
    if not kept:
        raise ValueError("every photo refuses it; the notes in the table say why")
    most = max(len(records) for by_person in rows.values() for records in by_person.values())
    values = np.full((len(rows), len(people), most), np.nan)
    for at, by_person in enumerate(rows.values()):
        for person, records in by_person.items():
            values[at, people.index(person), : len(records)] = [record.value for record in records]
    anova = study_by_anova(values)
    complete = len(rows) > 1 and bool(np.isfinite(values).all())
    stated_u = float(np.sqrt(np.mean([(record.std_uncertainty or 0.0) ** 2 for record in kept])))
    return RepeatedQuantity(
        quantity,
        zone,
        kept[0].unit,
        tuple(rows),
        people,
        values,
        sum(record.status == "doubtful" for record in kept),
        stated_u,
        anova,
        study_by_ranges(values) if complete else None,
    )


def _write(path: Path, photos: Mapping[RepeatPhoto, PhotoResult]) -> None:
    """Write every value; a photo refused as a whole has one row without a quantity."""
    rows: list[tuple[str | float | None, ...]] = []
    for entry, photo in photos.items():
        who = (entry.taken_by, entry.repeat)
        rows += [(*who, *astuple(record)) for record in in_order(photo.records)]
        if photo.refusal:
            told = {key: getattr(entry, key) for key in ("bit", "flute", "parts", "view", "scale")}
            told |= {"status": "refused", "note": photo.refusal, "photo": entry.file}
            rows.append((*who, *(told.get(column) for column in COLUMNS)))
    write_table(path, ("taken_by", "repeat", *COLUMNS), rows)
