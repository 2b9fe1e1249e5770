"""The memory's reading eye: records, and whether they can be believed."""

import contextlib
import hashlib
import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from fenceguard.errors import BadInput
from fenceguard.journal.files import day_files, fence_file, lines_backwards

Record = dict[str, Any]

SUM_DIGITS = 16
COMMON = ("seq", "utc", "mono_s", "kind", "prev", "sum")
TOTALS = ("rung", "epochs", "sentences", "rejected", "time_in_rung_s")
WHERE = ("epoch", "clearance_m", "nearest", "bound_m", "room_m", "settings_hash", "fence_hash")
KINDS = {
    "start": (
        "version",
        "mode",
        "source",
        "settings_file",
        "settings_hash",
        "fence_file",
        "fence_hash",
        "settings",
        "rung",
        "set_aside",
    ),
    "rung": ("from", "to", "why", "clear_s", "findings", "intervention", *WHERE),
    "intervention_begun": ("id", "rung", "cause", "findings", *WHERE),
    "intervention_ended": ("id", "rung", "cause", "duration_s", *WHERE),
    "watched": ("rung", "findings", "worst", *WHERE),
    "summary": TOTALS,
    "stop": ("reason", *TOTALS),
}
"""For each kind of record, what it must tell."""
TYPES = {
    "seq": int,
    "utc": str,
    "mono_s": int | float,
    "kind": str,
    "prev": str,
    "id": int,
    "epoch": dict | None,
    "cause": dict,
    "findings": list,
    "worst": list,
    "clearance_m": int | float | None,
    "bound_m": int | float | None,
    "room_m": int | float | None,
    "clear_s": int | float | None,
    "duration_s": int | float,
    "nearest": str,
}
"""What records are counted, ordered, told apart and explained by."""
_TELLS_INTERVENTION = b'"intervention'
FIRST_UTC = "1970-01-01T00:00:00Z"


def sealed(record: Record) -> tuple[bytes, str]:
    """The line that a record is written as, and its sum.

    The sum is the first 16 hexadecimal digits of SHA-256 over the record's JSON without the sum.
    """
    body = json.dumps(record, ensure_ascii=False, allow_nan=False)
    total = hashlib.sha256(body.encode()).hexdigest()[:SUM_DIGITS]
    return f'{body[:-1]}, "sum": "{total}"}}\n'.encode(), total


def whole(line: bytes) -> Record | None:
    """The record in a line, None where the line is not exactly what was written."""
    with contextlib.suppress(ValueError, RecursionError):
        record = json.loads(line)
        if not isinstance(record, dict) or not _well_typed(record):
            return None
        body = {key: value for key, value in record.items() if key != "sum"}
        if sealed(body)[0].rstrip(b"\n") == line.rstrip(b"\n"):
            return record
    return None


def _well_typed(record: Record) -> bool:
    """Whether what is there is of its type, and the time a time."""
    if not all(isinstance(record[key], kind) for key, kind in TYPES.items() if key in record):
        return False
    return datetime.fromisoformat(record.get("utc", FIRST_UTC)).tzinfo is not None


def complete(record: Record) -> bool:
    """Whether a record tells all that one of its kind must."""
    kind = record.get("kind")
    return kind in KINDS and all(key in record for key in (*COMMON, *KINDS[kind]))


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


def records(directory: Path) -> Iterator[Record]:
    """Every whole record, oldest first. Raises BadInput where there is no journal."""
    return (record for record in each_line(directory) if record is not None)


def each_line(directory: Path) -> Iterator[Record | None]:
    """The record of every line, oldest first, None where it holds no whole one.

    Raises BadInput where there is no journal.
    """
    for file in opened(directory):
        for _number, line in numbered(file):
            record = whole(line)
            yield record if record is not None and complete(record) else None


class Tail(NamedTuple):
    """What a journal goes on from."""

    seq: int = 0
    """Number of the last record."""
    sum: str = ""
    intervention: int = 0
    """The greatest number of an intervention."""


def tail(directory: Path) -> Tail:
    """What is needed to go on, read from the end: at once and in little memory. Raises OSError."""
    last: Record | None = None
    for file in reversed(day_files(directory)):
        for line in lines_backwards(file):
            if last is not None and _TELLS_INTERVENTION not in line:
                continue
            record = whole(line)
            if record is None:
                continue
            if last is None and "seq" in record:
                last = record
            number = _last_intervention(record)
            if last is not None and number is not None:
                return Tail(last["seq"], last["sum"], number)
    return Tail() if last is None else Tail(last["seq"], last["sum"])


def _last_intervention(record: Record) -> int | None:
    """The number of the last intervention so far, where a record tells it."""
    begun = record.get("id") if record.get("kind") == "intervention_begun" else None
    for number in (record.get("interventions"), record.get("intervention"), begun):
        if type(number) is int:
            return number
    return None


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
