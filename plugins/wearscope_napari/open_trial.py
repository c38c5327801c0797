"""A trial that is open: as its files are now, and let into its wear log. Knows no Qt."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from wearscope.errors import LogError
from wearscope.log.identity import IdentityLog, OtherTrialError
from wearscope.log.place import LogPlace
from wearscope.log.where import log_place
from wearscope.pipeline.astray import (
    AstrayError,
    astray_from,
    astray_lines,
    require_nothing_renamed,
)
from wearscope.trial import PhotoEntry, Trial
from wearscope_napari.on_disk import TrialOnDisk


class OpenTrial:
    """A trial and its wear log.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Where ``wear-log.sqlite`` and ``results/`` are.
    """

    def __init__(self, trial: Trial, out_dir: Path) -> None:
        self.out_dir = out_dir
        self.disk = TrialOnDisk(trial)
        self.remarks: tuple[str, ...] = ()  # on what the log holds under other names
        self._admitted: Trial | None = None

    @property
    def trial(self) -> Trial:
        """The trial as it was last read."""
        return self.disk.trial

    @property
    def log_place(self) -> LogPlace:
        """The wear log."""
        return log_place(self.out_dir)

    # --- As the files are now

    def refresh(self) -> tuple[str, ...]:
        """Read the trial file again if it has changed; what is to be said of that. See `TrialOnDisk.refresh`."""
        return self.disk.refresh()

    def entry_now(self, entry: PhotoEntry) -> PhotoEntry:
        """The same photo as the trial lists it now. See `TrialOnDisk.entry_now`."""
        return self.disk.entry_now(entry)

    @property
    def trial_file(self) -> dict[Path, str]:
        """The trial file with its SHA-256 when it was last looked at, right or wrong."""
        return {self.trial.path: self.disk.trial_seen}

    def differ(self, rests_on: Mapping[Path, str]) -> bool:
        """Whether any of the files that numbers rest on holds something else now."""
        return self.disk.checksums.differ(rests_on)

    def admit(self) -> None:
        """Make sure that the wear log is this trial's, and knows what the trial names by the same names.

        Raises
        ------
        OtherTrialError, AstrayError
            It is not, or does not: nothing may be written. Each says what to do.
        """
        trial = self.trial
        if self._admitted is trial:
            return
        try:
            with IdentityLog(self.log_place) as known:
                known.require(trial.name, trial.path)
            astray = astray_from(trial, self.log_place, self.disk.checksums.of)
            require_nothing_renamed(trial, self.log_place, astray)
            self.remarks = tuple(astray_lines(trial, self.log_place, astray))
        except LogError as problem:
            if isinstance(problem, OtherTrialError | AstrayError):
                raise
            return  # a log that cannot be read now: whoever writes to it says so
        self._admitted = trial
