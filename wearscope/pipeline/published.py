"""What was published of a trial, so that nothing is made anew of which nothing has changed."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from wearscope.files import TRIAL_BYTES, read_file, version_of
from wearscope.log.export import write_json
from wearscope.pipeline.measured import Stands, refusals_of
from wearscope.pipeline.results import sheet_names
from wearscope.pipeline.standing import sheet_holds
from wearscope.process.fairness import FairTrial, fair_trial
from wearscope.trial import PhotoEntry, Trial
from wearscope.version import __version__

if TYPE_CHECKING:
    from wearscope.economics.outcome import Over

PUBLISHED_NAME = "published.json"
"""In the results folder: what the report said, and the files that say it."""

WRITTEN_ANYWAY = "measurements.csv"  # by every run that measures


@dataclass(frozen=True)
class Published:
    """What was published of a trial.

    Attributes
    ----------
    said : dict
        The verdict and all that goes with it, as `Spoken` has it.
    paths : tuple of Path
        The files that say it.
    now : bool
        Whether they were made now; else nothing of what they say had changed.
    """

    said: dict[str, Any]
    paths: tuple[Path, ...]
    now: bool


def current_sheets(trial: Trial, results: Path, found: Stands) -> dict[PhotoEntry, Path]:
    """Comparison sheets that show the rows that hold now.

    Parameters
    ----------
    trial : Trial
    results : Path
        The results folder.
    found : Stands

    Returns
    -------
    dict
    """
    sheets = {entry: results / "sheets" / name for entry, name in sheet_names(trial).items()}
    return {
        entry: path
        for entry, path in sheets.items()
        if found.standing[entry].state == "measured" and sheet_holds(path, found.standing[entry].last)
    }


def repeat_study_lines(trial: Trial, results: Path) -> tuple[str, ...]:
    """What a repeat study of the trial's flutes found, a line for each quantity; empty if none lies here.

    Parameters
    ----------
    trial : Trial
    results : Path
        The results folder.

    Returns
    -------
    tuple of str
    """
    try:
        found = json.loads(read_file(results / "repeat-study.json", TRIAL_BYTES))
        return tuple(one["in_short"] for one in found["quantities"]) if found["trial"] == trial.name else ()
    except (OSError, ValueError, KeyError, TypeError):
        return ()


def what_is_said(
    trial: Trial,
    out_dir: Path,
    found: Stands,
    fair: FairTrial | None = None,
    sheets: Mapping[PhotoEntry, Path] | None = None,
) -> str:
    """Fingerprint of all that report, tables and wall sheet say: whatever changes it changes what they say.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Folder of the wear log and of ``results/``.
    found : Stands
    fair : FairTrial, optional
        Of the trial, where that was asked already.
    sheets : mapping, optional
        As from `current_sheets`, where that was asked already.

    Returns
    -------
    str
    """
    results = out_dir / "results"
    if sheets is None:
        sheets = current_sheets(trial, results, found)
    # a remark moves lines, and what the trial does not use is not told
    unlined = trial.model_copy(update={"lines": (), "headings": (), "strays": ()})
    said = (
        __version__,
        unlined,
        fair or fair_trial(trial),
        found.fingerprint,
        found.notes,
        found.note_history,
        found.behind,
        found.astray,
        sorted(refusals_of(found, results).items()),
        [(path.name, version_of(path)) for path in sheets.values()],
        repeat_study_lines(trial, results),
    )
    return sha256(repr(said).encode()).hexdigest()


def asked_for(over: Over, *, interactive: bool, parquet: bool) -> dict[str, str | bool]:
    """What was asked for beside the trial: with anything else the same numbers are published in another way.

    Parameters
    ----------
    over : {"parts", "minutes", "metres"}
    interactive, parquet : bool
        As `publish` takes them.

    Returns
    -------
    dict
    """
    return {"over": over, "interactive": interactive, "parquet": parquet}


def note_published(
    results: Path,
    trial: Trial,
    fingerprint: str,
    said: dict[str, Any],
    paths: Iterable[Path],
    how: Mapping[str, Any] = MappingProxyType({}),
    pages: Mapping[str, str] = MappingProxyType({}),
) -> None:
    """Note what was published, as the last of its files.

    Parameters
    ----------
    results : Path
        The results folder.
    trial : Trial
    fingerprint : str
        As from `what_is_said`.
    said : dict
    paths : iterable of Path
        Files in that folder.
    how : mapping
        What was asked for beside the trial, as JSON knows it.
    pages : mapping
        Fingerprint of what each page beside the report shows, by its name in that folder.

    Raises
    ------
    WearscopeError
        It cannot be written.
    """
    files = {
        path.relative_to(results).as_posix(): version_of(path)
        for path in paths
        if path.name != WRITTEN_ANYWAY
    }
    noted = {"trial": trial.path.name, "says": fingerprint, "files": files, "said": said}
    noted |= {"how": dict(how), "pages": dict(pages)}
    write_json(results / PUBLISHED_NAME, noted)


def trial_published(results: Path) -> str:
    """Name of the trial file whose report is in a results folder.

    Parameters
    ----------
    results : Path

    Returns
    -------
    str
        The usual one if nothing was published.
    """
    with suppress(OSError, ValueError, KeyError, TypeError):
        return str(json.loads(read_file(results / PUBLISHED_NAME, TRIAL_BYTES))["trial"])
    return "trial.toml"


def still_published(
    results: Path, fingerprint: str, how: Mapping[str, Any] | None = None
) -> Published | None:
    """What was published, if it says the same and every file of it is as it was written.

    Parameters
    ----------
    results : Path
        The results folder.
    fingerprint : str
        As from `what_is_said`.
    how : mapping, optional
        What must have been asked for beside the trial.

    Returns
    -------
    Published or None
    """
    with suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
        noted = json.loads(read_file(results / PUBLISHED_NAME, TRIAL_BYTES))
        files = noted["files"]
        if how is not None and noted["how"] != dict(how):
            return None
        if noted["says"] == fingerprint and all(version_of(results / name) == files[name] for name in files):
            return Published(noted["said"], tuple(results / name for name in files), now=False)
    return None


def pages_published(results: Path) -> dict[str, str]:
    """Fingerprint of what each page beside the report, and the labels, show, of those that are as they were written.

    Parameters
    ----------
    results : Path
        The results folder.

    Returns
    -------
    dict
        By the file's name in that folder.
    """
    with suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
        noted = json.loads(read_file(results / PUBLISHED_NAME, TRIAL_BYTES))
        files = noted["files"]
        return {
            name: shown for name, shown in noted["pages"].items() if version_of(results / name) == files[name]
        }
    return {}
