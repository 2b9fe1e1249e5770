"""The memory's reading eye: records, and whether they can be believed."""

import contextlib
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from fenceguard.errors import BadInput

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
FIRST_UTC = "1970-01-01T00:00:00Z"


@dataclass
class Verdict:
    """What became of checking every record."""

    records: int = 0
    files: int = 0
    first_utc: str | None = None
    last_utc: str | None = None
    faults: list[str] = field(default_factory=list)
    torn: str | None = None
    """Said of a torn last line, which is no fault: a power cut leaves one."""
    earlier: str | None = None
    """Said where earlier records are not there, which is no fault: old days may be cleared away."""


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


def split_torn(content: bytes) -> tuple[bytes, bytes]:
    """A file's whole lines, and the torn one at its end; a whole last line gets its line end."""
    lines, newline, last = content.rpartition(b"\n")
    if not last:
        return content, b""
    if whole(last) is not None:
        return content + b"\n", b""
    return lines + newline, last


def day_files(directory: Path) -> list[Path]:
    """The files of a journal, oldest first."""
    return sorted(directory.glob("[0-9]*-[0-9][0-9]-[0-9][0-9].jsonl"))


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


def _lines(file: Path) -> Iterator[tuple[int, bytes]]:
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
        for _number, line in _lines(file):
            record = whole(line)
            yield record if record is not None and complete(record) else None


def last_record(directory: Path) -> Record | None:
    """The newest whole record, None where there is none."""
    for file in reversed(day_files(directory)):
        for line in reversed(file.read_bytes().splitlines()):
            record = whole(line)
            if record is not None and "seq" in record:
                return record
    return None


def verify(directory: Path) -> Verdict:
    """Check every record. Raises BadInput where there is no journal."""
    files = opened(directory)
    verdict = Verdict(files=len(files))
    chain = _Chain()
    for file in files:
        for number, line in _lines(file):
            place = f"{file.name}:{number}"
            record = whole(line)
            if record is None and not line.endswith(b"\n") and file == files[-1]:
                verdict.torn = (
                    f"{place}: a torn last line of {len(line)} bytes, as a power cut leaves"
                )
                continue
            if record is None:
                verdict.faults.append(f"{place}: not a record as it was written")
                chain.broken()
                continue
            verdict.faults += [f"{place}: {fault}" for fault in chain.faults(record)]
            if not verdict.records and not verdict.faults and record["seq"] != 1:
                verdict.earlier = (
                    f"{place}: begins with record {record['seq']}; the earlier ones are not there"
                )
            verdict.records += 1
            verdict.first_utc = verdict.first_utc or record.get("utc")
            verdict.last_utc = record.get("utc")
    return verdict


class _Chain:
    """What the records so far oblige the next one to."""

    def __init__(self) -> None:
        self._last: Record | None = None
        self._rung: str | None = None
        self._open: int | None = None
        self._greatest = 0

    def broken(self) -> None:
        """A record is missing: what follows is checked by itself."""
        self._last = self._rung = self._open = None

    def faults(self, record: Record) -> list[str]:
        """What is wrong with the next record."""
        kind = record.get("kind")
        wanted = (*COMMON, *KINDS.get(str(kind), ()))
        missing = [key for key in wanted if key not in record]
        if kind not in KINDS:
            return [f"unknown kind {kind!r}"]
        if missing:
            self.broken()
            return [f"{kind} record without {', '.join(missing)}"]
        found = self._order(record) + self._story(record)
        self._last = record
        return found

    def _order(self, record: Record) -> list[str]:
        last = self._last
        if last is None:
            return []
        found = []
        if record["seq"] != last["seq"] + 1:
            found.append(f"record {record['seq']} follows record {last['seq']}")
        if record["prev"] != last["sum"]:
            found.append("does not continue the record before it")
        if record["kind"] != "start" and record["mono_s"] < last["mono_s"]:
            found.append(f"the clock went back from {last['mono_s']} to {record['mono_s']}")
        return found

    def _story(self, record: Record) -> list[str]:
        kind = record["kind"]
        found = []
        if kind == "start":
            self._rung, self._open = record["rung"], None
        elif kind == "rung":
            if self._rung not in (None, record["from"]):
                found.append(f"leaves {record['from']}, but the rung was {self._rung}")
            self._rung = record["to"]
        elif kind == "intervention_begun":
            if record["id"] <= self._greatest:
                found.append(f"intervention {record['id']} begins after {self._greatest}")
            self._open = self._greatest = record["id"]
        elif kind == "intervention_ended":
            if self._open not in (None, record["id"]):
                found.append(f"ends intervention {record['id']}, but {self._open} was open")
            self._open = None
        return found
