"""What several tests need."""

from collections.abc import Callable
from pathlib import Path

import pytest

LOGS = Path(__file__).parents[2] / "shared" / "logs"
"""Recordings of real receivers, which are not part of the project."""


@pytest.fixture
def log() -> Callable[[str], Path]:
    """Finds a recording by name, or skips the test."""

    def find(name: str) -> Path:
        path = LOGS / name
        if not path.exists():
            pytest.skip(f"recording {name} is not there: {LOGS}")
        return path

    return find


def sentence(body: str) -> bytes:
    """A body as a receiver sends it: started, with its checksum and line end."""
    total = 0
    for character in body.encode("ascii"):
        total ^= character
    return f"${body}*{total:02X}\r\n".encode("ascii")
