"""Frames of a camera, the newest only: read in a thread of their own, and sought again when the camera goes away."""

from __future__ import annotations

import time
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from threading import Condition, Event, Thread
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused

State = Literal["opening", "running", "broken", "ended", "lost", "closed"]

STALL_S = 3.0  # without a frame, after which a stream counts as broken; chosen
TRIES = 8  # to open a camera, one after the other, before it counts as lost; chosen
PAUSES_S = (0.1, 0.3, 1.0, 2.0)  # before each further try, the last one again and again
CLOSE_S = 1.0  # that closing waits for the thread; one that hangs in a read ends by itself
JPEGS = cv2.VideoWriter.fourcc(*"MJPG")
# Asked for more than there is, a driver gives the largest picture it has; common practice, no source
LARGEST = (
    (cv2.CAP_PROP_FOURCC, JPEGS),
    (cv2.CAP_PROP_FRAME_WIDTH, 10_000),
    (cv2.CAP_PROP_FRAME_HEIGHT, 10_000),
)
DEFAULT_FPS = 25.0  # of a video that does not say it


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture of a camera.

    Attributes
    ----------
    number : int
        Counts from 1; frames that nobody looked at are counted too.
    as_sent : ndarray of uint8
        RGB, shape (H, W, 3), or a JPEG, shape (N,), which is not decoded before somebody looks at it.
    at_s : float
        When it came, by `time.monotonic`.
    """

    number: int
    as_sent: NDArray[np.uint8]
    at_s: float

    @cached_property
    def pixels(self) -> NDArray[np.uint8]:
        """RGB, shape (H, W, 3), a JPEG as it is decoded from a file.

        Raises
        ------
        PhotoRefused
            It is damaged.
        """
        if self.as_sent.ndim == 3:
            return self.as_sent
        pixels = _of_jpeg(self.as_sent)
        if pixels is None:
            raise PhotoRefused(
                "a frame of the camera is damaged", "wait for the next; if it stays so, start it again"
            )
        return pixels


class FrameSource:
    """A camera, a stream or a video that is read in the background. None of its methods waits for the camera.

    Parameters
    ----------
    address : int or str
        Number of a device, address of an MJPEG stream over HTTP, or a video file, which is played at its own pace.
    stall_s : float
        Without a frame, after which a stream counts as broken and is opened again.
    tries : int
        To open it, one after the other without a frame, before it counts as lost.
    """

    def __init__(self, address: int | str, stall_s: float = STALL_S, tries: int = TRIES) -> None:
        self.address, self.stall_s, self.tries = address, stall_s, tries
        self.state: State = "opening"
        self.breaks = 0  # how often it was sought again
        self._newest: Frame | None = None
        self._number = 0
        self._news = Condition()
        self._stop = Event()
        self._thread = Thread(target=self._run, name="wearscope camera", daemon=True)
        self._thread.start()

    def newest(self, after: int = 0) -> Frame | None:
        """Newest frame; None if there is none newer than frame number `after`.

        Parameters
        ----------
        after : int

        Returns
        -------
        Frame or None
        """
        with self._news:
            found = self._newest
        return found if found is not None and found.number > after else None

    def wait(self, after: int = 0, timeout_s: float = 1.0) -> Frame | None:
        """Newest frame, waited for; None if none newer than frame number `after` comes in time.

        Parameters
        ----------
        after : int
        timeout_s : float

        Returns
        -------
        Frame or None
        """
        with self._news:
            self._news.wait_for(lambda: self._number > after or self.over, timeout_s)
        return self.newest(after)

    @property
    def over(self) -> bool:
        """Whether no frame will come any more."""
        return self.state in ("ended", "lost", "closed")

    @property
    def stale(self) -> bool:
        """Whether the newest frame is so old that it does not show what lies under the lens now."""
        newest = self.newest()
        return newest is None or time.monotonic() - newest.at_s > self.stall_s

    def close(self, wait_s: float = CLOSE_S) -> None:
        """Read no more. Frames that were taken stay.

        Parameters
        ----------
        wait_s : float
            At most, for the thread to end.
        """
        self._stop.set()
        with self._news:
            self._news.notify_all()
        self._thread.join(wait_s)
        self.state = "closed"

    # --- In the thread

    def _run(self) -> None:
        failed = 0
        while not self._stop.is_set() and failed < self.tries:
            before = self._number
            if self._read() == "ended":
                self._become("ended")
                return
            failed = 1 if self._number > before else failed + 1
            self.breaks += 1
            self._become("broken")
            self._stop.wait(PAUSES_S[min(failed, len(PAUSES_S)) - 1])
        self._become("closed" if self._stop.is_set() else "lost")

    def _read(self) -> Literal["ended", "broken"]:
        """Read until the stream breaks off, stalls or ends, or this is closed."""
        camera, as_jpeg = _opened(self.address, self.stall_s)
        is_file = isinstance(self.address, str) and Path(self.address).is_file()
        pace_s = 1.0 / (camera.get(cv2.CAP_PROP_FPS) or DEFAULT_FPS) if is_file else 0.0
        due_s, some = time.monotonic(), False
        try:
            while not self._stop.is_set():
                whole, sent = camera.read()
                if not whole or sent is None:
                    return "ended" if is_file and some else "broken"
                some = True
                self._keep(
                    sent.ravel().astype(np.uint8) if as_jpeg else np.ascontiguousarray(sent[..., ::-1])
                )
                due_s += pace_s
                if pace_s:
                    self._stop.wait(max(0.0, due_s - time.monotonic()))
            return "broken"
        finally:
            camera.release()

    def _keep(self, as_sent: NDArray[np.uint8]) -> None:
        with self._news:
            self._number += 1
            self._newest = Frame(self._number, as_sent, time.monotonic())
            if not self._stop.is_set():
                self.state = "running"
            self._news.notify_all()

    def _become(self, state: State) -> None:
        with self._news:
            self.state = state
            self._news.notify_all()


def address_of(text: str) -> int | str:
    """A camera as a person types it: a number is a device's.

    Parameters
    ----------
    text : str

    Returns
    -------
    int or str
    """
    text = text.strip()
    return int(text) if text.isdigit() else text


def _opened(address: int | str, stall_s: float) -> tuple[cv2.VideoCapture, bool]:
    """A camera opened, or not (reading it then gives no frame), and whether it gives JPEGs as they are sent.

    Decoded by the video library a JPEG is coarser in its colours than the same JPEG in a file, and each would be
    decoded, looked at or not.
    """
    if isinstance(address, int):
        camera = cv2.VideoCapture(address)
        # unasked a device sends the least it can; as JPEGs the most comes fast enough
        for setting, value in LARGEST:
            camera.set(setting, value)
        return camera, False
    wait_ms = int(1000 * stall_s)
    limits = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, wait_ms, cv2.CAP_PROP_READ_TIMEOUT_MSEC, wait_ms]
    camera = cv2.VideoCapture(address, cv2.CAP_FFMPEG, [*limits, cv2.CAP_PROP_FORMAT, -1])
    if camera.isOpened() and int(camera.get(cv2.CAP_PROP_FOURCC)) == JPEGS:
        return camera, True
    camera.release()
    return cv2.VideoCapture(address, cv2.CAP_FFMPEG, limits), False


def _of_jpeg(content: NDArray[np.uint8]) -> NDArray[np.uint8] | None:
    pixels = cv2.imdecode(content, cv2.IMREAD_COLOR)
    return None if pixels is None else np.ascontiguousarray(pixels[..., ::-1], np.uint8)
