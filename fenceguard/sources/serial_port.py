"""A serial port that nobody else may use meanwhile."""

import errno
import grp
import termios
from pathlib import Path

import serial

from fenceguard.errors import BadInput
from fenceguard.sources.reopening import Reopening

USUAL_GROUP = "dialout"


class SerialPort(Reopening):
    """A serial port, opened again whenever it was lost.

    Raises BadInput if it cannot be opened: it is not there, busy, or not permitted, say.
    """

    def __init__(self, path: str, baud: int) -> None:
        super().__init__(path, lambda: _open(path, baud))


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
