"""Bytes from a stream that is open already, such as standard input."""

from typing import BinaryIO

from fenceguard.sources.source import read_within


class StreamPort:
    """Bytes from standard input or another stream, given as a file descriptor or a binary stream.

    The stream stays open: it belongs to whoever opened it.
    """

    def __init__(self, stream: int | BinaryIO) -> None:
        self.ended = False
        self.fault: str | None = None
        self._fd = stream if isinstance(stream, int) else stream.fileno()

    def read(self, timeout_s: float) -> bytes:
        """What has arrived; waits no longer than `timeout_s` for it. Never raises."""
        if self.ended:
            return b""
        try:
            data = read_within(self._fd, timeout_s)
        except OSError as error:
            self.fault = f"the input cannot be read: {error}"
            data = b""
        if data is None:
            return b""
        self.ended = not data
        return data

    def close(self) -> None:
        """Read no more."""
        self.ended = True
