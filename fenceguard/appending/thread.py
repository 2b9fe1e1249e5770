"""A thread that writes, so that no disk ever holds up whoever has something to write.

Nothing goes missing without a word: `trouble` says what keeps things from the disk just now, and
`unwritten` how many of them did not get there.
"""

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from typing import Generic, NamedTuple, Protocol, TypeVar

from fenceguard.appending.place import Gone

CHECK_S = 0.5
"""So often the files are looked after while nothing is written."""
RETRY_S = 1.0
"""Between two attempts; whoever asks for trouble each tick hears of each."""
SLOW_S = 2.0
"""A disk that takes longer than this for one item hangs."""
TOLD_S = 2.0
"""So long a trouble stands that is over as soon as it happens."""
END_S = 3.0

Item = TypeVar("Item")
Taken = TypeVar("Taken", contravariant=True)


class Files(Protocol[Taken]):
    """What is written to. All but `held` is called from the thread alone, and may block.

    What raises OSError is tried again. Any other exception of `write` means that this item cannot
    be written.
    """

    @property
    def held(self) -> int:
        """Items that were taken and are not in a file yet."""

    def write(self, item: Taken, missed: int) -> None:
        """Take one item. `missed` items before it are lost, which has to be told in the files.

        Where it raises, nothing of the item was taken.
        """

    def sync(self) -> None:
        """Force what was taken to the disk; called when nothing more waits."""

    def check(self) -> None:
        """Look after the files; called every `CHECK_S` while nothing is written."""

    def finish(self) -> None:
        """Nothing more comes: have all that was taken in the files and on the disk."""

    def close(self) -> None:
        """Let go of the files."""


class _Notice(NamedTuple):
    text: str
    until_s: float


class Appender(Generic[Item]):
    """Hands items to `files` from a thread of its own. `name` is what the texts call the whole.

    While the disk does not take them so many are `waiting`; newer ones are dropped and counted.
    """

    def __init__(self, name: str, files: Files[Item], waiting: int) -> None:
        self._name = name
        self._files = files
        self._waiting: queue.Queue[Item | None] = queue.Queue(waiting)
        self._counting = threading.Lock()
        self._added = self._dropped = 0
        # These are the thread's own.
        self._written = self._lost = self._told = 0
        self._began_s: float | None = None
        self._fault: str | None = None
        self._sync_fault: str | None = None
        self._notice: _Notice | None = None
        self._ended: str | None = None
        self._end_by_s: float | None = None
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def put(self, item: Item) -> None:
        """Have an item written soon. Never blocks, never raises."""
        with self._counting:
            try:
                self._waiting.put_nowait(item)
                self._added += 1
            except queue.Full:
                self._dropped += 1

    def close(self) -> None:
        """Write what waits, for at most `END_S` and a last attempt, and let go of the files."""
        self._end_by_s = time.monotonic() + END_S
        with contextlib.suppress(queue.Full):
            self._waiting.put_nowait(None)
        self._thread.join(END_S + RETRY_S)

    @property
    def unwritten(self) -> int:
        """Items that are not in a file: dropped, lost, or still waiting."""
        return self._dropped + self._added - self._written + self._files.held

    @property
    def trouble(self) -> str | None:
        """What keeps items from the disk just now, None where nothing does."""
        now_s, began_s, notice = time.monotonic(), self._began_s, self._notice
        if self._ended is not None:
            return self._ended
        if began_s is not None and now_s - began_s > SLOW_S:
            return (
                f"the {self._name} hangs: the disk does not answer; supervising goes on, what is "
                "to be written waits; look after the disk"
            )
        if self._fault or self._sync_fault:
            return self._fault or self._sync_fault
        if self._dropped + self._lost > self._told and not (notice and now_s < notice.until_s):
            return f"the {self._name} lacks something; how much is told with what comes next"
        return notice.text if notice is not None and now_s < notice.until_s else None

    def _run(self) -> None:
        try:
            while self._batch():
                pass
            if self._fault is None:
                self._persist(self._files.finish)
            self._timed(self._files.close)
        except BaseException as error:
            self._ended = (
                f"the {self._name} is no longer written: its thread ended with {_said(error)}; "
                "supervising goes on; start fenceguard again, and report this"
            )

    def _batch(self) -> bool:
        """Write what waits; returns whether there may be more."""
        taken: list[Item | None] = []
        with contextlib.suppress(queue.Empty):
            taken.append(self._waiting.get(timeout=CHECK_S))
            while taken[-1] is not None:
                taken.append(self._waiting.get_nowait())
        if not taken:
            self._look_after(self._files.check)
        for item in taken:
            if item is not None and not self._write(item):
                return False
        if taken:
            self._look_after(self._files.sync)
        return self._end_by_s is None or not self._waiting.empty()

    def _write(self, item: Item) -> bool:
        """Write one item, however long that takes; returns False where the end came before."""
        with self._counting:
            missed = self._dropped + self._lost - self._told
        try:
            if not self._persist(lambda: self._files.write(item, missed)):
                return False
        except Exception as error:
            self._fault = None
            self._lost += 1
            self._notice = _Notice(
                f"the {self._name} lacks something: it could not be put together, {_said(error)}; "
                "report this",
                time.monotonic() + TOLD_S,
            )
        else:
            self._told += missed
            self._written += 1
        return True

    def _persist(self, call: Callable[[], None]) -> bool:
        """Try until there is no OSError; when ending, only for a while."""
        while True:
            try:
                self._timed(call)
            except OSError as error:
                self._look_after(self._files.sync)
                self._fault = self._failed(error)
            else:
                self._fault = None
                return True
            if self._end_by_s is not None and time.monotonic() > self._end_by_s:
                return False
            time.sleep(RETRY_S)

    def _look_after(self, call: Callable[[], None]) -> None:
        try:
            self._timed(call)
            self._sync_fault = None
        except OSError as error:
            self._sync_fault = self._failed(error)
        except Exception as error:
            self._sync_fault = f"the {self._name} may not be on the disk: {_said(error)}"

    def _timed(self, call: Callable[[], None]) -> None:
        self._began_s = time.monotonic()
        try:
            call()
        finally:
            self._began_s = None

    def _failed(self, error: OSError) -> str:
        if isinstance(error, Gone):
            return (
                f"the {self._name} is not where it was: {error}; what it held is missing there, "
                "it goes on in a new file"
            )
        return (
            f"the {self._name} cannot be written: {error.strerror or error}; supervising goes on, "
            "what is to be written waits; is the disk full, or no longer to be written?"
        )


def _said(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}"
