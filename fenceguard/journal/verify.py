"""Whether a journal can be believed."""

from dataclasses import dataclass, field
from pathlib import Path

from fenceguard.journal.files import fence_file
from fenceguard.journal.read import COMMON, KINDS, Record, fence_bytes, numbered, opened, whole


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


def verify(directory: Path) -> Verdict:
    """Check every record. Raises BadInput where there is no journal."""
    files = opened(directory)
    verdict = Verdict(files=len(files))
    chain = _Chain()
    fences: dict[str, str] = {}
    for file in files:
        for number, line in numbered(file):
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
            if record.get("kind") == "start" and "interventions" in record:
                fences.setdefault(record.get("fence_hash", ""), place)
    for fence_hash, place in fences.items():
        verdict.faults += _fence_faults(directory, fence_hash, place)
    return verdict


def _fence_faults(directory: Path, fence_hash: str, place: str) -> list[str]:
    """What is wrong with the fence that a start record names.

    Those of journals that kept no fences yet do not tell the number of interventions either.
    """
    if fence_bytes(directory, fence_hash) is not None:
        return []
    file = fence_file(directory, fence_hash)
    if file.exists():
        return [f"{file.name}: not the fence that {place} names"]
    return [f"{place}: its fence {file.name} is not there"]


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
