"""What lies ready when a photo is measured: scales, what people have said, and what was found out already."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, is_dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np

from wearscope.errors import PhotoRefused, WearscopeError
from wearscope.imaging.calibration.plausible import doubts_of_scale, graticule_question
from wearscope.imaging.calibration.scale import (
    Scale,
    scale_from_embedded,
    scale_from_graticule,
    scale_from_value,
)
from wearscope.imaging.camera_signs import STRONG_HALO, line_halo
from wearscope.imaging.edge_line import EdgeLine
from wearscope.imaging.edge_search import Marks, edge_line, search_px
from wearscope.imaging.edge_verdict import FoundEdge
from wearscope.imaging.located_edge import LocatedEdge, follow_edge, hide
from wearscope.imaging.photo import Photo, read_photo
from wearscope.imaging.prepared_photo import (
    PhotoScale,
    PreparedPhoto,
    block_side,
    prepare,
    through_lens,
)
from wearscope.quantities.reasons import Reason, reason
from wearscope.quantities.views import VIEWS
from wearscope.trial.correction import NOTHING, Correction
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial

NEW_STATE_BYTES = 256 << 20
"""That a process may keep of new-state photos: one of 12 megapixels. Chosen, no source."""
NEW_STATE_RESULTS = 24
"""Of some six for each photo. A process measures flute after flute: what it kept of those that are done would be
asked for no more, and fill all that room in a hundred small photos. Four are for views whose photos come in turn."""
OWN_SCALE_U = 0.002  # relative, of a scale stated for one photo without its uncertainty


def read_scales(trial: Trial) -> tuple[dict[str, Scale], dict[str, str]]:
    """Read every scale of a trial.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    scales : dict
        Scale by name.
    refusals : dict
        One line each for scales that could not be read.
    """
    scales: dict[str, Scale] = {}
    refusals: dict[str, str] = {}
    for entry in trial.scales:
        try:
            if entry.graticule_path is not None and entry.division_um is not None:
                scales[entry.name] = scale_of_graticule(
                    read_photo(entry.graticule_path),
                    entry.division_um,
                    name=entry.name,
                    file=entry.graticule_path.name,
                )
            elif entry.um_per_px is not None and entry.u_um_per_px is not None:
                scales[entry.name] = scale_from_value(entry.um_per_px, entry.u_um_per_px, entry.name)
        except WearscopeError as problem:
            refusals[entry.name] = str(problem)
    return scales, refusals


def scale_of_graticule(photo: Photo, division_um: float, *, name: str = "", file: str = "") -> Scale:
    """Measure the scale on a photo of a graticule, and ask where it can hardly be.

    Parameters
    ----------
    photo : Photo
    division_um : float
        Distance of neighbouring lines.
    name, file : str
        Of the scale and of the photo, for messages.

    Returns
    -------
    Scale
        Doubtful where the picture would be far too wide or too narrow, or its lines far too thick.

    Raises
    ------
    PhotoRefused
        No ruled scale is to be seen.
    """
    luminance = photo.linear().mean(axis=2)
    scale = scale_from_graticule(luminance, division_um, name=name, file=file)
    question = graticule_question(luminance, scale.um_per_px, scale.normal_deg, division_um)
    green = photo.pixels[..., 1].astype(np.float32)
    halo = line_halo(green, division_um / scale.um_per_px, scale.normal_deg)
    if halo > STRONG_HALO:
        scale = replace(scale, remarks=(*scale.remarks, reason("lines-with-halo", share=halo)))
    return replace(scale, status="doubtful", remarks=(question, *scale.remarks)) if question else scale


_ResultT = TypeVar("_ResultT")


class Memory:
    """What was found out already: about a photo that is measured again, or about what many photos are laid over.

    Calls a function, or gives what the same call gave before. Threads may share one. What travels to another process
    is a memory of the same size with nothing in it.

    Parameters
    ----------
    kept : int
        Results at most; the one asked for longest ago goes first.
    most_bytes : int, optional
        That their arrays may take together; but what was asked for last is kept whatever it takes.
    """

    def __init__(self, kept: int = 16, most_bytes: int | None = None) -> None:
        self._kept = kept
        self._most_bytes = most_bytes
        self._results: OrderedDict[Hashable, Any] = OrderedDict()
        self._lock = threading.Lock()

    def __reduce__(self) -> tuple[type[Memory], tuple[int, int | None]]:
        return Memory, (self._kept, self._most_bytes)

    def __call__(self, make: Callable[..., _ResultT], *of: Hashable) -> _ResultT:
        """Result of ``make(*of)``."""
        key = (make, of)
        result: _ResultT
        with self._lock:
            if key in self._results:
                self._results.move_to_end(key)
                result = self._results[key]
                return result
        made = make(*of)
        with self._lock:
            result = self._results.setdefault(key, made)  # another thread may have made it meanwhile
            self._results.move_to_end(key)
            while len(self._results) > 1 and self._is_full():
                self._results.popitem(last=False)
        return result

    def _is_full(self) -> bool:
        if len(self._results) > self._kept:
            return True
        if self._most_bytes is None:
            return False
        arrays: dict[int, int] = {}
        for result in self._results.values():
            _weigh(result, arrays)
        return sum(arrays.values()) > self._most_bytes


def _weigh(result: object, arrays: dict[int, int]) -> None:
    """Note the bytes of each array that a result holds; results share most of theirs."""
    if isinstance(result, np.ndarray):
        arrays[id(result)] = result.nbytes
    elif is_dataclass(result):
        for part in vars(result).values():
            _weigh(part, arrays)


def memory_of_new_states() -> Memory:
    """Memory for what the new-state photos of a run gave, so that each later photo need not work it out again.

    Returns
    -------
    Memory
    """
    return Memory(NEW_STATE_RESULTS, NEW_STATE_BYTES)


@dataclass(frozen=True)
class Sources:
    """What lies ready for the photos of a trial.

    Attributes
    ----------
    scales : mapping
        Scale by name.
    corrections : mapping
        What people have said of photos, by the photo's sha256.
    recall : Memory
    not_its_own : mapping
        Refusals of photos that are the same picture as others, as from `same_as_others`.
    of_new_states : Memory, optional
        For what new-state photos give, where that outlasts the photo which is measured; by default `recall`.
    """

    scales: Mapping[str, Scale]
    corrections: Mapping[str, Correction]
    recall: Memory
    not_its_own: Mapping[PhotoEntry, PhotoRefused] = field(default_factory=dict)
    of_new_states: Memory | None = None

    def recall_of(self, entry: PhotoEntry) -> Memory:
        """Memory for what a photo gives.

        Parameters
        ----------
        entry : PhotoEntry

        Returns
        -------
        Memory
        """
        return self.recall_new if entry.parts == 0 else self.recall

    @property
    def recall_new(self) -> Memory:
        """Memory for what new-state photos give."""
        return self.recall if self.of_new_states is None else self.of_new_states

    def photo(self, entry: PhotoEntry) -> Photo:
        """The photo of an entry, read once.

        Parameters
        ----------
        entry : PhotoEntry

        Returns
        -------
        Photo

        Raises
        ------
        PhotoRefused
            It cannot be read, or is the same picture as that of another place.
        """
        if entry in self.not_its_own:
            raise self.not_its_own[entry]
        return self.as_read(entry)

    def as_read(self, entry: PhotoEntry) -> Photo:
        """The photo of an entry, to look at or to name, whatever else holds the same picture.

        Parameters
        ----------
        entry : PhotoEntry

        Returns
        -------
        Photo

        Raises
        ------
        PhotoRefused
            It cannot be read.
        """
        return self.recall_of(entry)(_read_version, entry.path, _version(entry.path))

    def said_of(self, entry: PhotoEntry) -> Correction:
        """What a person has said of a photo.

        Parameters
        ----------
        entry : PhotoEntry

        Returns
        -------
        Correction
        """
        return self.corrections.get(self.photo(entry).sha256, NOTHING)

    def scale(self, entry: PhotoEntry) -> PhotoScale:
        """Scale of a photo; see `scale_of`.

        Parameters
        ----------
        entry : PhotoEntry

        Returns
        -------
        PhotoScale

        Raises
        ------
        PhotoRefused
            There is none.
        """
        photo = self.photo(entry)
        scale = scale_of(entry, self.scales, self.said_of(entry), photo)
        of_tip = not VIEWS[entry.view].holds("edge_recession")
        return replace(scale, doubts=(*scale.doubts, *doubts_of_scale(photo, scale, of_tip=of_tip)))

    def by_hand(self, entry: PhotoEntry) -> bool:
        """Whether a person has marked anything in a photo.

        Parameters
        ----------
        entry : PhotoEntry

        Returns
        -------
        bool
        """
        return entry.edge_near is not None or not self.said_of(entry).empty

    def prepared(self, entry: PhotoEntry) -> PreparedPhoto:
        """The photo in linear light, its edge not yet found.

        Parameters
        ----------
        entry : PhotoEntry

        Returns
        -------
        PreparedPhoto

        Raises
        ------
        PhotoRefused
            It cannot be read, or has no scale.
        """
        side = block_side(self.scale(entry).um_per_px)
        return self.recall_of(entry)(prepare, self.photo(entry), side)

    @contextmanager
    def looking_at(self, entry: PhotoEntry) -> Iterator[None]:
        """Have a second processor look at a photo as long as the context lasts, where OpenCV may use one.

        What it finds lies ready then; what goes wrong comes up again when it is asked for.

        Parameters
        ----------
        entry : PhotoEntry

        Yields
        ------
        None
        """
        if cv2.getNumThreads() < 2:
            yield
            return
        other = threading.Thread(target=self._look_at, args=(entry,), daemon=True)
        other.start()
        try:
            yield
        except PhotoRefused:  # the photo is measured all the same
            other.join()
            raise
        other.join()  # not where the work was given up: nothing can end the other then

    def _look_at(self, entry: PhotoEntry) -> None:
        with suppress(Exception):
            prepared = self.prepared(entry)
            # the other way round than whoever looks for an edge: the net answers one at a time
            _ = prepared.proposals, prepared.candidates

    def located(self, entry: PhotoEntry, like: LocatedEdge | None = None) -> LocatedEdge:
        """The photo with its edge found, as far as the person has not said where it is.

        Parameters
        ----------
        entry : PhotoEntry
        like : LocatedEdge, optional
            The new-state photo's, that it most likely looks like.

        Returns
        -------
        LocatedEdge

        Raises
        ------
        PhotoRefused
            It has no scale, or no line in it is clearly the edge.
        """
        prepared, said, scale = self.prepared(entry), self.said_of(entry), self.scale(entry)
        recall = self.recall_of(entry)
        drawn, tool = (said.edge.points_px, said.edge.tool) if said.edge else (None, None)
        marks = Marks(entry.edge_near, drawn, tool, entry.tool_at)
        known = recall(EdgeLine.in_picture, like.line) if like is not None else None
        found: FoundEdge = recall(edge_line, prepared, search_px(prepared, scale), marks, known)
        located: LocatedEdge = recall(follow_edge, prepared, found, scale)
        return recall(hide, located, said.ignored_px) if said.ignored_px else located


def _version(path: Path) -> tuple[int, int]:
    try:
        seen = path.stat()
    except OSError:
        return 0, 0  # reading it says what is wrong
    return seen.st_mtime_ns, seen.st_size


def _read_version(path: Path, _version: tuple[int, int]) -> Photo:
    return read_photo(path)


def scale_of(
    entry: PhotoEntry, scales: Mapping[str, Scale], said: Correction = NOTHING, photo: Photo | None = None
) -> PhotoScale:
    """Scale of a photo: set by hand, its own, that of the scale entry it names, or what its file says.

    Parameters
    ----------
    entry : PhotoEntry
    scales : mapping
        Scale by name.
    said : Correction
    photo : Photo, optional
        By default it is read.

    Returns
    -------
    PhotoScale

    Raises
    ------
    PhotoRefused
        There is none.
    """
    if said.scale is not None:
        by_hand = reason("scale-by-hand", how=said.scale.how)
        return PhotoScale.even(said.scale.um_per_px, said.scale.u_um_per_px, (by_hand,))
    if entry.um_per_px is not None:
        u_um_per_px = entry.u_um_per_px if entry.u_um_per_px is not None else OWN_SCALE_U * entry.um_per_px
        return PhotoScale.even(entry.um_per_px, u_um_per_px, (reason("scale-of-this-photo"),))
    photo = photo or read_photo(entry.path)
    if entry.scale in scales:
        scale = scales[entry.scale]
        remarks = scale.remarks if scale.status != "ok" else ()
        return through_lens(_of_photo(scale, remarks), scale.lens, photo.pixels.shape)
    if photo.embedded_um_per_px is not None:
        scale = scale_from_embedded(*photo.embedded_um_per_px, entry.scale, photo.embedded_source)
        return _of_photo(scale, scale.remarks)
    raise PhotoRefused(
        f"{entry.path.name}: there is no scale for it, scale {entry.scale!r} could not be read",
        "photograph the graticule at this zoom, or give um_per_px and u_um_per_px",
        "scale-missing",
    )


def _of_photo(scale: Scale, remarks: tuple[Reason, ...]) -> PhotoScale:
    doubts = (reason("scale-doubtful"),) if scale.status == "doubtful" else ()
    return PhotoScale(
        scale.um_per_px_x, scale.u_um_per_px_x, scale.um_per_px_y, scale.u_um_per_px_y, remarks, doubts
    )
