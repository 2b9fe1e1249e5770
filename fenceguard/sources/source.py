"""What every source of bytes can do."""

import os
import select
from typing import Protocol

CHUNK_BYTES = 65536


class Source(Protocol):
    """Bytes as they arrive, for one thread that reads and closes."""

    def read(self, timeout_s: float) -> bytes:
        """What has arrived; waits no longer than `timeout_s` for it. Never raises."""

    @property
    def ended(self) -> bool:
        """Nothing will ever come again."""

    @property
    def fault(self) -> str | None:
        """Why nothing comes at present, and what to do about it; None if nothing is wrong."""

    def close(self) -> None:
        """Read no more, and let go of whatever is held. Takes half a second at most."""


def read_within(fd: int, timeout_s: float) -> bytes | None:
    """What has arrived at a descriptor, waiting for it no longer than `timeout_s`.

    None if nothing has, and no bytes if none will ever come. Raises OSError if it cannot be read.
    """
    poll = select.poll()
    poll.register(fd, select.POLLIN)
    if not poll.poll(max(0.0, timeout_s) * 1000.0):
        return None
    try:
        return os.read(fd, CHUNK_BYTES)
    except BlockingIOError:
        return None
