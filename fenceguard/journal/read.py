"""The memory's reading eye: records, and whether they can be believed."""

import contextlib
import hashlib
import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from types import UnionType
from typing import Any, NamedTuple

from fenceguard.errors import BadInput
from fenceguard.journal.files import day_files, fence_file, lines_backwards
from fenceguard.journal.records import Entry, record_of

Line = dict[str, Any]
"""A line of a journal as plain values."""

SUM_DIGITS = 16
COMMON: dict[str, type | UnionType] = {
    "seq": int,
    "utc": str,
    "mono_s": int | float,
    "kind": str,
    "prev": str,
    "sum": str,
}
"""What stands in every line, whatever its record tells."""
_TELLS_INTERVENTION = b'"intervention'


def sealed(content: Line) -> tuple[bytes, str]:
    """The line that a content is written as, and its sum.

    The sum is the first 16 hexadecimal digits of SHA-256 over the JSON without the sum.
    Raises TypeError or ValueError for what JSON cannot hold.
    """
    body = json.dumps(content, ensure_ascii=False, allow_nan=False)
    total = hashlib.sha256(body.encode()).hexdigest()[:SUM_DIGITS]
    return f'{body[:-1]}, "sum": "{total}"}}\n'.encode(), total


def whole(line: bytes) -> Line | None:
    """The content of a line, None where the line is not exactly what was written."""
    with contextlib.suppress(ValueError, RecursionError):
        content = json.loads(line)
        if not isinstance(content, dict) or not all(
            isinstance(content.get(key), kind) for key, kind in COMMON.items()
        ):
            return None
        body = {key: value for key, value in content.items() if key != "sum"}
        utc = datetime.fromisoformat(content["utc"])
        if utc.tzinfo is not None and sealed(body)[0].rstrip(b"\n") == line.rstrip(b"\n"):
            return content
    return None


def entry_of(content: Line) -> Entry:
    """The entry in the content of a line. Raises ValueError where it is not that of its kind."""
    utc_s = datetime.fromisoformat(content["utc"]).timestamp()
    return Entry(float(content["mono_s"]), utc_s, record_of(content["kind"], content))


def opened(directory: Path) -> list[Path]:
    """The files of a journal. Raises BadInput where there is none to read."""
    try:
        directory.stat()
        files = day_files(directory)
    except FileNotFoundError:
        files = None
    except OSError as error:
        raise BadInput(f"{directory}: cannot be read: {error.strerror}") from error
    if files is None or not directory.is_dir():
        raise BadInput(f"{directory}: no such directory; name the one the journal was written to")
    if not files:
        raise BadInput(f"{directory}: no journal in it; name the one it was written to")
    return files


def numbered(file: Path) -> Iterator[tuple[int, bytes]]:
    """The lines of a file, with their numbers from 1. Raises BadInput where it cannot be read."""
    try:
        with file.open("rb") as content:
            yield from enumerate(content, start=1)
    except OSError as error:
        raise BadInput(f"{file}: cannot be read: {error.strerror}") from error


def entries(directory: Path) -> Iterator[Entry]:
    """Every whole entry, oldest first. Raises BadInput where there is no journal."""
    return (entry for entry in each_entry(directory) if entry is not None)


def each_entry(directory: Path) -> Iterator[Entry | None]:
    """The entry of every line, oldest first, None where it holds no whole one.

    Raises BadInput where there is no journal.
    """
    for content in each_line(directory):
        try:
            yield None if content is None else entry_of(content)
        except ValueError:
            yield None


def each_line(directory: Path) -> Iterator[Line | None]:
    """The content of every line, oldest first, None where it is not as it was written.

    Raises BadInput where there is no journal.
    """
    for file in opened(directory):
        for _number, line in numbered(file):
            yield whole(line)


class Tail(NamedTuple):
    """What a journal goes on from."""

    seq: int = 0
    """Number of the last record."""
    sum: str = ""
    intervention: int = 0
    """The greatest number of an intervention."""


def tail(directory: Path) -> Tail:
    """What is needed to go on, read from the end: at once and in little memory. Raises OSError."""
    last: Line | None = None
    for file in reversed(day_files(directory)):
        for line in lines_backwards(file):
            if last is not None and _TELLS_INTERVENTION not in line:
                continue
            content = whole(line)
            if content is None:
                continue
            last = last or content
            for number in (content.get("interventions"), content.get("intervention")):
                if type(number) is int:
                    return Tail(last["seq"], last["sum"], number)
    return Tail() if last is None else Tail(last["seq"], last["sum"])


def fence_bytes(directory: Path, fence_hash: str) -> bytes | None:
    """The GeoJSON of a fence that was kept, None where it is not there or not as it was.

    Raises BadInput where it is there and cannot be read.
    """
    file = fence_file(directory, fence_hash)
    try:
        content = file.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise BadInput(f"{file}: cannot be read: {error.strerror}") from error
    return content if hashed(content) == fence_hash else None


def hashed(content: bytes) -> str:
    """The hash by which records name a fence: the first 16 hexadecimal digits of SHA-256."""
    return hashlib.sha256(content).hexdigest()[:SUM_DIGITS]
