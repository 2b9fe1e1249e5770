"""The files of a journal: their names and order, and what stands at their ends."""

import os
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import BinaryIO, NamedTuple

BLOCK_BYTES = 1 << 16
LONGEST_LINE = 1 << 20
"""Bytes; a longer line is no record."""
_NAME = re.compile(r"(\d{4}-\d\d-\d\d)(?:\.([1-9]\d*))?\.jsonl")


class Part(NamedTuple):
    """Which part of the journal a file holds; parts sort from the oldest to the newest."""

    day: str
    """By UTC, ISO 8601."""
    number: int
    """Counts the files of a day from 1."""

    @property
    def name(self) -> str:
        """The name of the file: the number is left out of the first one's."""
        return f"{self.day}.jsonl" if self.number == 1 else f"{self.day}.{self.number}.jsonl"

    def days_before(self, day: str) -> int:
        """How many days it is older than a day."""
        return (date.fromisoformat(day) - date.fromisoformat(self.day)).days


def part_of(file: Path) -> Part | None:
    """The part that a file holds, None where its name is not that of one."""
    match = _NAME.fullmatch(file.name)
    if match is None or match[2] == "1":
        return None
    try:
        date.fromisoformat(match[1])
    except ValueError:
        return None
    return Part(match[1], int(match[2] or 1))


def day_files(directory: Path) -> list[Path]:
    """The files of a journal, oldest first."""
    parts = [part for part in map(part_of, directory.glob("*.jsonl")) if part is not None]
    return [directory / part.name for part in sorted(parts)]


def fence_file(directory: Path, fence_hash: str) -> Path:
    """Where a fence is kept."""
    return directory / f"fence-{fence_hash}.geojson"


def lines_backwards(file: Path) -> Iterator[bytes]:
    """The lines of a file without their line ends, last first.

    What follows the last line end comes first, and is empty where nothing does. Lines longer than
    `LONGEST_LINE` are left out. Takes no more memory than one such line. Raises OSError.
    """
    begun = b""
    with file.open("rb") as content:
        for block in _blocks_backwards(content):
            first, *whole = (block + begun).split(b"\n")
            yield from (line for line in reversed(whole) if len(line) <= LONGEST_LINE)
            begun = first[: LONGEST_LINE + 1]
    if len(begun) <= LONGEST_LINE:
        yield begun


def last_line_at(file: Path) -> int:
    """Where the last line end of a file ends: 0 where it has none. Raises OSError."""
    with file.open("rb") as content:
        at = content.seek(0, os.SEEK_END)
        for block in _blocks_backwards(content):
            at -= len(block)
            newline = block.rfind(b"\n")
            if newline >= 0:
                return at + newline + 1
    return 0


def _blocks_backwards(content: BinaryIO) -> Iterator[bytes]:
    at = content.seek(0, os.SEEK_END)
    while at > 0:
        size = min(BLOCK_BYTES, at)
        at -= size
        content.seek(at)
        yield content.read(size)
