"""What the numbers of a trial's photos rest on now, and what of the wear log still holds."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from functools import cache
from hashlib import sha256
from pathlib import Path

from wearscope.files import checksum_of
from wearscope.log.corrections import changes
from wearscope.log.csv_lines import Listed
from wearscope.log.inputs import Inputs, PhotoInputs, ToolInputs, fingerprint_of
from wearscope.log.logged import LoggedInspection, PhotoPlace, Standing
from wearscope.log.records import Record, gave_numbers
from wearscope.log.wear_log import WearLog
from wearscope.pipeline.photo_result import PhotoResult
from wearscope.pipeline.time_order import in_time
from wearscope.trial.correction import NOTHING, Correction
from wearscope.trial.entries import Bit, PhotoEntry
from wearscope.trial.model import Trial
from wearscope.version import __version__

TO_TRY_AGAIN = frozenset({"program-failed", "edge-unclear"})
"""Refusals that do not follow from what the numbers rest on: bad luck, or what a further photo may clear up."""


def place_of(entry: PhotoEntry) -> PhotoPlace:
    """Where the numbers of a photo stand in the wear log.

    Parameters
    ----------
    entry : PhotoEntry

    Returns
    -------
    tuple
        Bit, flute, parts and view.
    """
    return entry.bit, entry.flute, entry.parts, entry.view


def inputs_of(
    trial: Trial,
    entries: Iterable[PhotoEntry],
    corrections: Mapping[str, Correction],
    checksum: Callable[[Path], str] = checksum_of,
    also: Callable[[PhotoEntry], tuple[str, ...]] = lambda _: (),
) -> dict[PhotoEntry, Inputs]:
    """All that the numbers of photos rest on, as the trial file and all other files are now.

    Parameters
    ----------
    trial : Trial
    entries : iterable of PhotoEntry
        Photos of the trial.
    corrections : mapping
        What people have said of photos, by the photo's sha256.
    checksum : callable
        SHA-256 of a file's content; empty if it cannot be read. Asked once for each file.
    also : callable
        What else in the trial holds the picture of a photo, as from `Pictures.files_also`.

    Returns
    -------
    dict
    """
    once = cache(checksum)

    @cache  # each later photo of a flute asks for its new-state photo
    def of_photo(entry: PhotoEntry) -> PhotoInputs:
        return replace(_photo_inputs(trial, entry, corrections, once), same_picture_as=also(entry))

    @cache
    def of_bit(name: str) -> ToolInputs:
        return _tool_inputs(trial, trial.bit(name))

    found = {}
    for entry in entries:
        new = trial.new_state(entry)
        tool = of_bit(entry.bit)
        found[entry] = Inputs(of_photo(entry), tool, __version__, None if new is None else of_photo(new))
    return found


def _photo_inputs(
    trial: Trial, entry: PhotoEntry, corrections: Mapping[str, Correction], checksum: Callable[[Path], str]
) -> PhotoInputs:
    scale = trial.scale(entry.scale)
    of_its_own = entry.um_per_px is not None
    stated = entry if of_its_own else scale
    graticule = None if of_its_own else scale.graticule_path
    photo_sha256 = checksum(entry.path)
    return PhotoInputs(
        photo_sha256=photo_sha256,
        scale="" if of_its_own else scale.name,
        um_per_px=stated.um_per_px,
        u_um_per_px=stated.u_um_per_px,
        graticule_sha256="" if graticule is None else checksum(graticule),
        division_um=None if graticule is None else scale.division_um,
        ring_angle_deg=scale.ring_angle_deg,
        u_ring_angle_deg=None if scale.ring_angle_deg is None else scale.u_ring_angle_deg,
        view_tilt_deg=entry.view_tilt_deg,
        u_view_tilt_deg=entry.u_view_tilt_deg,
        edge_near=entry.edge_near or (),
        used_side=entry.used_side or "",
        tool_at=entry.tool_at or (),
        corrections=correction_fingerprint(corrections.get(photo_sha256, NOTHING)),
    )


def correction_fingerprint(said: Correction) -> str:
    """Fingerprint of what a person has said of a photo, as it stands among what the numbers rest on.

    Parameters
    ----------
    said : Correction

    Returns
    -------
    str
        Empty for nothing.
    """
    if said.empty:
        return ""
    return sha256(json.dumps(changes(NOTHING, said), sort_keys=True).encode()).hexdigest()


def _tool_inputs(trial: Trial, bit: Bit) -> ToolInputs:
    return ToolInputs(
        wedge_angle_deg=bit.wedge_angle_deg if bit.given("wedge_angle_deg") else None,
        u_wedge_angle_deg=bit.u_wedge_angle_deg if bit.given("wedge_angle_deg") else None,
        helix_angle_deg=bit.helix_angle_deg if bit.given("helix_angle_deg") else None,
        diameter_mm=bit.diameter_mm,
        coating=bit.coating,
        r_unused_um=bit.r_unused_um,
        u_r_unused_um=None if bit.r_unused_um is None else bit.u_r_unused_um,
        depth_of_cut_mm=trial.depth_of(bit),
    )


def standing_of(
    log: WearLog, trial: Trial, inputs: Mapping[PhotoEntry, Inputs]
) -> dict[PhotoEntry, Standing]:
    """How the wear log stands to photos as they are now.

    Parameters
    ----------
    log : WearLog
    trial : Trial
    inputs : mapping
        As from `inputs_of`.

    Returns
    -------
    dict
    """
    named = {place_of(entry): each.named() for entry, each in inputs.items()}
    found = log.standing(trial.name, named)
    return {entry: found[place_of(entry)] for entry in inputs}


def current_rows(log: WearLog, trial: Trial, inputs: Mapping[PhotoEntry, Inputs]) -> Listed:
    """Rows of the wear log that hold for photos as they are now.

    Parameters
    ----------
    log : WearLog
    trial : Trial
    inputs : mapping
        As from `inputs_of`.

    Returns
    -------
    Listed
        Doubtful where they contradict each other in time.
    """
    expected = {place_of(entry): fingerprint_of(each) for entry, each in inputs.items()}
    held = log.holding(trial.name, expected)
    return Listed.with_lines(in_time(held), held.lines)


def sheet_holds(sheet: Path, last: LoggedInspection | None) -> bool:
    """Whether a comparison sheet is there, and is that of the last inspection.

    Parameters
    ----------
    sheet : Path
    last : LoggedInspection or None

    Returns
    -------
    bool
    """
    try:
        drawn_at = sheet.stat().st_mtime
    except OSError:
        return False
    return last is not None and drawn_at >= datetime.fromisoformat(last.inspected_at).timestamp()


def left_as_they_are(
    log: WearLog,
    trial: Trial,
    inputs: Mapping[PhotoEntry, Inputs],
    sheets: Mapping[PhotoEntry, Path],
    current: Iterable[Record],
) -> dict[PhotoEntry, PhotoResult]:
    """What measuring again would find once more: photos of which nothing has changed.

    One that gave numbers counts among them only if its comparison sheet is there.

    Parameters
    ----------
    log : WearLog
    trial : Trial
    inputs : mapping
        As from `inputs_of`.
    sheets : mapping
        Where the comparison sheet of each photo is, or would be.
    current : iterable of Record
        As from `current_rows`.

    Returns
    -------
    dict
        What the wear log holds of them; without warnings and budgets, which it does not keep.
    """
    rows: dict[PhotoPlace, list[Record]] = {}
    for row in current:
        rows.setdefault((row.bit, row.flute, row.parts, row.view), []).append(row)
    found = {}
    for entry, standing in standing_of(log, trial, inputs).items():
        last, records = standing.last, tuple(rows.get(place_of(entry), ()))
        if last is None or last.photo != entry.file:
            continue
        sheet = sheets[entry] if sheet_holds(sheets[entry], last) else None
        if standing.state == "measured" and (sheet or (records and not gave_numbers(records))):
            found[entry] = PhotoResult(entry, last.photo_sha256, records, sheet=sheet)
        elif standing.state == "refused" and last.refusal_code not in TO_TRY_AGAIN:
            found[entry] = PhotoResult(
                entry, last.photo_sha256, refusal=last.refusal, refusal_code=last.refusal_code
            )
    return found
