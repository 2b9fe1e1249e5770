"""Waiting for what a thread, a process or a port does, no longer than it takes."""

import errno
import os
import time
from collections.abc import Callable

from fenceguard.sources.source import Source
from tests.support.nmea import sentence

BAUD = 115200
LINE = sentence("GNHDT,12.5,T")
SLACK_S = 0.25
"""By which a busy machine may be late."""
PATIENCE_S = 10.0
"""How long anything is waited for before it counts as not happening."""


def read_until(port: Source, enough: Callable[[bytes], bool]) -> bytes:
    """Read in short turns until there is enough, for a few seconds at most."""
    data, end_s = b"", time.monotonic() + PATIENCE_S
    while not enough(data):
        assert time.monotonic() < end_s, f"only {data!r}; fault: {port.fault}"
        data += port.read(0.02)
    return data


def until(condition: Callable[[], bool]) -> None:
    """Wait for a condition, for a while."""
    end_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end_s, "what was waited for did not happen"
        time.sleep(0.005)


def is_closed(fd: int) -> bool:
    """Whether a descriptor is open no more."""
    try:
        os.fstat(fd)
    except OSError as error:
        return error.errno == errno.EBADF
    return False


def eventually(held: Callable[[], object], within_s: float) -> bool:
    """Whether something comes to hold within a time."""
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        if held():
            return True
        time.sleep(0.005)
    return bool(held())
