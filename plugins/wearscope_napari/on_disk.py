"""A trial as its files are now: what has changed since it was read is read anew. Knows no Qt."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path
from threading import RLock

from wearscope.errors import WearscopeError
from wearscope.files import checksum_of
from wearscope.imaging.calibration.scale import Scale
from wearscope.pipeline.sources import read_scales
from wearscope.pipeline.standing import place_of
from wearscope.trial import PhotoEntry, Trial, load_trial

SETTLED_NS = 2_000_000_000
"""Age from which a file's time of change is trusted; chosen: the coarsest clock of a file system (FAT) ticks so."""

TRIES = 4
"""How often something is read again that changes while it is read; chosen."""


class UnsettledError(WearscopeError):
    """A file keeps changing while it is read."""

    @classmethod
    def of(cls, what: str) -> UnsettledError:
        """Said of a file, or of the files that a photo rests on."""
        return cls(
            f"{what} keeps changing while it is read", "wait until it is written, then choose it again"
        )


class NotListedError(WearscopeError):
    """A photo that the trial file does not list any more."""


class Checksums:
    """SHA-256 of files. One is read again if its size or time of change is another, or was too fresh to tell."""

    def __init__(self) -> None:
        self._known: dict[Path, tuple[tuple[int, int], str]] = {}

    def of(self, path: Path) -> str:
        """SHA-256 of what a file holds now; empty if it cannot be read."""
        try:
            seen = path.stat()
        except OSError:
            return ""
        version, now = (seen.st_mtime_ns, seen.st_size), time.time_ns()
        if path in self._known and self._known[path][0] == version:
            return self._known[path][1]
        found = checksum_of(path)
        if (
            now - seen.st_mtime_ns > SETTLED_NS
        ):  # else it may change once more within the same tick of its clock
            self._known[path] = version, found
        return found

    def differ(self, known: Mapping[Path, str]) -> bool:
        """Whether any file holds something else than it did."""
        return any(self.of(path) != sha256 for path, sha256 in known.items())


class TrialOnDisk:
    """The trial file and what it names.

    Parameters
    ----------
    trial : Trial
        As it was read; what has changed since is noticed by `refresh`.
    """

    def __init__(self, trial: Trial) -> None:
        self.trial = trial
        self.checksums = Checksums()
        self.trial_seen = ""  # of the trial file when it was last looked at, right or wrong
        self._read = ""  # of the trial file that `trial` is
        self._by_pattern = True
        self._scales: dict[str, Scale] | None = None
        self._scales_of: dict[Path, str] = {}
        self._photos: dict[Path, str] = {}
        self._lock = RLock()

    # --- Trial file

    def refresh(self) -> tuple[str, ...]:
        """Read the trial file again if it has changed; what is to be said of that.

        Raises
        ------
        TrialError
            It is wrong now; the trial stays as it was.
        """
        with self._lock:
            for _ in range(TRIES):
                self.trial_seen = now = self.checksums.of(self.trial.path)
                if now and now == self._read and not self._by_pattern:
                    return ()
                by_pattern = _names_a_pattern(self.trial.path)
                trial = load_trial(self.trial.path, photos_to_come=True)
                if self.checksums.of(trial.path) == now:
                    return self._take(trial, now, by_pattern)
            raise UnsettledError.of(self.trial.path.name)

    def _take(self, trial: Trial, sha256: str, by_pattern: bool) -> tuple[str, ...]:
        self._read, self._by_pattern = sha256, by_pattern
        if trial == self.trial:
            return ()  # and `trial` stays the very same: the list in the window need not be made anew
        if trial.scales != self.trial.scales:
            self._scales = None
        self.trial = trial
        return (f"{trial.path.name} has changed on the disk and was read anew",)

    def is_as_read(self) -> bool:
        """Whether the trial file is still the one that was read."""
        return self.checksums.of(self.trial.path) == self._read

    def entry_now(self, entry: PhotoEntry) -> PhotoEntry:
        """The same photo as the trial lists it now.

        Raises
        ------
        NotListedError
            It does not.
        """
        for photo in self.trial.photos:
            if place_of(photo) == place_of(entry):
                return photo
        raise NotListedError(
            f"{self.trial.path.name} does not list {entry.file} any more", "choose another photo of the list"
        )

    # --- Graticules and photos

    def scales(self) -> tuple[Mapping[str, Scale], tuple[str, ...]]:
        """The scales of the trial, read again if a graticule has changed; what is to be said of that."""
        paths = [scale.graticule_path for scale in self.trial.scales if scale.graticule_path is not None]
        changed: list[str] = []
        for _ in range(TRIES):
            now = {path: self.checksums.of(path) for path in paths}
            if self._scales is not None and now == self._scales_of:
                return self._scales, ()
            changed += [path.name for path in paths if self._scales_of.get(path, now[path]) != now[path]]
            self._scales, self._scales_of = read_scales(self.trial)[0], now
            if {path: self.checksums.of(path) for path in paths} == now:
                return self._scales, tuple(_anew(name) for name in dict.fromkeys(changed))
        self._scales = None
        raise UnsettledError.of(paths[0].name)

    def photos_changed(self, known: Mapping[Path, str]) -> tuple[str, ...]:
        """Take notice of photos as they are now; what is to be said of those that were others before."""
        changed = [path for path, sha256 in known.items() if self._photos.get(path, sha256) != sha256]
        self._photos.update(known)
        return tuple(_anew(path.name) for path in changed)


def _anew(name: str) -> str:
    return f"{name} has changed on the disk and was read anew"


def _names_a_pattern(path: Path) -> bool:
    """Whether photos may be found by a pattern: then a new file adds one, and the trial file stays as it is."""
    try:
        return b"pattern" in path.read_bytes()
    except OSError:
        return True
