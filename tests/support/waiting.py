"""Waiting for what a thread or a process does, no longer than it takes."""

import time
from collections.abc import Callable


def eventually(held: Callable[[], object], within_s: float) -> bool:
    """Whether something comes to hold within a time."""
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        if held():
            return True
        time.sleep(0.005)
    return bool(held())
