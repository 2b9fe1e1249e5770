"""A source that is opened again and again, by a thread of its own.

A driver may take many seconds to open a device or to let go of it. Whoever reads must not wait
that long, as it holds the output lines meanwhile. So the thread opens and closes, the reader reads:

- The thread opens the device, hands it over, and waits until it is given back.
- The reader gives it back when it can no longer be read, or at the end.
- The thread closes it, waits a little, and opens it again, until the end.
"""

import contextlib
import threading
import time
from collections.abc import Callable
from typing import Protocol

from fenceguard.errors import BadInput
from fenceguard.sources.source import read_within

FIRST_RETRY_S = 0.1
LAST_RETRY_S = 2.0
SLOW_S = 1.0
"""An opening that takes longer is told. So long, too, a new source waits for its first one."""
CLOSE_S = 0.5
"""How long the end waits for the thread."""


class Device(Protocol):
    """Something that was opened and is ready to be read by its descriptor."""

    def fileno(self) -> int:
        """Its descriptor."""

    def close(self) -> None:
        """Let go of it."""


class Pauses:
    """The pauses between tries: each twice as long as the one before, up to a longest."""

    def __init__(self) -> None:
        self._next_s = FIRST_RETRY_S

    def next_s(self) -> float:
        """How long to pause now."""
        pause_s = self._next_s
        self._next_s = min(2.0 * pause_s, LAST_RETRY_S)
        return pause_s

    def begin_again(self) -> None:
        """It has worked: the next pause is the shortest."""
        self._next_s = FIRST_RETRY_S


class Reopening:
    """Bytes of a device that may go away and come back, such as a plug that is pulled.

    `name` begins every fault; `open_device` opens and configures, may take as long as it likes, and
    raises BadInput with the fault if it cannot. Raises BadInput itself if the first opening fails
    within `SLOW_S`; one that takes longer goes on, and is told by `fault`.
    """

    def __init__(self, name: str, open_device: Callable[[], Device]) -> None:
        self._name = name
        self._open_device = open_device
        self._pauses = Pauses()
        self._changed = threading.Condition()
        # All that follows is read and changed under the condition alone.
        self._device: Device | None = None
        self._refusal: str | None = None
        self._opening_since_s: float | None = time.monotonic()
        self._closed = False
        self._thread = threading.Thread(target=self._keep_open, name=name, daemon=True)
        self._thread.start()
        with self._changed:
            self._changed.wait_for(self._first_opening_is_over, SLOW_S)
            refusal = self._refusal
        if refusal is not None:
            self.close()
            raise BadInput(refusal)

    @property
    def ended(self) -> bool:
        """Whether it was closed; nothing else ends it."""
        with self._changed:
            return self._closed

    @property
    def fault(self) -> str | None:
        """Why nothing comes at present; None if nothing is wrong."""
        with self._changed:
            since_s = self._opening_since_s
            if since_s is not None and time.monotonic() - since_s >= SLOW_S:
                return (
                    f"{self._name}: is still being opened; if that does not end, pull the plug and "
                    "put it in again"
                )
            return self._refusal

    def read(self, timeout_s: float) -> bytes:
        """What has arrived; waits no longer than `timeout_s` for it. Never raises."""
        end_s = time.monotonic() + timeout_s
        with self._changed:
            self._changed.wait_for(
                lambda: self._device is not None or self._closed, max(0.0, timeout_s)
            )
            device = self._device
        if device is None:
            return b""
        try:
            data = read_within(device.fileno(), end_s - time.monotonic())
        except OSError as error:
            self._lose(str(error))
            return b""
        if data is None:
            return b""
        if data:
            self._pauses.begin_again()
        else:
            self._lose("the other end hung up")
        return data

    def close(self) -> None:
        """Let go of the device. One that is being opened is closed as soon as it is open."""
        with self._changed:
            self._closed = True
            self._device = None
            self._changed.notify_all()
        self._thread.join(CLOSE_S)

    def _first_opening_is_over(self) -> bool:
        return self._device is not None or self._refusal is not None

    def _lose(self, why: str) -> None:
        with self._changed:
            self._refusal = f"{self._name}: lost ({why}); is the receiver plugged in and powered?"
            self._device = None
            self._changed.notify_all()

    def _keep_open(self) -> None:
        """Open, hand over, close, pause, until the end; runs on the thread."""
        while True:
            device, refusal = self._try_to_open()
            with self._changed:
                self._opening_since_s = None
                self._refusal = refusal
                if not self._closed:
                    self._device = device
                self._changed.notify_all()
                self._changed.wait_for(lambda: self._device is None)
            if device is not None:
                with contextlib.suppress(OSError):
                    device.close()
            with self._changed:
                if self._changed.wait_for(lambda: self._closed, self._pauses.next_s()):
                    return
                self._opening_since_s = time.monotonic()

    def _try_to_open(self) -> tuple[Device | None, str | None]:
        """The open device, or why there is none."""
        try:
            return self._open_device(), None
        except BadInput as error:
            return None, str(error)
        except Exception as error:  # the thread must go on trying, whatever a driver makes of it
            return None, f"{self._name}: cannot be opened: {error}"
