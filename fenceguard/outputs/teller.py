"""The voice: lines of text for people, which must never hold up the work."""

import contextlib
import queue
import threading
from collections.abc import Callable

WAITING = 200
"""Texts kept for a terminal that does not take them; newer ones are dropped."""
END_S = 1.0


class Teller:
    """Hands texts to a writer thread; a blocked terminal or pipe costs texts, never time."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._texts: queue.Queue[str | None] = queue.Queue(WAITING)
        self._write = write
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)
        self._thread.start()

    def tell(self, text: str) -> None:
        """Have a text written soon. Never blocks; dropped when too many wait."""
        with contextlib.suppress(queue.Full):
            self._texts.put_nowait(text)

    def close(self) -> None:
        """Write what waits, for at most a second."""
        with contextlib.suppress(queue.Full):
            self._texts.put_nowait(None)
        self._thread.join(END_S)

    def _run(self) -> None:
        while (text := self._texts.get()) is not None:
            with contextlib.suppress(OSError, ValueError):
                self._write(text)
