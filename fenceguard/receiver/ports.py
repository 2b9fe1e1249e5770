"""Where a live receiver's bytes come from."""

import contextlib
import errno
import grp
import os
import select
import termios
import time
from pathlib import Path
from typing import BinaryIO

import serial

from fenceguard.errors import BadInput

CHUNK_BYTES = 65536
FIRST_RETRY_S = 0.1
LAST_RETRY_S = 2.0
USUAL_GROUP = "dialout"


class SerialPort:
    """A serial port that nobody else may use meanwhile. Raises BadInput if it cannot be opened.

    Later trouble, such as a pulled plug, is told by `fault` while the port is opened again and
    again, at growing intervals from `FIRST_RETRY_S` to `LAST_RETRY_S`.
    """

    ended = False

    def __init__(self, path: str, baud: int) -> None:
        self.fault: str | None = None
        self._path = path
        self._baud = baud
        self._retry_s = FIRST_RETRY_S
        self._retry_at_s = 0.0
        self._serial: serial.Serial | None = _open(path, baud)

    def read(self, timeout_s: float) -> bytes:
        """What has arrived; waits no longer than `timeout_s` for it. Never raises."""
        if self._serial is None:
            self._try_again(timeout_s)
            return b""
        try:
            if not _has_news(self._serial.fileno(), timeout_s):
                return b""
            data = bytes(self._serial.read(CHUNK_BYTES))
        except OSError as error:
            self._lose(f"{self._path}: lost ({error}); is the receiver plugged in and powered?")
            return b""
        if data:
            self._retry_s = FIRST_RETRY_S
        return data

    def close(self) -> None:
        """Let go of the port."""
        if self._serial is not None:
            with contextlib.suppress(OSError):
                self._serial.close()
        self._serial = None

    def _try_again(self, timeout_s: float) -> None:
        wait_s = self._retry_at_s - time.monotonic()
        time.sleep(max(0.0, min(wait_s, timeout_s)))
        if wait_s > timeout_s:
            return
        try:
            self._serial = _open(self._path, self._baud)
        except BadInput as error:
            self._lose(str(error))
        else:
            self.fault = None

    def _lose(self, fault: str) -> None:
        self.close()
        self.fault = fault
        self._retry_at_s = time.monotonic() + self._retry_s
        self._retry_s = min(2.0 * self._retry_s, LAST_RETRY_S)


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
            if not _has_news(self._fd, timeout_s):
                return b""
            data = os.read(self._fd, CHUNK_BYTES)
        except BlockingIOError:
            return b""
        except OSError as error:
            self.fault = f"the input cannot be read: {error}"
            data = b""
        self.ended = not data
        return data

    def close(self) -> None:
        """Read no more."""
        self.ended = True


def _has_news(fd: int, timeout_s: float) -> bool:
    poll = select.poll()
    poll.register(fd, select.POLLIN)
    return bool(poll.poll(max(0.0, timeout_s) * 1000.0))


def _open(path: str, baud: int) -> serial.Serial:
    try:
        return serial.Serial(path, baud, timeout=0, exclusive=True)
    except ValueError as error:
        raise BadInput(f"{path}: cannot be set to {baud} baud: {error}") from error
    except (OSError, termios.error) as error:
        raise BadInput(f"{path}: {_problem(path, error)}") from error


def _problem(path: str, error: Exception) -> str:
    """What keeps a port from being opened, and what to do."""
    number = getattr(error, "errno", None)
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return "does not exist; plug the receiver in, or give the port that it has (ls /dev/serial)"
    if number in (errno.EBUSY, errno.EAGAIN):
        return f"is busy: another program holds it; stop that one (fuser -v {path} shows which)"
    if number in (errno.EACCES, errno.EPERM):
        group = _group(path)
        return (
            f"not permitted; become a member of the group {group} and log in again "
            f"(sudo usermod -aG {group} USER)"
        )
    return f"cannot be used as a serial port: {error}"


def _group(path: str) -> str:
    try:
        status = Path(path).stat()
        name = grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return USUAL_GROUP
    return USUAL_GROUP if name == "root" else name
